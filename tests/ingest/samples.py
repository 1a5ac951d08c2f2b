"""Each format's own sample as a file: the formats that are no text are told as text in README and written here."""

from __future__ import annotations

import io
import sqlite3
from contextlib import closing
from pathlib import Path

import polars as pl

from ingest.formats import Format
from tests.ingest.plants import write


def write_sample(path: Path, module: Format) -> None:
    """Write the sample of a format to a file."""
    path.parent.mkdir(parents=True, exist_ok=True)
    writers = {"sqlite": _sqlite, "parquet": _parquet}
    if module.NAME in writers:
        writers[module.NAME](path, str(module.SAMPLE))
    else:
        write(path, module.SAMPLE)


def _sqlite(path: Path, statements: str) -> None:
    with closing(sqlite3.connect(path)) as connection:
        connection.executescript(statements)


def _parquet(path: Path, sample: str) -> None:
    """The columns with dots are the members of a struct."""
    rows = pl.read_csv(io.StringIO(sample), try_parse_dates=True)
    inside = [name for name in rows.columns if name.startswith("result.")]
    result = pl.struct(pl.col(name).alias(name.removeprefix("result.")) for name in inside)
    rows.with_columns(result.alias("result")).drop(inside).write_parquet(path)
