"""How a command gives its result: a table for people, or JSON, CSV, Parquet for machines."""

from __future__ import annotations

import json
import sys
from argparse import ArgumentParser, Namespace
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final

import polars as pl
from rich.box import SIMPLE_HEAD
from rich.console import Console, RenderableType
from rich.progress import BarColumn, TaskID, TextColumn, TimeElapsedColumn
from rich.progress import Progress as Bars
from rich.table import Table
from rich.text import Text

from ingest.errors import InputError
from ingest.progress import Progress, silent

FORMATS: Final = ("table", "json", "csv", "parquet")
PIPE_WIDTH: Final = 120
"""Columns when the output is no terminal."""


def add_format(parser: ArgumentParser) -> None:
    """Add --format and --output to a command."""
    parser.add_argument("--format", choices=FORMATS, default="table", help="how the result is given (default: table)")
    parser.add_argument("--output", metavar="FILE", help="write to this file instead of the screen; parquet needs it")


def console() -> Console:
    """Return the console for results; tables are cut to the terminal, or to PIPE_WIDTH where there is none."""
    return Console(width=None if sys.stdout.isatty() else PIPE_WIDTH, highlight=False)


def give(args: Namespace, table: Sequence[RenderableType], data: Any, frame: pl.DataFrame) -> None:
    """Print or write a result in the format that was asked for: `table`, `data` as JSON, `frame` as CSV or Parquet.

    Raises InputError when the file cannot be written or parquet has no file to go to.
    """
    if args.format == "parquet" and not args.output:
        raise InputError("parquet is no text", where="--format parquet", fix="name a file:  --output FILE.parquet")
    if args.format == "json":
        _text(args, json.dumps(data, ensure_ascii=False, indent=2, default=str) + "\n")
    elif args.format == "csv":
        _text(args, _flat(frame).write_csv())
    elif args.format == "parquet":
        with _writing(args.output) as path:
            frame.write_parquet(path)
    elif args.output:
        with _writing(args.output) as path, path.open("w", encoding="utf-8") as file:
            Console(file=file, width=PIPE_WIDTH, highlight=False).print(*table, sep="\n")
    else:
        console().print(*table, sep="\n")


def grid(
    columns: Sequence[str], rows: Sequence[Sequence[str]], right: Sequence[int] = (), whole: Sequence[int] = ()
) -> Table:
    """Return a plain table; columns in `right` stand to the right, as numbers do; those in `whole` stay unwrapped."""
    table = Table(box=SIMPLE_HEAD, pad_edge=False, show_edge=False)
    for n, name in enumerate(columns):
        table.add_column(Text(name), justify="right" if n in right else "left", overflow="fold", no_wrap=n in whole)
    for row in rows:
        table.add_row(*(Text(cell) for cell in row))
    return table


@contextmanager
def bars() -> Iterator[Progress]:
    """Show progress on a terminal's error stream; silent elsewhere."""
    if not sys.stderr.isatty():
        yield silent
        return
    with Bars(
        TextColumn("{task.description}"), BarColumn(), TextColumn("{task.percentage:>3.0f} %"), TimeElapsedColumn(),
        console=Console(stderr=True), transient=True,
    ) as shown:  # fmt: skip
        tasks: dict[str, TaskID] = {}

        def tell(step: str, done: int, total: int | None) -> None:
            if step not in tasks:
                for old in tasks.values():
                    shown.update(old, visible=False)
                tasks[step] = shown.add_task(step, total=total)
            shown.update(tasks[step], completed=done, total=total)

        yield tell


def _flat(frame: pl.DataFrame) -> pl.DataFrame:
    """Write lists as words with ", " between them: CSV knows no lists."""
    lists = [name for name, dtype in frame.schema.items() if isinstance(dtype, pl.List)]
    return frame.with_columns(pl.col(name).cast(pl.List(pl.String)).list.join(", ") for name in lists)


def _text(args: Namespace, text: str) -> None:
    if args.output:
        with _writing(args.output) as path:
            path.write_text(text, encoding="utf-8")
    else:
        sys.stdout.write(text)


@contextmanager
def _writing(name: str) -> Iterator[Path]:
    try:
        yield Path(name)
    except OSError as err:
        raise InputError(
            f"this file cannot be written: {err.strerror or err}",
            where="--output",
            found=name,
            fix="name a file in a folder that exists",
        ) from None
