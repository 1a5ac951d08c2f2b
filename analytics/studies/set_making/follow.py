"""Sets from their members: when each began, when it was complete, which member came last, and why some never were."""

from __future__ import annotations

import polars as pl

from analytics.cell import Cell

COMPLETE, OPEN, STRANDED = "complete", "open", "stranded"
DEMAND = {"kit": pl.String, "member": pl.String, "need": pl.Int64}


def demand(cell: Cell) -> pl.DataFrame:
    """What a set is made of: kit, member, need. A product that says its set belongs to that one, if to several."""
    told = {p.name: p.set for p in cell.products}
    rows = [(s.name, m, n) for s in cell.sets for m, n in s.members.items() if (told.get(m) or s.name) == s.name]
    return pl.DataFrame(rows, schema=DEMAND, orient="row")


def follow(members: pl.DataFrame, visits: pl.DataFrame, need: pl.DataFrame) -> pl.DataFrame:
    """Follow each set from its first member to its last.

    Takes    members: set, member, part, us, fed_us, carrier, file, line; visits: carrier, us (each time it came): a
             place of a carrier that comes again is another set; need: DEMAND.
    Returns  one row per set: set, kit, placed_n, surplus_n (members beyond the need), first_us, last_us (latest
             member), completed_us (null: a member is missing), fed_us (the first feeding among its members), carrier,
             last_member (the one that completed it; null: two came at one instant), waited_us (how long the others
             waited for that one), missing (list), log_file, log_line (of the first member), log_end_file, log_end_line
             (of the latest).
             Members of no kit, or of another than the set's first member, are left out.
    """
    own = (
        members.join(need, on="member", how="inner")
        .sort("us", "member", "part", "file", "line", nulls_last=True)
        .join_asof(
            visits.select("carrier", "us", came="us").drop_nulls().sort("us"),
            on="us", by="carrier", strategy="backward", check_sortedness=False,
        )
    )  # fmt: skip
    key = ["set", "came"]
    own = own.filter(pl.col("kit") == pl.col("kit").first().over(key))
    order = pl.int_range(pl.len()).over(*key, "member")
    own = own.sort("us", "member", "part", "file", "line", nulls_last=True).with_columns(counts=order < pl.col("need"))
    there = own.filter("counts")
    lacking = (
        own.select(*key, "kit")
        .unique()
        .join(need, on="kit")
        .join(there.group_by(*key, "member").agg(n=pl.len()), on=[*key, "member"], how="left", nulls_equal=True)
        .filter(pl.col("n").fill_null(0) < pl.col("need"))
        .group_by(key)
        .agg(missing=pl.col("member").sort())
    )
    ends = there.group_by(key, maintain_order=True).agg(
        pl.col("kit").last(),
        full_us=pl.col("us").last(),
        waited_us=(pl.col("us").last() - pl.col("us").get(-2, null_on_oob=True)),
        completing=pl.col("member").last(),
        fed_us=pl.col("fed_us").min(),
    )
    apart = (pl.col("waited_us") != 0).fill_null(True)  # a single member is the last
    return (
        own.group_by(key, maintain_order=True)
        .agg(
            placed_n=pl.len().cast(pl.Int64),
            surplus_n=(~pl.col("counts")).sum().cast(pl.Int64),
            first_us=pl.col("us").first(),
            last_us=pl.col("us").last(),
            carrier=pl.col("carrier").first(),
            log_file=pl.col("file").first(),
            log_line=pl.col("line").first(),
            log_end_file=pl.col("file").last(),
            log_end_line=pl.col("line").last(),
        )
        .join(ends, on=key, how="left", nulls_equal=True)
        .join(lacking, on=key, how="left", nulls_equal=True)
        .with_columns(whole=pl.col("missing").is_null())
        .select(
            "set", "kit", "placed_n", "surplus_n", "first_us", "last_us",
            pl.when("whole").then("full_us").alias("completed_us"), "fed_us", "carrier",
            pl.when(pl.col("whole") & apart).then("completing").alias("last_member"),
            pl.when("whole").then("waited_us").alias("waited_us"), "missing",
            "log_file", "log_line", "log_end_file", "log_end_line",
        )
        .sort("first_us", "set")
    )  # fmt: skip


def fate_of_sets(
    followed: pl.DataFrame, carriers_left: pl.DataFrame, orders_ended: pl.DataFrame, rejects: pl.DataFrame, to_us: int
) -> pl.DataFrame:
    """Say of each set how it stood at to_us, and why one that can no longer be completed is stranded.

    Takes    followed: see `follow`; carriers_left: carrier, us; orders_ended: kit, us; rejects: member, us, station,
             cause, file, line.
    Returns  the rows of `followed` that had begun by to_us, with status (COMPLETE, OPEN, STRANDED), closed_us (after
             this nothing can come), why (null for complete ones) and, where a missing member was rejected between the
             first member and closing, lost_member, lost_station, lost_cause, lost_file, lost_line of the last such.
    A set is closed when its carrier leaves; where carriers are not logged, when the order ends or the next set of
    another kind is begun.
    """
    rows = followed.filter(pl.col("first_us") < to_us).with_row_index("no").sort("last_us", "no")
    left = carriers_left.drop_nulls().select("carrier", "us", left_us="us").unique().sort("us")
    done = orders_ended.drop_nulls().select("kit", "us", order_us="us").unique().sort("us")
    rows = rows.join_asof(
        left, left_on="last_us", right_on="us", by="carrier", strategy="forward", check_sortedness=False
    ).drop("us", strict=False)
    rows = rows.join_asof(
        done, left_on="last_us", right_on="us", by="kit", strategy="forward", check_sortedness=False
    ).drop("us", strict=False)
    rows = rows.join(_next_kind(followed), on=["kit", "last_us"], how="left", maintain_order="left")
    carriers_told = left.height > 0 and pl.col("carrier").is_not_null()
    closed = pl.when(carriers_told).then("left_us").otherwise(pl.min_horizontal("order_us", "other_us"))
    rows = rows.with_columns(closed_us=pl.when(pl.col("completed_us").is_null()).then(closed))
    complete = (pl.col("completed_us") < to_us).fill_null(False)
    stranded = (pl.col("closed_us") < to_us).fill_null(False)
    rows = rows.with_columns(
        status=pl.when(complete).then(pl.lit(COMPLETE)).when(stranded).then(pl.lit(STRANDED)).otherwise(pl.lit(OPEN))
    )
    rows = rows.join(_last_lost(rows, rejects), on="no", how="left", maintain_order="left")
    ended = (pl.col("order_us") <= pl.col("closed_us")).fill_null(False)
    why = (
        pl.when(pl.col("status") == COMPLETE)
        .then(None)
        .when((pl.col("status") == OPEN) & pl.col("completed_us").is_not_null())
        .then(pl.lit("completed after the end of the period"))
        .when(pl.col("status") == OPEN)
        .then(pl.lit("still open at the end of the period"))
        .when(pl.col("lost_member").is_not_null())
        .then(pl.format("{} rejected at {}", "lost_member", pl.col("lost_station").fill_null("an unknown place")))
        .when(ended)
        .then(pl.lit("order ended"))
        .when(pl.col("closed_us") == pl.col("left_us"))
        .then(pl.lit("carrier left"))
        .otherwise(pl.lit("another product followed"))
    )
    return rows.with_columns(why=why).sort("first_us", "set").drop("no", "left_us", "order_us", "other_us")


def _next_kind(followed: pl.DataFrame) -> pl.DataFrame:
    """When the next set of another kind was begun: kit, last_us, other_us."""
    other = followed.select("first_us", next_kit="kit").sort("first_us")
    pairs = [
        followed.filter(pl.col("kit") == kit)
        .select("kit", "last_us")
        .unique()
        .sort("last_us")
        .join_asof(
            other.filter(pl.col("next_kit") != kit).select(other_us="first_us"),
            left_on="last_us", right_on="other_us", strategy="forward", check_sortedness=False, coalesce=False,
        )
        for kit in followed["kit"].unique().sort().to_list()
    ]  # fmt: skip
    empty = pl.DataFrame(schema={"kit": pl.String, "last_us": pl.Int64, "other_us": pl.Int64})
    return pl.concat([empty, *pairs]).unique(["kit", "last_us"])


def _last_lost(rows: pl.DataFrame, rejects: pl.DataFrame) -> pl.DataFrame:
    """The last reject of a missing member while the set was there: no, lost_member, lost_station, lost_cause, ..."""
    lost = rejects.select(
        "us", lost_member="member", lost_station="station", lost_cause="cause", lost_file="file", lost_line="line",
        lost_us="us",
    ).sort("us", "lost_member", "lost_file", "lost_line", nulls_last=True)  # fmt: skip
    return (
        rows.filter(pl.col("status") == STRANDED)
        .select("no", "first_us", "closed_us", lost_member="missing")
        .explode("lost_member")
        .sort("closed_us", "no")
        .join_asof(
            lost, left_on="closed_us", right_on="us", by="lost_member", strategy="backward", check_sortedness=False
        )
        .filter(pl.col("lost_us") >= pl.col("first_us"))
        .sort("no", "lost_us", "lost_member")
        .group_by("no", maintain_order=True)
        .agg(pl.col("lost_member", "lost_station", "lost_cause", "lost_file", "lost_line").last())
    )
