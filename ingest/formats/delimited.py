"""Delimited text: one record per line, fields between delimiters, with or without quotes and a header."""

from __future__ import annotations

import csv
from collections.abc import Iterator, Sequence
from typing import Final, Literal

import polars as pl
from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

from ingest.errors import InputError, suggest
from ingest.formats.base import Parse, Records, Types, empty_to_null, field_of, key_of, line_texts, set_aside
from ingest.raw import SHOWN_CHARS, Block, RawFile, count_byte

NAME = "delimited"
LINES = True

SAMPLE = """\
Zeit;Nr;Platz;Wort;Wert
23.10.2026 06:00:00,012;17;F1;FEEDING;
23.10.2026 06:00:04,250;18;F1;COUNT;1200,5
"""

SAMPLE_SOURCE = r"""
cell = "spoon"
format = "delimited"
files = ["inbox/cellplc/*.csv*"]

[time]
field = "Zeit"
formats = ["%d.%m.%Y %H:%M:%S,%3f"]

[read]
delimiter = ";"
header = true

[words.station]
F1 = "bowl1"

[always]
station = "{Platz:station}"
seq = "{Nr}"

[[rules]]
when = { Wort = "FEEDING" }
emit = [{ kind = "state", state = "running" }]

[[rules]]
when = { Wort = "COUNT" }
emit = [{ kind = "count", value = "{Wert}" }]
"""

IGNORED: Final = "_"  # name of a column that nobody asks for; may stand for several


class Options(BaseModel):
    """`[read]` for delimited text."""

    model_config = ConfigDict(extra="forbid", strict=True)

    delimiter: str = Field(";", description='one character, e.g. delimiter = ";" or "\\t"', min_length=1, max_length=1)
    columns: list[str] = Field([], description='names of the columns in order, "_" for one that is not needed')
    header: bool = Field(False, description="true: the first line of each file names the columns")
    quote: str = Field('"', description='character around fields that contain the delimiter; "" for none', max_length=1)
    comment: str = Field("", description="lines that begin with this are left out")
    skip_first: int = Field(0, description="so many lines at the beginning of each file are left out", ge=0)

    @model_validator(mode="after")
    def _named(self) -> Options:
        if not self.columns and not self.header:
            raise ValueError('the columns need names: write columns = ["time", "…"], or header = true')
        return self

    @field_validator("delimiter", "quote")
    @classmethod
    def _one_byte(cls, value: str) -> str:
        if not value.isascii() or (value in "\r\n" and value):
            raise ValueError("must be one ASCII character, and no end of line")
        return value


def known_fields(options: Options) -> list[str] | None:
    """Return the named columns; None when each file's header names them."""
    return [field_of(c) for c in options.columns if c != IGNORED] or None


def blocks(file: RawFile, options: Options) -> Iterator[Block]:
    """Yield blocks of lines."""
    return file.blocks()


def parser(options: Options, fields: Sequence[str], typed: Types, head: Block, shown: str) -> Parse:
    """Return the function that takes lines apart at the delimiters.

    Raises InputError when a file's header lacks a column that the source asks for.
    """
    columns = options.columns
    first = options.skip_first
    if options.header:
        first, named = _header(options, head)
        columns = columns or named
        for field in fields:
            if key_of(field) not in columns:
                raise InputError(
                    f"The header has no column '{field}', which the source asks for.",
                    where=f"{shown}:{first}", found=", ".join(named),
                    fix=suggest(field, named) or "Name the columns in [read] columns, or correct the source's rules.",
                )  # fmt: skip
    columns = [field_of(name) for name in columns]
    inner = [f"{n}" for n in range(len(columns))]
    wanted = {f: inner[columns.index(f)] for f in fields}

    strings: dict[str, pl.DataType] = dict.fromkeys(inner, pl.String())
    types = strings | {wanted[f]: dtype for f, dtype in typed.items() if f in wanted}

    def read(data: bytes, quote: str | None, schema: dict[str, pl.DataType]) -> pl.DataFrame:
        table = pl.read_csv(  # all columns: a choice of columns would hide that a line has too many
            data,
            has_header=False,
            separator=options.delimiter,
            quote_char=quote,
            schema=schema,
            decimal_comma=options.delimiter != ",",
        )
        return table.select(pl.col(name).alias(field) for field, name in wanted.items())

    def read_typed(data: bytes, quote: str | None) -> pl.DataFrame:
        try:
            return read(data, quote, types)
        except pl.exceptions.PolarsError:  # something is no number: read words, the mapping says which
            return read(data, quote, strings)

    def parse(block: Block) -> Records:
        quoted = bool(options.quote) and options.quote.encode() in block.data
        rest = None if quoted or options.comment else _behind(block, first)
        if rest and _delimiters(rest, options.delimiter, len(columns)):
            try:
                table = read_typed(rest.data, None).insert_column(0, rest.line_numbers().alias("line"))
                return Records(table, line_texts(block), skipped=block.lines - rest.lines)
            except pl.exceptions.PolarsError:
                pass  # a line has too many fields, and another too few
        lines, set_apart = set_aside(block.as_lines(), options.model_copy(update={"skip_first": first}))
        good, bad = _sort_out(lines, options, len(columns))
        if not good.height:
            return Records(
                pl.DataFrame(schema={"line": pl.Int64, **dict.fromkeys(fields, pl.String)}),
                line_texts(block),
                bad,
                set_apart,
            )
        table = read_typed(good["text"].str.join("\n").item().encode() + b"\n", options.quote or None)
        return Records(empty_to_null(good.select("line").hstack(table)), line_texts(block), bad, set_apart)

    return parse


def _header(options: Options, head: Block) -> tuple[int, list[str]]:
    """Return the number of the header's line and the names in it."""
    lines, _ = set_aside(head.as_lines(), options)
    if not lines.height:
        return head.first + head.lines - 1, []
    number, text = lines.row(0)
    quoting: Literal[0, 3] = csv.QUOTE_MINIMAL if options.quote else csv.QUOTE_NONE
    text = text.replace("\r", " ")
    try:
        row = next(csv.reader([text], delimiter=options.delimiter, quotechar=options.quote or None, quoting=quoting))
    except csv.Error:  # a field without end: it holds no name that anybody asks for
        row = [text[:SHOWN_CHARS]]
    return number, [word.strip() for word in row]


def _behind(block: Block, first: int) -> Block | None:
    """Return the block without the lines up to number `first`; None when it cannot be cut so."""
    n = first - block.first + 1
    if n <= 0:
        return block
    if n >= block.lines or block.numbers is not None:
        return None
    begin = 0
    for _ in range(n):
        begin = block.data.index(b"\n", begin) + 1
    return Block(block.data[begin:], first + 1, block.lines - n, block.torn)


def _delimiters(block: Block, delimiter: str, n: int) -> bool:
    """Return whether the delimiters of n fields per line add up. If no line has more, which the parser would say, none
    has fewer.
    """
    rows = block.lines if block.numbers is None else len(block.numbers)
    return bool(block.data) and count_byte(block.data, ord(delimiter)) == rows * (n - 1)


def _sort_out(lines: pl.DataFrame, options: Options, n: int) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Split lines into those with n fields and bad ones with their reason."""
    bare, wrong_quote = pl.col("text"), pl.lit(False)
    if options.quote:
        q, d = f"\\x{ord(options.quote):02x}", f"\\x{ord(options.delimiter):02x}"
        field = f"(?:{q}(?:[^{q}]|{q}{q})*{q}|[^{q}{d}]*)"
        wrong_quote = ~bare.str.contains(f"^{field}(?:{d}{field})*$")
        bare = bare.str.replace_all(f"{q}[^{q}]*{q}", "")
    count = bare.str.count_matches(options.delimiter, literal=True) + 1
    reason = (
        pl.when(wrong_quote)
        .then(pl.lit("a quote is not closed, or stands inside a word"))
        .when(count != n)
        .then(pl.format(f"{n} fields expected, {{}} found", count))
    )
    judged = lines.with_columns(reason=reason)
    bad = judged.filter(pl.col("reason").is_not_null())
    good = judged.filter(pl.col("reason").is_null()).drop("reason")
    return good, bad.select("line", "reason", pl.col("text").str.slice(0, SHOWN_CHARS))
