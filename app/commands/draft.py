"""taktbook draft: from an unknown log to a source file."""

from __future__ import annotations

import sys
from argparse import ArgumentParser, Namespace
from pathlib import Path

from ingest.draft.draft import Draft, draft
from ingest.draft.write import percent
from ingest.errors import InputError

NAME = "draft"
HELP = "Draft a source file for an unknown log: its format, times, messages and fields, with all that must be decided."
EXAMPLE = "taktbook draft --plant my-plant my-plant/inbox/example/machine.log --write"


def add_arguments(parser: ArgumentParser) -> None:
    """Add the command's own arguments."""
    parser.add_argument("files", metavar="FILE", nargs="+", help="log files of one kind; plain, .gz or .zst")
    parser.add_argument("--name", metavar="NAME", help="name of the source (default: after the file)")
    parser.add_argument("--cell", metavar="CELL", help="the cell (default: the plant's only one)")
    parser.add_argument("--write", action="store_true", help="write sources/NAME.toml in the plant; never overwrites")
    parser.add_argument("--out", metavar="FILE", help="write to this file; - for the screen (the default)")


def run(args: Namespace) -> int:
    """Draft; print the source file, or write it and say what to do next. 1 when much is not understood."""
    plant = Path(args.plant)
    is_plant = (plant / "plant.toml").exists()
    if args.write and args.out:
        raise InputError("--write and --out exclude each other", where="--write", fix="leave one of them out")
    if args.write and not is_plant:
        raise InputError(
            "there is no plant here",
            where="--write",
            found=str(plant),
            fix="name it:  --plant DIR, or make one:  taktbook new DIR",
        )
    made = draft([Path(name) for name in args.files], plant if is_plant else None, args.name, args.cell)
    if args.write:
        written(made, plant / "sources" / f"{made.name}.toml")
    elif args.out and args.out != "-":
        written(made, Path(args.out))
    else:
        sys.stdout.write(made.text)
    told(made)
    return 1 if made.trial.bad.height > 0.05 * made.trial.lines else 0


def written(made: Draft, target: Path) -> None:
    """Write the draft. Raises InputError when there is a file already, or when it cannot be written."""
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        with target.open("x", encoding="utf-8") as file:
            file.write(made.text)
    except FileExistsError:
        fix = "name another source:  --name NAME, another file:  --out FILE, or remove it first"
        raise InputError("nothing is overwritten", where=str(target), fix=fix) from None
    except OSError as err:
        raise InputError(
            f"this file cannot be written: {err.strerror or err}", where=str(target), fix="name another folder"
        ) from None
    print(f"Written: {target}")


def told(made: Draft) -> None:
    """Say how the draft did on its sample, and what comes next."""
    trial = made.trial
    understood = percent((trial.with_events + trial.skipped) / max(trial.lines, 1))
    print(
        f"{made.name}: {understood} of {trial.lines:,} lines looked at are understood; {made.decisions} places "
        f"are marked DECIDE.",
        file=sys.stderr,
    )
