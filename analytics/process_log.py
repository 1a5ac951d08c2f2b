"""The cycles of a window as a process log: one event per start, per end, and for each part that leaves."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import polars as pl

from analytics.account import Window

LEAVING: Final = ("good", "reject", "removed")
"""Moves that are events: the part left the cell so."""

EVENT_SCHEMA: Final = {
    "us": pl.Int64,
    "kind": pl.String,  # start, complete, or one of LEAVING
    "trace": pl.String,  # the part; for work on an unnamed one its lane and time
    "part": pl.String,
    "product": pl.String,
    "set": pl.String,
    "carrier": pl.String,
    "order": pl.String,
    "station": pl.String,
    "nest": pl.String,
    "outcome": pl.String,
    "cause": pl.String,
    "paired": pl.String,
    "cycle": pl.String,
}


@dataclass(frozen=True, slots=True)
class ProcessLog:
    """What an export is made of.

    events  one row per event, EVENT_SCHEMA; traces in the order of their first events, within a trace in order of time
    parts   one row per part: part, product, set, carrier, outcome
    orders  order, product, quantity
    """

    events: pl.DataFrame
    parts: pl.DataFrame
    orders: pl.DataFrame

    @property
    def traces_n(self) -> int:
        """Number of traces."""
        return self.events["trace"].n_unique()

    def count(self, kind: str) -> int:
        """Number of events of a kind."""
        return int((self.events["kind"] == kind).sum())


def process_log(
    cycles: pl.DataFrame, moves: pl.DataFrame, parts: pl.DataFrame, orders: pl.DataFrame, window: Window
) -> ProcessLog:
    """Make the process log of a window from the facts of its days.

    A cycle belongs to the window in which it ends, as it does in the account, and gives two events. `paired` says how
    far to trust them (analytics.cycles). A part is in the order that ran when its cycle began.
    """
    known = parts.unique(["part", "life"], keep="last", maintain_order=True).unique(
        "part", keep="last", maintain_order=True
    )
    known = known.select("part", "product", "set", "carrier", "outcome", of_cause="cause")
    ran = orders.group_by("order", maintain_order=True).agg(
        pl.col("product", "quantity").drop_nulls().first(), pl.col("start_us").min(), pl.col("end_us").max()
    )
    inside = cycles.filter((pl.col("end_us") > window.from_us) & (pl.col("end_us") <= window.to_us))
    inside = inside.sort("end_us", "lane", "start_us").with_row_index("n")
    told = _with_order(inside, ran).join(known, on="part", how="left", maintain_order="left", suffix="_part")
    name = pl.format("{} {}", "lane", pl.from_epoch("start_us", time_unit="us").dt.strftime("%Y-%m-%dT%H:%M:%S%.6fZ"))
    whole = told.select(
        pl.col("start_us", "end_us", "part", "set", "carrier", "order", "station", "nest", "paired"),
        trace=pl.coalesce("part", name),
        product=pl.coalesce("product", "product_part"),
        outcome=pl.coalesce("outcome_part", "outcome"),
        cause=pl.coalesce("of_cause", "outcome_cause"),
        cycle=pl.format("c{}", "n"),
    )
    begun = whole.with_columns(us=pl.col("start_us"), kind=pl.lit("start"))
    ended = whole.with_columns(us=pl.col("end_us"), kind=pl.lit("complete"))
    left = moves.filter(
        pl.col("move").is_in(LEAVING) & (pl.col("us") >= window.from_us) & (pl.col("us") < window.to_us)
    ).join(known.select("part", "carrier"), on="part", how="left", maintain_order="left")
    left = left.with_columns(
        trace=pl.coalesce("part", pl.format("{} {}", "station", "us")), kind="move", outcome="move", start_us="us"
    )
    columns = [*EVENT_SCHEMA, "start_us"]
    left = left.select(c for c in columns if c in left.columns)
    events = pl.concat([begun.select(columns), ended.select(columns), left], how="diagonal")
    rank = pl.col("kind").replace_strict({"start": 1, "complete": 2}, default=3, return_dtype=pl.Int8)
    events = (
        events.with_columns(rank=rank, first=pl.col("us").min().over("trace"))
        # at one instant the cycle that began earlier ends before the next one starts
        .sort("first", "trace", "us", pl.when(rank == 3).then(pl.lit(2**62)).otherwise("start_us"), "rank", "cycle")
        .select(pl.col(c).cast(t) for c, t in EVENT_SCHEMA.items())
    )
    seen = known.join(events.select("part").drop_nulls().unique(), on="part", how="semi", maintain_order="left")
    used = events["order"].drop_nulls().unique()
    return ProcessLog(events, seen.drop("of_cause"), ran.filter(pl.col("order").is_in(used.implode())))


def _with_order(cycles: pl.DataFrame, orders: pl.DataFrame) -> pl.DataFrame:
    ran = orders.select("start_us", "order", until="end_us").sort("start_us")
    found = (
        cycles.select("n", "start_us").sort("start_us").join_asof(ran, on="start_us", strategy="backward")
        .filter(pl.col("start_us") < pl.col("until")).select("n", "order")
    )  # fmt: skip
    return cycles.join(found, on="n", how="left", maintain_order="left")
