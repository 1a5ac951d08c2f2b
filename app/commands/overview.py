"""taktbook overview: all cells side by side."""

from __future__ import annotations

from argparse import ArgumentParser, Namespace
from collections.abc import Callable
from pathlib import Path
from typing import Any

import polars as pl
from rich.text import Text

from analytics.account import Window
from analytics.book import Plant, open_plant
from analytics.overview import overview
from app.commands.options import add_window, the_wish
from app.selection import Wish, choose
from app.tables import add_format, bars, give, grid
from app.wording import counted, line_title, number, share

DAY_US = 86_400_000_000
NAME = "overview"
HELP = "All cells side by side: output against plan, OEE, the largest loss, and whether the last day was ordinary."
EXAMPLE = "taktbook overview --plant demo-plant --week 2026-W43"
COLUMNS = ("cell", "period", "good", "of plan", "OEE", "known", "largest loss", "parts", "last day")


def add_arguments(parser: ArgumentParser) -> None:
    """Add the command's own arguments."""
    add_window(parser)
    add_format(parser)


def run(args: Namespace) -> int:
    """Close the account of each cell and show them; 1 when a cell could not be closed."""
    plant = open_plant(Path(args.plant))
    with bars() as progress:
        rows = overview(plant, windows(plant, the_wish(args)), progress)
    shown = [_row(plant, row) for row in rows.iter_rows(named=True)]
    title = Text(f"{plant.file.name} · {counted(rows.height, 'cell')} · times of {plant.file.zone}", style="bold")
    notes = [Text(f"?  {name}: {why}") for name, why in problems(rows)]
    give(args, [title, grid(COLUMNS, shown, right=(2, 3, 4, 5, 7), whole=(1,)), *notes], as_dicts(plant, rows), rows)
    return 1 if notes else 0


def windows(plant: Plant, wish: Wish) -> Callable[[str], Window]:
    """The window of each cell: the same words may mean other times, as with each cell's last shift."""
    return lambda cell: choose(plant, cell, wish).window


def problems(rows: pl.DataFrame) -> list[tuple[str, str]]:
    """Cells that could not be closed, and why."""
    return [(cell, why) for cell, why in rows.select("cell", "problem").drop_nulls().iter_rows()]


def largest(row: dict[str, Any]) -> str:
    """The largest loss in words: line, where, cause."""
    if row["line"] is None:
        return "–"
    return ", ".join(str(w) for w in (line_title(row["line"]), row["station"], row["cause"]) if w)


def period(plant: Plant, row: dict[str, Any]) -> str:
    """The window of a row in words: Sun 25 Oct 14:00–22:00."""
    if row["from_us"] is None:
        return "–"
    start, end = (plant.file.local(row[key]) for key in ("from_us", "to_us"))
    last = f"{end:%H:%M}" if row["to_us"] - row["from_us"] < DAY_US else f"{end:%a %d %b %H:%M}"
    return f"{start:%a %d %b %H:%M}–{last}"


def _row(plant: Plant, row: dict[str, Any]) -> tuple[str, ...]:
    if row["problem"] is not None:
        return (row["cell"], *("–",) * 5, "cannot be closed", "–", "–")
    parts = "–" if row["line_parts"] is None else number(row["line_parts"])
    of_plan, oee, known = (share(row[key]) for key in ("good_share", "oee", "known_share"))
    good, verdict = number(row["good_n"]), row["verdict"] or "–"
    return row["cell"], period(plant, row), good, of_plan, oee, known, largest(row), parts, verdict


def as_dicts(plant: Plant, rows: pl.DataFrame) -> list[dict[str, Any]]:
    """The rows for JSON: local times with offset."""
    told = []
    for row in rows.iter_rows(named=True):
        ends = {key: row.pop(f"{key}_us") for key in ("from", "to")}
        row["trend_until"] = row["trend_until"] and row["trend_until"].isoformat()
        local = {key: us and plant.file.local(us).isoformat() for key, us in ends.items()}
        told.append({**row, **local, "zone": plant.file.zone})
    return told
