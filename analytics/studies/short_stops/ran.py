"""When the cell ran: the time in which stops could have happened, by which their numbers become rates."""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

HOUR_US = 3_600_000_000
LATE_H = 8
"""Hours since start-up from here on are one class."""


def stretches(cycles: pl.DataFrame, pause_us: int, from_us: int, to_us: int, read_from_us: int) -> pl.DataFrame:
    """Tell when the cell ran: from a first cycle until none has been under way for pause_us, clipped to the window.

    Takes    cycles of all lanes, start_us and end_us, of all that was read, which begins at read_from_us.
    Returns  start_us, end_us, began_us (start of the stretch, which may lie before the window; null: it may have begun
             before what was read), in order. The stretch ends with its last cycle.
    """
    rows = cycles.select("start_us", "end_us").sort("start_us", "end_us")
    latest = pl.col("end_us").cum_max().shift(1)
    new = ((pl.col("start_us") - latest) > pause_us).fill_null(True)
    return (
        rows.with_columns(run=new.cast(pl.Int64).cum_sum())
        .group_by("run", maintain_order=True)
        .agg(pl.col("start_us").min(), pl.col("end_us").max())
        .with_columns(began_us=pl.when(pl.col("start_us") - read_from_us > pause_us).then("start_us"))
        .with_columns(pl.col("start_us").clip(from_us, to_us), pl.col("end_us").clip(from_us, to_us))
        .filter(pl.col("start_us") < pl.col("end_us"))
        .select("start_us", "end_us", "began_us")
    )


def since_start_up(ran: pl.DataFrame) -> pl.DataFrame:
    """How long the cell ran in each hour since a start-up: hour (0: the first; LATE_H: that and all later), ran_us."""
    hours = pl.DataFrame({"hour": range(LATE_H + 1)}, schema={"hour": pl.Int64})
    first = pl.col("began_us") + pl.col("hour") * HOUR_US
    last = pl.when(pl.col("hour") < LATE_H).then(first + HOUR_US).otherwise(pl.col("end_us"))
    inside = (pl.min_horizontal("end_us", last) - pl.max_horizontal("start_us", first)).clip(0, None)
    known = ran.filter(pl.col("began_us").is_not_null())
    return known.join(hours, how="cross").group_by("hour").agg(ran_us=inside.sum()).sort("hour")


def hour_since_start_up(at: pl.DataFrame, ran: pl.DataFrame) -> pl.Series:
    """The hour since start-up of each row's start_us; null outside of what ran and where it is not known."""
    asked = at.select("start_us").with_row_index("row_").sort("start_us")
    there = asked.join_asof(
        ran.select("began_us", t="start_us", until="end_us").sort("t"), left_on="start_us", right_on="t"
    )
    hour = ((pl.col("start_us") - pl.col("began_us")) // HOUR_US).clip(0, LATE_H)
    return there.with_columns(hour=pl.when(pl.col("start_us") < pl.col("until")).then(hour)).sort("row_")["hour"]


def by_edges(ran: pl.DataFrame, edges: Sequence[int]) -> pl.DataFrame:
    """How long the cell ran between neighbouring edges: edge_us (the first of the two), ran_us."""
    schema = {"edge_us": pl.Int64, "until_us": pl.Int64}
    pieces = pl.DataFrame({"edge_us": edges[:-1], "until_us": edges[1:]}, schema=schema)
    inside = (pl.min_horizontal("end_us", "until_us") - pl.max_horizontal("start_us", "edge_us")).clip(0, None)
    return ran.join(pieces, how="cross").group_by("edge_us").agg(ran_us=inside.sum()).sort("edge_us")
