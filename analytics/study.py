"""What every analysis of a cell returns, and how it reaches the kept facts."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from datetime import date
from threading import Lock
from typing import Any

import duckdb
import polars as pl

from analytics.account import Window
from analytics.book import Plant, query_in_pieces


@dataclass(frozen=True)
class Study:
    """One analysis: what it found in words, the tables behind it, and what it does not know.

    Columns of the tables carry their units: _us a length of time, _at_us (and start_us, end_us) an instant in UTC
    microseconds, _s, _n, _share.
    """

    name: str
    findings: list[str]  # the first is the finding, with its uncertainty
    tables: dict[str, pl.DataFrame]
    doubts: list[str] = field(default_factory=list)  # what could not be told, and why
    cautions: list[str] = field(default_factory=list)  # words of safety


@contextmanager
def facts_of(
    plant: Plant, cell: str, window: Window, frames: Mapping[str, pl.DataFrame] | None = None
) -> Iterator[duckdb.DuckDBPyConnection]:
    """Open DuckDB with a view per fact table of the window's days (whole days: queries cut at from_us, to_us).

    Brings the facts up to date first. Raises InputError for a period without events.
    """
    plant.build(cell)
    first, last = plant.file.production_day(window.from_us), plant.file.production_day(window.to_us - 1)
    days = plant.days_between(cell, first, last) or [first]
    if frames:
        with plant.tables(cell, days, frames) as con:
            yield con
        return
    con = _views_of(plant, cell, days)
    try:
        yield con
    finally:
        con.close()


def facts_key(plant: Plant, cell: str, days: list[date]) -> tuple[object, ...]:
    """Return what the facts of some days are known by: another key when any of them was derived anew.

    The name of a file is part of it: facts that were removed and derived again have the same key in other files.
    """
    known = plant.days_between(cell, min(days), max(days)) if days else []
    files = ((day, plant.store.facts_key(cell, day), plant.store.fact_path(cell, day, "plan").name) for day in known)
    return plant.folder.resolve(), cell, *files


_OPEN: dict[tuple[object, ...], tuple[duckdb.DuckDBPyConnection, ExitStack]] = {}
_LOCK = Lock()


def _views_of(plant: Plant, cell: str, days: list[date]) -> duckdb.DuckDBPyConnection:
    """Return a connection of its own to the views of some days, which stay open for who asks for the same days next.

    Making the views looks into every file of every day: for a month a tenth of a second, more than many queries take.
    """
    with _LOCK:
        key = facts_key(plant, cell, days)
        if key not in _OPEN:
            for _, stack in _OPEN.values():
                stack.close()  # connections that were handed out stay open until they are closed
            _OPEN.clear()
            with ExitStack() as opening:
                views = opening.enter_context(plant.tables(cell, days))
                views.execute("set enable_external_file_cache = false")  # it would keep what was read of all files
                _OPEN[key] = views, opening.pop_all()
        con = _OPEN[key][0].cursor()
    con.execute("set timezone = 'UTC'")
    return con


class Names:
    """Reads long tables with their names as numbers: columns of words come as Categorical, which sorts as words do.

    A column of one name has the same numbers in all tables that one reader reads, so they can be joined. A month of a
    cell has millions of rows and few names: as words they take most of the memory, and most of the time to group by.
    """

    def __init__(self) -> None:
        self._types: dict[str, pl.Categorical] = {}

    def read(self, con: duckdb.DuckDBPyConnection, name: str, **values: Any) -> pl.DataFrame:
        """Run one of the queries in analytics/sql by its name, with bound values."""
        pieces = [
            piece.with_columns(pl.col(c).cast(self.type_of(c)) for c, t in piece.schema.items() if t == pl.String)
            for piece in query_in_pieces(con, name, **values)
        ]
        return pl.concat(pieces, rechunk=True)

    def type_of(self, column: str) -> pl.Categorical:
        """Return the type of a column of names."""
        if column not in self._types:
            # Categories of their own, so that they go when the frames do.
            self._types[column] = pl.Categorical(pl.Categories.random())
        return self._types[column]
