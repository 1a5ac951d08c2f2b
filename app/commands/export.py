"""taktbook export: the cycles of a window as a log that general process-mining libraries open."""

from __future__ import annotations

import gzip
import os
from argparse import ArgumentParser, Namespace
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO

from analytics.account import Window
from analytics.book import Plant, open_plant
from analytics.process_log import ProcessLog, process_log
from analytics.process_ocel import ocel
from analytics.process_xes import xes
from app.commands.options import add_cell, add_window, the_cell, the_wish
from app.selection import choose
from app.tables import bars
from app.wording import counted
from ingest.errors import InputError

NAME = "export"
HELP = "Write the cycles of a period as a process log: XES (IEEE 1849), or OCEL 2.0 in JSON."
EXAMPLE = "taktbook export --plant demo-plant --cell spoon --day 2026-10-24 --as xes --out spoon.xes.gz"


def add_arguments(parser: ArgumentParser) -> None:
    """Add the command's own arguments."""
    add_cell(parser)
    add_window(parser)
    parser.add_argument("--as", dest="form", choices=("xes", "ocel"), default="xes", help="the form (default: xes)")
    parser.add_argument("--out", metavar="FILE", required=True, help="the file to write; .gz is compressed")


def run(args: Namespace) -> int:
    """Write the log and say what is in it."""
    plant = open_plant(Path(args.plant))
    cell = the_cell(plant, args.cell)
    chosen = choose(plant, cell, the_wish(args))
    with bars() as progress:
        plant.build(cell, progress)
    log = log_of(plant, cell, chosen.window)
    if not log.events.height:
        raise InputError(f"cell {cell} has no cycle in this period", found=chosen.title, fix="choose another period")
    write(Path(args.out), xes(log, cell) if args.form == "xes" else ocel(log))
    told = [counted(log.count("complete"), "cycle"), counted(log.count("reject"), "reject")]
    print(f"{args.out}: {chosen.title}: {counted(log.traces_n, 'part')}, {', '.join(told)}")
    return 0


def log_of(plant: Plant, cell: str, window: Window) -> ProcessLog:
    """Return the process log of a window; the facts must be up to date."""
    first, last = plant.file.production_day(window.from_us), plant.file.production_day(window.to_us - 1)
    days = plant.days_between(cell, first, last)
    cycles, moves, parts, orders = (plant.fact(cell, t, days) for t in ("cycles", "moves", "parts", "orders"))
    return process_log(cycles, moves, parts, orders, window)


def write(path: Path, pieces: Iterable[str]) -> None:
    """Write a file whole or not at all: under another name first."""
    with _told(path):
        part = path.with_name(f".{path.name}.{os.getpid()}.part")
        try:
            with part.open("xb") as file:
                out: IO[bytes] = file
                if path.suffix == ".gz":
                    out = gzip.GzipFile("", "wb", 6, file, mtime=0)  # type: ignore[assignment]
                for piece in pieces:
                    out.write(piece.encode())
                if out is not file:
                    out.close()
                file.flush()
                os.fsync(file.fileno())
            os.replace(part, path)
        finally:
            part.unlink(missing_ok=True)


@contextmanager
def _told(path: Path) -> Iterator[None]:
    try:
        yield
    except OSError as err:
        raise InputError(
            f"this file cannot be written: {err.strerror or err}", where="--out", found=str(path),
            fix="name a file in a folder that exists and has room",
        ) from None  # fmt: skip
