"""Times between failures and times down, per station and per cause, with chi-square bounds (MTBF, MTTR, MDT)."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import polars as pl

from analytics.statistics.reliability import MeanTime, mean_time
from analytics.studies.repairs.exposure import NEVER, Exposure
from analytics.studies.repairs.failures import ALARMED, BREAKDOWNS, of_kind

BOUNDS = {"_us": pl.Int64, "_low_us": pl.Int64, "_high_us": pl.Int64}


def _three(name: str) -> dict[str, Any]:
    return {f"{name}{end}": dtype for end, dtype in BOUNDS.items()}


UP = {"station": pl.String, "failures": pl.String, "failures_n": pl.Int64, "working_us": pl.Int64, **_three("mtbf")}
DOWN = {
    "station": pl.String,
    "failures": pl.String,
    "failures_n": pl.Int64,
    "open_n": pl.Int64,  # end not seen in the window: their time counts, their end does not
    **_three("mttr"),
    **_three("mdt"),
    "mut_us": pl.Int64,  # mean up time: planned time less down time, per failure
    "availability_share": pl.Float64,
}
CAUSE = {"station": pl.String, "cause": pl.String, "text": pl.String, "failures_n": pl.Int64, "breakdowns_n": pl.Int64,
         "down_us": pl.Int64, **_three("mtbf"), **_three("mttr")}  # fmt: skip


def between(rows: pl.DataFrame, clocks: Exposure, stations: Sequence[str]) -> pl.DataFrame:
    """Mean time between failures by the time that the station worked: UP, one row per station and kind of failure.

    Without a failure mtbf_low_us is the one-sided 95 % bound, and there is neither a mean nor an upper bound.
    """
    found: list[dict[str, Any]] = []
    for station in stations:
        works = clocks.works.get(station, NEVER).total_us
        for kind in (BREAKDOWNS, ALARMED):
            n = of_kind(rows.filter(pl.col("station") == station), kind).height
            found.append(
                {"station": station, "failures": kind, "failures_n": n, "working_us": works}
                | _told("mtbf", mean_time(works, n))
            )
    return pl.DataFrame(found, schema=UP)


def down(rows: pl.DataFrame, clocks: Exposure, stations: Sequence[str]) -> pl.DataFrame:
    """Mean times to repair and down: DOWN, one row per station and kind with a failure.

    Both count planned busy time. Repair: from the start of the stop to its end. Down: until the station worked, or
    could have. A failure whose end was not seen adds its time and no end.
    """
    found: list[dict[str, Any]] = []
    for station in stations:
        own = rows.filter(pl.col("station") == station)
        planned = clocks.planned.get(station, NEVER).total_us
        for kind in (BREAKDOWNS, ALARMED):
            some = of_kind(own, kind)
            if some.is_empty():
                continue
            found.append(
                {"station": station, "failures": kind, "failures_n": some.height, "open_n": int(some["open"].sum())}
                | _told("mttr", _mean(some["repair_us"], some["open"]))
                | _told("mdt", _mean(some["down_us"], some["back_us"].is_null()))
                | up_and_down(planned, int(some["out_us"].sum()), some.height)
            )
    return pl.DataFrame(found, schema=DOWN)


def by_cause(rows: pl.DataFrame, clocks: Exposure) -> pl.DataFrame:
    """Failures of both kinds per station and cause, most time down first: CAUSE."""
    found: list[dict[str, Any]] = []
    for (station, cause), some in rows.group_by("station", "cause", maintain_order=True):
        works = clocks.works.get(str(station), NEVER).total_us
        found.append(
            {"station": station, "cause": cause, "text": some["text"].drop_nulls().first(), "failures_n": some.height,
             "breakdowns_n": of_kind(some, BREAKDOWNS).height, "down_us": int(some["down_us"].sum())}
            | _told("mtbf", mean_time(works, some.height))
            | _told("mttr", _mean(some["repair_us"], some["open"]))
        )  # fmt: skip
    return pl.DataFrame(found, schema=CAUSE).sort("down_us", "station", "cause", descending=[True, False, False])


def up_and_down(planned_us: int, down_us: int, failures_n: int) -> dict[str, Any]:
    """Mean up time and availability (IEC 60050-192) of a time in which a station was down for a while."""
    up = planned_us - down_us
    if planned_us <= 0 or up < 0:
        return {"mut_us": None, "availability_share": None}
    return {"mut_us": round(up / failures_n) if failures_n else None, "availability_share": up / planned_us}


def timed(rows: pl.DataFrame, clocks: Exposure, to_us: int) -> pl.DataFrame:
    """Add to failures by the planned time of their station: repair_us, down_us, out_us; and worked_us before them.

    out_us: like down_us, but what two failures share counts for the first alone.
    """
    parts = []
    for (station,), own in rows.group_by("station", maintain_order=True):
        planned, works = clocks.planned.get(str(station), NEVER), clocks.works.get(str(station), NEVER)
        begin, end = own["start_us"].to_numpy(), own["end_us"].to_numpy()
        back = own["back_us"].fill_null(to_us).to_numpy()
        reached = np.maximum.accumulate(np.concatenate([[np.iinfo(np.int64).min], back]))[:-1]
        parts.append(
            own.with_columns(
                repair_us=pl.Series(planned.at(end) - planned.at(begin), dtype=pl.Int64),
                down_us=pl.Series(planned.at(back) - planned.at(begin), dtype=pl.Int64),
                out_us=pl.Series(
                    planned.at(back) - planned.at(np.minimum(np.maximum(begin, reached), back)), dtype=pl.Int64
                ),
                worked_us=pl.Series(works.at(begin), dtype=pl.Int64),
            )
        )
    more: dict[str, Any] = {"repair_us": pl.Int64, "down_us": pl.Int64, "out_us": pl.Int64, "worked_us": pl.Int64}
    empty = pl.DataFrame(schema={**rows.schema, **more})
    return pl.concat([empty, *parts]).sort("start_us", "station", "cause", "log_file", "log_line", nulls_last=True)


def _mean(lengths: pl.Series, unfinished: pl.Series) -> MeanTime:
    return mean_time(float(lengths.sum()), int((~unfinished).sum()), ends_with_event=not unfinished.any())


def _told(name: str, found: MeanTime) -> dict[str, int | None]:
    values = (found.value, found.low, found.high)
    return {f"{name}{end}": None if v is None else round(v) for end, v in zip(BOUNDS, values, strict=True)}
