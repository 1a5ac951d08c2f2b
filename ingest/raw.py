"""Files as they lie on the disk -> blocks of whole lines in UTF-8: plain, .gz or .zst, any line end, bounded memory."""

from __future__ import annotations

import codecs
import gzip
import io
import os
import re
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, Final, cast

import numpy as np
import polars as pl
import zstandard

from ingest.content import HEAD, PIECE, ContentHash, Mark, read_exactly
from ingest.errors import InputError

BLOCK_BYTES: Final = 12 << 20
LONGEST_LINE: Final = BLOCK_BYTES  # a line within one piece is never too long: only joints need a look
NEAR: Final = 1 << 18
PROBE: Final = 1 << 16
SHOWN_CHARS: Final = 300  # of a quarantined line
SHOWN_BYTES: Final = 4 * SHOWN_CHARS

_CONTROL: Final = re.compile(rb"[\x01-\x08\x0e-\x19\x1c-\x1f]")  # no text holds these

BAD_SCHEMA: Final = pl.Schema({"line": pl.Int64(), "reason": pl.String(), "text": pl.String()})


@dataclass(slots=True)
class Block:
    """Whole lines of a file: UTF-8, ended by a line feed each.

    `first` is the number of the first line, `lines` how many there are. `torn`: the last line had no end in the file.
    `bad` holds lines that are no text; they are not in `data`, and `numbers` then says which lines are.
    """

    data: bytes
    first: int
    lines: int
    torn: bool = False
    bad: pl.DataFrame | None = None
    numbers: pl.Series | None = None
    frame: pl.DataFrame | None = None  # tables: the rows instead of `data`

    def line_numbers(self) -> pl.Series:
        """Return the number of each line in `data`."""
        if self.numbers is not None:
            return self.numbers
        return pl.int_range(self.first, self.first + self.lines, dtype=pl.Int64, eager=True).alias("line")

    def as_lines(self) -> pl.DataFrame:
        """Return one row per line of `data`: line (number), text."""
        text = pl.read_lines(self.data, name="text") if self.data else pl.DataFrame(schema={"text": pl.String})
        return text.select(self.line_numbers().alias("line"), "text")


class _Zstd:
    """Reads zstd frames one after the other; a frame that is cut off is an error, as it is with gzip."""

    def __init__(self, source: BinaryIO) -> None:
        self.source = source
        self.frame = zstandard.ZstdDecompressor().decompressobj()
        self.started = False
        self.ready = bytearray()

    def read(self, size: int) -> bytes:
        """Return up to `size` bytes, fewer only at the end. Raises EOFError when the last frame has no end."""
        while len(self.ready) < size:
            data = self.source.read(1 << 16)
            if not data:
                if self.started:
                    raise EOFError("the last frame has no end")
                break
            while data:
                self.ready += self.frame.decompress(data)
                self.started = not self.frame.eof
                data = b""
                if self.frame.eof:
                    data = self.frame.unused_data
                    self.frame = zstandard.ZstdDecompressor().decompressobj()
        piece = bytes(self.ready[:size])
        del self.ready[:size]
        return piece


@dataclass(frozen=True, slots=True)
class Start:
    """Where to begin in a file that grew: behind so many bytes and lines, whose hash can be carried on at `mark`."""

    size: int
    lines: int
    mark: Mark


class RawFile:
    """One log file, read once from front to back in blocks.

    When the last block was taken, `hash` is that of the content (decompressed), and `whole_size` the bytes of its whole
    lines. With `start`, reading begins there. With `torn` false, a last line without an end is left for later.
    """

    def __init__(
        self,
        path: Path,
        shown: str,
        encoding: str = "utf-8",
        block_bytes: int = BLOCK_BYTES,
        start: Start | None = None,
        torn: bool = True,
    ) -> None:
        self.path, self.shown, self.encoding, self.block_bytes = path, shown, encoding, block_bytes
        self.start, self.torn = start, torn
        self.hash = start.mark.resume() if start else ContentHash()
        self.head = b""
        self.bytes_read = 0
        self.whole_size = start.size if start else 0

    def blocks(self) -> Iterator[Block]:
        """Yield the file's lines in blocks of about `block_bytes`.

        Raises InputError when the file cannot be read, is no text or its compression is damaged.
        """
        with self._told(), self.path.open("rb", buffering=0) as plain:
            yield from self._cut(self._text(cast(BinaryIO, plain)))

    @contextmanager
    def _told(self) -> Iterator[None]:
        """Turn what can go wrong in reading into an InputError."""
        try:
            yield
        except (gzip.BadGzipFile, zlib.error, zstandard.ZstdError, EOFError) as err:
            raise InputError(
                f"The compressed file is damaged or not complete: {err}",
                where=self.shown,
                fix="Copy it again, and load when the copy is complete. Nothing of it was loaded.",
            ) from err
        except UnicodeError as err:
            raise InputError(
                f"The file is not written in {self.encoding}: {err}",
                where=self.shown,
                fix="Correct `encoding` in the source.",
            ) from err
        except OSError as err:
            raise unreadable(self.shown, err) from err

    @contextmanager
    def content(self) -> Iterator[BinaryIO]:
        """Open the file's bytes, decompressed where they are compressed: for formats that are no lines of text.

        `read(n)` of it gives up to n bytes; `bytes_read` follows. Raises InputError as `blocks` does.
        """
        with self._told(), self.path.open("rb", buffering=0) as plain:
            yield decompressed(cast(BinaryIO, plain))
            self.bytes_read = plain.tell()

    def _text(self, plain: BinaryIO) -> Iterator[bytes]:
        """Yield pieces of UTF-8 text, without byte-order mark, with line feeds only."""
        stream = decompressed(plain)
        if self.start:
            self._skip(stream, self.start)
        decoder = None if self.encoding == "utf-8" else codecs.getincrementaldecoder(self.encoding)()
        first, held = self.start is None, b""
        while True:
            raw = stream.read(self._up_to_a_line_end(plain) if stream is plain else self.block_bytes)
            self.bytes_read = plain.tell()
            end = raw.rfind(b"\n") + 1
            if end:
                self.whole_size = self.hash.size + end
            elif not raw and not self.torn:
                return
            self.hash.update(raw)
            if len(self.head) < HEAD:
                self.head += raw[: HEAD - len(self.head)]
            if first:
                self._refuse_binary(raw)
            piece = raw if decoder is None else decoder.decode(raw, final=not raw).encode()
            if first and piece:
                piece, first = piece.removeprefix(codecs.BOM_UTF8), False
            piece = held + piece if held else piece
            held = b""
            if raw and piece.endswith(b"\r"):
                piece, held = piece[:-1], b"\r"
            if b"\r" in piece:
                piece = piece.replace(b"\r\n", b"\n")
            if piece:
                yield piece
            if not raw:
                return

    def _up_to_a_line_end(self, plain: BinaryIO) -> int:
        """Return how many bytes to read so that the piece ends with a line and need not be copied to be cut there."""
        if not hasattr(os, "pread") or self.block_bytes <= PROBE:
            return self.block_bytes
        before = self.block_bytes - PROBE
        line_end = os.pread(plain.fileno(), PROBE, plain.tell() + before).rfind(b"\n")
        return before + line_end + 1 if line_end >= 0 else self.block_bytes

    def _skip(self, stream: BinaryIO, start: Start) -> None:
        """Read over what is known, from the mark on into the hash."""
        hashed_from = start.mark.pieces * PIECE
        if isinstance(stream, io.FileIO):
            stream.seek(hashed_from)
        else:
            read_exactly(stream, hashed_from, ContentHash())
        if not read_exactly(stream, start.size - hashed_from, self.hash):
            raise InputError(
                "The file became shorter while it was read.", where=self.shown, fix="Load again when it is at rest."
            )

    def digest_of(self, size: int) -> str:
        """Return the hash of the first `size` bytes of what was read."""
        if size == self.hash.size:
            return self.hash.digest()
        mark = self.hash.mark(size)
        prefix = mark.resume()
        with self.content() as stream:
            read_exactly(stream, mark.pieces * PIECE, ContentHash())
            read_exactly(stream, size - mark.pieces * PIECE, prefix)
        return prefix.digest()

    def _refuse_binary(self, head: bytes) -> None:
        """Raise InputError for what is no text. NUL bytes alone may be the trace of a power cut."""
        head = head[:4096]
        if head.startswith(b"SQLite format 3\0"):
            fix = 'Set format = "sqlite" in the source.'
            raise InputError("This is an SQLite file, not text.", where=self.shown, fix=fix)
        if self.encoding == "utf-16":
            return
        halves = [head[n::2].count(0) / max(len(head[n::2]), 1) for n in (0, 1)]
        if head.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)) or min(halves) < 0.1 < 0.4 < max(halves):
            fix = 'It looks like UTF-16: set encoding = "utf-16" in the source.'
        elif _CONTROL.search(head) or (head and not head.strip(b"\0")):
            fix = "Leave it out of `files` in the source."
        else:
            return
        raise InputError("This is a binary file, not text.", where=self.shown, found=repr(head[:16]), fix=fix)

    def _cut(self, pieces: Iterator[bytes]) -> Iterator[Block]:
        """Cut pieces of text into blocks of whole lines. A line longer than any record can be is read over."""
        number = self.start.lines + 1 if self.start else 1
        rest = start = b""  # the beginning of a line: of one that may still end well, of one that is too long
        length = 0  # of the line that is too long, 0 when there is none
        for piece in pieces:
            end = piece.find(b"\n")
            so_far = (length or len(rest)) + (len(piece) if end < 0 else end)
            if length or so_far > LONGEST_LINE:
                start = start if length else (rest + piece[:SHOWN_BYTES])[:SHOWN_BYTES]
                rest, length = b"", so_far
                if end < 0:
                    continue
                yield _too_long(start, length, number)
                number, length, piece = number + 1, 0, piece[end + 1 :]
            end = piece.rfind(b"\n") + 1
            if not end:
                rest += piece
                continue
            whole = not rest and end == len(piece)
            block = _block(piece if whole else b"".join((rest, memoryview(piece)[:end])), number)
            rest = piece[end:]
            number += block.lines
            yield block
        if not self.torn:
            return
        if length:
            yield _too_long(start, length, number, torn=True)
        elif rest:
            block = _block(rest + b"\n", number)
            block.torn = True
            yield block


def decompressed(plain: BinaryIO) -> BinaryIO:
    """Return what reads a file's content: a .gz or .zst file is known by its first bytes, not by its name."""
    magic = plain.read(4)
    plain.seek(0)
    if magic.startswith(b"\x1f\x8b"):
        return cast(BinaryIO, gzip.GzipFile(fileobj=io.BufferedReader(cast(io.RawIOBase, plain), 1 << 20)))
    if magic == zstandard.FRAME_HEADER:
        return cast(BinaryIO, _Zstd(plain))
    return plain


def _too_long(start: bytes, length: int, number: int, torn: bool = False) -> Block:
    reason = f"line is too long: {length:,} bytes, at most {LONGEST_LINE:,} are read"
    text = start.decode(errors="replace")[:SHOWN_CHARS]
    bad = pl.DataFrame([(number, reason, text)], schema=BAD_SCHEMA, orient="row")
    return Block(b"", number, 1, torn, bad, pl.Series("line", [], dtype=pl.Int64))


def count_byte(data: bytes, byte: int) -> int:
    """Count a byte, piece by piece, so that what is compared stays near the processor."""
    values = np.frombuffer(data, np.uint8)
    return sum(int(np.count_nonzero(values[i : i + NEAR] == byte)) for i in range(0, len(values), NEAR))


def _block(data: bytes, first: int) -> Block:
    lines = count_byte(data, 10)
    bad = numbers = None
    if b"\0" in data:
        data, bad, numbers = _without_nul(data, first)
    if not data.isascii():
        data = data.decode("utf-8", "taktbook_cp1252").encode()
    return Block(data, first, lines, bad=bad, numbers=numbers)


def _without_nul(data: bytes, first: int) -> tuple[bytes, pl.DataFrame, pl.Series]:
    """Take out the lines with NUL bytes, as a controller leaves them behind when its power is cut."""
    kept, numbers, bad = [], [], []
    for number, line in enumerate(data[:-1].split(b"\n"), first):
        if b"\0" in line:
            text = line[:SHOWN_BYTES].replace(b"\0", b"").decode(errors="replace")[:SHOWN_CHARS]
            bad.append((number, "line contains NUL bytes", text))
        else:
            kept.append(line + b"\n")
            numbers.append(number)
    frame = pl.DataFrame(bad, schema=BAD_SCHEMA, orient="row")
    return b"".join(kept), frame, pl.Series("line", numbers, dtype=pl.Int64)


def _cp1252(err: UnicodeError) -> tuple[str, int]:
    """Read bytes that are no UTF-8 as Windows-1252 (its five holes as Latin-1)."""
    assert isinstance(err, UnicodeDecodeError)
    bad = err.object[err.start : err.end]
    try:
        return bad.decode("cp1252"), err.end
    except UnicodeDecodeError:
        return bad.decode("latin-1"), err.end


codecs.register_error("taktbook_cp1252", _cp1252)


def unreadable(shown: str, err: OSError) -> InputError:
    """Return the error for a file that the system does not let us read."""
    return InputError(
        f"The file cannot be read: {err.strerror or err}",
        where=shown,
        fix="Check that it exists and that you may read it.",
    )
