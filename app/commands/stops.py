"""taktbook stops: the stops of a window, each with the log lines it rests on."""

from __future__ import annotations

from argparse import ArgumentParser, Namespace
from pathlib import Path
from typing import Any

import polars as pl
from rich.text import Text

from analytics.account import Window
from analytics.book import Plant, open_plant
from analytics.lines import BY_NAME
from analytics.stops import stops
from app.commands.options import add_cell, add_window, the_cell, the_wish
from app.selection import choose
from app.tables import add_format, give, grid
from app.wording import ORIGIN, SAFETY, changes_clock, clock, counted, line_title, number, place
from ingest.errors import InputError, suggest

NAME = "stops"
HELP = "List the stops of a cell in a period, with causes and the log lines they rest on."
EXAMPLE = "taktbook stops --plant demo-plant --cell spoon --station press --min-s 30"


def add_arguments(parser: ArgumentParser) -> None:
    """Add the command's own arguments."""
    add_cell(parser)
    add_window(parser)
    parser.add_argument("--station", metavar="NAME", help="only stops of this station")
    parser.add_argument("--line", metavar="NAME", help="only stops on this line of the account, e.g. breakdown")
    parser.add_argument(
        "--min-s", type=float, default=5.0, metavar="S", help="leave out stops shorter than this (default: 5)"
    )
    add_format(parser)


def run(args: Namespace) -> int:
    """List the stops."""
    plant = open_plant(Path(args.plant))
    cell = the_cell(plant, args.cell)
    if args.line is not None and args.line not in BY_NAME:
        raise InputError(
            "the account has no such line", where="--line", found=args.line, allowed=", ".join(BY_NAME),
            fix=suggest(args.line, BY_NAME) or "use one of the allowed names",
        )  # fmt: skip
    chosen = choose(plant, cell, the_wish(args))
    found = stops(plant, cell, chosen.window, station=args.station, line=args.line)
    shown = found.filter(pl.col("us") >= round(args.min_s * 1e6))
    listed = [as_dict(plant, row) for row in shown.iter_rows(named=True)]
    left_out = found.height - shown.height
    title = Text(f"Cell {cell} · {chosen.title}\n{counted(shown.height, 'stop')}", style="bold")
    if left_out:
        title.append(f"; {left_out} shorter than {args.min_s:g} s left out (--min-s)", style="not bold")
    parts = [title, stop_table(plant, chosen.window, shown)] if shown.height else [title]
    if (shown["line"] == "safety_stop").any():
        parts.append(Text(SAFETY, style="italic"))
    data = {
        "cell": cell,
        "station": args.station,
        "from": plant.file.local(chosen.window.from_us).isoformat(),
        "to": plant.file.local(chosen.window.to_us).isoformat(),
        "zone": plant.file.zone,
        "stops": listed,
    }
    give(args, parts, data, _flat(listed))
    return 0


def as_dict(plant: Plant, row: dict[str, Any]) -> dict[str, Any]:
    """One stop for JSON: local times with offset, integer microseconds, log lines."""
    return {
        "from": plant.file.local(row["start_us"]).isoformat(),
        "to": plant.file.local(row["end_us"]).isoformat(),
        **{
            k: row[k]
            for k in ("us", "busy_us", "station", "nest", "line", "cause", "text", "alarm", "said", "blamed", "product")
        },
        **{k: row[k] for k in ("log_file", "log_line", "log_end_file", "log_end_line")},
    }


def stop_table(plant: Plant, window: Window, rows: pl.DataFrame) -> Any:
    """Lay the stops out, one row each."""
    odd = changes_clock(plant.file, window)
    return grid(
        ("from", "station", "seconds", "line", "cause", "log lines"),
        [
            (
                clock(plant.file.local(r["start_us"]), offset=odd),
                place(r["station"], r["nest"]),
                number(r["us"] / 1e6, 1),
                line_title(r["line"]),
                cause_of(r),
                log_place(r),
            )
            for r in rows.iter_rows(named=True)
        ],
        right=(2,),
        whole=(0, 1, 2, 5),
    )


def cause_of(row: dict[str, Any]) -> str:
    """The cause as the logs tell it, and beside it what a person said."""
    told = row["text"] or row["cause"] or ""
    return f"{told} (said: {row['said']})" if row["said"] else told


def log_place(row: dict[str, Any]) -> str:
    """Where a stop stands in the logs: file:from–to, or both files."""
    file, line, end_file, end_line = (row[k] for k in ("log_file", "log_line", "log_end_file", "log_end_line"))
    if file is None:
        return f"{end_file}:{end_line}" if end_file is not None else ORIGIN
    if end_file is None or (end_file, end_line) == (file, line):
        return f"{file}:{line}"
    return f"{file}:{line}–{end_line}" if end_file == file else f"{file}:{line} – {end_file}:{end_line}"


def _flat(listed: list[dict[str, Any]]) -> pl.DataFrame:
    schema = {
        **dict.fromkeys(("from", "to"), pl.String),
        **dict.fromkeys(("us", "busy_us"), pl.Int64),
        **dict.fromkeys(("station", "nest", "line", "cause", "text"), pl.String),
        "alarm": pl.Boolean,
        **dict.fromkeys(("said", "blamed", "product", "log_file"), pl.String),
        "log_line": pl.Int64,
        "log_end_file": pl.String,
        "log_end_line": pl.Int64,
    }
    return pl.DataFrame(listed, schema=schema)
