"""`[receive]` of a source file: which feed, and whether its keys and the source's format fit it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from pydantic import BaseModel

from ingest import feeds, formats
from ingest.errors import suggest
from ingest.toml_file import TomlFile, check_model


def check_receive(
    file: TomlFile, table: Mapping[str, Any] | None, form: str, encoding: str
) -> tuple[str | None, BaseModel | None]:
    """Return the feed's name and its checked options; (None, None) without [receive]. Problems are noted in `file`."""
    if table is None:
        return None, None
    by, known, at = table.get("by"), ", ".join(feeds.BY_NAME), ("receive", "by")
    if by is None:
        file.problem(at, "key 'by' is missing", allowed=known, fix='write e.g. by = "tcp"')
        return None, None
    feed = feeds.BY_NAME.get(str(by))
    if feed is None:
        near = suggest(str(by), feeds.BY_NAME)
        file.problem(at, "nothing can be received in this way", found=by, allowed=known, fix=near)
        return None, None
    listens = isinstance(feed, feeds.ListeningFeed)
    allowed = [f.NAME for f in formats.FORMATS if f.LINES] if listens else ["parquet"]
    if form in formats.BY_NAME and form not in allowed:
        message = f"what comes by {feed.NAME} cannot be read in this format"
        file.problem(("format",), message, found=form, allowed=", ".join(allowed))
    if listens and encoding == "utf-16":
        message, fix = "lines that are received cannot be in UTF-16", "leave it out, and let the sender write UTF-8"
        file.problem(("encoding",), message, found=encoding, fix=fix)
    own = {key: value for key, value in table.items() if key != "by"}
    return feed.NAME, check_model(file, feed.Options, own, ("receive",))
