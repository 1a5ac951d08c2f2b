"""How the lengths of cycles lie: counts in classes for plotting, and whether there are two modes."""

from __future__ import annotations

import numpy as np
import polars as pl

from analytics.statistics.multiple_looks import benjamini_hochberg
from analytics.statistics.two_modes import modes
from analytics.studies.cycle_times.tables import KEY, UNKNOWN

CLASSES = 40
"""Classes of a distribution, at most; one more holds all that is longer than 99 %."""
STEPS_US = tuple(round(base * 10**power) for power in range(3, 9) for base in (1, 2, 5))
"""Widths of classes: 1, 2, 5, 10 ms and so on."""

HISTOGRAM = {
    "lane": pl.String(), "step": pl.String(), "product": pl.String(), "from_us": pl.Int64(), "to_us": pl.Int64(),
    "cycles_n": pl.Int64(),
}  # fmt: skip
MODES = {
    "lane": pl.String(), "step": pl.String(), "product": pl.String(), "cycles_n": pl.Int64(), "dip": pl.Float64(),
    "chance": pl.Float64(), "false_share": pl.Float64(), "low_us": pl.Float64(), "high_us": pl.Float64(),
    "high_share": pl.Float64(), "two": pl.Boolean(),
}  # fmt: skip


def histogram(work: pl.DataFrame) -> pl.DataFrame:
    """Count net times in classes of a round width: one row per lane, step, product and class that holds any.

    Returns  KEY, from_us, to_us (null: the last class is open), cycles_n. At most CLASSES + 1 rows per group.
    """
    top = pl.col("net_us").quantile(0.99, "higher").over(KEY)
    low = pl.col("net_us").min().over(KEY)
    wanted = (top - low) / (CLASSES - 1)
    widths = pl.DataFrame({"width": STEPS_US}, schema={"width": pl.Int64}).sort("width")
    rows = (
        work.select(*KEY, "net_us", wanted=wanted.ceil().cast(pl.Int64).clip(STEPS_US[0], STEPS_US[-1]), top=top)
        .sort("wanted")
        .join_asof(widths, left_on="wanted", right_on="width", strategy="forward")
        .with_columns(beyond=pl.col("net_us") > pl.col("top"))
        .with_columns(within=pl.when("beyond").then("top").otherwise("net_us").cast(pl.Int64))
        .with_columns(from_us=pl.col("within") // pl.col("width") * pl.col("width"))
        .with_columns(from_us=pl.col("from_us") + pl.when("beyond").then("width").otherwise(0))
        .with_columns(to_us=pl.when(~pl.col("beyond")).then(pl.col("from_us") + pl.col("width")))
    )
    return (
        rows.group_by(*KEY, "from_us", "to_us")
        .agg(cycles_n=pl.len().cast(pl.Int64))
        .sort(*KEY, "from_us", nulls_last=True)
        .select(list(HISTOGRAM))
        .with_columns(pl.col(*KEY).cast(pl.String))
        .with_columns(pl.col("product").fill_null(UNKNOWN))
    )


def two_modes(*work: pl.DataFrame) -> pl.DataFrame:
    """Test the usual net times of each lane, step and product for two modes; stops are left out by the caller.

    Takes    one frame or more, of which none continues another's groups.
    Returns  one row per group with enough cycles: MODES, those with two first. chance: of so large a dip with one
             mode; false_share: Benjamini and Hochberg's correction for all groups; two: taken as shown, with the
             places of both modes and the share of cycles at the longer one.
    """
    found = []
    for key, own in (group for frame in work for group in frame.select(*KEY, "net_us").group_by(KEY)):
        told = modes(own["net_us"].to_numpy())
        if told is not None:
            places = (told.low, told.high, told.high_share, told.two)
            found.append((*key, own.height, told.dip, told.chance, np.nan, *places))
    frame = pl.DataFrame(found, schema=MODES, orient="row").sort(~pl.col("two"), "chance", *KEY, nulls_last=True)
    return frame.with_columns(
        false_share=pl.Series(benjamini_hochberg(frame["chance"].to_numpy()), dtype=pl.Float64),
        product=pl.col("product").fill_null(UNKNOWN),
    )
