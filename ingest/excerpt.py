"""A few raw lines of a log around one line: the last step of the way from a figure back to its source."""

from __future__ import annotations

from pathlib import Path

import polars as pl

from ingest.errors import InputError
from ingest.raw import RawFile
from ingest.store import Store

SCHEMA = pl.Schema({"line": pl.Int64(), "text": pl.String()})


def excerpt(plant: Path, file: str, line: int, around: int = 3, encoding: str = "utf-8") -> pl.DataFrame:
    """Read the lines of a log file from `line - around` to `line + around`.

    `file` as events name it: relative to the plant folder, or absolute.
    Returns  line (from 1), text. A row of a database has no text: one line that says which row it is.
    Raises   InputError when the file is no longer there or cannot be read.
    """
    path = plant / Store.open(plant / "store").path_of(file)
    if not path.is_file():
        raise InputError(
            "the log file is no longer where it was loaded from",
            where=file,
            fix="put it back into the inbox to see its lines; the account does not need it",
        )
    with path.open("rb") as head:
        if head.read(16) == b"SQLite format 3\x00":
            return pl.DataFrame([(line, f"row {line} of {path.name}")], schema=SCHEMA, orient="row")
    wanted = pl.col("line").is_between(line - around, line + around)
    found = [pl.DataFrame(schema=SCHEMA)]
    for block in RawFile(path, file, encoding).blocks():
        if block.first > line + around:
            break
        if block.first + block.lines > line - around:
            found.append(block.as_lines().filter(wanted).cast(SCHEMA))
    return pl.concat(found)
