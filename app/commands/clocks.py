"""taktbook clocks: whose clock is how far off, how we know, and what was done about it."""

from __future__ import annotations

from argparse import ArgumentParser, Namespace
from pathlib import Path
from typing import Any

import polars as pl
from rich.console import RenderableType
from rich.text import Text

from analytics.book import Plant, open_plant
from analytics.clocks.report import clock_report
from app.commands.options import the_cell
from app.tables import add_format, bars, give
from app.wording import counted, number

NAME = "clocks"
HELP = "Tell how far the clock of each source is off, how fast it drifts, when it was set, and how sure that is."
EXAMPLE = "taktbook clocks --plant demo-plant --cell spoon"


def add_arguments(parser: ArgumentParser) -> None:
    """Add the command's own arguments."""
    parser.add_argument("--cell", metavar="NAME", help="only this cell (default: all)")
    add_format(parser)


def run(args: Namespace) -> int:
    """Report the clocks."""
    plant = open_plant(Path(args.plant))
    cells = [the_cell(plant, args.cell)] if args.cell else list(plant.file.cells)
    with bars() as progress:
        for cell in cells:
            plant.build(cell, progress)
    rows = pl.concat([clock_report(plant, cell) for cell in cells])
    parts: list[RenderableType] = []
    for cell in cells:
        parts.append(Text(f"Cell {cell}", style="bold"))
        own = rows.filter(pl.col("cell") == cell)
        reference = next(iter(own.filter(pl.col("state") == "reference")["source"]), "")
        parts += [Text(f"  {line}") for line in sentences(plant, own, reference)] or [Text("  nothing is loaded")]
    give(args, parts, [as_dict(plant, r) for r in rows.iter_rows(named=True)], rows)
    return 0


def as_dict(plant: Plant, row: dict[str, Any]) -> dict[str, Any]:
    """One row for JSON: local times with offset, the rest as it is."""
    times = {name[:-3]: plant.file.local(row[name]).isoformat() for name in ("from_us", "until_us")}
    return {k: v for k, v in row.items() if k not in ("from_us", "until_us")} | times


def sentences(plant: Plant, rows: pl.DataFrame, reference: str) -> list[str]:
    """What there is to say of each source of a cell, in words."""
    said = []
    before: dict[str, dict[str, Any]] = {}
    for row in rows.iter_rows(named=True):
        said.append(sentence(plant, row, reference, before.get(row["source"])))
        before[row["source"]] = row
    return said


def sentence(plant: Plant, row: dict[str, Any], reference: str, before: dict[str, Any] | None) -> str:
    """Say one row: press is 40.2 s behind robots ± 0.02 s, gains 12 ppm; 1,204 pairs."""
    source, state = row["source"], row["state"]
    since = f"{plant.file.local(row['from_us']):%-d %b %H:%M}"
    when = f" from {since}" if before else ""
    if state == "reference":
        return f"{source} is the reference: all times are told by its clock"
    if state in ("off", "unaligned"):
        told = "unaligned" if state == "unaligned" else "left as it is"
        return f"{source} is {told}{when}: {row['why']}"
    offset = row["offset_s"]
    far = (
        "agrees with" if not row["applied"] else f"is {_seconds(abs(offset))} {'ahead of' if offset > 0 else 'behind'}"
    )
    text = f"{source} {far} {reference}{when}"
    if state == "pinned":
        return f"{text}: pinned in the cell file"
    drift = row["drift_ppm"] or 0.0
    text += f" ± {_seconds(row['uncertainty_s'] or 0.0)}"
    if abs(drift) >= 1:
        text += f", {'gains' if drift > 0 else 'loses'} {number(abs(drift))} ppm"
    if row["pairs_n"]:
        text += f"; {counted(row['pairs_n'], 'pair')} by: {row['links']}"
    if row["stepped_s"] is not None:
        text += f"; stepped by {_seconds(row['stepped_s'])} on {since}"
    return text


def _seconds(s: float) -> str:
    digits = 3 if abs(s) < 0.1 else 2 if abs(s) < 10 else 1
    return f"{number(s, digits)} s"
