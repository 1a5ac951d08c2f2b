"""What a log format is: a module with these names."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol

import polars as pl
from pydantic import BaseModel

from ingest.raw import BAD_SCHEMA, SHOWN_CHARS, Block, RawFile

Texts = Callable[[pl.Series], pl.Series]
"""line numbers -> what stands there, for people"""


def no_bad() -> pl.DataFrame:
    """Return an empty table of bad lines."""
    return pl.DataFrame(schema=BAD_SCHEMA)


@dataclass(slots=True)
class Records:
    """What a format made of a block.

    frame    one row per record: line (Int64), then one column per field that was asked for: String, or of its type in
             Types; null: not there or empty
    bad      lines that are no record: line, reason, text
    skipped  lines left out by rule of the format: blank lines, comments, headers
    texts    gives the raw text of lines, for the quarantine
    """

    frame: pl.DataFrame
    texts: Texts
    bad: pl.DataFrame = field(default_factory=no_bad)
    skipped: int = 0


Parse = Callable[[Block], Records]

Types = Mapping[str, pl.DataType]
"""fields that are used only as numbers (Float64, Int64): a format may read them so at once, or leave them as String"""


class Format(Protocol):
    """The names that a format module has."""

    NAME: str
    SAMPLE: str | bytes  # a few lines of such a log (sqlite: the statements that make one)
    LINES: bool  # one record per line of text: a file that grew is read on from its last complete line
    SAMPLE_SOURCE: str  # a source file that reads SAMPLE
    Options: type[BaseModel]  # the keys of [read]

    def known_fields(self, options: Any) -> list[str] | None:
        """Return the fields that the options define; None when any name may occur."""

    def blocks(self, file: RawFile, options: Any) -> Iterator[Block]:
        """Yield the file's content in blocks."""

    def parser(self, options: Any, fields: Sequence[str], typed: Types, head: Block, shown: str) -> Parse:
        """Return the function that turns blocks into records. `head` is the file's first block."""


def key_of(field: str) -> str:
    """Return the log's own name of a field: `line` is the record's number, so a key `line` is the field `line_`."""
    return "line" if field == "line_" else field


def field_of(key: str) -> str:
    """Return the field for a log's own name of it; see key_of."""
    return "line_" if key == "line" else key


def line_texts(block: Block) -> Texts:
    """Return a function that gives the text of some lines of a block of lines."""

    def texts(numbers: pl.Series) -> pl.Series:
        rows = numbers.to_frame("line").join(block.as_lines(), on="line", how="left", maintain_order="left")
        return rows["text"].str.slice(0, SHOWN_CHARS)

    return texts


def empty_to_null(frame: pl.DataFrame) -> pl.DataFrame:
    """Return the frame with null for empty words."""
    words = [c for c in frame.get_columns() if c.dtype == pl.String and c.null_count() < len(c)]
    empty = [c.name for c in words if (c.str.len_bytes() == 0).any()]
    return frame.with_columns(pl.when(pl.col(name) != "").then(pl.col(name)).alias(name) for name in empty)


def set_aside(lines: pl.DataFrame, options: Any) -> tuple[pl.DataFrame, int]:
    """Take out the first lines, comments and blank lines; returns the rest and how many were taken out."""
    blank_delimiter = getattr(options, "delimiter", "") == "\t"  # then a line of tabs is no blank line
    keep = pl.col("text").str.contains("[^ ]" if blank_delimiter else r"\S")
    if options.comment:
        keep &= ~pl.col("text").str.starts_with(options.comment)
    if options.skip_first:
        keep &= pl.col("line") > options.skip_first
    kept = lines.filter(keep)
    return kept, lines.height - kept.height
