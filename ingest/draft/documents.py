"""Files that are no lines of text: which kind they are, and the tables in them."""

from __future__ import annotations

import codecs
import re
import sqlite3
from collections.abc import Sequence
from contextlib import closing
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import Final

import polars as pl

from ingest.draft.sample import FILE, LINE, PART, WHERE
from ingest.draft.shares import share_of
from ingest.draft.sniff import Reading
from ingest.draft.times import DATE
from ingest.errors import InputError
from ingest.formats import BY_NAME
from ingest.raw import RawFile

ROWS: Final = 5_000
HEADER_ROWS: Final = 6  # of a spreadsheet: the names of the columns stand in one of them
_CONTROL: Final = re.compile(rb"[\x01-\x08\x0e-\x19\x1c-\x1f]")


@dataclass(frozen=True, slots=True)
class Table:
    """A table of a document; its name is "" where there is only one."""

    name: str
    reading: Reading


def recognise(path: Path, head: bytes) -> str | None:
    """Return the format of a document by its first bytes; None for lines of text.

    Raises InputError for a kind of document that no format reads.
    """
    start = head[:4096].removeprefix(codecs.BOM_UTF8).lstrip()
    kind = None
    if head.startswith(b"SQLite format 3\0"):
        kind = "sqlite"
    elif head.startswith((b"PAR1", b"ARROW1")):
        kind = "parquet"
    elif (
        head.startswith(b"PK\x03\x04") and (b"xl/" in head or b"[Content_Types]" in head or b"spreadsheet" in head)
    ) or (head.startswith(b"\xd0\xcf\x11\xe0")):
        kind = "spreadsheet"
    elif start.startswith(b"<") and not re.match(rb"<[0-9]{1,3}>", start):
        if b"MTConnectStreams" in start:
            kind = "mtconnect"
        elif re.search(rb"<log[\s>]", start) or b"xes" in start[:500].lower():
            kind = "xes"
        elif start.startswith((b"<?xml", b"<!")):
            raise InputError(
                "This is XML of a kind that no format "
                "reads.", where=path.as_posix(), found=repr(start[:60].decode("utf-8", "replace")),
                fix="MTConnect streams and XES can be read; have the machine write lines of text, CSV or JSON "
                    "lines instead.",
            )  # fmt: skip
    elif start.startswith(b"{") and re.search(rb'"(?:objectTypes|eventTypes|ocel:events)"', head):
        kind = "ocel"
    if kind is not None and kind not in BY_NAME:
        raise InputError(
            f"This is a file of the kind {kind}, which no format reads.", where=path.as_posix(), fix="Write it as CSV."
        )
    return kind


def refuse_binary(path: Path, head: bytes) -> None:
    """Raise InputError for what is no text."""
    some = head[:4096]
    if some.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return
    halves = [some[n::2].count(0) / max(len(some[n::2]), 1) for n in (0, 1)]
    if min(halves) < 0.1 < 0.4 < max(halves):
        return
    if _CONTROL.search(some) or not some.strip(b"\0") or some.count(0) > 0.1 * len(some):
        raise InputError(
            "This is a binary file, not text.", where=path.as_posix(), found=repr(head[:16]),
            fix="Look for a log that is written as text, a table (SQLite, Parquet, spreadsheet), or have the "
                "machine export one.",
        )  # fmt: skip
    if len(head) >= 1 << 16 and b"\n" not in head and b"\r" not in head:
        raise InputError(
            "The first line has no end within 64 KiB, so this is no log of lines.", where=path.as_posix(),
            found=repr(head[:60].decode("utf-8", "replace")), fix="Have the machine write one record per line.",
        )  # fmt: skip


def read(kind: str, paths: Sequence[Path]) -> list[Table]:
    """Read the first rows of the tables in some documents of one kind."""
    if kind == "sqlite":
        return [_table(name, kind, {"tables": [name]}, paths[:1]) for name in _sqlite_tables(paths[0])]
    if kind == "spreadsheet":
        return [_sheet(paths)]
    return [_table("", kind, {}, paths)]


def _sheet(paths: Sequence[Path]) -> Table:
    """Find the row that names the columns of a sheet, and columns of days that are written once for several rows."""
    best: Table | None = None
    for header in range(1, HEADER_ROWS + 1):
        try:
            table = _table("", "spreadsheet", {"header": header} if header > 1 else {}, paths)
        except InputError:
            if header == 1:
                raise
            break
        except pl.exceptions.PolarsError:  # the sheet has no rows below this one
            break
        fields = [f for f in table.reading.fields if not re.fullmatch(r"[-0-9.,: ]*", f)]
        if best is None or len(fields) > len(best.reading.fields):
            best = table
    if best is None:
        raise InputError(
            "The sheet has no rows.", where=paths[0].as_posix(), fix="Name a workbook with some records in it."
        )
    frame, read = best.reading.frame, best.reading.read
    days = [f for f in best.reading.fields if 0 < frame[f].null_count() < frame.height and _days(frame[f])]
    if not days:
        return best
    found = _table("", "spreadsheet", {**read, "fill_down": days}, paths)
    found.reading.notes["fill_down"] = "empty cells count as the cell above"
    return found


def _days(words: pl.Series) -> bool:
    return share_of(words.drop_nulls().str.contains(f"^{DATE}$")) > 0.8


def _sqlite_tables(path: Path) -> list[str]:
    try:
        with closing(sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True)) as connection:
            rows = connection.execute("select name from sqlite_master where type in ('table', 'view') order by rowid")
            return [str(row[0]) for row in rows if not str(row[0]).startswith("sqlite_")]
    except sqlite3.Error as err:
        raise InputError(f"The SQLite file cannot be read: {err}", where=path.as_posix(), fix="Copy it again.") from err


def _table(name: str, kind: str, read_options: dict[str, object], paths: Sequence[Path]) -> Table:
    module = BY_NAME[kind]
    options = module.Options(**read_options)
    frames = []
    for n, path in enumerate(paths[:3]):
        for block in islice(module.blocks(RawFile(path, path.as_posix()), options), 1):
            if block.frame is None:
                continue
            names = [c for c in block.frame.columns if not c.startswith("\x00") and c != LINE]
            rows = module.parser(options, names, {}, block, path.name)(block).frame.head(ROWS)
            rows = rows.with_columns(pl.col(names).cast(pl.String, strict=False))
            frames.append(rows.with_columns(pl.lit(n).alias(FILE), pl.lit(0).alias(PART)))
    frame = (
        pl.concat(frames, how="diagonal_relaxed")
        if frames
        else pl.DataFrame(schema={FILE: pl.Int32, PART: pl.Int32, LINE: pl.Int64})
    )
    fields = [c for c in frame.columns if c not in WHERE]
    filled = [f for f in fields if frame[f].null_count() < frame.height]
    return Table(
        name,
        Reading(kind, dict(read_options), frame.select(*WHERE, *filled), frame.height, 1.0, filled),
    )


def no_time(path: Path, tables: Sequence[Table]) -> InputError:
    """Return the error for a document without a time."""
    found = (
        "; ".join(f"{t.name or 'columns'}: {', '.join(t.reading.fields) or 'no rows'}" for t in tables) or "no table"
    )
    return InputError(
        "No table in this file has rows with a time, so they cannot become "
        "events.", where=path.as_posix(), found=found[:400],
        fix="Each record needs a date and a clock time in a form that 'Times' in ingest/README.md lists.",
    )  # fmt: skip
