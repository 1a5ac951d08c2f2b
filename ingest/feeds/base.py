"""What a feed is: a module with these names. A feed brings in what no file holds, by way of files of its own.

Two kinds: one listens (`listen`: it is sent lines as long as it runs), one pulls (`pull`: it fetches what is new when a
load begins). Both write below `<plant>/spool/<source>/` first; what lies there is loaded as any file is.
"""

from __future__ import annotations

from typing import Any, Protocol, runtime_checkable

from pydantic import BaseModel

from ingest.feeds.intake import Intake
from ingest.plant_folder import PlantFolder
from ingest.progress import Progress


class Feed(Protocol):
    """The names that every feed has."""

    NAME: str  # the word behind `by`
    Options: type[BaseModel]  # the other keys of [receive]


@runtime_checkable
class ListeningFeed(Feed, Protocol):
    """A feed that is sent lines. All of them run in one thread."""

    async def listen(self, options: Any, intake: Intake) -> None:
        """Take what comes and give it to the intake until it is cancelled.

        Raises InputError when it cannot begin: a port in use, a password that cannot be read.
        """


@runtime_checkable
class PullingFeed(Feed, Protocol):
    """A feed that fetches."""

    def pull(self, name: str, options: Any, folder: PlantFolder, progress: Progress) -> int:
        """Write what is new to the spool of the source `name`; returns how many rows.

        Raises InputError when the other side cannot be reached or refuses.
        """


__all__ = ["Feed", "ListeningFeed", "PullingFeed"]
