"""A shift's intervals -> few enough rectangles to draw: stops as they were, the rhythm of work drawn together."""

from __future__ import annotations

from typing import Final

import polars as pl

from analytics.cell import CELL

MOST: Final = 3000
"""Rectangles that a browser draws and zooms without a pause."""

RHYTHM: Final = (
    "good", "fast_cycle", "plan_gap", "slow_cycle", "starved", "blocked", "reject", "start_up_reject", "rework",
    "unexplained",
)  # fmt: skip
"""Lines whose pieces come with every cycle; all others are drawn one by one as long as there is room."""

COLUMNS: Final = ("lane", "start_us", "end_us", "line", "cause", "plan", "pieces", "share", "log_file", "log_line")


def clip(ledger: pl.DataFrame, from_us: int, to_us: int, *, cell_lane: bool = False) -> pl.DataFrame:
    """Cut a ledger at a window's edges; rows of no length and (unless asked for) the cell's own lane are left out."""
    inside = (pl.col("start_us") < to_us) & (pl.col("end_us") > from_us) & (pl.col("start_us") < pl.col("end_us"))
    return ledger.filter(inside & ((pl.col("lane") != CELL) | cell_lane)).with_columns(
        pl.col("start_us").clip(from_us, to_us), pl.col("end_us").clip(from_us, to_us)
    )


def overview(pieces: pl.DataFrame, from_us: int, to_us: int, most: int = MOST) -> pl.DataFrame:
    """Draw short pieces of the rhythm together, so that at most about `most` rectangles remain.

    Takes    lane, start_us, end_us, line, cause, plan, log_file, log_line; tiles per lane.
    Returns  COLUMNS in drawing order: first what is drawn together (`pieces`: of how many; `share`: how much of their
             time is on that line), then those that stay as they were (`pieces` 1, `share` 1).
    """
    joined = _join_equal(pieces)
    if joined.height <= most:
        return joined.select(COLUMNS)
    lanes = max(joined["lane"].n_unique(), 1)
    bin_us = max((to_us - from_us) * lanes // (most // 2), 1)
    length = pl.col("end_us") - pl.col("start_us")
    short = pl.col("line").is_in(RHYTHM) & (length < bin_us)
    stops = joined.filter(~short).sort(length, descending=True)
    kept, rest = stops.head(most // 2), stops.slice(most // 2)
    merged = _by_bin(pl.concat([joined.filter(short), rest]), from_us, bin_us)
    return pl.concat([merged.sort("lane", "start_us"), kept.select(COLUMNS).sort("lane", "start_us")])


def _join_equal(pieces: pl.DataFrame) -> pl.DataFrame:
    """Join neighbours that look the same: contiguous, the same line, cause and plan."""
    rows = pieces.sort("lane", "start_us")
    same = (
        (pl.col("start_us") == pl.col("end_us").shift(1))
        & (pl.col("line") == pl.col("line").shift(1))
        & pl.col("cause").eq_missing(pl.col("cause").shift(1))
        & (pl.col("plan") == pl.col("plan").shift(1))
    ).over("lane")
    return (
        rows.with_columns(run=(~same.fill_null(False)).cast(pl.Int64).cum_sum())
        .group_by("run", maintain_order=True)
        .agg(
            pl.col("lane", "start_us", "line", "cause", "plan", "log_file", "log_line").first(),
            pl.col("end_us").last(),
            pieces=pl.len().cast(pl.Int64),
        )
        .with_columns(share=pl.lit(1.0))
    )


def _by_bin(pieces: pl.DataFrame, from_us: int, bin_us: int) -> pl.DataFrame:
    """One row per lane and run of time bins that are mostly the same line."""
    length = pl.col("end_us") - pl.col("start_us")
    per_line = (
        pieces.with_columns(bin=(pl.col("start_us") - from_us) // bin_us, us=length)
        .group_by("lane", "bin", "line", "plan")
        .agg(pl.col("us").sum(), pl.col("start_us").min(), pl.col("end_us").max(), pl.col("pieces").sum())
    )
    bins = (
        per_line.sort("us", "line", descending=[True, False])
        .group_by("lane", "bin", maintain_order=True)
        .agg(
            pl.col("line", "plan").first(),
            pl.col("start_us").min(),
            pl.col("end_us").max(),
            pl.col("pieces").sum(),
            most_us=pl.col("us").first(),
            all_us=pl.col("us").sum(),
        )
        .sort("lane", "bin")
    )
    follows = (
        (pl.col("line") == pl.col("line").shift(1))
        & (pl.col("plan") == pl.col("plan").shift(1))
        & (pl.col("bin") == pl.col("bin").shift(1) + 1)
    ).over("lane")
    return (
        bins.with_columns(run=(~follows.fill_null(False)).cast(pl.Int64).cum_sum())
        .group_by("run", maintain_order=True)
        .agg(
            pl.col("lane", "line", "plan").first(),
            pl.col("start_us").min(),
            pl.col("end_us").max(),
            pl.col("pieces", "most_us", "all_us").sum(),
        )
        .with_columns(
            share=pl.col("most_us") / pl.col("all_us"),
            cause=pl.lit(None, pl.String),
            log_file=pl.lit(None, pl.String),
            log_line=pl.lit(None, pl.Int64),
        )
        .select(COLUMNS)
    )
