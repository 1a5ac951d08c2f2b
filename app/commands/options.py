"""Options that several commands have: which cell, which period."""

from __future__ import annotations

from argparse import ArgumentParser, Namespace

from analytics.book import Plant
from app.selection import Wish
from ingest.errors import InputError


def add_cell(parser: ArgumentParser) -> None:
    """Add --cell."""
    parser.add_argument("--cell", metavar="NAME", help="the cell (may be left out when the plant has one)")


def add_window(parser: ArgumentParser) -> None:
    """Add the options that name a period."""
    window = parser.add_argument_group("period (default: the last shift)")
    window.add_argument("--last-shift", action="store_true", help="the last shift that the logs cover to its end")
    window.add_argument("--shift", metavar="NAME", help="a shift, of --day or of the newest day that has it")
    window.add_argument("--day", metavar="DATE", help="a production day, e.g. 2026-10-24")
    window.add_argument("--week", metavar="WEEK", help="an ISO week of production days, e.g. 2026-W43")
    window.add_argument(
        "--from", dest="from_", metavar="TIME", help="start, e.g. 2026-10-24T06:00 (the plant's zone) or with offset"
    )
    window.add_argument("--to", metavar="TIME", help="end, in the same way")


def the_wish(args: Namespace) -> Wish:
    """Return what the options of a period say."""
    return Wish(args.shift, args.day, args.week, args.from_, args.to, args.last_shift)


def the_cell(plant: Plant, name: str | None) -> str:
    """Return the cell's name; a plant with one cell needs none. Raises InputError when the choice is open."""
    if name is None and len(plant.file.cells) == 1:
        return plant.file.cells[0]
    if name is None:
        raise InputError(
            "which cell?",
            where="--cell",
            allowed=", ".join(plant.file.cells),
            fix=f"e.g.  --cell {plant.file.cells[0]}",
        )
    plant.cell(name)
    return name
