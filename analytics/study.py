"""What every analysis of a cell returns, and how it reaches the kept facts."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field

import duckdb
import polars as pl

from analytics.account import Window
from analytics.book import Plant


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
    with plant.tables(cell, plant.days_between(cell, first, last) or [first], frames) as con:
        yield con
