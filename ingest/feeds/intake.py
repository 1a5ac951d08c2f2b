"""Where a listener hands its lines in: counts, writes in groups, holds senders back while the disk refuses."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Final

from ingest.feeds.spool import Spool

GROUP_S: Final = 0.2  # lines of so long are written at once
AGAIN_S: Final = 1.0  # after the disk refused
MOST_HELD: Final = 4 << 20  # bytes that wait for the disk; then senders wait
TOLD_EVERY_S: Final = 10.0
LAST_TRIES: Final = 3  # when it stops


@dataclass(slots=True)
class Counts:
    """What has come so far. refused: clients, frames and datagrams that were not taken; cut: lines not whole."""

    clients: int = 0
    lines: int = 0
    bytes: int = 0
    refused: int = 0
    cut: int = 0
    last_received: datetime | None = None


class Intake:
    """The way of one source's lines to its spool. All of it runs in the listeners' thread."""

    def __init__(self, source: str, spool: Spool, tell: Callable[[str], None], group_s: float = GROUP_S) -> None:
        self.source, self.spool, self.group_s = source, spool, group_s
        self.state, self.address, self.problem, self.counts = "starts", "", "", Counts()
        self._tell = tell
        self._told: dict[str, tuple[float, int]] = {}  # what was told, when, and how often it was held back since
        self._lines: list[bytes] = []
        self._held = 0
        self._ready, self._room = asyncio.Event(), asyncio.Event()
        self._stopping = False
        self._group: asyncio.Future[None] | None = None  # done when the lines that are collected now are on the disk

    # ---- for listeners

    @property
    def full(self) -> bool:
        """Do so many lines wait for the disk that no more should be taken?"""
        return self._held >= MOST_HELD

    def take(self, lines: Sequence[bytes]) -> None:
        """Take lines whether there is room or not."""
        if not lines:
            return
        size = sum(map(len, lines)) + len(lines)
        self._lines += lines
        self._held += size
        self.counts.lines += len(lines)
        self.counts.bytes += size
        self.counts.cut += sum(line[:1] == b"\0" for line in lines)
        self.counts.last_received = datetime.now(UTC)
        self._ready.set()

    async def put(self, lines: Sequence[bytes]) -> None:
        """Take lines when there is room; so a sender is held back."""
        while self.full:
            self._room.clear()
            try:
                await self._room.wait()
            except asyncio.CancelledError:  # what was read already still counts
                self.take(lines)
                raise
        self.take(lines)

    async def keep(self, lines: Sequence[bytes]) -> None:
        """Take lines and return when they are on the disk."""
        await self.put(lines)
        if self._group is None:
            self._group = asyncio.get_running_loop().create_future()
        await asyncio.shield(self._group)

    def tell(self, kind: str, message: str) -> None:
        """Tell of something that may come thousands of times: of one kind once in a while, with the number left out."""
        now = time.monotonic()
        at, left_out = self._told.get(kind, (-TOLD_EVERY_S, 0))
        if now - at < TOLD_EVERY_S:
            self._told[kind] = at, left_out + 1
            return
        self._told[kind] = now, 0
        self._tell(f"{self.source}: {message}" + (f" (and {left_out:,} times before)" if left_out else ""))

    # ---- to the disk

    async def run(self) -> None:
        """Write what is taken, in groups, until `stop`."""
        while self._lines or not self._stopping:
            await self._ready.wait()
            began = time.monotonic()
            await self._write_group()
            if not self._stopping:
                await asyncio.sleep(max(0.0, began + self.group_s - time.monotonic()))
        self.spool.close()

    def stop(self) -> None:
        """Let `run` end when it has written what is left."""
        self._stopping = True
        self._ready.set()

    async def _write_group(self) -> None:
        lines, self._lines = self._lines, []
        group, self._group = self._group, None
        size = self._held
        self._ready.clear()
        self.spool.append(lines)
        tries = LAST_TRIES
        while True:
            try:
                await asyncio.to_thread(self.spool.commit)
                break
            except OSError as err:
                self._refused(err)
            tries -= self._stopping
            if not tries:
                self._tell(f"{self.source}: {size:,} bytes that waited for the spool were not written: {self.problem}")
                if group is not None:
                    group.cancel()
                return
            await asyncio.sleep(AGAIN_S)
        if self.problem.startswith(_REFUSED):
            self.problem = ""
            self._told.pop("disk", None)
            self._tell(f"{self.source}: the spool can be written again; nothing was lost of what was taken")
        self._held -= size
        self._room.set()
        if group is not None and not group.done():
            group.set_result(None)

    def _refused(self, err: OSError) -> None:
        self.problem = f"{_REFUSED}: {err.strerror or err}"
        self.tell("disk", f"{self.problem} ({self.spool.folder}); senders wait, it is tried again each second")


_REFUSED: Final = "the spool cannot be written"
