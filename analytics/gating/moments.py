"""Moments: what the log says happened at one instant, and the threads that run through it.

A record of a robot may be several things at once: the end of its step, a part out of one place, another part into it.
That is one moment, and it lies on several threads: that of the robot, that of the place, those of the parts and of
what carries them.
"""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from analytics.cell import Cell

LATE_US = 100_000
"""A start is put so much later than stamped when moments of several clocks are put in order: residues of the clocks."""

WORK_KINDS = ("step_end", "cycle_end", "step_start", "cycle_start", "part_out", "part_in")
MANY_PLACES = ("carrier", "buffer")
"""Kinds of stations that hold several parts: the next may come although the last is still there."""


@dataclass(frozen=True)
class Moments:
    """The moments of one cell, in order of time.

    table    m (from 0), ts, lane (who acted), station, what (step, "end", "start", "out", "in", "wait", "go"), part,
             product, state (of a wait), at, holds (bool: the actor took a part and has not put it down), source, file,
             line
    rows     one row per event of a moment: m, ts, lane, station, kind, part, carrier; numbers instead of the names of
             lane, part and carrier (lane_no …), which sort more quickly
    robots   lanes whose steps are logged
    """

    table: pl.DataFrame
    rows: pl.DataFrame
    robots: list[str]

    @property
    def n(self) -> int:
        """Return how many there are."""
        return self.table.height


def moments(events: pl.DataFrame, fates: pl.DataFrame, cell: Cell) -> Moments:
    """Collect the moments of prepared events."""
    robots = events.filter(pl.col("kind").is_in(["step_end", "step_start"]) & pl.col("lane").is_not_null())
    robot_lanes = sorted(robots["lane"].unique().to_list())
    kind = pl.col("kind")
    physical = kind.is_in(WORK_KINDS) & (pl.col("lane").is_not_null() | pl.col("part").is_not_null())
    waits = (kind == "state") & pl.col("lane").is_in(robot_lanes)
    rows = (
        events.filter(physical | waits)
        .select(
            "no",
            "ts",
            "lane",
            "station",
            "kind",
            "part",
            "carrier",
            "product",
            "state",
            "at",
            "step",
            "source",
            "file",
            "line",
        )
        .with_columns(pl.struct("ts", "file", "line").rle_id().cast(pl.Int64).alias("m"))
        .with_columns(
            rank=kind.replace_strict({k: n for n, k in enumerate(WORK_KINDS)}, default=9, return_dtype=pl.Int8)
        )
    )
    actors = rows.sort("m", "rank", "no", maintain_order=True).unique("m", keep="first", maintain_order=True)
    went_out = (
        rows.filter(kind == "part_out").select("m", "part").join(
            rows.filter(kind == "part_in").select("m", "part"), on=["m", "part"], how="anti", nulls_equal=True
        )
    )["m"].unique()  # fmt: skip
    is_robot = pl.col("lane").is_in(robot_lanes)
    products = fates.select("part", fate_product="product").unique("part", keep="last")
    table = (
        actors.join(products, on="part", how="left", maintain_order="left")
        .with_columns(
            what=pl.when(kind == "step_end")
            .then(pl.col("step").fill_null("step"))
            .when(kind == "state")
            .then(pl.when(pl.col("state") == "running").then(pl.lit("go")).otherwise(pl.lit("wait")))
            .otherwise(kind.replace({"cycle_end": "end", "cycle_start": "start", "step_start": "start",
                                     "part_out": "out", "part_in": "in"})),
            holds=is_robot & pl.col("m").is_in(went_out.implode()) & (kind == "step_end"),
            product=pl.coalesce("product", "fate_product"),
        )
        .select(
            "m", "ts", "lane", "station", "what", "part", "product", "state", "at", "holds", "source", "file", "line"
        )
        .sort("m")
    )  # fmt: skip
    numbers = [pl.col(c).cast(pl.Categorical).to_physical().alias(f"{c}_no") for c in ("lane", "part", "carrier")]
    return Moments(table, rows.select("m", "ts", "lane", "station", "kind", "part", "carrier", *numbers), robot_lanes)
