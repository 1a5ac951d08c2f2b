"""The stops of a window, with their causes and the log lines they rest on."""

from __future__ import annotations

import polars as pl

from analytics.account import Window, _lanes
from analytics.book import Plant, query


def stops(
    plant: Plant,
    cell: str,
    window: Window,
    *,
    station: str | None = None,
    line: str | None = None,
    cause: str | None = None,
) -> pl.DataFrame:
    """List the stops of a cell that overlap a window, in order of time.

    Returns  station, nest, lane, start_us, end_us, us (whole length), busy_us (planned busy time within the window),
             line, cause, text, alarm (bool: an alarm or a state names it; else only the length of its cycle does),
             said (a person's reason), blamed, product, log_file, log_line, log_end_file, log_end_line.
    Raises   InputError for a name that does not exist or a period without events.
    """
    _lanes(plant.cell(cell), station)
    plant.build(cell)
    first, last = plant.file.production_day(window.from_us), plant.file.production_day(window.to_us - 1)
    days = plant.days_between(cell, first, last)
    with plant.tables(cell, days or [first]) as con:
        return query(
            con, "stop_list", from_us=window.from_us, to_us=window.to_us, station=station, line=line, cause=cause
        )
