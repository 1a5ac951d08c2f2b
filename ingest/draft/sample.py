"""A bounded sample of log files: head, middle and end of each, as blocks of whole lines in UTF-8."""

from __future__ import annotations

import codecs
import gzip
import io
import zlib
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import BinaryIO, Final, cast

import polars as pl
import zstandard

from ingest.errors import InputError
from ingest.raw import Block, decompressed, unreadable

FILES: Final = 12
PIECE: Final = 384 << 10  # bytes of the head, the middle and the end of a single file; less where there are many files
SMALLEST: Final = 64 << 10
COMPRESSED: Final = 8 << 20  # a compressed file has no middle to jump to: so much of it is read
SOMEWHERE: Final = 1_000_001  # number of the first line of a piece that is not the head

FILE, PART, LINE = "\x00file", "\x00piece", "line"  # where a record stands: columns that no field has the name of
WHERE: Final = (FILE, PART, LINE)
COMPRESSIONS: Final = (".gz", ".zst")


@dataclass(slots=True)
class SampleFile:
    """One file of the sample. `whole`: all of it was read. `blocks`: the head first."""

    path: Path
    whole: bool
    blocks: list[Block] = field(default_factory=list)


@dataclass(slots=True)
class Sample:
    """What was read of the files: lines of text in an encoding, and what is to be said about the encoding."""

    files: list[SampleFile]
    encoding: str = "utf-8"
    remark: str = ""
    of_files: int = 0

    @property
    def blocks(self) -> list[Block]:
        """All blocks, file by file."""
        return [block for file in self.files for block in file.blocks]

    def lines(self) -> pl.DataFrame:
        """Return one row per line that is not blank: file (its place in the sample), piece, line, text."""
        frames = [
            block.as_lines().with_columns(pl.lit(n).alias(FILE), pl.lit(i).alias(PART))
            for n, file in enumerate(self.files)
            for i, block in enumerate(file.blocks)
        ]
        lines = pl.concat(frames) if frames else pl.DataFrame(schema={"line": pl.Int64, "text": pl.String})
        lines = lines.filter(pl.col("text").str.contains(r"\S"))
        return lines.with_columns(pl.col("text").str.replace_all("[\x1a-\x1e]", "?"))  # our own marks


def chosen(paths: Sequence[Path]) -> list[Path]:
    """Return at most FILES of the files, spread over them, the first and the last included."""
    paths = list(dict.fromkeys(paths))
    if len(paths) <= FILES:
        return paths
    return [paths[n * (len(paths) - 1) // (FILES - 1)] for n in range(FILES)]


def first_bytes(path: Path, shown: str, n: int = 1 << 16) -> bytes:
    """Return the first bytes of a file's content, decompressed. Raises InputError for what cannot be read."""
    if path.is_dir():
        raise InputError(
            "This is a folder, not a file.", where=shown, fix=f"Name the files in it, e.g.  taktbook draft {shown}/*"
        )
    if path.exists() and not path.is_file():
        raise InputError("This is no file that can be read twice.", where=shown, fix="Copy what it gives to a file.")
    try:
        with path.open("rb", buffering=0) as plain:
            return _read(decompressed(cast(BinaryIO, plain)), n)
    except (gzip.BadGzipFile, zlib.error, zstandard.ZstdError) as err:
        fix = "Copy it again when the writer is done."
        raise InputError(f"The compressed file is damaged: {err}", where=shown, fix=fix) from err
    except EOFError as err:
        fix = "Copy it again when the writer is done."
        raise InputError("The compressed file is cut off before its first line.", where=shown, fix=fix) from err
    except OSError as err:
        raise unreadable(shown, err) from err


def read_sample(paths: Sequence[Path]) -> Sample:
    """Read the head, the middle and the end of some files (see `chosen`)."""
    some = chosen(paths)
    size = max(PIECE // max(len(some) // 2, 1), SMALLEST)
    raw = [(path, *_pieces(path, size)) for path in some]
    encoding, remark = _encoding([piece for _, _, pieces in raw for piece, _ in pieces])
    files = []
    for path, whole, pieces in raw:
        file = SampleFile(path, whole)
        for n, (data, at_end) in enumerate(pieces):
            block = _block(data, encoding, n == 0, at_end)
            if block.lines:
                file.blocks.append(block)
        files.append(file)
    return Sample(files, encoding, remark, len(set(paths)))


def _pieces(path: Path, size: int) -> tuple[bool, list[tuple[bytes, bool]]]:
    """Return whether the whole file was read, and the pieces, each with whether it reaches the end of the file."""
    with path.open("rb", buffering=0) as plain:
        stream = decompressed(cast(BinaryIO, plain))
        total = path.stat().st_size
        try:
            head = _read(stream, size)
            if len(head) < size:
                return True, [(head, True)]
            if head.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)) or b"\0" in head[:64]:
                return False, [(head, False)]
            if isinstance(stream, io.FileIO):
                if total <= 3 * size:
                    return True, [(head + _read(stream, total), True)]
                stream.seek(total // 2)
                middle = _read(stream, size)
                stream.seek(total - size)
                return False, [(head, False), (middle, False), (_read(stream, size), True)]
            pieces = [head]
            while len(pieces) * size < COMPRESSED and len(pieces[-1]) == size:
                pieces.append(_read(stream, size))
        except (EOFError, zlib.error, zstandard.ZstdError):  # cut off: what could be read is a sample all the same
            return False, [(head, False)]
    ended = len(pieces[-1]) < size
    if len(pieces) <= 3:
        return ended, [(b"".join(pieces), ended)]
    return False, [(head, False), (pieces[len(pieces) // 2], False), (b"".join(pieces[-2:]), ended)]


def _read(stream: BinaryIO, n: int) -> bytes:
    """Read n bytes, fewer only at the end."""
    data = bytearray()
    while len(data) < n:
        try:
            piece = stream.read(n - len(data))
        except EOFError:
            if not data:
                raise
            break
        if not piece:
            break
        data += piece
    return bytes(data)


def _encoding(pieces: Sequence[bytes]) -> tuple[str, str]:
    """Return the encoding, and a remark where it is a guess."""
    head = pieces[0] if pieces else b""
    odd, even = head[1:4096:2].count(0), head[0:4096:2].count(0)
    if head.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)) or odd + even > 0.2 * min(len(head), 4096) > 0:
        return "utf-16", ""
    data = b"".join(pieces)
    if data.isascii():
        return "utf-8", ""
    plain = sum(byte >= 0x80 for byte in data)
    kept = data.decode("utf-8", "ignore").encode()
    inside = sum(byte >= 0x80 for byte in kept)
    if plain - inside <= 8:  # a character cut at the edge of a piece is no fault
        return "utf-8", ""
    if inside > 0.1 * plain:
        return "utf-8", "some lines are UTF-8, some are not: the latter are read as Windows-1252"
    return "cp1252", "no UTF-8; Windows-1252 is assumed. Look at the special characters in the examples below"


def _block(data: bytes, encoding: str, head: bool, at_end: bool) -> Block:
    """Cut a piece to whole lines and bring them to UTF-8."""
    if encoding == "utf-16":
        text = data[: len(data) // 2 * 2].decode("utf-16", "replace").encode()
    elif encoding == "utf-8":
        text = data if data.isascii() else data.decode("utf-8", "taktbook_cp1252").encode()
    else:
        text = data.decode(encoding, "replace").encode()
    text = text.removeprefix(codecs.BOM_UTF8).replace(b"\r\n", b"\n").replace(b"\0", b"")
    if not head:
        text = text[text.find(b"\n") + 1 :]
    if not at_end:
        text = text[: text.rfind(b"\n") + 1]
    elif text and not text.endswith(b"\n"):
        text += b"\n"
    return Block(text, 1 if head else SOMEWHERE, text.count(b"\n"))
