"""What a file on the disk is to the store: a log that is in it, one that has grown since, or a new one.

Names do not matter, content does: rotation renames logs, compression changes their bytes, a copy that is cut off and
written anew keeps the name and changes the content.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, Literal, cast

from ingest.content import HEAD, PIECE, ContentHash, Mark, head_of, read_exactly
from ingest.manifest import LoadedFile
from ingest.raw import RawFile, decompressed


@dataclass(frozen=True, slots=True)
class Found:
    """What the file is; `record` is the log that it equals or continues."""

    what: Literal["same", "grown", "new"]
    record: LoadedFile | None = None


NEW = Found("new")


def look_again(path: Path, shown: str, record: LoadedFile) -> Found | None:
    """Compare a plain file with the log that it was when last seen, by its head and its last pieces only.

    Returns None when that cannot tell: the file is compressed, or another one.
    """
    with RawFile(path, shown)._told(), path.open("rb", buffering=0) as plain:
        size = path.stat().st_size
        stream = decompressed(cast(BinaryIO, plain))
        if stream is not plain or size < record.size or not record.full_size:
            return None
        head = ContentHash()
        data = b""
        while len(data) < record.head_size and (more := plain.read(record.head_size - len(data))):
            data += more
        if head_of(data) != record.head:
            return None
        mark = Mark(record.mark_pieces, record.mark_link)
        head = mark.resume()
        plain.seek(mark.pieces * PIECE)
        if not read_exactly(stream, record.size - mark.pieces * PIECE, head) or head.digest() != record.digest:
            return None
        if size == record.full_size and read_exactly(stream, size - record.size, head):
            return Found("same" if head.digest() == record.full_digest else "grown", record)
    return Found("grown", record)


def recognise(path: Path, shown: str, like: Callable[[bytes], list[LoadedFile]]) -> Found:
    """Look for a log whose content this file has, or begins with; the longest counts.

    `like` gives the logs of the file's source that begin with the same bytes.
    """
    with RawFile(path, shown).content() as stream:
        data = b""
        while len(data) < HEAD and (more := stream.read(HEAD - len(data))):
            data += more
        records = [r for r in like(data) if r.full_size]
        if not records:
            return NEW
        marks = sorted({r.size for r in records} | {r.full_size for r in records})
        digests: dict[int, str] = {}
        so_far = ContentHash()
        begun = data
        for mark in marks:
            taken = begun[: mark - so_far.size]
            begun = begun[len(taken) :]
            so_far.update(taken)
            if not read_exactly(stream, mark - so_far.size, so_far):
                break
            digests[mark] = so_far.digest()
        more_comes = bool(begun) or bool(stream.read(1)) if so_far.size == marks[-1] else False
        total = so_far.size
    if not more_comes:
        for record in records:
            if record.full_size == total and digests.get(total) == record.full_digest:
                return Found("same", record)
    # A few lines that give no event, such as a header, do not tell one log from another.
    telling = [r for r in records if r.with_events or r.size >= HEAD]
    grown = [r for r in telling if 0 < r.size <= total and digests.get(r.size) == r.digest]
    # One line without an end is all there was of it.
    grown += [r for r in records if not r.size and digests.get(r.full_size) == r.full_digest]
    return Found("grown", max(grown, key=lambda r: r.full_size)) if grown else NEW
