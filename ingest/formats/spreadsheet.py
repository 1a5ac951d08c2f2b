"""A sheet of a workbook (xlsx, xls, ods), such as people keep by hand: each row is a record."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Final, Literal

import polars as pl
from pydantic import BaseModel, ConfigDict, Field, model_validator

from ingest.errors import InputError
from ingest.formats.base import Parse, Records, Types, empty_to_null, no_bad
from ingest.formats.rows import no_column, row_texts, taken
from ingest.formats.workbook import Sheet, open_sheet
from ingest.raw import BAD_SCHEMA, Block, RawFile

NAME = "spreadsheet"
LINES = False

SAMPLE = """\
Stops of line 3;;;;
Date;From;Took;Station;Why
2026-10-23;06:15;15;press;jam
;06:45;0:05;press;no parts
;13:30;10 min;clean;jam

;Total;30;;
"""

SAMPLE_SOURCE = r"""
cell = "spoon"
format = "spreadsheet"
files = ["inbox/stops/*.xlsx"]

[time]
field = "{Date} {From}"
formats = ["iso8601", "%Y-%m-%d %H:%M", "%d.%m.%Y %H:%M"]

[read]
sheet = "Stops"
header = 2
fill_down = ["Date"]
durations = { Took = "min" }

[words.cause]
jam = "J1"
"no parts" = "M1"

[[skip]]
when = { From = ["Total", "Sum"] }

[[rules]]
emit = [
  { kind = "reason", station = "{Station}", cause = "{Why:cause}", text = "{Why}", value = "{Took} min", unit = "s" },
]
"""

Unit = Literal["s", "min", "h"]
SECONDS: Final[dict[Unit, int]] = {"s": 1, "min": 60, "h": 3600}
ROWS: Final = 50_000
IGNORED: Final = "_"
MERGED: Final = "\x00merged"  # columns of a block's frame that say what is wrong with a row
FAULTY: Final = "\x00faulty"


class Options(BaseModel):
    """`[read]` for spreadsheets."""

    model_config = ConfigDict(extra="forbid", strict=True)

    sheet: str | int = Field(1, description='name of the sheet, or its number from 1, e.g. sheet = "Stops"')
    header: int = Field(1, description="row of the sheet that names the columns; 0: none does", ge=0)
    first: int = Field(0, description="row of the sheet where the records begin; 0: the one below the header", ge=0)
    columns: list[str] = Field([], description='names of the columns from A on, "_" for one that is not needed')
    fill_down: list[str] = Field([], description="columns whose empty cells count as the cell above: merged cells")
    durations: dict[str, Unit] = Field(
        {}, description='columns with durations and the unit that plain numbers have: "min"'
    )

    @model_validator(mode="after")
    def _named(self) -> Options:
        if not self.columns and not self.header:
            raise ValueError('the columns need names: write columns = ["time", "…"], or header = 1')
        return self


def known_fields(options: Options) -> list[str] | None:
    """Return the named columns; None when the sheet names them."""
    return [c for c in options.columns if c != IGNORED] or None


def blocks(file: RawFile, options: Options) -> Iterator[Block]:
    """Yield the rows of the sheet, from its first one on.

    Raises InputError when the workbook cannot be opened or has no such sheet.
    """
    size = file.path.stat().st_size
    sheet = open_sheet(file, options.sheet)
    if sheet is None:
        return
    if not options.columns and options.header > sheet.height:
        raise InputError(
            "There is no header where the source says.",
            where=file.shown, found=f"header = {options.header}, the sheet has {sheet.height} rows",
            fix="Correct `header` in [read], or name the columns there: columns = […].",
        )  # fmt: skip
    names = _names(sheet, options)
    columns = [cells.alias(name) for name, cells in zip(names, sheet.columns, strict=True)]
    known = [c for n, c in enumerate(columns) if c.name not in ("", IGNORED) and c.name not in names[:n]]
    rows = pl.DataFrame(known).with_columns(_as_told(c) for c in known)
    rows = rows.with_columns(_duration(name, unit) for name, unit in options.durations.items() if name in rows.columns)
    filled = [name for name in options.fill_down if name in rows.columns]
    begin = _begin(options)
    if filled:
        above = pl.int_range(pl.len()) < begin - 1  # what stands above the records fills nothing
        blank = pl.all_horizontal(pl.all().is_null())
        fill = [pl.when(above).then(None).otherwise(pl.col(n)).forward_fill().alias(n) for n in filled]
        rows = rows.with_columns(pl.when(~blank).then(column).alias(column.meta.output_name()) for column in fill)
    rows = rows.with_columns(_listed(sheet.merged, names, sheet.height, MERGED, options.fill_down))
    rows = rows.with_columns(_listed(sheet.faulty, names, sheet.height, FAULTY))
    for start in range(0, sheet.height, ROWS):
        part = rows.slice(start, ROWS)
        file.bytes_read = size * (start + part.height) // sheet.height
        yield Block(b"", start + 1, part.height, frame=part)


def parser(options: Options, fields: Sequence[str], typed: Types, head: Block, shown: str) -> Parse:
    """Return the function that takes the columns that the source asks for.

    Raises InputError when the sheet lacks one of them.
    """
    names = [name for name in (head.frame.columns if head.frame is not None else []) if not name.startswith("\x00")]
    for name in dict.fromkeys([*fields, *options.fill_down, *options.durations]):
        if name not in names:
            where = f"{shown}:{options.header}" if options.header else shown
            raise no_column(name, names, where, "Correct [read] header, the row that names the columns, or the source.")
    begin = _begin(options)

    def parse(block: Block) -> Records:
        rows = block.frame if block.frame is not None else pl.DataFrame()
        lines = block.line_numbers().alias("line")
        content = [c for c in rows.columns if not c.startswith("\x00") and c not in options.fill_down]
        counts = pl.int_range(pl.len()) + block.first >= begin
        kept = rows.select(counts & pl.any_horizontal(pl.col(content).is_not_null())).to_series()
        frame = taken(block, fields).filter(kept)
        said = _faults(rows, fields).filter(kept)
        texts = row_texts(frame)
        bad = no_bad()
        if said.null_count() < len(said):
            wrong = frame["line"].filter(said.is_not_null())
            bad = pl.DataFrame([wrong, said.drop_nulls().alias("reason"), texts(wrong).alias("text")], BAD_SCHEMA)
            frame = frame.filter(said.is_null())
        return Records(empty_to_null(frame), texts, bad, len(lines) - int(kept.sum()))

    return parse


def _begin(options: Options) -> int:
    return options.first or options.header + 1


def _names(sheet: Sheet, options: Options) -> list[str]:
    """Return the name of each column, "" for one that has none."""
    if options.columns:
        return [options.columns[n] if n < len(options.columns) else "" for n in sheet.positions]
    row = options.header - 1
    words = [cells[row] if row < sheet.height else None for cells in sheet.columns]
    return [" ".join((word or "").split()) for word in words]


def _as_told(cells: pl.Series) -> pl.Expr:
    """Write dates and times as people mean them: a date without a time of day, a time of day without a date.

    Where one cell of a column has both, all dates of the column keep their time.
    """
    cell = pl.col(cells.name)
    is_date = r"^(?:19[1-9]\d|[2-9]\d{3})-\d\d-\d\d \d\d:\d\d:\d\d"
    with_time = cells.str.contains(is_date) & ~cells.str.contains(r" 00:00:00(?:\.0+)?$")
    date = cell.str.replace(" ", "T") if with_time.any() else cell.str.slice(0, 10)
    return pl.when(cell.str.contains(is_date)).then(date).otherwise(_span(cell)).alias(cells.name)


def _span(cell: pl.Expr) -> pl.Expr:
    """Write a time of day or a span of hours, which a sheet counts from its own first day, as hours:minutes:seconds."""
    is_span = r"^(?:1899-12-3[01]|190\d-\d\d-\d\d) \d\d:\d\d:\d\d(?:\.\d+)?$"
    at = cell.str.slice(0, 10).str.to_date("%Y-%m-%d", strict=False)
    first = pl.when(at.dt.year() >= 1904).then(pl.date(1904, 1, 1)).otherwise(pl.date(1899, 12, 31))
    days = (at - first).dt.total_days()
    hours = days * 24 + cell.str.slice(11, 2).cast(pl.Int64, strict=False)
    told = pl.format("{}{}", hours.cast(pl.String).str.pad_start(2, "0"), cell.str.slice(13))
    return pl.when(cell.str.contains(is_span) & (hours >= 0)).then(told).otherwise(cell)


def _duration(name: str, unit: Unit) -> pl.Expr:
    """Write 0:05, 00:05:30, "10 min", "1,5 h" and plain numbers as a number of the unit; other words stay."""
    cell = pl.col(name)
    clock = cell.str.extract_groups(r"^(?P<h>\d{1,5}):(?P<m>[0-5]\d)(?::(?P<s>[0-5]\d(?:\.\d+)?))?$")
    seconds = (
        clock.struct.field("h").cast(pl.Float64) * 3600
        + clock.struct.field("m").cast(pl.Float64) * 60
        + clock.struct.field("s").cast(pl.Float64).fill_null(0.0)
    )
    told = cell.str.extract_groups(r"(?i)^(?P<n>\d{1,9}(?:[.,]\d{1,6})?) ?(?P<u>s|sec|min|h)$")
    of_unit = told.struct.field("u").str.to_lowercase()
    factor = of_unit.replace_strict({"s": 1, "sec": 1, "min": 60, "h": 3600}, default=None, return_dtype=pl.Float64)
    seconds = pl.coalesce(seconds, told.struct.field("n").str.replace(",", ".").cast(pl.Float64, strict=False) * factor)
    number = (seconds / SECONDS[unit]).round(6)
    whole = pl.when(number == number.floor()).then(number.cast(pl.Int64, strict=False).cast(pl.String))
    return pl.coalesce(whole, number.cast(pl.String), cell).alias(name)


def _listed(
    cells: Sequence[tuple[int, int]], names: Sequence[str], height: int, as_name: str, without: Sequence[str] = ()
) -> pl.Series:
    """Return for each row the names of the columns in which one of some cells (row, column) lies."""
    rows: list[list[str]] = [[] for _ in range(height if cells else 0)]
    for row, column in cells:
        if row < height and names[column] not in without:
            rows[row].append(names[column])
    return pl.Series(as_name, rows or [[]] * height, pl.List(pl.String))


def _faults(rows: pl.DataFrame, fields: Sequence[str]) -> pl.Series:
    """Return what is wrong with the cells that the source asks for; null where nothing is."""
    merged, faulty = (pl.col(name).list.set_intersection(list(fields)).list.first() for name in (MERGED, FAULTY))
    unclear = "the cell of column '{}' is merged with the one above: name the column in [read] fill_down"
    reason = (
        pl.when(faulty.is_not_null())
        .then(pl.format("the cell of column '{}' holds an error, no value", faulty))
        .when(merged.is_not_null())
        .then(pl.format(unclear, merged))
    )
    return rows.select(reason).to_series()
