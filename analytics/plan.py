"""The plan: which time of a lane is planned busy time, which is a planned stop, which is not planned at all."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, timedelta

import polars as pl

from analytics.cell import CELL, Cell
from analytics.intervals import tile
from analytics.plant import DAYS, Break, PlantFile, Shift, to_us

BUSY, PLANNED_STOP, NOT_PLANNED = "busy", "planned_stop", "not_planned"


@dataclass(frozen=True, slots=True)
class ShiftSpan:
    """One shift as it takes place: UTC microseconds, half-open."""

    name: str
    day: date
    start_us: int
    end_us: int
    breaks: tuple[tuple[int, int, Break], ...]


@dataclass(frozen=True, slots=True)
class Stop:
    """A planned stop from the plan or from the host's events; station None: the whole cell."""

    start_us: int
    end_us: int
    station: str | None
    cause: str


def shift_spans(plant: PlantFile, cell: str, first: date, last: date) -> list[ShiftSpan]:
    """Return the shifts of a cell that start on the days first … last, in order of time."""
    days = [first + timedelta(days=n) for n in range((last - first).days + 1)]
    spans = [_on(plant, cell, shift, day) for day in days for shift in plant.shifts]
    return sorted((s for s in spans if s), key=lambda s: s.start_us)


def _on(plant: PlantFile, cell: str, shift: Shift, day: date) -> ShiftSpan | None:
    of_cell = shift.cells is None or cell in shift.cells
    runs = of_cell and DAYS[day.weekday()] in shift.days
    start, end, breaks = shift.start, shift.end, shift.breaks
    for odd in plant.exceptions:
        applies = of_cell if odd.cells is None else cell in odd.cells
        if applies and odd.date == day and odd.shift == shift.name:
            runs = not odd.off
            start, end = odd.start or start, odd.end or end
            breaks = breaks if odd.breaks is None else odd.breaks
    if not runs:
        return None

    # A wall time before the start of the production day belongs to the next calendar day.
    base = day if start >= plant.day_start else day + timedelta(days=1)
    start_us = plant.instant(base, start)
    end_us = plant.instant(base if end > start else base + timedelta(days=1), end)
    pauses = []
    for pause in breaks:
        pause_day = base if pause.start >= start else base + timedelta(days=1)
        a = plant.instant(pause_day, pause.start)
        b = plant.instant(pause_day if pause.end > pause.start else pause_day + timedelta(days=1), pause.end)
        pauses.append((a, b, pause))
    return ShiftSpan(shift.name, day, start_us, end_us, tuple(pauses))


def stops_of_plant(plant: PlantFile, cell: str) -> list[Stop]:
    """Return the planned stops that plant.toml lists for a cell."""
    return [
        Stop(to_us(s.start.replace(tzinfo=plant.tz)), to_us(s.end.replace(tzinfo=plant.tz)), s.station, s.cause)
        for s in plant.planned_stops
        if s.cell == cell
    ]


def plan(
    plant: PlantFile,
    cell: Cell,
    start_us: int,
    end_us: int,
    stops: Iterable[Stop] = (),
    hand_fed: Iterable[tuple[int, int]] = (),
) -> pl.DataFrame:
    """Tile [start_us, end_us) of every lane, and of the cell itself (lane CELL), with its plan.

    `stops` come from events besides those of plant.toml; `hand_fed` are the times in which a hand-fed product runs:
    only then are breaks marked `only = "hand_fed"` planned stops.
    Returns lane, start_us, end_us, plan (busy, planned_stop, not_planned), plan_cause, shift, shift_day.
    """
    first = plant.production_day(start_us) - timedelta(days=1)
    spans = shift_spans(plant, cell.name, first, plant.production_day(end_us) + timedelta(days=1))
    hand = list(hand_fed)
    rows: list[tuple[str | None, int, int, int, str, str | None, str, date]] = []
    for span in spans:
        rows.append((None, span.start_us, span.end_us, 2, BUSY, None, span.name, span.day))
        for a, b, pause in span.breaks:
            for x, y in [(a, b)] if pause.only is None else [(max(a, s), min(b, e)) for s, e in hand]:
                rows.append((None, x, y, 1, PLANNED_STOP, pause.name, span.name, span.day))
        for stop in [*stops_of_plant(plant, cell.name), *stops]:
            x, y = max(stop.start_us, span.start_us), min(stop.end_us, span.end_us)
            rows.append((stop.station, x, y, 0, PLANNED_STOP, stop.cause, span.name, span.day))
    claims = pl.DataFrame(
        [r for r in rows if r[1] < r[2]],
        schema={
            "station": pl.String,
            "start_us": pl.Int64,
            "end_us": pl.Int64,
            "level": pl.Int64,
            "plan": pl.String,
            "plan_cause": pl.String,
            "shift": pl.String,
            "shift_day": pl.Date,
        },
        orient="row",
    )
    lanes = pl.concat([cell.lanes(), pl.DataFrame({"lane": [CELL]})], how="diagonal")
    claims = pl.concat(
        [
            claims.filter(pl.col("station").is_null()).drop("station").join(lanes.select("lane"), how="cross"),
            claims.join(lanes.select("lane", "station"), on="station").drop("station"),
        ],
        how="diagonal",
    )
    return tile(claims, lanes, start_us, end_us).drop("level").with_columns(pl.col("plan").fill_null(NOT_PLANNED))
