"""The command `taktbook`. The one place where errors become words and exit codes.

Exit codes: 0 ok, 1 a finding, 2 usage or input error.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence
from io import TextIOWrapper
from typing import Protocol

from app.commands import (
    account,
    check,
    clocks,
    demo,
    draft,
    export,
    facts,
    follow,
    glance,
    ingest,
    new,
    overview,
    serve,
    stops,
    trust,
)  # fmt: skip
from app.commands.studies import STUDIES
from ingest.errors import TaktbookError


class Command(Protocol):
    """What a command must have: a module or an object."""

    @property
    def NAME(self) -> str: ...  # noqa: D102
    @property
    def HELP(self) -> str: ...  # noqa: D102
    @property
    def EXAMPLE(self) -> str: ...  # noqa: D102
    def add_arguments(self, parser: argparse.ArgumentParser) -> None: ...  # noqa: D102
    def run(self, args: argparse.Namespace) -> int: ...  # noqa: D102


COMMANDS: tuple[Command, ...] = (
    demo, new, draft, ingest, follow, facts, check, glance, overview, account, stops, *STUDIES, trust, clocks, export,
    serve,
)  # fmt: skip
"""Each has NAME, HELP, EXAMPLE, add_arguments(parser) and run(args) -> exit code. A new command is one name more."""


def parser() -> argparse.ArgumentParser:
    """Build the parser of all commands."""
    top = argparse.ArgumentParser(
        prog="taktbook",
        description="Keeps the book of a running production cell: where every planned second and every part went.",
        epilog="Start with:  taktbook demo",
    )
    commands = top.add_subparsers(dest="command", metavar="COMMAND", required=True)
    for command in COMMANDS:
        sub = commands.add_parser(
            command.NAME,
            help=command.HELP,
            description=command.HELP,
            epilog=f"Example:  {command.EXAMPLE}",
            formatter_class=argparse.RawDescriptionHelpFormatter,
        )
        sub.add_argument("--plant", metavar="DIR", default=".", help="the plant folder (default: the current folder)")
        command.add_arguments(sub)
        sub.set_defaults(run=command.run)
    return top


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, TextIOWrapper):  # a console that cannot show a sign shows "?" instead of failing
            stream.reconfigure(errors="replace")
    try:
        args = parser().parse_args(argv)
    except SystemExit as stop:  # argparse has said what is wrong, or shown the help
        return int(stop.code or 0)
    try:
        return int(args.run(args))
    except TaktbookError as err:
        print(err, file=sys.stderr)
        return 2
    except KeyboardInterrupt:
        print("stopped; files that were done are in the store, nothing is there by halves", file=sys.stderr)
        return 130
    except BrokenPipeError:  # the reader (head, less) has seen enough
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except OSError as err:
        print(
            f"{err.filename or args.plant}: {err.strerror or err}\n    do:      check permissions and free space",
            file=sys.stderr,
        )
        return 2


if __name__ == "__main__":
    sys.exit(main())
