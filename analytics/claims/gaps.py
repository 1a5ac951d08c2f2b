"""Claims on the time between cycles that follow from what came before and after it."""

from __future__ import annotations

import polars as pl

from analytics.cell import PLACES
from analytics.claims.base import Seen, as_claims

TOLERANCE_US = 100_000  # clocks of two sources: a departure may be stamped a little before the end of work


def changeover_gap(seen: Seen) -> pl.DataFrame:
    """Claim the time between the last work on one product family and the first on the next as changeover.

    A lane that stamps only ends has no start of the first new cycle: its span reaches to that cycle's end, and only its
    waiting in it becomes changeover (see `met`), not its work. A place without cycles has its visits instead.
    """
    family = seen.cell.family()
    cycles = seen.cycles.select(
        "lane", "product", "start_us", "end_us", "file", "line",
        until_us=pl.when(pl.col("paired") == "end_only").then("end_us").otherwise("start_us"),
    )  # fmt: skip
    product = seen.cycles.filter(pl.col("part").is_not_null()).select("part", known="product").unique("part")
    visits = (
        seen.events.filter(pl.col("kind").is_in(["part_in", "part_out"]) & pl.col("lane").is_not_null())
        .join(cycles, on="lane", how="anti")
        .join(product, on="part", how="left")
        .select(
            "lane", "file", "line", product=pl.coalesce("product", "known"), start_us="ts", end_us="ts", until_us="ts"
        )
    )
    ordered = (
        pl.concat([cycles, visits.select(cycles.columns)])
        .sort("lane", "start_us", "end_us")
        .with_columns(
            family=pl.col("product").replace_strict(family, default=pl.col("product"), return_dtype=pl.String)
        )
    )
    ahead = {c: pl.col(c).shift(-1).over("lane") for c in ("until_us", "family", "file", "line")}
    return as_claims(
        ordered.with_columns(
            next_us=ahead["until_us"],
            next_family=ahead["family"],
            log_end_file=ahead["file"],
            log_end_line=ahead["line"],
        )
        .filter(pl.col("family") != pl.col("next_family"))
        .select(
            "lane",
            "log_end_file",
            "log_end_line",
            start_us="end_us",
            end_us="next_us",
            line=pl.lit("changeover"),
            cause=pl.col("family") + " → " + pl.col("next_family"),
            log_file="file",
            log_line="line",
        )
    )


def met(waits: pl.DataFrame, spans: pl.DataFrame) -> pl.DataFrame:
    """Claim the parts of waiting that lie within spans (of the same lane) for the span's line and cause."""
    return as_claims(
        spans.join(waits.select("lane", wait_start="start_us", wait_end="end_us"), on="lane")
        .with_columns(
            start_us=pl.max_horizontal("start_us", "wait_start"), end_us=pl.min_horizontal("end_us", "wait_end")
        )
        .drop("wait_start", "wait_end")
    )


def order_gap(seen: Seen) -> pl.DataFrame:
    """Claim the time between the end of the last open order and the start of the next as `no_order`."""
    rows = seen.events.filter(pl.col("kind").is_in(["order_start", "order_end"])).sort("no")
    rows = rows.with_columns(
        next_ts=pl.col("ts").shift(-1).fill_null(seen.end_us),
        log_end_file=pl.col("file").shift(-1),
        log_end_line=pl.col("line").shift(-1),
    ).filter(pl.col("kind") == "order_end")
    return as_claims(
        seen.spread(
            rows.select(
                "log_end_file",
                "log_end_line",
                station=pl.lit(None, pl.String),
                nest=pl.lit(None, pl.String),
                start_us="ts",
                end_us="next_ts",
                line=pl.lit("no_order"),
                log_file="file",
                log_line="line",
            )
        )
    )


def holding(seen: Seen) -> pl.DataFrame:
    """Claim `blocked` from the end of a cycle until its part leaves, for lanes whose log says when parts leave.

    A rejected part whose leaving is not logged is taken as gone with the verdict.
    """
    on_lane = seen.events.select("lane", "part", "kind", "result", "ts", "file", "line").filter(
        pl.col("lane").is_not_null()
    )
    left = on_lane.filter(pl.col("kind") == "part_out").select(
        "lane", "part", out_us="ts", out_file="file", out_line="line"
    )
    dropped = on_lane.filter((pl.col("result") == "reject") & pl.col("kind").is_in(["result", "cycle_end"])).select(
        "lane", "part", out_us="ts", out_file="file", out_line="line"
    )
    tracked = left.select("lane").unique()
    outs = pl.concat([left, dropped.join(left, on=["lane", "part"], how="anti")]).drop("part").sort("out_us")
    ahead = pl.col("start_us").shift(-1).over("lane")
    done = (
        seen.cycles.join(tracked, on="lane", how="semi")
        .sort("lane", "start_us")
        # What left before a cycle began was the part before: cycles may be shorter than the tolerance.
        .with_columns(
            next_us=ahead.fill_null(seen.end_us),
            look_us=pl.max_horizontal(pl.col("end_us") - TOLERANCE_US, pl.col("start_us") + 1),
        )
        .sort("look_us")
        .join_asof(outs, left_on="look_us", right_on="out_us", by="lane", strategy="forward", check_sortedness=False)
    )
    until = pl.min_horizontal(pl.coalesce("out_us", "next_us"), "next_us")
    cycles_ = done.select(
        "lane",
        start_us="end_us",
        end_us=until,
        line=pl.lit("blocked"),
        log_file="file",
        log_line="line",
        log_end_file="out_file",
        log_end_line="out_line",
    )
    return pl.concat([as_claims(cycles_), _occupied(seen)])


def _occupied(seen: Seen) -> pl.DataFrame:
    """Places without work of their own (hand-over, buffer): `blocked` while they hold a part."""
    places = seen.lanes.filter(pl.col("kind").is_in(PLACES)).select("lane")
    moves = (
        seen.events.select("lane", "no", "kind", "ts", "file", "line")
        .filter(pl.col("kind").is_in(["part_in", "part_out"]))
        .join(places, on="lane", how="semi")
        .sort("lane", "no")
        .with_columns(d=pl.when(pl.col("kind") == "part_in").then(1).otherwise(-1).cast(pl.Int64))
        .with_columns(level=pl.col("d").cum_sum().over("lane"))
    )
    # A part that was inside before the first record makes the count start below its true level.
    level = pl.col("level") - pl.min_horizontal(pl.col("level").min().over("lane"), pl.lit(0))
    return as_claims(
        moves.with_columns(held=level, end_us=pl.col("ts").shift(-1).over("lane").fill_null(seen.end_us))
        .filter(pl.col("held") > 0)
        .select("lane", "end_us", start_us="ts", line=pl.lit("blocked"), log_file="file", log_line="line")
    )


def lost_ends(seen: Seen) -> pl.DataFrame:
    """Claim the time behind a cycle whose end was not logged: when it ended is unknown, and so is `blocked`."""
    ahead = pl.col("start_us").shift(-1).over("lane").fill_null(seen.end_us)
    return as_claims(
        seen.cycles.sort("lane", "start_us", "end_us")
        .with_columns(next_us=ahead)
        .filter(pl.col("paired") == "no_end")
        .select("lane", start_us="end_us", end_us="next_us", line=pl.lit("unexplained"),
                cause=pl.lit("end of a cycle not logged"), log_file="file", log_line="line")
    )  # fmt: skip


def lost_starts(seen: Seen) -> pl.DataFrame:
    """Claim the time before a cycle whose start was not logged: it may have begun at any time since the last one."""
    before = pl.col("end_us").shift(1).over("lane")
    return as_claims(
        seen.cycles.sort("lane", "start_us", "end_us")
        .with_columns(before_us=before)
        .filter((pl.col("paired") == "no_start") & pl.col("before_us").is_not_null())
        .select("lane", start_us="before_us", end_us="start_us", line=pl.lit("unexplained"),
                cause=pl.lit("start of a cycle not logged"), log_end_file="file", log_end_line="line")
    )  # fmt: skip


def empty(seen: Seen) -> pl.DataFrame:
    """Claim `starved` for all remaining time of lanes whose log tells when parts come or leave.

    Where a part's place is not logged, starved and blocked cannot be told apart: nothing is claimed, and the time stays
    `unexplained`.
    """
    tracked = (
        seen.events.select("lane", "kind")
        .filter(pl.col("kind").is_in(["part_in", "part_out"]) & pl.col("lane").is_not_null())
        .select("lane")
        .unique()
    )
    return as_claims(
        tracked.select(
            "lane",
            start_us=pl.lit(seen.start_us, pl.Int64),
            end_us=pl.lit(seen.end_us, pl.Int64),
            line=pl.lit("starved"),
        )
    )
