"""Keeping facts: which days have them, and which must be derived again because an input changed."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from datetime import date, timedelta

import polars as pl

from analytics import sums
from analytics.cell import Cell
from analytics.clocks.align import AROUND_US, handed_on_clocks
from analytics.facts import VERSION, Day, derive
from analytics.plant import PlantFile
from ingest.events import SCHEMA
from ingest.progress import Progress, silent
from ingest.store import Store

LONGEST_GAP = timedelta(days=31)
"""Days without a record belong to the book, as days without data, unless so many follow one another: then a clock was
wrong, or nobody kept logs."""


def book_days(recorded: Iterable[date]) -> list[date]:
    """Return the days of a cell's book: those with records, and those between them."""
    days: list[date] = []
    for day in sorted(recorded):
        while days and days[-1] < day - timedelta(days=1) and day - days[-1] <= LONGEST_GAP:
            days.append(days[-1] + timedelta(days=1))
        days.append(day)
    return days


def build(plant: PlantFile, cell: Cell, store: Store, progress: Progress = silent) -> list[date]:
    """Bring the kept facts of a cell up to date; returns the days that were derived anew.

    A day is derived anew when its events, those of a neighbouring day, the plant or cell file, what the day before
    hands on, or VERSION changed. Stopped at any moment, the days that are done stay.
    """
    days = book_days(store.days(cell.name))
    prints = {day: store.fingerprint(cell.name, day) for day in store.days(cell.name)}
    model = _digest(plant.model_dump_json(), cell.model_dump_json(), VERSION, sums.VERSION)
    anew: list[date] = []
    before: date | None = None
    handed_on = ""  # hash of what the day before hands on; kept behind the key, so that nothing need be read to compare
    for n, day in enumerate(days):
        progress(f"facts {cell.name}", n, len(days))
        near = [day - timedelta(days=1), day, day + timedelta(days=1)]
        key = _digest(model, str(day), str(before), handed_on, *(prints.get(d, "-") for d in near))
        kept_key, _, kept_hash = (store.facts_key(cell.name, day) or "").partition(":")
        if kept_key != key:
            start_us, end_us = plant.day_bounds(day)
            since_us = plant.day_bounds(before)[1] if before else start_us
            carried = _carry(store, cell.name, before)
            events = _events(store, cell.name, [d for d in near if d in prints], start_us, end_us)
            clocks = store.read_facts(cell.name, [before], "clocks") if before else None
            tables = derive(plant, cell, Day(start_us, end_us, since_us, carried, events, clocks))
            kept_hash = _digest(_hash(tables["carry"]), _hash(handed_on_clocks(tables["clocks"], end_us)))
            summed = sums.day_sums(tables, sums.grains(plant, cell.name, day))
            store.write_facts(cell.name, day, f"{key}:{kept_hash}", {**tables, sums.NAME: summed})
            anew.append(day)
        before, handed_on = day, kept_hash
    progress(f"facts {cell.name}", len(days), len(days))
    return anew


def _events(store: Store, cell: str, days: list[date], start_us: int, end_us: int) -> pl.DataFrame:
    # Stored times are those of the sources; what their clocks are worth is told by what they say around the day.
    ts = pl.col("ts_source").cast(pl.Int64)
    return store.events(cell, days).filter((ts >= start_us - AROUND_US) & (ts < end_us + AROUND_US))


def _carry(store: Store, cell: str, day: date | None) -> pl.DataFrame:
    kept = store.read_facts(cell, [day], "carry") if day else None
    schema = {**SCHEMA, "ts": pl.Int64()}
    return pl.DataFrame(schema=schema) if kept is None else kept.select(*schema).cast(schema)  # type: ignore[arg-type]


def _hash(frame: pl.DataFrame) -> str:
    # Where a record stands in which file does not matter to what it says.
    rows = frame.drop("file", "line", strict=False).hash_rows(seed=0).sort()
    return hashlib.sha256(rows.to_numpy().tobytes()).hexdigest()


def _digest(*words: str) -> str:
    return hashlib.sha256("|".join(words).encode()).hexdigest()
