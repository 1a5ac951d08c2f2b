"""Each format's own sample as a file: the formats that are no text are told as text in README and written here."""

from __future__ import annotations

import io
import re
import sqlite3
from contextlib import closing
from datetime import datetime
from datetime import time as clock
from pathlib import Path

import polars as pl
import xlsxwriter

from ingest.formats import Format
from tests.ingest.plants import write


def write_sample(path: Path, module: Format) -> None:
    """Write the sample of a format to a file."""
    path.parent.mkdir(parents=True, exist_ok=True)
    writers = {"sqlite": _sqlite, "parquet": _parquet, "spreadsheet": _spreadsheet}
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


def _spreadsheet(path: Path, sample: str) -> None:
    """Cells that look like dates, times and numbers are such cells; the date counts for the three rows below it."""
    with xlsxwriter.Workbook(path) as book:
        sheet = book.add_worksheet("Stops")
        date, time = (book.add_format({"num_format": form}) for form in ("dd.mm.yyyy", "hh:mm"))
        for row, line in enumerate(sample.splitlines()):
            for column, word in enumerate(line.split(";")):
                if re.fullmatch(r"\d{4}-\d\d-\d\d", word):
                    sheet.merge_range(row, column, row + 2, column, None)
                    sheet.write_datetime(row, column, datetime.fromisoformat(word), date)
                elif re.fullmatch(r"\d+:\d\d", word):
                    hour, minute = map(int, word.split(":"))
                    sheet.write_datetime(row, column, clock(hour, minute), time)
                elif word:
                    sheet.write(row, column, int(word) if word.isdigit() else word)
