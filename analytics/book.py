"""The open plant: its files, its store and its facts as DuckDB views. Where every question starts."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date
from functools import cached_property
from importlib.resources import files
from pathlib import Path
from typing import Any

import duckdb
import polars as pl

from analytics import facts, sums
from analytics.cell import Cell, read_cell
from analytics.keep import book_days, build
from analytics.plant import PlantFile, read_plant_file
from ingest.errors import InputError, suggest
from ingest.progress import Progress, silent
from ingest.store import Store


@dataclass(frozen=True)
class Plant:
    """A plant folder that is open: plant.toml is read and valid; cells are read when they are asked for."""

    folder: Path
    file: PlantFile

    @cached_property
    def store(self) -> Store:
        """The store as it was when first asked for; a later load does not disturb its reader."""
        return Store.open(self.folder / "store")

    def cell(self, name: str) -> Cell:
        """Return the model of a cell.

        Raises InputError for a name that is not in the plant, ConfigError for a bad file.
        """
        if name not in self.file.cells:
            raise InputError(
                "this cell is not in the plant",
                where="--cell",
                found=name,
                allowed=", ".join(self.file.cells),
                fix=suggest(name, self.file.cells) or "use one of the allowed names",
            )
        cell = read_cell(self.folder / "cells" / f"{name}.toml", f"cells/{name}.toml")
        if cell.name != name:
            raise InputError(
                "the cell's name differs from that of its file",
                where=f"cells/{name}.toml  name",
                found=cell.name,
                allowed=name,
            )
        return cell

    def days(self, cell: str) -> list[date]:
        """Production days of a cell's book: those with events, and those between them on which nothing was recorded."""
        return book_days(self.store.days(cell))

    def days_between(self, cell: str, first: date, last: date) -> list[date]:
        """Days of the cell's book from first to last."""
        return [d for d in self.days(cell) if first <= d <= last]

    def build(self, cell: str, progress: Progress = silent) -> list[date]:
        """Bring the facts of a cell up to date; returns the days rebuilt."""
        return build(self.file, self.cell(cell), self.store, progress)

    def fact(self, cell: str, table: str, days: list[date] | None = None) -> pl.DataFrame:
        """Read a fact table of a cell as a frame (see analytics.facts.TABLES)."""
        with self.tables(cell, self.days(cell) if days is None else days) as con:
            frame: pl.DataFrame = con.sql(f"select * from {table}").pl()
        return frame

    @contextmanager
    def tables(
        self, cell: str, days: list[date], frames: Mapping[str, pl.DataFrame] | None = None
    ) -> Iterator[duckdb.DuckDBPyConnection]:
        """Open DuckDB in memory with a view per fact table of these days, and the given frames beside them."""
        have = self._known_days(cell, days)
        con = duckdb.connect()
        try:
            con.execute("set timezone = 'UTC'")
            for table in facts.TABLES:
                con.execute(f'create view "{table}" as select * from {self._files(cell, have, table)}')
            for name, frame in (frames or {}).items():
                con.register(name, frame.to_arrow())
            yield con
        finally:
            con.close()

    @contextmanager
    def sums(
        self, cell: str, days: list[date], lanes: list[str], cuts: Iterable[int], frames: Mapping[str, pl.DataFrame]
    ) -> Iterator[duckdb.DuckDBPyConnection]:
        """Open DuckDB like `tables`, with views of what accounts of some lanes ask for (see analytics.sums.SUMMED).

        Days between whose grains none of the windows' ends (`cuts`) lies come from their kept sums.
        """
        ends = sorted(set(cuts))
        have = self._known_days(cell, days)
        whole = [d for d in have if sums.fits(self.file, cell, d, ends)]
        kept = self.store.read_facts(cell, whole, sums.NAME, sums.of_lanes(lanes))
        tables = sums.split(pl.DataFrame(schema=sums.SCHEMA) if kept is None else kept)
        rest = sorted({*have} - {*whole})
        con = duckdb.connect()
        try:
            con.execute("set timezone = 'UTC'")
            for name, frame in frames.items():
                con.register(name, frame.to_arrow())
            for table, frame in tables.items():
                con.register(f"sums_of_{table}", frame.to_arrow())
                text = f'create view "{table}" as select * from "sums_of_{table}"'
                if rest:
                    columns = ", ".join("1::bigint as n" if c == "n" else f'"{c}"' for c in frame.columns)
                    text += f" union all select {columns} from {self._files(cell, rest, table)}"
                con.execute(text)
            yield con
        finally:
            con.close()

    def _known_days(self, cell: str, days: list[date]) -> list[date]:
        """Those of the days that are in the cell's book. Raises InputError when none is."""
        wanted = set(days)
        known = self.days(cell)
        have = [d for d in known if d in wanted]
        if not have:
            raise InputError(
                f"there are no events of cell {cell} in this period",
                found=f"{min(days)} to {max(days)}" if days else "no day",
                allowed=f"{known[0]} to {known[-1]}" if known else "the store holds nothing of this cell yet",
                fix="choose another day" if known else "load logs first:  taktbook ingest",
            )
        return have

    def _files(self, cell: str, days: list[date], table: str) -> str:
        paths = [self.store.fact_path(cell, d, table).as_posix() for d in days]
        listed = ", ".join("'" + p.replace("'", "''") + "'" for p in paths)
        return f"read_parquet([{listed}], union_by_name = true)"


def open_plant(folder: Path | str) -> Plant:
    """Open a plant folder. Raises ConfigError when plant.toml is missing or wrong."""
    folder = Path(folder)
    return Plant(folder, read_plant_file(folder))


PIECE = 100_000
"""Rows that are handed on at a time."""


def query(con: duckdb.DuckDBPyConnection, name: str, **values: Any) -> pl.DataFrame:
    """Run one of the queries in analytics/sql by its name, with bound values."""
    frame = pl.from_arrow(con.sql(_text(name), params=values).to_arrow_table())
    assert isinstance(frame, pl.DataFrame)
    return frame


def query_in_pieces(con: duckdb.DuckDBPyConnection, name: str, **values: Any) -> Iterator[pl.DataFrame]:
    """Run one of the queries in pieces of PIECE rows; one at least, which may be empty."""
    reader = con.sql(_text(name), params=values).to_arrow_reader(PIECE)
    none = pl.from_arrow(reader.schema.empty_table())
    assert isinstance(none, pl.DataFrame)
    yield none
    for batch in reader:
        frame = pl.from_arrow(batch)
        assert isinstance(frame, pl.DataFrame)
        yield frame


def _text(name: str) -> str:
    return (files("analytics") / "sql" / f"{name}.sql").read_text(encoding="utf-8")
