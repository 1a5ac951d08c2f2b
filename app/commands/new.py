"""taktbook new: a plant folder to start from, with commented files that are valid as they are."""

from __future__ import annotations

from argparse import ArgumentParser, Namespace
from importlib.resources import files
from pathlib import Path

from rich.text import Text

from app.tables import console
from ingest.errors import InputError

NAME = "new"
HELP = "Write a new plant folder: commented plant.toml, cells/cell1.toml, sources/example.toml, and inbox/."
EXAMPLE = "taktbook new my-plant"
FILES = ("plant.toml", "cells/cell1.toml", "sources/example.toml")


def add_arguments(parser: ArgumentParser) -> None:
    """Add the command's own arguments."""
    parser.add_argument(
        "folder", metavar="DIR", help="the folder to write, seen from --plant; it must not hold a plant yet"
    )


def run(args: Namespace) -> int:
    """Write the folder and say what to do with it."""
    folder = write_plant(Path(args.plant) / args.folder)
    console().print(Text(
        f"Written: {', '.join(FILES)} and inbox/ in {folder}\n\nNext:\n"
        "  1. say in plant.toml when your shifts run, in cells/cell1.toml what your cell is,\n"
        "     and in sources/example.toml how its logs read (the comments lead through)\n"
        f"  2. taktbook check --plant {folder}\n"
        f"  3. put logs into {folder / 'inbox' / 'example'} and type  taktbook ingest --plant {folder}"
    ))  # fmt: skip
    return 0


def write_plant(folder: Path) -> Path:
    """Write the files of a new plant. Raises InputError, before anything is written, when one of them exists."""
    there = [name for name in FILES if (folder / name).exists()]
    if there or (folder.exists() and not folder.is_dir()):
        raise InputError(
            "nothing is overwritten" if there else "this is a file, not a folder",
            where="new DIR",
            found=", ".join(there) or str(folder),
            fix="name a new folder, or remove what is there",
        )
    try:
        for name in FILES:
            target = folder / name
            target.parent.mkdir(parents=True, exist_ok=True)
            target.write_text((files("app") / "templates" / "new" / name).read_text(encoding="utf-8"), encoding="utf-8")
        (folder / "inbox" / "example").mkdir(parents=True, exist_ok=True)
    except OSError as err:
        raise InputError(
            f"the folder cannot be written: {err.strerror or err}",
            where="new DIR",
            found=str(folder),
            fix="name a folder that you may write to",
        ) from None
    return folder
