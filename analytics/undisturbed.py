"""Cycles and steps with what disturbed them: only an undisturbed one tells how long the work itself takes."""

from __future__ import annotations

from dataclasses import dataclass

import duckdb
import numpy as np
import numpy.typing as npt
import polars as pl

from analytics.book import query
from analytics.pace import judge, local_level
from analytics.plan import BUSY

Ints = npt.NDArray[np.int64]

RUN = "run"
WAITS = ("starved", "blocked", "unexplained")
"""Lines of time in which a lane waits for others: no work, and nothing that makes a cycle unusual."""

FINISHED = ("both", "end_only")
"""How a cycle was paired when its length is known."""


@dataclass(frozen=True)
class Told:
    """What is told about the time of lanes, sorted by lane and time."""

    tiles: pl.DataFrame  # lane, start_us, end_us, line
    plan: pl.DataFrame  # lane, start_us, end_us, plan


def told(con: duckdb.DuckDBPyConnection) -> Told:
    """Read what is told about the lanes' time in the days."""
    return Told(query(con, "lane_tiles"), query(con, "lane_plan"))


def cycles_of(con: duckdb.DuckDBPyConnection, time: Told) -> pl.DataFrame:
    """Read the cycles of the days: the fact table's columns and those of `with_disturbance`."""
    return with_disturbance(query(con, "work_cycles"), time)


def steps_of(con: duckdb.DuckDBPyConnection, time: Told) -> pl.DataFrame:
    """Read the steps of robots: the fact table's columns, product (of the part), and those of `with_disturbance`.

    A step at a station is disturbed by a stop of that station too.
    """
    rows = with_disturbance(query(con, "work_steps"), time)
    there = pl.when(pl.col("nest").is_null()).then("at").otherwise(pl.concat_str("at", "nest", separator="."))
    at = _during(rows.with_columns(there=there), "there", time.tiles, _disturbs())[0]
    return rows.with_columns(disturbed=pl.col("disturbed") | (at > 0).fill_null(False))


def undisturbed(rows: pl.DataFrame) -> pl.DataFrame:
    """Keep the rows whose length is that of the work, as a frame for analytics.pace: it ends when the work ended."""
    finished = pl.col("paired").is_in(FINISHED) if "paired" in rows.columns else pl.lit(True)
    return rows.filter(finished & ~pl.col("disturbed") & (pl.col("net_us") > 0)).with_columns(
        began_us="start_us", start_us=pl.col("end_us") - pl.col("net_us")
    )


def with_disturbance(rows: pl.DataFrame, time: Told) -> pl.DataFrame:
    """Add net_us and disturbed to rows with lane, start_us, end_us.

    Returns  net_us: the length less the waits for others that are logged within it; disturbed: a stop, an alarm,
             missing data or a time that no work belongs to lies within it, or the edge of a planned stop does.
    """
    length = pl.col("end_us") - pl.col("start_us")
    waited, disturbed = _during(rows, "lane", time.tiles, pl.col("line").is_in(WAITS), _disturbs())
    (busy,) = _during(rows, "lane", time.plan, pl.col("plan") == BUSY)
    rows = rows.with_columns(busy_us_=busy)
    crosses = (pl.col("busy_us_") > 0) & (pl.col("busy_us_") < length)
    return rows.with_columns(
        net_us=length - waited.fill_null(0), disturbed=(disturbed.fill_null(0) > 0) | crosses.fill_null(False)
    ).drop("busy_us_")


def _disturbs() -> pl.Expr:
    return ~pl.col("line").is_in([RUN, *WAITS])


def _during(rows: pl.DataFrame, lane: str, tiles: pl.DataFrame, *counts: pl.Expr) -> list[pl.Series]:
    """Microseconds of each row during which the lane's tiles count: the difference of two running sums.

    One series per condition in `counts`; null where nothing is told of the lane at an edge of the row.
    """
    told_ = tiles.select(
        "lane", "start_us", "end_us", *(c.fill_null(False).alias(f"c{n}") for n, c in enumerate(counts))
    )
    of_lane = {str(name): own for (name,), own in told_.partition_by("lane", as_dict=True).items()}
    start, end = rows["start_us"].to_numpy(), rows["end_us"].to_numpy()
    found = np.zeros((len(counts), rows.height), dtype=np.int64)
    known = np.zeros(rows.height, dtype=bool)
    for name in rows[lane].drop_nulls().unique():
        if name not in of_lane:
            continue
        at = np.flatnonzero((rows[lane] == name).fill_null(False).to_numpy())
        own = of_lane[name].sort("start_us", maintain_order=True)
        since, until = own["start_us"].to_numpy(), own["end_us"].to_numpy()
        first, last = (np.searchsorted(since, t[at], side="right") - 1 for t in (start, end))
        known[at] = (first >= 0) & (last >= 0)
        for n in range(len(counts)):
            counted = own[f"c{n}"].to_numpy()
            sums = np.concatenate([[0], np.cumsum(np.where(counted, until - since, 0))])

            def up_to(t: Ints, tile: Ints) -> Ints:
                inside = np.clip(np.minimum(t, until[tile]) - since[tile], 0, None)  # noqa: B023
                return sums[tile] + np.where(counted[tile], inside, 0)  # noqa: B023

            found[n, at] = up_to(end[at], last) - up_to(start[at], first)
    missing = pl.Series(~known)
    return [pl.Series(own).set(missing, None) for own in found]


def work_of(cycles: pl.DataFrame, steps: pl.DataFrame) -> pl.DataFrame:
    """The undisturbed work, judged by analytics.pace: of robots with steps their steps, of others their cycles.

    A robot's cycle is mostly waiting and walking on; where its steps are logged they tell its pace. Columns: those of
    cycles and of steps (step and at null for cycles; planned_us of a step is that of the robot's cycle), began_us,
    net_us, level_us, spread_us, excess_us, fence_us, pace.
    """
    others = cycles.join(steps.select("lane").unique(), on="lane", how="anti", maintain_order="left")
    return judged(others, steps, cycles)


def judged(cycles: pl.DataFrame, steps: pl.DataFrame, planned_by: pl.DataFrame) -> pl.DataFrame:
    """Judge undisturbed cycles and steps together; a step's planned_us is the robot's in the cycles `planned_by`."""
    planned = planned_by.group_by("lane", "product").agg(pl.col("planned_us").max())
    steps = steps.join(planned, on=["lane", "product"], how="left", nulls_equal=True, maintain_order="left")
    return judge(local_level(pl.concat([undisturbed(cycles), undisturbed(steps)], how="diagonal")))
