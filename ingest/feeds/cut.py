"""A stream of bytes -> lines, with bounded memory whatever is sent."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Protocol

from ingest.feeds.clean import LONGEST, SHOWN, clean, marked

MUCH: Final = 32 << 20  # when all clients together hold so many bytes of unfinished lines …
LITTLE: Final = 64 << 10  # … none may hold more than this of one


class RefusedError(Exception):
    """What a client sends is not taken any further; `lines` are those before it, and one that says so in the spool."""

    def __init__(self, reason: str, lines: list[bytes]) -> None:
        super().__init__(reason)
        self.reason, self.lines = reason, lines


@dataclass(slots=True)
class Held:
    """How many bytes of unfinished lines all clients of one listener hold together."""

    total: int = 0

    def longest(self) -> int:
        """Return how long a line may become just now."""
        return LONGEST if self.total < MUCH else LITTLE


class Cutter(Protocol):
    """Cuts one client's stream into lines."""

    def feed(self, data: bytes) -> list[bytes]:
        """Take what came; returns the lines that are complete now. Raises RefusedError to end the connection."""

    def finish(self) -> list[bytes]:
        """The client closed its connection in order; returns what is left."""

    def broken(self, why: str) -> list[bytes]:
        """The connection broke; returns what is left, marked as not whole."""


class Lines:
    """Lines that end with a line feed. One that is too long is read over: its beginning and its length are kept."""

    def __init__(self, held: Held) -> None:
        self.held = held
        self._rest = bytearray()
        self._cut = 0  # length so far of a line that is too long, 0: none

    @property
    def inside(self) -> bool:
        """Has a line begun that has not ended?"""
        return bool(self._rest or self._cut)

    def feed(self, data: bytes) -> list[bytes]:
        """Take what came; returns the lines that are complete now."""
        first, *others = data.split(b"\n")
        self._hold(first)
        if not others:
            return []
        *whole, last = others
        lines = [self._end(), *map(clean, whole)]
        self._hold(last)
        return lines

    def finish(self) -> list[bytes]:
        """Return a last line without an end as a line."""
        return [self._end()] if self.inside else []

    def broken(self, why: str) -> list[bytes]:
        """Return a line that has no end, marked as not whole."""
        if not self.inside:
            return []
        line = marked(f"{why} within this line", bytes(self._rest))
        self._forget()
        return [line]

    def _hold(self, piece: bytes) -> None:
        if self._cut:
            self._cut += len(piece)
            return
        self._rest += piece
        self.held.total += len(piece)
        if len(self._rest) > self.held.longest():
            self._cut = len(self._rest)
            self.held.total -= len(self._rest) - SHOWN
            del self._rest[SHOWN:]

    def _end(self) -> bytes:
        line = bytes(self._rest)
        line = marked(f"a line of {self._cut:,} bytes was cut off", line) if self._cut else clean(line)
        self._forget()
        return line

    def _forget(self) -> None:
        self.held.total -= len(self._rest)
        self._rest.clear()
        self._cut = 0
