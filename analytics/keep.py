"""Keeping facts: which days have them, and which must be derived again because an input changed."""

from __future__ import annotations

import hashlib
from collections import deque
from collections.abc import Collection, Iterable, Mapping
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from datetime import date, timedelta

import polars as pl

from analytics import sums
from analytics.cell import Cell
from analytics.clocks.align import AROUND_US, handed_on_clocks
from analytics.facts import VERSION, Day, Known, know, tell
from analytics.plant import PlantFile
from ingest.events import SCHEMA, empty
from ingest.progress import Progress, silent
from ingest.store import Store

LONGEST_GAP = timedelta(days=31)
"""Days without a record belong to the book, as days without data, unless so many follow one another: then a clock was
wrong, or nobody kept logs."""
UNFINISHED = 2
"""Days that are finished at the same time; each needs some 200 MB."""


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

    A day is derived anew when its events, those of a neighbouring day within AROUND_US, the plant or cell file, what
    the day before hands on, or VERSION changed. Stopped at any moment, the days that are done stay.
    """
    days = book_days(store.days(cell.name))
    prints = {day: store.fingerprint(cell.name, day) for day in store.days(cell.name)}
    model = model_key(plant, cell)
    anew: list[date] = []
    before: date | None = None
    handed_on = ""  # hash of what the day before hands on; kept behind the key, so that nothing need be read to compare
    last: Known | None = None  # the day before, when it was derived just now
    # One thread reads the next day and others finish the days before, while here a day is put in order.
    with ThreadPoolExecutor(1) as aside, ThreadPoolExecutor(UNFINISHED) as behind:
        read = _Reader(store, cell.name, list(prints), aside)
        unfinished: deque[Future[None]] = deque()
        for n, day in enumerate(days):
            progress(f"facts {cell.name}", n, len(days))
            key = day_key(model, day, before, handed_on, prints)
            kept_key, kept_hash, kept_content = f"{store.facts_key(cell.name, day) or ''}::".split(":")[:3]
            if kept_key == key:
                last = None
            else:
                start_us, end_us = plant.day_bounds(day)
                since_us = plant.day_bounds(before)[1] if before else start_us
                carried = _carried(last.carry if last else _kept(store, cell.name, before, "carry"))
                clocks = last.clocks if last else _kept(store, cell.name, before, "clocks")
                events = read.around(day, start_us, end_us)
                content = _digest(model, str(day), str(before), handed_on, _hash_of_all(events))
                if kept_content == content:  # what has changed is out of this day's reach
                    store.rekey_facts(cell.name, day, f"{key}:{kept_hash}:{content}")
                    before, handed_on, last = day, kept_hash, None
                    continue
                last = know(plant, cell, Day(start_us, end_us, since_us, carried, events, clocks))
                del events, carried
                kept_hash = _digest(_hash(last.carry), _hash(handed_on_clocks(last.clocks, end_us)))
                if len(unfinished) == UNFINISHED:
                    unfinished.popleft().result()
                unfinished.append(behind.submit(_finish, plant, cell, store, day, last, f"{key}:{kept_hash}:{content}"))
                anew.append(day)
            before, handed_on = day, kept_hash
        for rest in unfinished:
            rest.result()
    progress(f"facts {cell.name}", len(days), len(days))
    return anew


def _finish(plant: PlantFile, cell: Cell, store: Store, day: date, known: Known, key: str) -> None:
    """Derive the rest of a day and keep it as a whole."""
    tables = tell(plant, cell, known)
    summed = sums.day_sums(tables, sums.grains(plant, cell.name, day))
    store.write_facts(cell.name, day, key, {**tables, sums.NAME: summed})


def day_key(model: str, day: date, before: date | None, handed_on: str, prints: Mapping[date, str]) -> str:
    """Return what the facts of a day depend on, as a hash: they are kept as long as it stays the same.

    `model` is that of model_key, `before` the day before in the book and `handed_on` the hash of what it hands on;
    `prints` are the fingerprints of the days with events.
    """
    near = [day - timedelta(days=1), day, day + timedelta(days=1)]
    return _digest(model, str(day), str(before), handed_on, *(prints.get(d, "-") for d in near))


def model_key(plant: PlantFile, cell: Cell) -> str:
    """Return a hash of what the facts of all days depend on: the plant and cell file, and how facts are derived."""
    return _digest(plant.model_dump_json(), cell.model_dump_json(), VERSION, sums.VERSION)


class _Reader:
    """Reads each day of a cell once, though the days beside it need it, too; the next one is read ahead."""

    def __init__(self, store: Store, cell: str, days: Collection[date], aside: Executor) -> None:
        self._store, self._cell, self._days, self._aside = store, cell, days, aside
        self._read: dict[date, Future[pl.DataFrame]] = {}

    def around(self, day: date, start_us: int, end_us: int) -> pl.DataFrame:
        """Return the events of a day and AROUND_US beyond its edges."""
        # Stored times are those of the sources; what their clocks are worth is told by what they say around the day.
        near = [d for d in (day + timedelta(days=n) for n in (-1, 0, 1, 2)) if d in self._days]
        self._read = {d: self._read.get(d) or self._aside.submit(self._store.events, self._cell, [d]) for d in near}
        ts = pl.col("ts_source").cast(pl.Int64)
        reach = (ts >= start_us - AROUND_US) & (ts < end_us + AROUND_US)
        used = [d for d in near if d <= day + timedelta(days=1)]
        return pl.concat([empty(), *(self._read[d].result().filter(reach) for d in used)])


def _kept(store: Store, cell: str, day: date | None, table: str) -> pl.DataFrame | None:
    return store.read_facts(cell, [day], table) if day else None


def _carried(kept: pl.DataFrame | None) -> pl.DataFrame:
    schema = {**SCHEMA, "ts": pl.Int64()}
    return pl.DataFrame(schema=schema) if kept is None else kept.select(*schema).cast(schema)  # type: ignore[arg-type]


def _hash(frame: pl.DataFrame) -> str:
    # Where a record stands in which file does not matter to what it says.
    return _hash_of_all(frame.drop("file", "line", strict=False))


def _hash_of_all(frame: pl.DataFrame) -> str:
    rows = frame.hash_rows(seed=0).sort()
    return hashlib.sha256(rows.to_numpy().tobytes()).hexdigest()


def _digest(*words: str) -> str:
    return hashlib.sha256("|".join(words).encode()).hexdigest()
