"""What all sources said around an instant: the way from a figure back to log lines."""

from __future__ import annotations

from datetime import timedelta

import polars as pl

from analytics.account import Window
from analytics.book import Plant
from analytics.clocks.align import align
from analytics.clocks.doubled import resolve_by_links
from analytics.prepare import prepare, resolve_doubled_hour


def evidence(plant: Plant, cell: str, window: Window, station: str | None = None) -> pl.DataFrame:
    """Return the events of a window from all sources on one clock, in order.

    Returns  ts (UTC microseconds), source, station, nest, kind, state, step, part, result, cause, code, text, value,
             file, line. With
             `station`: what that station, the cell as a whole, or a neighbour involved with it said.
    """
    first, last = plant.file.production_day(window.from_us), plant.file.production_day(window.to_us - 1)
    near = plant.days_between(cell, first - timedelta(days=1), last + timedelta(days=1))
    plant.build(cell)
    clocks = plant.store.read_facts(cell, near, "clocks")
    said = resolve_by_links(resolve_doubled_hour(plant.store.events(cell, near)), plant.cell(cell))
    if clocks is not None:
        said = align(said, clocks.unique(["source", "from_us"], keep="first", maintain_order=True))
    said = said.filter((pl.col("ts") >= window.from_us) & (pl.col("ts") < window.to_us))
    events = prepare(said, plant.cell(cell))
    events = events.filter((pl.col("ts") >= window.from_us) & (pl.col("ts") < window.to_us))
    if station is not None:
        events = events.filter((pl.col("station") == station) | pl.col("station").is_null() | (pl.col("at") == station))
    return events.select(
        "ts",
        "source",
        "station",
        "nest",
        "at",
        "kind",
        "state",
        "step",
        "part",
        "result",
        "cause",
        "code",
        "text",
        "value",
        "file",
        "line",
    )
