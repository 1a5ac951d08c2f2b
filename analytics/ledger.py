"""Intervals -> the ledger: every instant of a lane on one line of the account, work split into planned and beyond."""

from __future__ import annotations

import polars as pl

from analytics.cell import Cell
from analytics.claims import OWN_STOP, Seen, all_claims
from analytics.intervals import tile
from analytics.plan import BUSY

NO_ALARM = "no alarm"
"""Cause of a stop that only the length of its cycle tells."""
MISSING = "cycle around missing data"
PAUSED = "paused"
"""Line of a cycle's time outside planned busy time: no line of the account, which is closed over planned busy time."""
WAITING = "waiting, place of the part not logged"

STOP_LINES = (
    "breakdown",
    "micro_stop",
    "safety_stop",
    "changeover",
    "carrier_change",
    "waiting_people",
    "waiting_material",
)


def intervals(seen: Seen) -> pl.DataFrame:
    """Tile every lane's time in [seen.start_us, seen.end_us) with the claim that applies first.

    Returns  lane, start_us, end_us, level, line, cause, blamed, cycle and the two log lines it rests on. Own stops that
             touch are one stop: the first alarm names it, the whole length decides micro-stop or breakdown.
    """
    tiles = tile(all_claims(seen), seen.lanes, seen.start_us, seen.end_us)
    limit = round(seen.cell.micro_stop_s * 1e6)
    own = pl.col("level") == OWN_STOP
    run = (own.ne_missing(own.shift(1).over("lane"))).cast(pl.Int64).cum_sum().over("lane")
    merged = (
        tiles.filter(own)
        .join(
            tiles.with_columns(run=run).filter(own).select("lane", "start_us", "run"),
            on=["lane", "start_us"],
            maintain_order="left",
        )
        .group_by("lane", "run", maintain_order=True)
        .agg(
            pl.col("start_us").first(),
            pl.col("end_us").last(),
            pl.col("level", "cause", "blamed", "waits_for", "cycle", "log_file", "log_line").first(),
            pl.col("log_end_file", "log_end_line").last(),
        )
        .with_columns(
            line=pl.when(pl.col("end_us") - pl.col("start_us") < limit)
            .then(pl.lit("micro_stop"))
            .otherwise(pl.lit("breakdown"))
        )
        .select(tiles.columns)
    )
    unknown = pl.col("line").is_null()
    return (
        pl.concat([tiles.filter(own.not_() | own.is_null()), merged])
        .sort("lane", "start_us")
        .with_columns(
            cause=pl.when(unknown).then(pl.lit(WAITING)).otherwise("cause"),
            line=pl.when(unknown).then(pl.lit("unexplained")).otherwise("line"),
        )
    )


def split_work(tiles: pl.DataFrame, cycles: pl.DataFrame, fates: pl.DataFrame, cell: Cell) -> pl.DataFrame:
    """Split the work of every cycle into what was planned and what went beyond it.

    Takes    tiles cut at the edges of the plan, with `plan` (busy or not). The first `planned` microseconds of a
             cycle's net time are good (or rejected) work; what follows is slow running up to `silent_stop_s`, a stop
             without alarm beyond. Where within the cycle the excess lay is not known: it is put at its end. A cycle
             shorter than planned gets two rows of no length at its start, a credit and its counterpart, so that good
             work is always planned time x parts. Time of a cycle outside planned busy time counts as work as far as
             the cycle needed it, the rest as PAUSED. What a cycle around missing data took too long is unexplained.
    Returns  lane, start_us, end_us, us, line, cause, blamed, waits_for, product, part, cycle, log lines and plan.
             Summed `us` per lane is the time that the tiles cover.
    """
    quality = _quality(cycles, fates).select("cycle", "paired", "planned_us", "product", "part", "book", "why", "by")
    in_cycle = (pl.col("line") == "run") & pl.col("cycle").is_not_null()
    other = tiles.filter(~in_cycle).with_columns(
        line=pl.when(pl.col("line") == "run").then(pl.lit("good")).otherwise("line"),
        us=pl.col("end_us") - pl.col("start_us"),
    )
    length = pl.col("end_us") - pl.col("start_us")
    work = (
        tiles.filter(in_cycle)
        .sort("lane", "start_us")
        .join(quality, on="cycle", how="left", maintain_order="left")
        .join(_around_missing_data(tiles, cycles), on="cycle", how="left", maintain_order="left")
    )
    work, paused = _without_pauses(work)
    work = work.with_columns(done_us=length.cum_sum().over("cycle"), net_us=length.sum().over("cycle")).with_columns(
        plan_us=pl.coalesce("planned_us", "net_us")
    )
    silent, limit = round(cell.silent_stop_s * 1e6), round(cell.micro_stop_s * 1e6)
    excess = pl.col("net_us") - pl.col("plan_us")
    turn = (pl.col("end_us") - (pl.col("done_us") - pl.col("plan_us"))).clip(pl.col("start_us"), pl.col("end_us"))
    booked = [pl.col("book").alias("line"), pl.col("why").alias("cause"), pl.coalesce("blamed", "by").alias("blamed")]
    doubtful = pl.col("doubtful").fill_null(False) | (pl.col("paired") == "open")
    beyond = work.with_columns(
        start_us=turn,
        line=pl.when(excess <= silent)
        .then(pl.lit("slow_cycle"))
        .when(doubtful)
        .then(pl.lit("unexplained"))
        .when(excess < limit)
        .then(pl.lit("micro_stop"))
        .otherwise(pl.lit("breakdown")),
        cause=pl.when(excess > silent).then(pl.when(doubtful).then(pl.lit(MISSING)).otherwise(pl.lit(NO_ALARM))),
    )
    pieces = pl.concat([work.with_columns(*booked, end_us=turn), beyond]).filter(length > 0).with_columns(us=length)
    finished = pl.col("paired") != "open"
    short = work.filter(finished & (pl.col("net_us") < pl.col("plan_us")) & (pl.col("done_us") == length)).with_columns(
        end_us="start_us", credit=pl.col("plan_us") - pl.col("net_us")
    )
    credits = pl.concat(
        [
            short.with_columns(*booked, us="credit"),
            short.with_columns(line=pl.lit("fast_cycle"), cause=pl.lit(None, pl.String), us=-pl.col("credit")),
        ]
    )
    columns = ["lane", "start_us", "end_us", "us", "line", "cause", "blamed", "waits_for", "product", "part", "cycle",
               "log_file", "log_line", "log_end_file", "log_end_line", "plan"]  # fmt: skip
    return (
        pl.concat(
            [f.select(columns) for f in (pieces, credits, paused)] + [other.select(set(columns) & set(other.columns))],
            how="diagonal",
        )
        .sort("lane", "start_us", "end_us", "us", "line")
        .with_columns(product=_filled("product", "lane"))
        .select(columns)
    )


def _filled(name: str, lane: str) -> pl.Expr:
    """Fill gaps in a column of rows sorted by lane with what was before on the lane, else with what came next."""
    row, of = pl.int_range(pl.len()), pl.col(lane).rle_id()
    known = pl.col(name).is_not_null()
    before = pl.when(known).then(row).forward_fill()
    after = pl.when(known).then(row).backward_fill()
    own = pl.when(of.gather(before) == of).then(before).otherwise(pl.when(of.gather(after) == of).then(after))
    return pl.col(name).gather(own)


def _without_pauses(work: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Take out of the cycles what lies outside planned busy time and was not needed to finish the planned work."""
    length = pl.col("end_us") - pl.col("start_us")
    free = pl.col("plan") != BUSY
    free_us = pl.when(free).then(length).otherwise(0)
    busy_us = (length - free_us).sum().over("cycle")
    needed = (pl.coalesce("planned_us", pl.lit(0)) - busy_us).clip(0, None)
    used_before = free_us.cum_sum().over("cycle") - free_us
    kept = pl.when(free).then((needed - used_before).clip(0, free_us)).otherwise(length)
    work = work.with_columns(kept_us=kept)
    paused = work.filter(pl.col("kept_us") < length).with_columns(
        start_us=pl.col("start_us") + pl.col("kept_us"), line=pl.lit(PAUSED), cause=pl.lit(None, pl.String)
    )
    work = work.with_columns(end_us=pl.col("start_us") + pl.col("kept_us")).filter(length > 0)
    return work.drop("kept_us"), paused.with_columns(us=length).drop("kept_us")


def _around_missing_data(tiles: pl.DataFrame, cycles: pl.DataFrame) -> pl.DataFrame:
    """Cycles during which a source was silent: cycle, doubtful (true)."""
    holes = tiles.filter(pl.col("line") == "no_data").select("lane", hole_start="start_us", hole_end="end_us")
    return (
        cycles.select("lane", "cycle", "start_us", "end_us")
        .join(holes, on="lane")
        .filter((pl.col("start_us") < pl.col("hole_end")) & (pl.col("end_us") > pl.col("hole_start")))
        .select("cycle", doubtful=pl.lit(True))
        .unique("cycle")
    )


def _quality(cycles: pl.DataFrame, fates: pl.DataFrame) -> pl.DataFrame:
    """Which line the planned time of a cycle is booked on: what finally became of its part.

    A part that is still inside is booked as good until the log says otherwise.
    """
    fate = fates.select("part", "fed_us", "outcome", "rework", "start_up", why="cause", by="station").sort("fed_us")
    rows = cycles.sort("start_us").join_asof(
        fate, left_on="end_us", right_on="fed_us", by="part", strategy="backward", check_sortedness=False
    )
    rejected = pl.col("outcome").is_in(["reject", "removed"])
    return rows.with_columns(
        book=pl.when(rejected & pl.col("start_up")).then(pl.lit("start_up_reject"))
        .when(rejected).then(pl.lit("reject"))
        .when(pl.col("rework")).then(pl.lit("rework"))
        .otherwise(pl.lit("good"))
    ).with_columns(
        why=pl.when(pl.col("book") != "good").then("why"), by=pl.when(pl.col("book") != "good").then("by")
    )  # fmt: skip
