"""Cycles and steps with what disturbed them: only an undisturbed one tells how long the work itself takes."""

from __future__ import annotations

from dataclasses import dataclass

import duckdb
import polars as pl

from analytics.book import query
from analytics.pace import judge, local_level
from analytics.plan import BUSY

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
    names = [f"c{n}" for n in range(len(counts))]
    length = pl.col("end_us") - pl.col("start_us")
    running = (
        tiles.with_columns(c.fill_null(False).cast(pl.Int64).alias(n) for n, c in zip(names, counts, strict=True))
        .with_columns((length * pl.col(n)).alias(f"{n}_own") for n in names)
        .with_columns((pl.col(f"{n}_own").cum_sum().over("lane") - pl.col(f"{n}_own")).alias(f"{n}_sum") for n in names)
        .rename({"end_us": "until"})
        .select("lane", "until", *names, *(f"{n}_sum" for n in names), t_="start_us", since="start_us")
        .sort("t_")
    )

    def by(edge: str) -> pl.DataFrame:
        asked = rows.select(lane=lane, t_=edge).with_row_index("row_").sort("t_")
        there = asked.join_asof(running, on="t_", by="lane", strategy="backward", check_sortedness=False)
        inside = (pl.min_horizontal("t_", "until") - pl.col("since")).clip(0, None)
        return there.with_columns(pl.col(f"{n}_sum") + inside * pl.col(n) for n in names).sort("row_")

    first, last = by("start_us"), by("end_us")
    return [last[f"{n}_sum"] - first[f"{n}_sum"] for n in names]


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
