"""What became of each part.

When it was first seen, when and how it left the cell, and the moves of the parts account.
"""

from __future__ import annotations

import polars as pl

from analytics.cell import Cell

OUTCOMES = ("good", "reject", "removed")
MOVES = ("fed", "found", "good", "reject", "removed", "rework_open", "rework_done", "lost")
"""What the parts account is made of. `found`: first seen behind the entry; `lost`: not seen for `lost_after_h`."""

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
    seen = events.filter(pl.col("part").is_not_null())
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
        .sort("part", "no")
        .with_columns(gone=pl.col("exit").is_not_null().cast(pl.Int8).cum_max().shift(1).over("part").fill_null(0))
        # Entry records after the part has left begin a new life, unless they belong to the same visit.
        .with_columns(
            life=(
                (
                    pl.col("entry")
                    & (pl.col("gone") == 1)
                    & pl.col("exit").shift(1).over("part").is_not_null()
                    & (pl.col("ts") > pl.col("ts").shift(1).over("part"))
                )
                .cast(pl.Int64)
                .cum_sum()
                .over("part")
            )
        )
    )
    left = pl.col("exit").is_not_null()
    return (
        seen.group_by("part", "life", maintain_order=True)
        .agg(
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


def moves(
    fates_: pl.DataFrame, events: pl.DataFrame, cell: Cell, start_us: int, end_us: int, since_us: int
) -> pl.DataFrame:
    """Write down every move of the parts account within [start_us, end_us).

    A part that was lost between since_us and start_us, when no day was kept, is booked as lost at start_us.

    Returns  us, move (MOVES), part, product, set, station, cause, start_up, rework, file, line; in order of time.
    """
    lost_after = round(cell.lost_after_h * 3600e6)
    entries = cell.entries()
    columns = ["us", "move", "part", "product", "set", "station", "cause", "start_up", "rework", "file", "line"]
    base = fates_.with_columns(pl.col("fed_station").is_in(entries).fill_null(False).alias("at_entry"))
    came = base.select(
        us="fed_us", move=pl.when("at_entry").then(pl.lit("fed")).otherwise(pl.lit("found")),
        part="part", product="product", set="set", station="fed_station", cause=pl.lit(None, pl.String),
        start_up="start_up", rework="rework", file="file", line="line",
    )  # fmt: skip
    left = base.filter(pl.col("done_us").is_not_null()).select(
        us="done_us", move="outcome", part="part", product="product", set="set", station="station", cause="cause",
        start_up="start_up", rework="rework", file="file", line="line",
    )  # fmt: skip
    lost = base.filter(pl.col("done_us").is_null()).select(
        us=pl.col("last_us") + lost_after,
        move=pl.lit("lost"),
        part="part",
        product="product",
        set="set",
        station="fed_station",
        cause=pl.lit(None, pl.String),
        start_up="start_up",
        rework="rework",
        file="file",
        line="line",
    )
    # Without part numbers a verdict or a departure is still one part that left; nobody saw it come.
    nameless = events.filter(pl.col("part").is_null()).with_columns(
        move=pl.when((pl.col("kind") == "part_out") & (pl.col("station") == cell.outlet)).then(pl.lit("good"))
        .when((pl.col("kind") == "result") & (pl.col("result") == "reject")).then(pl.lit("reject"))
    ).filter(pl.col("move").is_not_null())  # fmt: skip
    nameless = pl.concat(
        [
            nameless.select(us="ts", move="move", part="part", product="product", set="set", station="station",
                            cause="cause", start_up=pl.lit(False), rework=pl.lit(False), file="file", line="line"),
            nameless.select(us="ts", move=pl.lit("found"), part="part", product="product", set="set",
                            station="station", cause=pl.lit(None, pl.String), start_up=pl.lit(False),
                            rework=pl.lit(False), file="file", line="line"),
        ]
    )  # fmt: skip
    rework = _rework(events, fates_, lost_after)
    late = (pl.col("us") >= since_us) & (pl.col("us") < start_us) & pl.col("move").is_in(["lost", "rework_done"])
    return (
        pl.concat([frame.select(columns) for frame in (came, left, lost, nameless, rework)])
        .with_columns(us=pl.when(late).then(pl.lit(start_us, pl.Int64)).otherwise("us"))
        .filter((pl.col("us") >= start_us) & (pl.col("us") < end_us))
        .sort("us", "part", "move", nulls_last=True)
    )


def stock(fates_: pl.DataFrame, cell: Cell, at_us: int) -> pl.DataFrame:
    """Count the parts inside the cell at an instant: product, inside_n, and rework_n of them in rework."""
    lost_us = pl.col("last_us") + round(cell.lost_after_h * 3600e6)
    inside = (pl.col("fed_us") < at_us) & (pl.coalesce("done_us", lost_us) >= at_us)
    return (
        fates_.filter(inside)
        .group_by("product")
        .agg(inside_n=pl.len().cast(pl.Int64), rework_n=(pl.col("rework_us") < at_us).sum().cast(pl.Int64))
        .sort("product", nulls_last=True)
    )


def _rework(events: pl.DataFrame, fates_: pl.DataFrame, lost_after_us: int) -> pl.DataFrame:
    """A part goes into rework at its first verdict `rework` and comes out when it leaves the cell, or is lost."""
    sent = (
        events.filter((pl.col("result") == "rework") & pl.col("part").is_not_null())
        .group_by("part", maintain_order=True)
        .agg(
            pl.col("ts").first(),
            pl.col("station").first(),
            pl.col("cause").first(),
            pl.col("file").first(),
            pl.col("line").first(),
        )
    )
    known = fates_.filter("rework").select(
        "part", "product", "set", "start_up", "rework", until=pl.coalesce("done_us", pl.col("last_us") + lost_after_us)
    )
    both = sent.join(known, on="part")
    opened = both.select(
        "part",
        "product",
        "set",
        "station",
        "cause",
        "start_up",
        "rework",
        "file",
        "line",
        us="ts",
        move=pl.lit("rework_open"),
    )
    done = both.select(
        "part",
        "product",
        "set",
        "station",
        "cause",
        "start_up",
        "rework",
        "file",
        "line",
        us="until",
        move=pl.lit("rework_done"),
    )
    return pl.concat([opened, done])
