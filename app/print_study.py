"""An analysis as text for the screen and as data: findings, tables, what is not known, cautions."""

from __future__ import annotations

import math
from typing import Any

import polars as pl
from rich.console import RenderableType
from rich.text import Text

from analytics.account import Window
from analytics.book import Plant
from analytics.study import Study
from app.fitted_table import Column, FittedTable
from app.wording import clock, duration, line_title, number, share

LOG = "log lines"
ROWS = 20
"""Rows of a table that are printed when no table was asked for by name."""
MANY, FEWER_ROWS, LINES = 8, 8, 64
"""Of an analysis with more than MANY tables FEWER_ROWS of each are printed, and of the tables the first ones, as many
as have LINES lines in all; the others are named."""
HEAD = 4
"""Lines of a table besides its rows."""
EVERYWHERE = "whole cell"
CHANCES = ("chance", "p", "q", "false")
UNITS = {"_at_us": "at", "_us": "time", "_share": "share", "_n": "count"}
"""Units that the values show; the word stands in a heading that would be another's without it."""
EXACT_BELOW_US = 10 * 1_000_000
"""A column of lengths that are all shorter is printed to the hundredth of a second."""


def as_printed(plant: Plant, window: Window, title: str, study: Study, only: str | None) -> list[RenderableType]:
    """Lay an analysis out for the screen; with `only`, this table and all its rows."""
    parts: list[RenderableType] = [Text(title, style="bold")]
    if only is None:
        parts += [Text(sentence) for sentence in study.findings]
    told = {name: frame for name, frame in study.tables.items() if only == name or (only is None and frame.height)}
    rows = ROWS if len(told) <= MANY else FEWER_ROWS
    room, unsaid = LINES, []
    for name, frame in told.items():
        shown = frame if only else frame.head(rows)
        room -= shown.height + HEAD
        if len(told) > MANY and room < 0:
            unsaid.append(f"{name} ({number(frame.height)} {'row' if frame.height == 1 else 'rows'})")
            continue
        more = f" ({number(frame.height - shown.height)} more rows: --table {name})"
        said = name.replace("_", " ") + (more if shown.height < frame.height else "")
        parts.append(Text(f"\n{said}", style="bold"))
        parts.append(_table(plant, window, name, shown) if frame.height else Text("nothing in this period"))
    if unsaid:
        parts.append(Text(f"\nmore tables, by --table NAME: {', '.join(unsaid)}", style="bold"))
    parts += [Text(f"? {doubt}", style="italic") for doubt in dict.fromkeys(study.doubts)]
    parts += [Text(f"! {caution}", style="italic") for caution in dict.fromkeys(study.cautions)]
    return parts


def as_data(plant: Plant, cell: str, window: Window, study: Study, only: str | None) -> dict[str, Any]:
    """The same for JSON: instants local with offset, lengths in integer microseconds."""
    return {
        "cell": cell,
        "study": study.name,
        "from": plant.file.local(window.from_us).isoformat(),
        "to": plant.file.local(window.to_us).isoformat(),
        "zone": plant.file.zone,
        "findings": study.findings,
        "tables": {
            name: [
                {key: _datum(plant, key, value) for key, value in row.items()} for row in frame.iter_rows(named=True)
            ]
            for name, frame in study.tables.items()
            if only in (None, name)
        },
        "doubts": study.doubts,
        "cautions": study.cautions,
    }


def is_instant(column: str) -> bool:
    """Tell an instant from a length of time by its name."""
    return column.endswith("_at_us") or column in ("start_us", "end_us", "us_at", "at_us")


def headings(columns: list[str]) -> list[str]:
    """Head columns in words, each differently; the unit is left out where the values show it.

    >>> headings(["line", "us", "line_share", "stops_n", "takt_s"])
    ['line', 'time', 'line share', 'stops', 'takt, s']
    """
    bare = [_without_unit(c) for c in columns]
    said = []
    for column, word in zip(columns, bare, strict=True):
        unit = next((u for u in UNITS if column.endswith(u) and column != u[1:]), None)
        alone = bare.count(word) == 1 or unit is None
        said.append(word if alone or unit is None else f"{word} {UNITS[unit]}")
    return said


def _without_unit(column: str) -> str:
    if column == "us":
        return "time"
    for suffix in UNITS:
        if column.endswith(suffix) and column != suffix[1:]:
            column = column[: -len(suffix)]
            return "time" if column == "us" else column.replace("_", " ")
    return f"{column[:-2].replace('_', ' ')}, s" if column.endswith("_s") else column.replace("_", " ")


def _datum(plant: Plant, column: str, value: Any) -> Any:
    if isinstance(value, pl.Series):
        return value.to_list()
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return plant.file.local(value).isoformat() if is_instant(column) and value is not None else value


def _table(plant: Plant, window: Window, name: str, frame: pl.DataFrame) -> RenderableType:
    frame = with_log_places(frame)
    days = plant.file.production_day(window.from_us) != plant.file.production_day(window.to_us - 1)
    columns = []
    for column, heading in zip(frame.columns, headings(frame.columns), strict=True):
        values = frame[column].to_list()
        number_like = frame[column].dtype.is_numeric()
        if is_instant(column):
            cells = ["–" if v is None else _instant(plant, int(v), days) for v in values]
        elif column == "us" or column.endswith("_us"):
            cells = _lengths(values)
        else:
            cells = [_shown(column, v) for v in values]
        whole = number_like or is_instant(column)
        columns.append(Column(column, heading, cells, right=number_like, whole=whole))
    ranked = frame.columns[0] == "rank"  # a rank is a claim: what it rests on is said with it
    return FittedTable(name, columns, below=LOG if ranked else None)


def with_log_places(frame: pl.DataFrame) -> pl.DataFrame:
    """Say in one column where a row stands in the logs: file:from–to. The data keep file and lines apart."""
    if not {"log_file", "log_line"} <= set(frame.columns):
        return frame
    name = pl.col("log_file").str.split("/").list.last()
    said = name + ":" + pl.col("log_line").cast(pl.String)
    if "log_end_line" in frame.columns:
        same = pl.col("log_end_line").is_not_null() & (pl.col("log_end_line") != pl.col("log_line"))
        if "log_end_file" in frame.columns:
            same &= pl.col("log_end_file") == pl.col("log_file")
        said = said + pl.when(same).then("–" + pl.col("log_end_line").cast(pl.String)).otherwise(pl.lit(""))
    return frame.with_columns(said.alias(LOG)).drop(
        "log_file", "log_line", "log_end_file", "log_end_line", "key", strict=False
    )


def _instant(plant: Plant, us: int, days: bool) -> str:
    """Write an instant; with its offset in the hour that comes twice when the clock is put back."""
    local = plant.file.local(us)
    twice = local.replace(fold=0).utcoffset() != local.replace(fold=1).utcoffset()
    said = clock(local, offset=twice)
    return f"{local:%a %d %b} {said}" if days else said


def _lengths(values: list[Any]) -> list[str]:
    """Write a column of lengths of time; short ones to the hundredth, as cycles differ by less than a tenth."""
    known = [v for v in values if v is not None and v == v]
    exact = bool(known) and max(abs(v) for v in known) < EXACT_BELOW_US
    said = []
    for value in values:
        if value is None or value != value:
            said.append("–")
        elif exact:
            said.append(f"{number(value / 1e6, 2)} s")
        else:
            said.append(duration(round(value)) if round(value) >= 0 else f"−{duration(round(-value))}")
    return said


def _shown(column: str, value: Any) -> str:
    if value is None:
        return "–"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list | pl.Series):
        return ", ".join(str(v) for v in value) or "–"
    if not isinstance(value, int | float):
        text = str(value)
        if column == "line":
            return line_title(text)
        return EVERYWHERE if text == "*" and column in ("station", "lane") else text
    if isinstance(value, float) and not math.isfinite(value):
        return "–"
    if column.endswith("_share"):
        return share(value)
    if isinstance(value, int):
        return str(value) if column.endswith("line") else number(value)
    if column.rpartition("_")[2] in CHANCES and 0 <= value < 0.001:
        return "<0.001"
    size = abs(value)
    return number(value, 0 if size >= 100 or size == 0 else 1 if size >= 10 else 2 if size >= 1 else 3)
