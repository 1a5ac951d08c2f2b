"""How many alarms one operator gets: per ten minutes, at the worst, in floods (IEC 62682, ANSI/ISA-18.2)."""

from __future__ import annotations

import numpy as np
import polars as pl
from numpy.typing import NDArray

TEN_MINUTES_US = 600_000_000
HOUR_US = 3_600_000_000

FLOOD_STARTS = 10
"""A flood begins in ten minutes with more alarms than this …"""

FLOOD_LASTS = 5
"""… and lasts while each ten minutes have at least this many."""

BUSY_HOUR = 30
"""An hour with more alarms than this is too much."""

WINDOWS = {"start_us": pl.Int64, "end_us": pl.Int64, "alarms_n": pl.Int64, "flood": pl.Boolean}


def per_window(at_us: NDArray[np.int64], from_us: int, to_us: int, width_us: int = TEN_MINUTES_US) -> pl.DataFrame:
    """Count alarms in fixed windows from `from_us` on: WINDOWS; the last window can be shorter."""
    edges = np.append(np.arange(from_us, to_us, width_us, dtype=np.int64), to_us)
    counts = np.diff(np.searchsorted(np.sort(at_us), edges, side="left"))
    flood = pl.Series("flood", in_flood(counts), dtype=pl.Boolean)
    return pl.DataFrame(
        {"start_us": edges[:-1], "end_us": edges[1:], "alarms_n": counts, "flood": flood}, schema=WINDOWS
    )


def in_flood(counts: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Tell which windows in a row belong to a flood."""
    run = np.cumsum(counts < FLOOD_LASTS)  # windows between two quiet ones have one number
    rows = pl.DataFrame({"run": run, "starts": counts > FLOOD_STARTS, "lasts": counts >= FLOOD_LASTS})
    begun = pl.col("starts").cast(pl.Int8).cum_max().over("run") > 0
    found: NDArray[np.bool_] = rows.select(begun & pl.col("lasts")).to_series().to_numpy()
    return found


def most_within(at_us: NDArray[np.int64], width_us: int = TEN_MINUTES_US) -> tuple[int, int | None]:
    """Return the most alarms in any stretch shorter than the width, and when the first such stretch begins."""
    at = np.sort(at_us)
    if not at.size:
        return 0, None
    inside = np.searchsorted(at, at + width_us, side="left") - np.arange(at.size)
    worst = int(inside.argmax())
    return int(inside[worst]), int(at[worst])


def floods(windows: pl.DataFrame) -> pl.DataFrame:
    """Join the windows of each flood: start_us, end_us, us, alarms_n, most_n (in one window)."""
    again = (
        pl.col("flood") & pl.col("flood").shift(1, fill_value=False) & (pl.col("start_us") == pl.col("end_us").shift(1))
    )
    return (
        windows.with_columns(number=(~again.fill_null(value=False)).cast(pl.Int64).cum_sum())
        .filter("flood")
        .group_by("number", maintain_order=True)
        .agg(
            pl.col("start_us").first(),
            pl.col("end_us").last(),
            pl.col("alarms_n").sum(),
            most_n=pl.col("alarms_n").max(),
        )
        .select("start_us", "end_us", "alarms_n", "most_n", us=pl.col("end_us") - pl.col("start_us"))
    )


def top_share(counts: pl.Series, top_n: int) -> float | None:
    """Share of all annunciations that the most frequent alarms have; None: there were none."""
    total = int(counts.sum())
    return int(counts.sort(descending=True).head(top_n).sum()) / total if total else None
