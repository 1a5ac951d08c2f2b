"""The pace at which good parts leave a cell, in planned busy time: what is usual, and from which part on it is reached.

A period is the planned busy time from one good part to the next of the same run. Usual is a period of at most the
third quartile + 1.5 interquartile ranges of the product's own periods (Tukey, Exploratory Data Analysis, 1977): stops
lie beyond. The rate is stable from the first of STABLE_N parts in a row whose periods are all usual.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

STABLE_N = 5
LEAST = 20
"""Periods of a product that are needed to say what is usual."""

Ints = npt.NDArray[np.int64]


@dataclass(frozen=True)
class BusyClock:
    """Planned busy time as a clock: it stands still in planned stops and outside the plan."""

    starts: Ints
    ends: Ints
    before: Ints  # planned busy time before each start

    def at(self, us: npt.ArrayLike) -> Ints:
        """Return the planned busy time up to each instant."""
        t = np.asarray(us, dtype=np.int64)
        if not len(self.starts):
            return np.zeros_like(t)
        i = np.searchsorted(self.starts, t, side="right") - 1
        inside = np.minimum(t, self.ends[i]) - self.starts[i]
        return np.where(i >= 0, self.before[i] + inside, 0).astype(np.int64)

    def until(self, us: npt.ArrayLike, length_us: npt.ArrayLike) -> Ints:
        """Return the instants at which so much planned busy time has gone by since each instant."""
        if not len(self.starts):
            return np.asarray(us, dtype=np.int64)
        target = self.at(us) + np.asarray(length_us, dtype=np.int64)
        i = np.maximum(np.searchsorted(self.before, target, side="left") - 1, 0)
        found = np.minimum(self.starts[i] + target - self.before[i], self.ends[i])
        late: Ints = np.maximum(found, np.asarray(us, dtype=np.int64)).astype(np.int64)
        return late

    def on(self, frame: pl.DataFrame, **columns: str) -> pl.DataFrame:
        """Add columns name = busy time at the instants of another column (null where that is null)."""
        for name, of in columns.items():
            own = frame[of].cast(pl.Int64)
            frame = frame.with_columns(pl.Series(name, self.at(own.fill_null(0).to_numpy())))
            frame = frame.with_columns(pl.when(pl.col(of).is_not_null()).then(pl.col(name)).alias(name))
        return frame


def busy_clock(plan: pl.DataFrame) -> BusyClock:
    """Make the clock from the cell's plan: rows start_us, end_us, plan; those that are busy count."""
    own = plan.filter(pl.col("plan") == "busy").select("start_us", "end_us").unique().sort("start_us")
    starts, ends = own["start_us"].to_numpy(), own["end_us"].to_numpy()
    length = ends - starts
    return BusyClock(starts, ends, np.cumsum(length) - length)


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
