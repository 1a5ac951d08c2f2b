"""taktbook trust: how far the account of a cell can be trusted, and what to do about it."""

from __future__ import annotations

from argparse import ArgumentParser, Namespace
from pathlib import Path
from typing import Any

import polars as pl

from analytics.account import Window
from analytics.book import Plant, open_plant
from analytics.trust.report import SOURCE_SCHEMA, Trust, trust
from analytics.windows import day_window, hours_of
from app.commands.options import add_cell, add_window, the_cell, the_wish
from app.print_trust import print_trust, print_trust_by
from app.selection import choose
from app.tables import add_format, bars, give

NAME = "trust"
HELP = "Tell how far an account can be trusted: the known share, what would raise it, and the faults of the logs."
EXAMPLE = "taktbook trust --plant demo-plant --cell spoon --day 2026-10-24"
BY = ("source", "hour", "day")
TIMES = ("from_us", "to_us", "us", "until_us", "since_us")


def add_arguments(parser: ArgumentParser) -> None:
    """Add the command's own arguments."""
    add_cell(parser)
    add_window(parser)
    parser.add_argument("--by", choices=BY, default="source", help="each source as a whole, or in each hour or day")
    add_format(parser)


def run(args: Namespace) -> int:
    """Tell it; always 0 where it could be told: how much is enough is for people to say."""
    plant = open_plant(Path(args.plant))
    cell = the_cell(plant, args.cell)
    with bars() as progress:
        for name in plant.file.cells:
            plant.build(name, progress)
    chosen = choose(plant, cell, the_wish(args))
    (whole,) = trust(plant, cell, chosen.window)
    each = [whole] if args.by == "source" else trust(plant, cell, _cut(plant, cell, chosen.window, args.by))
    model = plant.cell(cell)
    if args.by == "source":
        table = print_trust(plant, model, chosen, whole)
    else:
        table = print_trust_by(plant, args.by, model, chosen, whole, each)
    data = as_dict(plant, whole)
    if args.by != "source":
        data["by"], data["windows"] = args.by, [as_dict(plant, one, whole=False) for one in each]
    give(args, table, data, flat(plant, each))
    return 0


def _cut(plant: Plant, cell: str, window: Window, by: str) -> list[Window]:
    if by == "hour":
        return hours_of(plant, window)
    first, last = plant.file.production_day(window.from_us), plant.file.production_day(window.to_us - 1)
    days = [day_window(plant, day) for day in plant.days_between(cell, first, last)]
    return [Window(d.key, max(d.from_us, window.from_us), min(d.to_us, window.to_us)) for d in days]


def as_dict(plant: Plant, told: Trust, *, whole: bool = True) -> dict[str, Any]:
    """One window for JSON: local times with offset, integer microseconds, log lines."""
    data: dict[str, Any] = {
        "cell": told.cell,
        "key": told.window.key,
        "from": plant.file.local(told.window.from_us).isoformat(),
        "to": plant.file.local(told.window.to_us).isoformat(),
        "zone": told.zone,
        "planned_busy_us": told.planned_busy_us,
        "known_share": told.known_share,
        "would_raise": _rows(plant, told.hidden),
        "sources": told.sources.to_dicts(),
    }
    if whole:
        data["parts"], data["faults"] = _rows(plant, told.parts), _rows(plant, told.faults)
        data["without_any_time"] = told.timeless.to_dicts()
    return data


def _rows(plant: Plant, frame: pl.DataFrame) -> list[dict[str, Any]]:
    """Rows with instants as local times: from_us becomes from, us of a fault becomes at; lengths stay microseconds."""
    rows = []
    instants = [name for name in TIMES if name in frame.columns and not (name == "us" and "share" in frame.columns)]
    for row in frame.iter_rows(named=True):
        for name in instants:
            us = row.pop(name)
            row[name.removesuffix("_us") if name != "us" else "at"] = us and plant.file.local(us).isoformat()
        rows.append(row)
    return rows


def flat(plant: Plant, each: list[Trust]) -> pl.DataFrame:
    """The sources of all windows below each other, for CSV and Parquet."""
    local = plant.file.local
    return pl.concat([
        told.sources.select(
            pl.lit(told.cell).alias("cell"),
            pl.lit(local(told.window.from_us).isoformat()).alias("from"),
            pl.lit(local(told.window.to_us).isoformat()).alias("to"),
            pl.lit(told.known_share, pl.Float64).alias("known_share"),
            *SOURCE_SCHEMA,
        )
        for told in each
    ])  # fmt: skip
