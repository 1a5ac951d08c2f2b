"""The feeds, one module each: what comes without files. FEEDS is the whole registry."""

from __future__ import annotations

from typing import Final, cast

from ingest.feeds import mqtt, sql, syslog, tcp
from ingest.feeds.base import Feed, ListeningFeed, PullingFeed

FEEDS: Final = tuple(cast(Feed, module) for module in (tcp, syslog, mqtt, sql))
BY_NAME: Final[dict[str, Feed]] = {f.NAME: f for f in FEEDS}

__all__ = ["BY_NAME", "FEEDS", "Feed", "ListeningFeed", "PullingFeed"]
