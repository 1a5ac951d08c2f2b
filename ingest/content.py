"""What tells one log's content from another's: a hash that can be carried on when the log grows.

The hash of a content is a chain over pieces of 256 KiB: each link is XXH3 (128 bits) of the link before and the piece.
So the hash of a log that grew needs only its last piece read again, and a prefix can be recognised in a longer log.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import BinaryIO, Final

import xxhash

PIECE: Final = 1 << 18
HEAD: Final = 1024  # bytes by which a log is looked up among those that are known


class ContentHash:
    """Hashes bytes as they come; `size` says how many."""

    def __init__(self, links: list[bytes] | None = None) -> None:
        self.links = links or [b""]  # the chain at 0, 1, 2 … pieces; before the first of a continued one: b"" unused
        self._open = xxhash.xxh3_128(self.links[-1])
        self._filled = 0

    @property
    def size(self) -> int:
        """How many bytes it has seen."""
        return (len(self.links) - 1) * PIECE + self._filled

    def update(self, data: bytes | memoryview) -> None:
        """Take in the next bytes."""
        view = memoryview(data)
        while view:
            taken = min(PIECE - self._filled, len(view))
            self._open.update(view[:taken])
            self._filled += taken
            view = view[taken:]
            if self._filled == PIECE:
                self.links.append(self._open.digest())
                self._open = xxhash.xxh3_128(self.links[-1])
                self._filled = 0

    def digest(self) -> str:
        """Return the hash of all that came so far."""
        return self._open.hexdigest()

    def mark(self, size: int) -> Mark:
        """Return from where the hash can be carried on for a content of `size` bytes, a piece or two before its end."""
        pieces = max(size // PIECE - 1, 0)
        return Mark(pieces, self.links[pieces].hex())


@dataclass(frozen=True, slots=True)
class Mark:
    """The chain after so many pieces."""

    pieces: int
    link: str

    def resume(self) -> ContentHash:
        """Return the hash as it was after those pieces."""
        return ContentHash([b""] * self.pieces + [bytes.fromhex(self.link)])


def read_exactly(stream: BinaryIO, size: int, into: ContentHash) -> bool:
    """Feed the next `size` bytes to a hash; False when there are fewer."""
    while size:
        data = stream.read(min(size, 1 << 20))
        if not data:
            return False
        into.update(data)
        size -= len(data)
    return True


def head_of(data: bytes) -> str:
    """Return the hash by which a log of these first bytes is looked up."""
    return xxhash.xxh3_128(data).hexdigest()[:32]
