"""Parquet files and Arrow IPC files and streams: each row is a record, each column a field."""

from __future__ import annotations

import io
import shutil
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import BinaryIO, Final, cast

import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq
from pydantic import BaseModel, ConfigDict, Field

from ingest.errors import InputError
from ingest.formats.base import Parse, Records, Types, empty_to_null
from ingest.formats.rows import PanickedError, no_column, panics_caught, row_texts, taken
from ingest.formats.words import as_words
from ingest.raw import Block, RawFile

NAME = "parquet"
LINES = False

SAMPLE = """\
at,n,event,result.volume,result.ok
2026-10-23T04:00:07.500Z,9,measured,4.97,true
2026-10-23T04:00:17.000Z,10,measured,5.31,false
"""

SAMPLE_SOURCE = r"""
cell = "spoon"
format = "parquet"
files = ["inbox/history/*.parquet*"]

[time]
field = "at"
formats = ["iso8601"]

[words.verdict]
true = "good"
false = "reject"

[always]
station = "gauge"
seq = "{n}"

[[rules]]
when = { event = "measured" }
emit = [
  { kind = "measurement", characteristic = "volume", value = "{result.volume}", unit = "ml" },
  { kind = "result", result = "{result.ok:verdict}" },
]
"""

ROWS: Final = 50_000
WORDS: Final = 4_000_000  # of a block, so that a table of many columns is read in fewer rows at a time
COLUMNS: Final = 4_000
CUT_OFF: Final = "Copy it again, and load when the copy is complete. Nothing of it was loaded."
_DAMAGED: Final = (pa.ArrowException, pl.exceptions.PolarsError, OSError, ValueError, MemoryError, PanickedError)
OPTIONAL: Final = "Correct the source, or name it in [read] optional if only some files have it."


class Options(BaseModel):
    """`[read]` for Parquet and Arrow files."""

    model_config = ConfigDict(extra="forbid", strict=True)

    columns: list[str] = Field([], description="only these columns are read, which is quicker; without it: all")
    optional: list[str] = Field([], description="columns that the source uses and that not every file has")
    text: list[str] = Field([], description="columns of bytes that hold text; bytes of others are hexadecimal digits")


def known_fields(options: Options) -> None:
    """Columns are named by the files."""
    return None


def blocks(file: RawFile, options: Options) -> Iterator[Block]:
    """Yield the rows; they are numbered from 1.

    Raises InputError when the file is neither Parquet nor Arrow, is damaged or has a column of a type without words.
    """
    size = max(file.path.stat().st_size, 1)
    first = 1
    with _seekable(file) as stream:
        try:
            for batch, done in _batches(stream, file, options):
                with panics_caught():
                    frame = as_words(cast(pl.DataFrame, pl.from_arrow(batch)), options.text)
                if frame.width > COLUMNS:
                    raise InputError(
                        "The table has too many fields.", where=file.shown, found=f"{frame.width:,}",
                        allowed=f"up to {COLUMNS:,}", fix='Name those that are needed: [read] columns = ["…"].',
                    )  # fmt: skip
                file.bytes_read = int(size * done)
                yield Block(b"", first, batch.num_rows, frame=frame)
                first += batch.num_rows
        except _DAMAGED as err:
            said = str(err).strip().splitlines()[0][:300] if str(err).strip() else type(err).__name__
            raise InputError(f"The file is damaged or not complete: {said}", where=file.shown, fix=CUT_OFF) from err


@contextmanager
def _seekable(file: RawFile) -> Iterator[BinaryIO]:
    """Open the file; one that is compressed as a whole is unpacked beside, for its end must be read first."""
    with file.content() as stream, tempfile.TemporaryFile() as temp:
        if isinstance(stream, io.FileIO):
            yield cast(BinaryIO, stream)
        else:
            shutil.copyfileobj(stream, temp, 1 << 20)
            temp.seek(0)
            yield cast(BinaryIO, temp)


def _batches(stream: BinaryIO, file: RawFile, options: Options) -> Iterator[tuple[pa.RecordBatch, float]]:
    """Yield batches of rows, and which share of the file is done."""
    magic = stream.read(8)
    stream.seek(0)
    if not magic:
        return
    if magic.startswith(b"PAR1"):
        table = pq.ParquetFile(stream, pre_buffer=False, buffer_size=1 << 20, page_checksum_verification=True)
        columns = _chosen(table.schema_arrow, file, options)
        rows, done = max(table.metadata.num_rows, 1), 0
        for batch in table.iter_batches(_rows_at_a_time(table.schema_arrow, columns), columns=columns):
            done += batch.num_rows
            yield from ((part, done / rows) for part in _some(batch))
        if done != table.metadata.num_rows:
            raise ValueError(f"{table.metadata.num_rows:,} rows are announced, {done:,} are there")
    elif magic.startswith(b"ARROW1"):
        with pa.ipc.open_file(stream) as reader:
            columns = _chosen(reader.schema, file, options)
            for n in range(reader.num_record_batches):
                batch = reader.get_batch(n).select(columns)
                yield from ((part, (n + 1) / reader.num_record_batches) for part in _some(batch, reader.schema))
    elif magic.startswith(b"\xff\xff\xff\xff"):
        with pa.ipc.open_stream(stream) as reader:
            columns = _chosen(reader.schema, file, options)
            for batch in reader:
                yield from ((part, 0.5) for part in _some(batch.select(columns), reader.schema))
    else:
        what = "is an encrypted Parquet file" if magic[:4] == b"PARE" else "is neither a Parquet nor an Arrow file"
        raise InputError(
            f"This {what}.", where=file.shown, found=repr(magic), fix="Leave it out of `files` in the source.",
        )  # fmt: skip


def _rows_at_a_time(schema: pa.Schema, columns: list[str]) -> int:
    leaves = sum(_leaves(schema.field(name).type) for name in columns)
    return max(1, min(ROWS, WORDS // max(leaves, 1)))


def _some(batch: pa.RecordBatch, schema: pa.Schema | None = None) -> Iterator[pa.RecordBatch]:
    """Cut a batch that is larger than a block should be."""
    batch.validate(full=True)  # a damaged file may hold offsets that lead out of its buffers
    rows = _rows_at_a_time(batch.schema, batch.schema.names) if schema is not None else ROWS
    for start in range(0, batch.num_rows, rows):
        yield batch.slice(start, rows)


def _chosen(schema: pa.Schema, file: RawFile, options: Options) -> list[str]:
    """Return the names of the columns to read."""
    names = list(schema.names)
    if len(set(names)) < len(names):
        twice = next(name for name in names if names.count(name) > 1)
        raise InputError("A column's name stands twice in the file.", where=file.shown, found=twice)
    for name in options.columns:
        if name not in names and name not in options.optional:
            raise no_column(name, names, file.shown, OPTIONAL)
    chosen = [name for name in names if not options.columns or name in options.columns]
    for name in chosen:
        if (wrong := _without_words(schema.field(name).type)) is not None:
            raise InputError(
                f"Column '{name}' is of a type that has no words.", where=file.shown, found=str(wrong),
                fix='Name the columns that are needed: [read] columns = ["…"].',
            )  # fmt: skip
    return chosen


def _leaves(dtype: pa.DataType) -> int:
    return max(1, sum(_leaves(dtype.field(n).type) for n in range(dtype.num_fields)))


def _without_words(dtype: pa.DataType) -> pa.DataType | None:
    """Return the type itself or the type inside of it that cannot be read."""
    odd = (pa.types.is_union, pa.types.is_interval, pa.types.is_decimal256, pa.types.is_run_end_encoded)
    if any(test(dtype) for test in odd) or isinstance(dtype, pa.BaseExtensionType):
        return dtype
    inner = (_without_words(dtype.field(n).type) for n in range(dtype.num_fields))
    return next((wrong for wrong in inner if wrong is not None), None)


def parser(options: Options, fields: Sequence[str], typed: Types, head: Block, shown: str) -> Parse:
    """Return the function that takes the columns that the source asks for.

    Raises InputError when there is no such column. Members of lists and maps may come later, so the column counts.
    """
    names = head.frame.columns if head.frame is not None else []
    tops = {name[:n] for name in names for n in range(len(name) + 1) if name[n : n + 1] in (".", "")}
    for field in fields:
        parts = field.split(".")
        inside = any(".".join(parts[:n]) in tops for n in range(1, len(parts) + 1))
        if not inside and field not in options.optional:
            raise no_column(field, names, shown, OPTIONAL)

    def parse(block: Block) -> Records:
        frame = taken(block, fields)
        return Records(empty_to_null(frame), row_texts(frame))

    return parse
