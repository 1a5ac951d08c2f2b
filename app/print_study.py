"""An analysis as text for the screen and as data: findings, tables, what is not known, cautions."""

from __future__ import annotations

from typing import Any

import polars as pl
from rich.console import RenderableType
from rich.text import Text

from analytics.account import Window
from analytics.book import Plant
from analytics.study import Study
from app.tables import grid
from app.wording import changes_clock, clock, duration, number, share

LOG = "log lines"
ROWS = 20
"""Rows of a table that are printed when no table was asked for by name."""


def as_printed(plant: Plant, window: Window, title: str, study: Study, only: str | None) -> list[RenderableType]:
    """Lay an analysis out for the screen; with `only`, this table and all its rows."""
    parts: list[RenderableType] = [Text(title, style="bold")]
    if only is None:
        parts += [Text(sentence) for sentence in study.findings]
    for name, frame in study.tables.items():
        if only not in (None, name) or (only is None and frame.is_empty()):
            continue
        shown = frame if only else frame.head(ROWS)
        more = f" ({frame.height - shown.height} more rows: --table {name})" if shown.height < frame.height else ""
        parts.append(Text(f"\n{name.replace('_', ' ')}{more}", style="bold"))
        parts.append(_table(plant, window, shown))
    parts += [Text(f"? {doubt}", style="italic") for doubt in study.doubts]
    parts += [Text(f"! {caution}", style="italic") for caution in study.cautions]
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


def _datum(plant: Plant, column: str, value: Any) -> Any:
    if isinstance(value, pl.Series):
        return value.to_list()
    return plant.file.local(value).isoformat() if is_instant(column) and value is not None else value


def _table(plant: Plant, window: Window, frame: pl.DataFrame) -> RenderableType:
    frame = _with_log_places(frame)
    odd = changes_clock(plant.file, window) if window.to_us > window.from_us else False
    days = plant.file.production_day(window.from_us) != plant.file.production_day(window.to_us - 1)
    numeric = [n for n, dtype in enumerate(frame.dtypes) if dtype.is_numeric()]
    rows = [
        [_shown(plant, name, value, odd, days) for name, value in row.items()] for row in frame.iter_rows(named=True)
    ]
    whole = [n for n, name in enumerate(frame.columns) if n in numeric or is_instant(name)]
    table = grid([_heading(c) for c in frame.columns], rows, right=numeric, whole=whole)
    for n, column in enumerate(table.columns):
        if n not in whole:  # words wrap, but to no less than a word
            longest = max((len(word) for row in rows for word in row[n].split()), default=1)
            column.min_width = min(longest, 22 if frame.columns[n] == LOG else 10)
        elif not is_instant(frame.columns[n]):
            column.header = Text("\n".join(str(column.header).split()), justify="right")
    return table


def _with_log_places(frame: pl.DataFrame) -> pl.DataFrame:
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


def _heading(column: str) -> str:
    """Leave out the unit where the values show it."""
    for suffix in ("_at_us", "_us", "_share", "_n"):
        if column.endswith(suffix) and column != suffix[1:]:
            return column[: -len(suffix)].replace("_", " ")
    return f"{column[:-2].replace('_', ' ')}, s" if column.endswith("_s") else column.replace("_", " ")


def _shown(plant: Plant, column: str, value: Any, odd: bool, days: bool) -> str:
    if value is None:
        return "–"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list | pl.Series):
        return ", ".join(str(v) for v in value)
    if not isinstance(value, int | float):
        return str(value)
    if isinstance(value, float) and value != value:
        return "–"
    if is_instant(column):
        local = plant.file.local(int(value))
        return f"{local:%a %d %b} {clock(local, offset=odd)}" if days else clock(local, offset=odd)
    if column.endswith("_us") or column == "us":
        return duration(round(value)) if value >= 0 else f"−{duration(round(-value))}"
    if column.endswith("_share"):
        return share(value)
    if isinstance(value, int):
        return str(value) if column.endswith(("_line", "line")) else number(value)
    return number(value, 0 if abs(value) >= 100 else 1 if abs(value) >= 10 else 2 if abs(value) >= 1 else 3)
