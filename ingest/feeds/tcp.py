"""Lines over TCP: every line that a client sends is a line of the log."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from typing import Final

from pydantic import Field

from ingest.feeds.cut import Held, Lines
from ingest.feeds.intake import Intake
from ingest.feeds.server import Server, ServerOptions

NAME: Final = "tcp"


class Options(ServerOptions):
    """`[receive]` by tcp."""

    stamp: bool = Field(
        False, description="true: the time of receipt (ISO 8601, UTC) and a tab are put in front of each line"
    )


class _Stamped(Lines):
    """Lines with the time at which they were complete in front."""

    def feed(self, data: bytes) -> list[bytes]:
        return _stamped(super().feed(data))

    def finish(self) -> list[bytes]:
        return _stamped(super().finish())


def _stamped(lines: list[bytes]) -> list[bytes]:
    now = datetime.now(UTC).isoformat(timespec="microseconds").replace("+00:00", "Z").encode()
    return [line if line.startswith(b"\0") else now + b"\t" + line for line in lines]  # marks stay as they are


async def listen(options: Options, intake: Intake) -> None:
    """Take clients and their lines until it is cancelled."""
    cutter: Callable[[Held], Lines] = _Stamped if options.stamp else Lines
    await Server(options, intake, cutter).listen()
