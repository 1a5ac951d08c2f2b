"""Cycles and steps with what disturbed them: only an undisturbed one tells how long the work itself takes."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

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

    @cached_property
    def waited_and_disturbed(self) -> dict[str, _Counts]:
        """Running sums of each lane's waits for others, and of what disturbs its work."""
        line = pl.col("line")
        return _counted(self.tiles, line.is_in(WAITS), ~line.is_in([RUN, *WAITS]))

    @cached_property
    def busy(self) -> dict[str, _Counts]:
        """Running sums of each lane's planned busy time."""
        return _counted(self.plan, pl.col("plan") == BUSY)


def told(con: duckdb.DuckDBPyConnection) -> Told:
    """Read what is told about the lanes' time in the days."""
    return Told(query(con, "lane_tiles"), query(con, "lane_plan"))


def cycles_of(con: duckdb.DuckDBPyConnection, time: Told, *, lengths: bool = False) -> pl.DataFrame:
    """Read the cycles of the days: the fact table's columns and those of `with_disturbance`.

    `lengths`: without the columns that say which part and which record it was.
    """
    return with_disturbance(query(con, "cycle_lengths" if lengths else "work_cycles"), time)


def steps_of(con: duckdb.DuckDBPyConnection, time: Told, *, lengths: bool = False) -> pl.DataFrame:
    """Read the steps of robots: the fact table's columns, product (of the part), and those of `with_disturbance`.

    A step at a station is disturbed by a stop of that station too. `lengths`: without part and record.
    """
    rows = with_disturbance(query(con, "step_lengths" if lengths else "work_steps"), time)
    there = pl.when(pl.col("nest").is_null()).then("at").otherwise(pl.concat_str("at", "nest", separator="."))
    at = _during(rows.select("start_us", "end_us", there=there), "there", time.waited_and_disturbed, 2)[1]
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
    waited, disturbed = _during(rows, "lane", time.waited_and_disturbed, 2)
    (busy,) = _during(rows, "lane", time.busy, 1)
    rows = rows.with_columns(busy_us_=busy)
    crosses = (pl.col("busy_us_") > 0) & (pl.col("busy_us_") < length)
    return rows.with_columns(
        net_us=length - waited.fill_null(0), disturbed=(disturbed.fill_null(0) > 0) | crosses.fill_null(False)
    ).drop("busy_us_")


@dataclass(frozen=True)
class _Counts:
    """Tiles of one lane in order; of each condition whether they meet it, and for how long those before them did."""

    since: Ints
    until: Ints
    meets: list[npt.NDArray[np.bool_]]
    sums: list[Ints]


def _counted(tiles: pl.DataFrame, *counts: pl.Expr) -> dict[str, _Counts]:
    """Running sums of the time for which each lane's tiles meet each of some conditions."""
    names = [f"c{n}" for n in range(len(counts))]
    flagged = tiles.select(
        "lane", "start_us", "end_us", *(c.fill_null(False).alias(name) for name, c in zip(names, counts, strict=True))
    )
    found = {}
    for (lane,), rows in flagged.partition_by("lane", as_dict=True).items():
        own = rows.sort("start_us", maintain_order=True)
        since, until = own["start_us"].to_numpy(), own["end_us"].to_numpy()
        meets = [own[name].to_numpy() for name in names]
        sums = [np.concatenate([[0], np.cumsum(np.where(flags, until - since, 0))]) for flags in meets]
        found[str(lane)] = _Counts(since, until, meets, sums)
    return found


def _during(rows: pl.DataFrame, lane: str, counted: dict[str, _Counts], n: int) -> list[pl.Series]:
    """Microseconds of each row during which its lane's tiles meet a condition: the difference of two running sums.

    One series per condition (there are n); null where nothing is told of the lane at an edge of the row.
    """
    start, end = rows["start_us"].to_numpy(), rows["end_us"].to_numpy()
    found = np.zeros((n, rows.height), dtype=np.int64)
    known = np.zeros(rows.height, dtype=bool)
    of_lane = rows.select(lane_=lane, at=pl.int_range(pl.len())).drop_nulls().group_by("lane_").agg("at")
    for name, places in of_lane.iter_rows():
        if name not in counted:
            continue
        own, at = counted[name], np.asarray(places)
        first, last = (np.searchsorted(own.since, t[at], side="right") - 1 for t in (start, end))
        known[at] = (first >= 0) & (last >= 0)
        for k, (meets, sums) in enumerate(zip(own.meets, own.sums, strict=True)):

            def up_to(t: Ints, tile: Ints) -> Ints:
                inside = np.clip(np.minimum(t, own.until[tile]) - own.since[tile], 0, None)  # noqa: B023
                return sums[tile] + np.where(meets[tile], inside, 0)  # noqa: B023

            found[k, at] = up_to(end[at], last) - up_to(start[at], first)
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
