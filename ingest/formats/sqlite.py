"""Tables of an SQLite file, such as a host keeps: each row is a record, each column a field."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import closing
from typing import Final

import polars as pl
from pydantic import BaseModel, ConfigDict, Field

from ingest.errors import InputError, suggest
from ingest.formats.base import Parse, Records, Types, empty_to_null
from ingest.formats.rows import row_texts, taken
from ingest.raw import Block, RawFile

NAME = "sqlite"
LINES = False

SAMPLE = """\
create table orders (order_no text, product text, quantity integer, started_utc text);
insert into orders values ('A17', 'aqua', 250, '2026-10-23 04:00:00.000');
insert into orders values ('A18', 'sand', 120, '2026-10-23 11:20:00.5');
"""

SAMPLE_SOURCE = r"""
cell = "spoon"
format = "sqlite"
files = ["inbox/host/host.sqlite"]

[time]
field = "started_utc"
formats = ["iso8601"]
zone = "UTC"

[read]
tables = ["orders"]

[[rules]]
when = { table = "orders" }
emit = [{ kind = "order_start", order = "{order_no}", product = "{product}", value = "{quantity}" }]
"""

TABLE: Final = "table"  # the field that names the table or query a row comes from
ROWS: Final = 50_000


class Options(BaseModel):
    """`[read]` for SQLite files."""

    model_config = ConfigDict(extra="forbid", strict=True)

    tables: list[str] = Field([], description='tables that are read whole: tables = ["orders"]')
    queries: dict[str, str] = Field(
        {}, description='[read.queries], name = "select …": rows of a query, under a name of yours in the field `table`'
    )


def known_fields(options: Options) -> None:
    """Any column may occur, and `table` says which table or query a row is from."""
    return None


def blocks(file: RawFile, options: Options) -> Iterator[Block]:
    """Yield the rows of all tables and queries, in their order in the source; rows are numbered through.

    Raises InputError when the file is no SQLite file or lacks a table.
    """
    if not file.path.stat().st_size:
        return
    first = 1
    try:
        with closing(sqlite3.connect(f"{file.path.resolve().as_uri()}?mode=ro", uri=True)) as connection:
            connection.text_factory = lambda raw: raw.decode("utf-8", "taktbook_cp1252")
            connection.execute("begin")  # one state of the file for all tables
            for name, query in _queries(connection, file, options):
                for rows in _rows(connection, query):
                    frame = rows.with_columns(pl.lit(name).alias(TABLE))
                    block = Block(b"", first, rows.height, frame=frame)
                    file.bytes_read = file.path.stat().st_size
                    yield block
                    first += rows.height
    except (sqlite3.Error, UnicodeDecodeError) as err:  # a damaged file may hold names that are no text
        raise InputError(
            f"The SQLite file cannot be read: {err}", where=file.shown,
            fix="Check the file, and [read] tables and queries in the source.",
        ) from err  # fmt: skip


def _queries(connection: sqlite3.Connection, file: RawFile, options: Options) -> list[tuple[str, str]]:
    known = [row[0] for row in connection.execute("select name from sqlite_master where type in ('table', 'view')")]
    for table in options.tables:
        if table not in known:
            raise InputError(
                f"There is no table '{table}'.",
                where=file.shown,
                allowed=", ".join(sorted(known)),
                fix=suggest(table, known) or "Correct [read] tables in the source, or check the file.",
            )
    return [(t, f"select * from {_quoted(t)}") for t in options.tables] + list(options.queries.items())


def _quoted(name: str) -> str:
    return '"' + name.replace('"', '""') + '"'


def _rows(connection: sqlite3.Connection, query: str) -> Iterator[pl.DataFrame]:
    """Yield the rows of a query with all columns as text, in batches."""
    names = [column[0] for column in connection.execute(f"select * from ({query}) limit 0").description]
    columns = ", ".join(f"cast({_quoted(name)} as text)" for name in names)
    cursor = connection.execute(f"select {columns} from ({query})")
    schema = dict.fromkeys(names, pl.String)
    while rows := cursor.fetchmany(ROWS):
        yield pl.DataFrame(rows, schema=schema, orient="row")


def parser(options: Options, fields: Sequence[str], typed: Types, head: Block, shown: str) -> Parse:
    """Return the function that takes the columns that the source asks for."""

    def parse(block: Block) -> Records:
        frame = taken(block, fields)
        return Records(empty_to_null(frame), row_texts(frame))

    return parse
