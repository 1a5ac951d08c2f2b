"""Intervals -> the ledger: every instant of a lane on one line of the account, work split into planned and beyond."""

from __future__ import annotations

import polars as pl

from analytics.cell import Cell
from analytics.claims import OWN_STOP, Seen, all_claims
from analytics.intervals import tile

NO_ALARM = "no alarm"
"""Cause of a stop that only the length of its cycle tells."""
WAITING = "waiting, place of the part not logged"
NO_PLAN = "no planned cycle"

STOP_LINES = ("breakdown", "micro_stop", "safety_stop", "changeover", "carrier_change", "waiting_people", "waiting_material")


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
        .join(tiles.with_columns(run=run).filter(own).select("lane", "start_us", "run"), on=["lane", "start_us"], maintain_order="left")
        .group_by("lane", "run", maintain_order=True)
        .agg(
            pl.col("start_us").first(), pl.col("end_us").last(), pl.col("level", "cause", "blamed", "waits_for", "cycle", "log_file", "log_line").first(),
            pl.col("log_end_file", "log_end_line").last(),
        )
        .with_columns(
            line=pl.when(pl.col("end_us") - pl.col("start_us") < limit).then(pl.lit("micro_stop")).otherwise(pl.lit("breakdown"))
        )
        .select(tiles.columns)
    )  # fmt: skip
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

    The first `planned` microseconds of a cycle's net time are good (or rejected) work; what follows is slow running up to
    `silent_stop_s`, a stop without alarm beyond. Where within the cycle the excess lay is not known: it is put at its
    end. A cycle shorter than planned gets two rows of no length at its start, a credit and its counterpart, so that
    good work is always planned time x parts.
    Returns  lane, start_us, end_us, us, line, cause, blamed, product, part, cycle and log lines. Summed `us` per lane is the time
             that the tiles cover.
    """
    quality = _quality(cycles, fates)
    work = tiles.filter((pl.col("line") == "run") & pl.col("cycle").is_not_null())
    other = tiles.filter((pl.col("line") != "run") | pl.col("cycle").is_null()).with_columns(
        line=pl.when(pl.col("line") == "run").then(pl.lit("good")).otherwise("line"),
        us=pl.col("end_us") - pl.col("start_us"),
    )
    silent, limit = round(cell.silent_stop_s * 1e6), round(cell.micro_stop_s * 1e6)
    length = pl.col("end_us") - pl.col("start_us")
    work = (
        work.sort("lane", "start_us")
        .join(quality.select("cycle", "planned_us", "product", "part", "book", "why", "by"), on="cycle", how="left", maintain_order="left")
        .with_columns(done_us=length.cum_sum().over("cycle"), net_us=length.sum().over("cycle"))
        .with_columns(plan_us=pl.coalesce("planned_us", "net_us"))
    )
    excess = pl.col("net_us") - pl.col("plan_us")
    turn = (pl.col("end_us") - (pl.col("done_us") - pl.col("plan_us"))).clip(pl.col("start_us"), pl.col("end_us"))
    planned_part = work.with_columns(
        end_us=turn, line="book", cause="why", blamed=pl.coalesce("blamed", "by")
    )
    beyond = work.with_columns(
        start_us=turn,
        line=pl.when(excess <= silent).then(pl.lit("slow_cycle")).when(excess < limit).then(pl.lit("micro_stop")).otherwise(pl.lit("breakdown")),
        cause=pl.when(excess > silent).then(pl.lit(NO_ALARM)),
    )  # fmt: skip
    pieces = pl.concat([planned_part, beyond]).filter(length > 0).with_columns(us=length)
    short = work.filter((pl.col("net_us") < pl.col("plan_us")) & (pl.col("done_us") == length)).with_columns(
        end_us="start_us", credit=pl.col("plan_us") - pl.col("net_us")
    )
    credits = pl.concat(
        [
            short.with_columns(line="book", cause="why", blamed=pl.coalesce("blamed", "by"), us="credit"),
            short.with_columns(line=pl.lit("fast_cycle"), cause=pl.lit(None, pl.String), us=-pl.col("credit")),
        ]
    )
    columns = ["lane", "start_us", "end_us", "us", "line", "cause", "blamed", "waits_for", "product", "part", "cycle",
               "log_file", "log_line", "log_end_file", "log_end_line"]  # fmt: skip
    return (
        pl.concat([pieces.select(columns), credits.select(columns), other.with_columns(
            product=pl.lit(None, pl.String), part=pl.lit(None, pl.String)).select(columns)])
        .sort("lane", "start_us", "end_us", "us", "line")
        .with_columns(product=pl.col("product").forward_fill().over("lane").backward_fill().over("lane"))
    )  # fmt: skip


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
