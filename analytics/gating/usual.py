"""What a bound link usually takes, and what of it was planned: the measure for every piece of the chain."""

from __future__ import annotations

import polars as pl

from analytics.cell import Cell
from analytics.gating.bind import Binding
from analytics.gating.moments import Moments
from analytics.pace import local_level

FEW = 5
"""A link seen fewer times than this is no usual one: what it takes too long is unexplained, not a stop."""
MOVE_US = 3_000_000
"""A move that nobody logs takes no longer than this, or half a planned cycle; beyond it something was waited for."""
CYCLE, MOVE = "cycle", "move"


def usual(seen: Moments, binding: Binding, cell: Cell) -> pl.DataFrame:
    """Describe every bound link.

    Returns  one row per moment that is bound: m, p, thread, charged (lane), station, step (of a robot; "cycle" where a
             station's own cycle lies between, "move" where nobody logs what lies between), part, product, waits (bool:
             a robot's wait, no work), at (where), state (of the wait), level_us (what such a link took around its
             time), spread_us, plan_us (null: nothing planned), unknown (bool: no usual link).
    """
    links = _charged(seen, binding, cell)
    work = links.filter(~pl.col("waits")).with_columns(key=pl.col("step") + "|" + pl.col("from_what"))
    levels = local_level(
        work.select("m", "product", lane="charged", step="key", start_us="p_us", end_us="ts"),
    ).select("m", "level_us", "spread_us")
    work = work.join(levels, on="m", maintain_order="left").with_columns(few=pl.len().over("charged", "key") < FEW)
    work = _planned(seen, work, cell)
    # A station that begins when it has waited for something nobody logs: that is no work, however usual it is.
    most = pl.max_horizontal(pl.lit(MOVE_US), (pl.col("cycle_us") / 2).cast(pl.Int64).fill_null(0))
    idle = (pl.col("step") == MOVE) & pl.col("thread").is_in(["own", "release", "demand"])
    work = work.with_columns(level_us=pl.when(idle).then(pl.min_horizontal("level_us", most)).otherwise("level_us"))
    return (
        links.join(
            work.select("m", "level_us", "spread_us", "plan_us", "few"), on="m", how="left", maintain_order="left"
        )
        .with_columns(
            unknown=pl.col("few").fill_null(False),
            level_us=pl.col("level_us").fill_null(0).round().cast(pl.Int64),
            spread_us=pl.col("spread_us").fill_null(0).round().cast(pl.Int64),
        )
        .drop("few", "from_what")
    )


def _charged(seen: Moments, binding: Binding, cell: Cell) -> pl.DataFrame:
    """Who did what lies between a moment and the one it was bound to."""
    bound = binding.table.filter(pl.col("p").is_not_null()).select("m", "p", "thread")
    rows = seen.table
    pairs = pl.concat(
        [
            bound,
            rows.select("ts", "lane", "station", "what", "part", "product")[bound["m"]],
            rows.select(
                p_us="ts", from_lane="lane", from_station="station", from_what="what", from_state="state",
                from_at="at", from_holds="holds",
            )[bound["p"]],
            rows.select(own_at="at")[bound["m"]],
        ],
        how="horizontal",
    )  # fmt: skip
    between = pl.DataFrame(
        [(up, s.name, b.name) for b in cell.stations if b.kind == "buffer" for up in b.feeds_from
         for s in cell.stations if b.name in s.feeds_from],
        schema={"from_station": pl.String, "station": pl.String, "belt": pl.String}, orient="row",
    )  # fmt: skip
    pairs = pairs.join(between, on=["from_station", "station"], how="left", maintain_order="left")
    cycle = (pl.col("from_what") == "start") & pl.col("from_lane").is_in(seen.robots).not_()
    cycle = cycle & ~pl.col("what").is_in(["start", "go", "wait"]) & (pl.col("thread") != "room")
    starts = pl.col("what").is_in(["start", "in"])
    held = starts & (pl.col("thread") == "part") & pl.col("from_holds")
    carried = starts & (pl.col("thread") == "part") & pl.col("belt").is_not_null()
    waits = pl.col("what").is_in(["go", "wait"])
    on_robot = pl.col("lane").is_in(seen.robots).fill_null(False)
    charged = (
        pl.when(cycle | held).then("from_lane").when(carried).then("belt").otherwise(pl.coalesce("lane", "from_lane"))
    )
    return pairs.select(
        "m", "p", "thread", "ts", "p_us", "part", "product", "lane", "from_what",
        charged=charged,
        station=charged.str.split(".").list.first(),
        step=pl.when(cycle).then(pl.lit(CYCLE)).when(starts | ~on_robot).then(pl.lit(MOVE)).otherwise("what"),
        waits=waits,
        own_wait=(pl.col("what") == "go") & (pl.col("thread") == "own"),
        at=pl.when(waits).then("from_at").otherwise("own_at"),
        state="from_state",
    ).with_columns(pl.col("from_what").fill_null(""))  # fmt: skip


def _planned(seen: Moments, work: pl.DataFrame, cell: Cell) -> pl.DataFrame:
    """Planned time of a link: a station's planned cycle; of a robot's step its usual share of the planned cycle.

    The shares are those of all products together, so that slow running of one of them does not become the plan.
    """
    planned = cell.planned().rename({"planned_us": "cycle_us"})
    work = work.join(planned, on=["station", "product"], how="left", maintain_order="left")
    took = pl.col("ts") - pl.col("p_us")
    robot = pl.col("charged").is_in(seen.robots)
    factor = _fullness(seen, planned)
    shares = (
        work.filter(robot & pl.col("cycle_us").is_not_null())
        .group_by("charged", "key")
        .agg(step_share=(took / pl.col("cycle_us")).median())
        .join(factor, on="charged", how="left")
        .with_columns(step_share=pl.col("step_share") / pl.when(pl.col("full") > 0).then("full").fill_null(1.0))
        .drop("full")
    )
    return work.join(shares, on=["charged", "key"], how="left", maintain_order="left").with_columns(
        plan_us=pl.when(robot)
        .then((pl.col("cycle_us") * pl.col("step_share")).round().cast(pl.Int64))
        .when(pl.col("step") == CYCLE)
        .then("cycle_us")
    )


def _fullness(seen: Moments, planned: pl.DataFrame) -> pl.DataFrame:
    """How long a robot usually works in a cycle, waits left out, as a share of the plan: charged, full."""
    ends = seen.rows.filter(pl.col("kind") == "cycle_end").select("m", "lane").unique().with_columns(ends=pl.lit(1))
    own = (
        seen.table.filter(pl.col("lane").is_in(seen.robots))
        .join(ends, on=["m", "lane"], how="left", maintain_order="left")
        .sort("lane", "m")
        .with_columns(
            work_us=pl.when(pl.col("what") != "go").then(pl.col("ts") - pl.col("ts").shift(1).over("lane")),
            n=pl.col("ends").fill_null(0).cum_sum().shift(1, fill_value=0).over("lane"),
        )
    )
    cycles = own.group_by("lane", "n").agg(
        pl.col("work_us").sum(), pl.col("product").last(), pl.col("station").last(), pl.col("ends").max()
    )
    return (
        cycles.filter(pl.col("ends") == 1)
        .join(planned, on=["station", "product"])
        .group_by(charged="lane")
        .agg(full=(pl.col("work_us") / pl.col("cycle_us")).median())
    )
