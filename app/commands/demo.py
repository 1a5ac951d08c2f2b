"""taktbook demo: the sample plant, loaded and closed, to try everything on."""

from __future__ import annotations

import shutil
from argparse import ArgumentParser, Namespace
from importlib.resources import as_file, files
from pathlib import Path

from rich.rule import Rule

from analytics.account import account
from analytics.book import open_plant
from analytics.windows import last_shift
from app.commands.account import show
from app.commands.facts import build_facts
from app.commands.ingest import balance, quarantine_reasons, quarantine_table
from app.selection import of_shift
from app.tables import bars, console
from ingest.errors import InputError
from ingest.load import load

NAME = "demo"
HELP = "Lay out the sample plant, load its logs and close the account of the last shift of a cell."
EXAMPLE = "taktbook demo"
MARK = ".taktbook-demo"
"""A file that says: this folder was made by `taktbook demo` and may be laid out anew."""


def add_arguments(parser: ArgumentParser) -> None:
    """Add the command's own arguments."""
    parser.add_argument(
        "folder", metavar="DIR", nargs="?", help="where the plant is laid out, seen from --plant (default: demo-plant)"
    )


def run(args: Namespace) -> int:
    """Copy, load, derive, show."""
    folder = Path(args.plant) / (args.folder or "demo-plant")
    lay_out(folder)
    with bars() as progress:
        summary = load(folder, progress=progress)
        plant = open_plant(folder)
        build_facts(plant, progress)
    out = console()
    out.print(*balance(summary), *quarantine_table(quarantine_reasons(plant)), sep="\n")
    cell = plant.file.cells[0]
    day, window = last_shift(plant, cell)
    closed = account(plant, cell, window)[0]
    out.print(Rule(), *show(plant, of_shift(plant, day, window), closed), Rule(), sep="\n")
    where = f'"{folder}"' if " " in str(folder) else str(folder)
    commands = (
        f"app --plant {where}",
        f"account --plant {where} --cell {cell} --by shift --week {day:%G-W%V}",
        f"stops --plant {where} --cell {cell} --min-s 60",
        "--help",
    )
    print("\n".join(["Next:", *(f"  taktbook {command}" for command in commands)]))  # not wrapped: to be pasted
    return 1 if closed.difference_us or closed.parts.difference else 0


def lay_out(folder: Path) -> None:
    """Copy the sample plant to a folder; one that an earlier demo made is made anew, its notes and reports stay.

    Raises InputError when the folder holds anything else, or the sample is not installed.
    """
    sample = files("sample_logs") / "plant"
    if not (sample / "plant.toml").is_file():
        raise InputError("the sample plant is not installed", fix="install taktbook with its data: pip install .")
    if folder.exists() and (not folder.is_dir() or (any(folder.iterdir()) and not (folder / MARK).exists())):
        raise InputError(
            "this folder exists and is no demo plant; it is left as it is", where="demo DIR", found=str(folder),
            fix="name a new folder:  taktbook demo ANOTHER-NAME",
        )  # fmt: skip
    try:
        for part in ("cells", "sources", "inbox", "store"):
            if (folder / part).exists():
                shutil.rmtree(folder / part)
        folder.mkdir(parents=True, exist_ok=True)
        (folder / MARK).write_text("Made by `taktbook demo`, which may lay it out anew.\n", encoding="utf-8")
        with as_file(sample) as path:
            shutil.copytree(path, folder, dirs_exist_ok=True)
    except OSError as err:
        raise InputError(
            f"the demo plant cannot be laid out: {err.strerror or err}", where=str(err.filename or folder),
            fix="close programs that use the folder, or name another",
        ) from None  # fmt: skip
