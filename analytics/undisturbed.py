"""Cycles and steps with what disturbed them: only an undisturbed one tells how long the work itself takes."""

from __future__ import annotations

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


def cycles_of(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """Read the cycles of the days: the fact table's columns and those of `with_disturbance`."""
    return with_disturbance(query(con, "work_cycles"), query(con, "lane_tiles"), query(con, "lane_plan"))


def steps_of(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """Read the steps of robots: the fact table's columns, product (of the part), and those of `with_disturbance`.

    A step at a station is disturbed by a stop of that station too.
    """
    tiles = query(con, "lane_tiles")
    rows = with_disturbance(query(con, "work_steps"), tiles, query(con, "lane_plan"))
    there = pl.when(pl.col("nest").is_null()).then("at").otherwise(pl.concat_str("at", "nest", separator="."))
    at = _during(rows.with_columns(there=there), "there", tiles, _disturbs())
    return rows.with_columns(disturbed=pl.col("disturbed") | (at > 0).fill_null(False))


def undisturbed(rows: pl.DataFrame) -> pl.DataFrame:
    """Keep the rows whose length is that of the work, as a frame for analytics.pace: it ends when the work ended."""
    finished = pl.col("paired").is_in(FINISHED) if "paired" in rows.columns else pl.lit(True)
    return rows.filter(finished & ~pl.col("disturbed") & (pl.col("net_us") > 0)).with_columns(
        began_us="start_us", start_us=pl.col("end_us") - pl.col("net_us")
    )


def with_disturbance(rows: pl.DataFrame, tiles: pl.DataFrame, plan: pl.DataFrame) -> pl.DataFrame:
    """Add net_us and disturbed to rows with lane, start_us, end_us.

    Takes    tiles (lane, start_us, end_us, line) and plan (lane, start_us, end_us, plan), each sorted by lane and time.

    Returns  net_us: the length less the waits for others that are logged within it; disturbed: a stop, an alarm,
             missing data or a time that no work belongs to lies within it, or the edge of a planned stop does.
    """
    length = pl.col("end_us") - pl.col("start_us")
    rows = rows.with_columns(
        waited_us_=_during(rows, "lane", tiles, pl.col("line").is_in(WAITS)).fill_null(0),
        disturbed_us_=_during(rows, "lane", tiles, _disturbs()).fill_null(0),
        busy_us_=_during(rows, "lane", plan, pl.col("plan") == BUSY),
    )
    crosses = (pl.col("busy_us_") > 0) & (pl.col("busy_us_") < length)
    return rows.with_columns(
        net_us=length - pl.col("waited_us_"), disturbed=(pl.col("disturbed_us_") > 0) | crosses.fill_null(False)
    ).drop("waited_us_", "disturbed_us_", "busy_us_")


def _disturbs() -> pl.Expr:
    return ~pl.col("line").is_in([RUN, *WAITS])


def _during(rows: pl.DataFrame, lane: str, tiles: pl.DataFrame, counts: pl.Expr) -> pl.Series:
    """Microseconds of each row during which the lane's tiles count: the difference of two running sums."""
    running = (
        tiles.with_columns(of=pl.when(counts).then(1).otherwise(0))
        .with_columns(len=(pl.col("end_us") - pl.col("start_us")) * pl.col("of"))
        .with_columns(before=pl.col("len").cum_sum().over("lane") - pl.col("len"))
        .select("lane", "of", "before", "end_us", t="start_us", most=pl.col("len"))
        .sort("t")
    )

    def until(edge: str) -> pl.Series:
        asked = rows.select(lane=lane, t=edge).with_row_index("row_").sort("t")
        there = asked.join_asof(running, on="t", by="lane", strategy="backward", check_sortedness=False)
        inside = (pl.min_horizontal("t", "end_us") - pl.col("t_start")).clip(0, None) * pl.col("of")
        return there.with_columns(sum=pl.col("before") + inside).sort("row_")["sum"]

    running = running.with_columns(t_start="t")
    return until("end_us") - until("start_us")


def work_of(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """Read the undisturbed work of the days, judged by analytics.pace: of robots their steps, of others their cycles.

    A robot's cycle is mostly waiting and walking on; where its steps are logged they tell its pace. Columns: those of
    cycles and of steps (step and at null for cycles; planned_us of a step is that of the robot's cycle), began_us,
    net_us, level_us, spread_us, excess_us, fence_us, pace.
    """
    steps, cycles = steps_of(con), cycles_of(con)
    others = cycles.join(steps.select("lane").unique(), on="lane", how="anti", maintain_order="left")
    planned = cycles.group_by("lane", "product").agg(pl.col("planned_us").max())
    steps = steps.join(planned, on=["lane", "product"], how="left", nulls_equal=True, maintain_order="left")
    return judge(local_level(pl.concat([undisturbed(others), undisturbed(steps)], how="diagonal")))
