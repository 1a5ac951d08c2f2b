"""taktbook glance: OEE of each station and day straight from the events, before any facts are derived."""

from __future__ import annotations

from argparse import ArgumentParser, Namespace
from pathlib import Path

import polars as pl
from rich.text import Text

from analytics.book import open_plant
from analytics.glance import glance
from app.commands.options import add_cell, the_cell
from app.selection import parse_day
from app.tables import add_format, give, grid
from app.wording import number, share
from ingest.errors import InputError

NAME = "glance"
HELP = "OEE of each station and day straight from the events: quick, before anything else is derived, and rougher."
EXAMPLE = "taktbook glance --plant demo-plant --cell timer"
DOUBT = (
    "?  Counted from the records as they are: clocks are not aligned, lost records not inferred, stops have no cause."
    " The account that closes:  taktbook account"
)


def add_arguments(parser: ArgumentParser) -> None:
    """Add the command's own arguments."""
    add_cell(parser)
    days = parser.add_mutually_exclusive_group()
    days.add_argument("--day", metavar="DATE", help="one production day, e.g. 2026-10-24")
    days.add_argument("--last", type=int, default=7, metavar="N", help="the last N days with events (default: 7)")
    add_format(parser)


def run(args: Namespace) -> int:
    """Count and show it."""
    plant = open_plant(Path(args.plant))
    cell = the_cell(plant, args.cell)
    have = plant.store.days(cell)
    days = [parse_day(args.day)] if args.day else have[-args.last :] if args.last > 0 else []
    if not set(days) & set(have):
        raise InputError(
            f"there are no events of cell {cell} on these days",
            where="--day" if args.day else "--last",
            found=args.day or str(args.last),
            allowed=f"{have[0]} to {have[-1]}" if have else "the store holds nothing of this cell yet",
            fix="choose another day" if have else "load logs first:  taktbook ingest",
        )
    seen = glance(plant, cell, days)
    span = f"production days {days[0]} to {days[-1]} {plant.file.zone}"
    title = Text(f"Cell {cell} · {span} · at a glance", style="bold")
    rows = [
        (
            f"{r['day']:%a %d %b}", r["station"], number(r["planned_busy_us"] / 3.6e9, 1), str(r["good_n"]),
            str(r["reject_n"]), *(share(r[k]) for k in ("availability", "effectiveness", "quality_ratio", "oee")),
        )
        for r in seen.iter_rows(named=True)
    ]  # fmt: skip
    names = ("day", "station", "planned h", "good", "rejected", "availability", "effectiveness", "quality", "OEE")
    unplanned = int(seen["no_plan_n"].sum())
    notes = [Text(DOUBT)]
    if unplanned:
        notes.append(Text(f"?  {unplanned} cycles have no planned cycle in cells/{cell}.toml and are left out."))
    listed = [
        row | {"day": str(row["day"]), "cell": cell, "zone": plant.file.zone} for row in seen.iter_rows(named=True)
    ]
    flat = seen.select(pl.lit(cell).alias("cell"), *seen.columns)
    give(args, [title, grid(names, rows, right=range(2, 9)), *notes], listed, flat)
    return 0
