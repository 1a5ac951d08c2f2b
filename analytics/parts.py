"""What became of each part.

When it was first seen, and when and how it left the cell.
"""

from __future__ import annotations

import polars as pl

from analytics.cell import Cell

FATE_SCHEMA = {
    "part": pl.String,
    "life": pl.Int64,
    "product": pl.String,
    "set": pl.String,
    "carrier": pl.String,
    "fed_us": pl.Int64,
    "fed_station": pl.String,
    "last_us": pl.Int64,
    "done_us": pl.Int64,
    "outcome": pl.String,
    "station": pl.String,
    "cause": pl.String,
    "rework": pl.Boolean,
    "rework_us": pl.Int64,
    "file": pl.String,
    "line": pl.Int64,
}


ASKED = ["part", "no", "ts", "lane", "station", "kind", "result", "cause", "product", "set", "carrier", "file", "line"]
"""Columns by which parts are followed."""


def join_through_time(events: pl.DataFrame) -> pl.DataFrame:
    """Give records without a part number the part that is in place: gauges and testers that count for themselves.

    Takes    prepared events. Returns the same rows; `part` filled for results, measurements and cycle records of a
    station from the latest record of another source that puts a part there (part_in, step_start, or a cycle_start).
    Only stations whose own records never carry a part are filled.
    """
    wants = events.filter(
        pl.col("kind").is_in(["result", "measurement", "cycle_start", "cycle_end"]) & pl.col("station").is_not_null()
    )
    mute = (
        wants.group_by("source", "lane")
        .agg(pl.col("part").is_null().all().alias("mute"))
        .filter("mute")
        .select("source", "lane")
    )
    puts = events.filter(
        pl.col("part").is_not_null() & pl.col("kind").is_in(["part_in", "cycle_start"]) & pl.col("lane").is_not_null()
    ).select("lane", "ts", there="part", there_set="set", there_product="product")
    if mute.is_empty() or puts.is_empty():
        return events
    blind = wants.join(mute, on=["source", "lane"], how="semi").select("no", "lane", "ts")
    found = blind.sort("ts").join_asof(puts.sort("ts"), on="ts", by="lane", strategy="backward", check_sortedness=False)
    return (
        events.join(found.select("no", "there", "there_product"), on="no", how="left", maintain_order="left")
        .with_columns(
            pl.coalesce("part", "there").alias("part"), pl.coalesce("product", "there_product").alias("product")
        )
        .drop("there", "there_product")
    )


def fates(events: pl.DataFrame, cell: Cell) -> pl.DataFrame:
    """Follow each part from its first to its last record.

    Takes    prepared events.
    Returns  one row per part and life (a number that is used again after its part has left is a new life), columns
             FATE_SCHEMA; done_us and outcome are null while the part is inside.
    """
    entries = cell.entries()
    seen = events.select(ASKED).filter(pl.col("part").is_not_null())
    seen = pl.concat([seen, _left_unsaid(seen, cell)])
    if seen.is_empty():
        return pl.DataFrame(schema=FATE_SCHEMA)
    at_outlet = (pl.col("kind") == "part_out") & (pl.col("station") == cell.outlet)
    outcome = (
        pl.when(
            pl.col("result").is_in(["reject", "removed"]) & pl.col("kind").is_in(["result", "cycle_end", "measurement"])
        )
        .then("result")
        .when(at_outlet)
        .then(pl.lit("good"))
    )
    seen = (
        seen.with_columns(
            exit=outcome,
            entry=pl.col("station").is_in(entries)
            & pl.col("kind").is_in(["part_in", "cycle_start", "cycle_end", "result"]),
        )
        .select("part", "no", "ts", "exit", "entry", "product", "set", "carrier", "station", "cause", "result", "file",
                "line")
        .sort("part", "no", "ts", maintain_order=True)
        .with_columns(first=(pl.col("part") != pl.col("part").shift(1)).fill_null(True))
        # Entry records after the part has left begin a new life, unless they belong to the same visit.
        .with_columns(
            number=pl.col("first").cum_sum(),
            begins=(
                pl.col("entry")
                & ~pl.col("first")
                & pl.col("exit").shift(1).is_not_null()
                & (pl.col("ts") > pl.col("ts").shift(1))
            ),
        )
        .with_columns(life=_count_within("begins"))
    )  # fmt: skip
    left = pl.col("exit").is_not_null()
    return (
        seen.group_by("number", "life", maintain_order=True)
        .agg(
            part=pl.col("part").first(),
            product=pl.col("product").drop_nulls().first(),
            set=pl.col("set").drop_nulls().last(),
            carrier=pl.col("carrier").drop_nulls().last(),
            fed_us=pl.col("ts").first(),
            fed_station=pl.col("station").first(),
            last_us=pl.col("ts").last(),
            done_us=pl.col("ts").filter(left).first(),
            outcome=pl.col("exit").filter(left).first(),
            station=pl.col("station").filter(left).first(),
            cause=pl.col("cause").filter(left).drop_nulls().first(),
            rework=(pl.col("result") == "rework").any().fill_null(False),
            rework_us=pl.col("ts").filter(pl.col("result") == "rework").first(),
            file=pl.coalesce(pl.col("file").filter(left).first(), pl.col("file").last()),
            line=pl.coalesce(pl.col("line").filter(left).first(), pl.col("line").last()),
        )
        .select(pl.col(name).cast(dtype) for name, dtype in FATE_SCHEMA.items())
    )


def _count_within(flag: str) -> pl.Expr:
    """How often a flag was up so far within a part, in rows sorted by part: much quicker than a group per part."""
    so_far = pl.col(flag).fill_null(False).cum_sum().cast(pl.Int64)
    before = pl.when("first").then(so_far - pl.col(flag).fill_null(False).cast(pl.Int64)).forward_fill()
    return pl.when(pl.col(flag).is_not_null()).then(so_far - before)


def _left_unsaid(seen: pl.DataFrame, cell: Cell) -> pl.DataFrame:
    """Departures from the outlet whose record is missing: the part's place was taken by the next one.

    Takes    events with parts.
    Returns  rows like them, kind part_out, at the first record of the part that took the place. None where departures
             are not logged as a rule (of less than half the parts that come to the outlet).
    """
    at_outlet = seen.filter((pl.col("station") == cell.outlet) & pl.col("lane").is_not_null())
    out = pl.col("kind") == "part_out"
    bad = seen.filter(pl.col("result").is_in(["reject", "removed"])).select("part")
    came = (
        at_outlet.filter(pl.col("kind").is_in(["part_in", "cycle_start", "cycle_end"]))
        .sort("no")
        .group_by("lane", "part", maintain_order=True)
        .agg(pl.all().last(), first=pl.col("ts").first())
        .sort("first", "no")
        .with_columns(ts=pl.col("first").shift(-1).over("lane"))
    )
    left = at_outlet.filter(out).select("part").unique()
    if 2 * came.join(left, on="part", how="semi").height < came.height:
        return seen.clear()
    return (
        came.filter(pl.col("ts").is_not_null())
        .join(pl.concat([left, bad]), on="part", how="anti")
        .with_columns(kind=pl.lit("part_out"), result=pl.lit(None, pl.String), cause=pl.lit(None, pl.String))
        .select(seen.columns)
        .cast(seen.schema)
    )


def mark_start_up(fates_: pl.DataFrame, events: pl.DataFrame, cell: Cell, is_first: bool) -> pl.DataFrame:
    """Mark the first `start_up_parts` fed after a start.

    A start is a change of product family, or a return of the cell to automatic mode; where no modes are logged, the
    first part after standing for `restart_after_s`. `is_first`: nothing was recorded before, so the first part, too.
    Returns  fates with start_up (bool).
    """
    if fates_.is_empty():
        return fates_.with_columns(start_up=pl.lit(False))
    mode = events.filter((pl.col("kind") == "mode") & pl.col("station").is_null()).sort("no").select("ts", "state")
    automatic = (pl.col("state") == "automatic") & (pl.col("state").shift(1) != "automatic").fill_null(False)
    restarts = mode.filter(automatic).select(restart="ts").unique().sort("restart")
    family = pl.col("product").replace_strict(cell.family(), default=pl.col("product"), return_dtype=pl.String)
    fed = pl.col("fed_us")
    starts = (
        (family != family.shift(1))
        | (pl.lit(mode.is_empty()) & (fed - fed.shift(1) > round(cell.restart_after_s * 1e6)))
        | pl.col("restart").ne_missing(pl.col("restart").shift(1))
    )
    return (
        fates_.with_row_index("row")
        .sort("fed_us", "part")
        .join_asof(restarts, left_on="fed_us", right_on="restart", strategy="backward")
        .with_columns(run=starts.fill_null(is_first).cast(pl.Int64).cum_sum())
        .with_columns(start_up=(pl.col("run") > 0) & (pl.int_range(pl.len()).over("run") < cell.start_up_parts))
        .sort("row")
        .drop("row", "run", "restart")
    )
