"""taktbook facts: bring what is derived from the events up to date, so that accounts and pages need not wait for it."""

from __future__ import annotations

import os
from argparse import ArgumentParser, Namespace
from collections.abc import Mapping, Sequence
from datetime import date
from pathlib import Path

import polars as pl
from rich.console import RenderableType
from rich.text import Text

from analytics.book import Plant, open_plant
from app.tables import add_format, bars, give
from ingest.progress import Progress, silent

NAME = "facts"
HELP = "Bring the facts, which accounts are made from, up to date with what is loaded."
EXAMPLE = "taktbook facts --plant demo-plant"


def add_arguments(parser: ArgumentParser) -> None:
    """Add the command's own arguments."""
    parser.add_argument("--gently", action="store_true", help="give way to other programs (lower priority)")
    add_format(parser)


def run(args: Namespace) -> int:
    """Derive the days whose events, cell file or plant file have changed."""
    if args.gently and hasattr(os, "nice"):
        os.nice(10)
    plant = open_plant(Path(args.plant))
    with bars() as progress:
        made = build_facts(plant, progress)
    frame = pl.DataFrame(
        [(cell, day) for cell, days in made.items() for day in days],
        schema={"cell": pl.String, "day": pl.Date},
        orient="row",
    )
    give(args, facts_text(made), {cell: [d.isoformat() for d in days] for cell, days in made.items()}, frame)
    return 0


def build_facts(plant: Plant, progress: Progress = silent) -> dict[str, list[date]]:
    """Bring the facts of every cell that has events up to date; returns the days rebuilt per cell."""
    return {cell: plant.build(cell, progress) for cell in plant.file.cells if plant.days(cell)}


def facts_text(made: Mapping[str, Sequence[date]]) -> list[RenderableType]:
    """Say which days were made, one line per cell."""
    if not made:
        return [Text("Nothing is loaded yet: taktbook ingest")]
    return [Text(f"Facts of {cell}: {_days(days)}") for cell, days in made.items()]


def _days(days: Sequence[date]) -> str:
    if not days:
        return "up to date"
    return f"1 day made ({days[0]})" if len(days) == 1 else f"{len(days)} days made ({days[0]} to {days[-1]})"
