"""Planned and actual output over a window, and to which line of the account the gap between them went."""

from __future__ import annotations

import polars as pl

from analytics.account import Window
from analytics.book import Plant, query
from analytics.lines import LINES

STEP_US = 60_000_000


def output(plant: Plant, cell: str, window: Window, step_us: int = STEP_US) -> pl.DataFrame:
    """Follow the cell's output through a window, in steps of a minute.

    Returns  us (instant), line, parts: parts so far, in long form. `planned` is what planned busy time would have
             given at the planned takt; `good` what came out; each other line what it had cost by then. At every
             instant planned = good + the sum of all other lines.
    """
    plant.build(cell)
    first, last = plant.file.production_day(window.from_us), plant.file.production_day(window.to_us - 1)
    days = plant.days_between(cell, first, last)
    with plant.tables(cell, days or [first]) as con:
        booked = query(con, "output_curve", from_us=window.from_us, to_us=window.to_us, step_us=step_us)
    planned = booked.group_by("us").agg(pl.col("parts").sum()).with_columns(line=pl.lit("planned"))
    order = {line.name: n for n, line in enumerate(LINES)}
    return pl.concat([booked, planned.select(booked.columns)]).sort(
        "us", pl.col("line").replace_strict(order, default=-1, return_dtype=pl.Int64)
    )
