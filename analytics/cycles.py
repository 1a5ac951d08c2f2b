"""Cycles and steps: starts paired with their ends, per lane."""

from __future__ import annotations

import polars as pl

from analytics.cell import Cell

CYCLE_SCHEMA = {
    "lane": pl.String,
    "station": pl.String,
    "nest": pl.String,
    "part": pl.String,
    "product": pl.String,
    "start_us": pl.Int64,
    "end_us": pl.Int64,
    "paired": pl.String,
    "planned_us": pl.Int64,
    "start_file": pl.String,
    "start_line": pl.Int64,
    "file": pl.String,
    "line": pl.Int64,
}


def cycles(events: pl.DataFrame, cell: Cell, products: pl.DataFrame, end_us: int) -> pl.DataFrame:
    """Pair every start of work with its end on the same lane.

    Takes    prepared events; products: part, product (what is known of each part); end_us: end of what is looked at.
    Returns  one row per cycle, CYCLE_SCHEMA, sorted by lane and time. `paired` says how far to trust it:
             `both` start and end were logged; `end_only` the station stamps ends only: began at its previous end;
             `open` such a station is at work when the records end, its end is not known;
             `no_start`, `no_end` one record is lost: the cycle is given its planned length, within its neighbours.
    A start is used up by its end; an end never pairs with a start older than the lane's last finished work.
    """
    own = events.filter(pl.col("kind").is_in(["cycle_start", "cycle_end"]) & pl.col("lane").is_not_null())
    if own.is_empty():
        return pl.DataFrame(schema=CYCLE_SCHEMA)
    planned = _planned(own, events, cell, products).rename({"product_": "plan_product"})
    lane = "lane"
    is_start = pl.col("kind") == "cycle_start"
    own = (
        own.join(planned, on="no", how="left", maintain_order="left")
        .with_columns(product=pl.coalesce("product", "plan_product"))
        .sort("lane", "no")
        .with_columns(
            is_start=is_start,
            end_only=~is_start.any().over(lane),
            before_ts=pl.col("ts").shift(1).over(lane),
            before_start=is_start.shift(1).over(lane).fill_null(False),
            before_part=pl.col("part").shift(1).over(lane),
            before_file=pl.col("file").shift(1).over(lane),
            before_line=pl.col("line").shift(1).over(lane),
            after_ts=pl.col("ts").shift(-1).over(lane),
            after_start=is_start.shift(-1).over(lane).fill_null(True),
            after_part=pl.col("part").shift(-1).over(lane),
        )
    )
    same_before = pl.col("before_start") & _same(pl.col("part"), pl.col("before_part"))
    same_after = ~pl.col("after_start") & _same(pl.col("part"), pl.col("after_part"))
    guess = pl.coalesce("planned_us", pl.lit(0))
    ends = own.filter(~pl.col("is_start")).with_columns(
        start_us=pl.when(same_before).then("before_ts")
        .when("end_only").then(pl.coalesce("before_ts", pl.col("ts") - guess))
        .otherwise(pl.max_horizontal(pl.col("ts") - guess, pl.col("before_ts"))),
        end_us=pl.col("ts"),
        paired=pl.when(same_before).then(pl.lit("both")).when("end_only").then(pl.lit("end_only")).otherwise(pl.lit("no_start")),
        start_file=pl.when(same_before | pl.col("end_only")).then("before_file"),
        start_line=pl.when(same_before | pl.col("end_only")).then("before_line"),
    )  # fmt: skip
    starts = own.filter(pl.col("is_start") & ~same_after).with_columns(
        start_us=pl.col("ts"),
        end_us=pl.min_horizontal(pl.col("ts") + guess, pl.col("after_ts")),
        paired=pl.lit("no_end"),
        start_file=pl.col("file"),
        start_line=pl.col("line"),
    )
    # What a station that stamps only ends has begun since its last end is work under way.
    under_way = (
        own.filter("end_only")
        .group_by("lane", maintain_order=True)
        .last()
        .with_columns(
            start_us=pl.col("ts"),
            end_us=pl.lit(end_us, pl.Int64),
            paired=pl.lit("open"),
            part=pl.lit(None, pl.String),
            start_file=pl.col("file"),
            start_line=pl.col("line"),
        )
    )
    return (
        pl.concat([ends, starts, under_way], how="diagonal")
        .filter(pl.col("start_us") < pl.col("end_us"))
        .select(pl.col(name).cast(dtype) for name, dtype in CYCLE_SCHEMA.items())
        .sort("lane", "start_us", "end_us")
    )


def _same(a: pl.Expr, b: pl.Expr) -> pl.Expr:
    return a.is_null() | b.is_null() | (a == b)


def _planned(own: pl.DataFrame, events: pl.DataFrame, cell: Cell, products: pl.DataFrame) -> pl.DataFrame:
    """Product and planned cycle of each record: its own product, else its part's, else the order's at the time.

    Where the product is not known, the station's planned cycle counts if it is the same for all products.
    """
    orders = active_product(events)
    only = (
        cell.planned()
        .group_by("station")
        .agg(only_us=pl.when(pl.col("planned_us").n_unique() == 1).then(pl.col("planned_us").first()))
    )
    known = (
        own.select("no", "ts", "station", "part", own_product="product")
        .join(products.select("part", part_product="product").unique("part", keep="last"), on="part", how="left")
        .sort("ts")
        .join_asof(orders, on="ts", strategy="backward")
        .with_columns(product_=pl.coalesce("own_product", "part_product", "order_product"))
        .join(cell.planned(), left_on=["station", "product_"], right_on=["station", "product"], how="left")
        .join(only, on="station", how="left")
        .with_columns(
            planned_us=pl.when(pl.col("product_").is_null())
            .then(pl.coalesce("planned_us", "only_us"))
            .otherwise("planned_us")
        )
    )
    return known.select("no", "product_", "planned_us")


def active_product(events: pl.DataFrame) -> pl.DataFrame:
    """Product of the order that is being worked, from each instant on: ts, order_product; sorted by ts."""
    return (
        events.filter((pl.col("kind") == "order_start") & pl.col("product").is_not_null())
        .select("ts", order_product="product")
        .sort("ts")
    )


def steps(events: pl.DataFrame) -> pl.DataFrame:
    """Pair the steps of robots.

    Returns  one row per finished step: lane, station, at, step, part, start_us, end_us, file, line, and nest, carrier
             where the record names them. A step without a start began at its robot's previous record of any kind.
    """
    movers = events.filter(pl.col("kind") == "step_end").select("lane").unique()
    asked = ["lane", "station", "at", "step", "part", "file", "line", "nest", "carrier", "product", "kind", "ts", "no"]
    own = events.select(asked).join(movers, on="lane", how="semi").sort("lane", "no")
    lane = "lane"
    return (
        own.with_columns(
            before_ts=pl.col("ts").shift(1).over(lane),
            start_ts=pl.when(pl.col("kind") == "step_start").then("ts").forward_fill().over(lane),
            done_ts=pl.when(pl.col("kind") == "step_end").then("ts").forward_fill().shift(1).over(lane),
        )
        .filter(pl.col("kind") == "step_end")
        .with_columns(
            start_us=pl.when(pl.col("start_ts") >= pl.col("done_ts").fill_null(-(2**62)))
            .then("start_ts")
            .otherwise(pl.coalesce("before_ts", "ts")),
            end_us=pl.col("ts"),
        )
        .select("lane", "station", "at", "step", "part", "start_us", "end_us", "file", "line", "nest", "carrier")
    )
