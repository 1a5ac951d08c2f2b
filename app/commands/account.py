"""taktbook account: the account of a window as a statement, or for machines."""

from __future__ import annotations

from argparse import ArgumentParser, Namespace
from pathlib import Path
from typing import Any, Literal

import polars as pl
from rich.console import RenderableType

from analytics.account import Account, account
from analytics.book import Plant, open_plant
from analytics.kpis import CONVENTIONS
from analytics.stops import stops
from analytics.windows import hours_of
from app.commands.options import add_cell, add_window, the_cell, the_wish
from app.print_statement import print_overview, print_statement
from app.selection import Chosen, choose, cut_by_shift
from app.statement import statement
from app.tables import add_format, bars, give
from ingest.errors import InputError

NAME = "account"
HELP = "Close the account of a cell or station: where every planned second and every part went."
EXAMPLE = "taktbook account --plant demo-plant --cell spoon --day 2026-10-24 --shift early"

By = Literal["station", "product", "shift", "hour"]
BY: tuple[By, ...] = ("station", "product", "shift", "hour")


def add_arguments(parser: ArgumentParser) -> None:
    """Add the command's own arguments."""
    add_cell(parser)
    parser.add_argument("--station", metavar="NAME", help="the account of this station instead of the cell's")
    parser.add_argument("--product", metavar="NAME", help="only time that was charged while this product or set ran")
    add_window(parser)
    parser.add_argument("--by", choices=BY, help="one account for each station, product, shift or hour")
    parser.add_argument(
        "--convention",
        choices=CONVENTIONS,
        default="iso22400",
        help="how losses split into availability, performance and quality (default: iso22400)",
    )
    add_format(parser)


def run(args: Namespace) -> int:
    """Close the account; 1 when it does not balance."""
    plant = open_plant(Path(args.plant))
    cell = the_cell(plant, args.cell)
    with bars() as progress:
        plant.build(cell, progress)
    chosen = choose(plant, cell, the_wish(args))
    accounts = close(plant, cell, chosen, args)
    objects = [as_dict(plant, a) for a in accounts]
    data = {"by": args.by, "accounts": objects} if args.by else objects[0]
    table = [print_overview(plant, args.by, chosen, accounts)] if args.by else show(plant, chosen, accounts[0])
    give(args, table, data, flat(plant, accounts))
    return 1 if any(a.difference_us or (a.station is None and a.parts.difference) for a in accounts) else 0


def close(plant: Plant, cell: str, chosen: Chosen, args: Namespace) -> list[Account]:
    """Close the accounts that --by asks for."""
    options: dict[str, Any] = {"station": args.station, "product": args.product, "convention": args.convention}
    if args.by == "station":
        if args.station:
            raise InputError(
                "--by station shows all stations", where="--station", found=args.station, fix="give one of the two"
            )
        names = plant.cell(cell).working()
        return [account(plant, cell, chosen.window, **{**options, "station": name})[0] for name in names]
    if args.by == "product":
        if args.product:
            raise InputError(
                "--by product shows all products", where="--product", found=args.product, fix="give one of the two"
            )
        every = [
            account(plant, cell, chosen.window, **{**options, "product": name})[0] for name in families(plant, cell)
        ]
        return [a for a in every if a.planned_busy_us] or every[:1]
    if args.by == "shift":
        return account(plant, cell, cut_by_shift(plant, cell, chosen.window), **options)
    if args.by == "hour":
        return account(plant, cell, hours_of(plant, chosen.window), **options)
    return account(plant, cell, chosen.window, **options)


def families(plant: Plant, cell: str) -> list[str]:
    """What a cell makes, as people name it: its sets, and products that belong to none."""
    model = plant.cell(cell)
    return [s.name for s in model.sets] + [p.name for p in model.products if p.set is None]


def show(plant: Plant, chosen: Chosen, closed: Account) -> list[RenderableType]:
    """Lay one account out as a statement."""
    cell = plant.cell(closed.cell)
    found = stops(plant, closed.cell, chosen.window, station=closed.station)
    return print_statement(closed, statement(closed, cell, found), cell, chosen)


def as_dict(plant: Plant, closed: Account) -> dict[str, Any]:
    """One account for JSON."""
    local = plant.file.local
    return {
        "cell": closed.cell,
        "station": closed.station,
        "product": closed.product,
        "key": closed.window.key,
        "from": local(closed.window.from_us).isoformat(),
        "to": local(closed.window.to_us).isoformat(),
        "zone": closed.zone,
        "convention": closed.convention,
        "planned_busy_us": closed.planned_busy_us,
        "difference_us": closed.difference_us,
        "known_share": closed.known_share,
        "lines": closed.lines.to_dicts(),
        "kpis": closed.figures(),
        "parts": closed.parts.as_dict(),
        "outside_plan": closed.plan.to_dicts(),
        "notes": closed.notes,
    }


def flat(plant: Plant, accounts: list[Account]) -> pl.DataFrame:
    """All lines of all accounts below each other, for CSV and Parquet."""
    local = plant.file.local
    return pl.concat(
        [
            a.lines.select(
                pl.lit(a.cell).alias("cell"),
                pl.lit(a.station, pl.String).alias("account_of"),
                pl.lit(a.product, pl.String).alias("product"),
                pl.lit(local(a.window.from_us).isoformat()).alias("from"),
                pl.lit(local(a.window.to_us).isoformat()).alias("to"),
                "line",
                "station",
                "cause",
                "us",
                "parts",
            )
            for a in accounts
        ]
    )  # fmt: skip
