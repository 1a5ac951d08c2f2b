"""The pace at which good parts leave a cell, in planned busy time: what is usual, and from which part on it is reached.

A period is the planned busy time from one good part to the next of the same run. Usual is a period of at most the
third quartile + 1.5 interquartile ranges of the product's own periods (Tukey, Exploratory Data Analysis, 1977): stops
lie beyond. The rate is stable from the first of STABLE_N parts in a row whose periods are all usual.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import polars as pl

from analytics.busy_clock import BusyClock

STABLE_N = 5
LEAST = 20
"""Periods of a product that are needed to say what is usual."""

Ints = npt.NDArray[np.int64]


def departures(good: pl.DataFrame, clock: BusyClock, family: dict[str, str]) -> pl.DataFrame:
    """Put good parts in order and say of each whether its period was usual and whether the rate is stable from it on.

    Takes    good: us, product, file, line.
    Returns  good by time, with family (product, or the set it belongs to), run (a new one with each family), busy_us,
             period_us (null for the first part of a run), limit_us (null: too few periods), stable (bool: this period
             and those of the next STABLE_N - 1 parts of the run are usual).
    """
    name = pl.col("product").fill_null("?")
    rows = clock.on(good.sort("us", "product", "file", "line", nulls_last=True), busy_us="us").with_columns(
        family=name.replace_strict(family, default=name, return_dtype=pl.String)
    )
    rows = rows.with_columns(run=(pl.col("family") != pl.col("family").shift(1)).fill_null(True).cum_sum())
    rows = rows.with_columns(period_us=pl.col("busy_us") - pl.col("busy_us").shift(1).over("run"))
    rows = rows.join(usual_limits(rows), on="family", how="left", maintain_order="left")
    usual = (pl.col("period_us") <= pl.col("limit_us")).fill_null(False).cast(pl.Int64)
    ahead = sum((usual.shift(-k, fill_value=0).over("run") for k in range(1, STABLE_N)), start=usual)
    return rows.with_columns(stable=ahead == STABLE_N)


def usual_limits(rows: pl.DataFrame) -> pl.DataFrame:
    """Return the longest usual period of each family: family, limit_us. Families with fewer than LEAST are left out."""
    low, high = pl.col("period_us").quantile(0.25, "linear"), pl.col("period_us").quantile(0.75, "linear")
    return (
        rows.filter(pl.col("period_us").is_not_null())
        .group_by("family")
        .agg(n=pl.len(), limit_us=high + 1.5 * (high - low))
        .filter(pl.col("n") >= LEAST)
        .select("family", "limit_us")
        .sort("family")
    )


def first_after(starts: pl.DataFrame, rows: pl.DataFrame) -> pl.DataFrame:
    """Find the first good part after each instant, and the part from which the rate is stable.

    Takes    starts: id, from_us, until_us (null: no end); rows: see `departures`.
    Returns  id, first_us, first_file, first_line, stable_us: null where there is none before until_us.
    """
    own = starts.sort("from_us", "id")
    for name, some in (("first", rows), ("stable", rows.filter("stable"))):
        picked = some.select(pl.col("us").alias(f"{name}_us"), pl.col("us").alias("at"), "file", "line").sort("at")
        own = own.join_asof(
            picked.unique("at", keep="first", maintain_order=True),
            left_on="from_us", right_on="at", strategy="forward", check_sortedness=False, coalesce=False,
        ).rename({"file": f"{name}_file", "line": f"{name}_line"}).drop("at")  # fmt: skip
    soon = [
        pl.when((pl.col(f"{name}_us") < pl.col("until_us")).fill_null(True)).then(pl.col(column)).alias(column)
        for name in ("first", "stable")
        for column in ((f"{name}_us", "first_file", "first_line") if name == "first" else ("stable_us",))
    ]
    return own.select("id", *soon).sort("id")
