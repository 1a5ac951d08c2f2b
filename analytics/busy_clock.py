"""Clocks that stand still at times: that of planned busy time does in planned stops and outside of shifts."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from analytics.plan import BUSY

Ints = npt.NDArray[np.int64]


@dataclass(frozen=True)
class BusyClock:
    """The planned busy time of a cell or lane, or any other time that comes in spans."""

    starts: Ints
    ends: Ints
    before: Ints  # time that has gone by before each start

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
    """Make the clock from the plan of the cell or of one lane (start_us, end_us, plan): what is busy counts."""
    own = plan.filter(pl.col("plan") == BUSY).select("start_us", "end_us").unique().sort("start_us")
    return clock_of(own["start_us"].to_numpy(), own["end_us"].to_numpy())


def clock_of(starts: Ints, ends: Ints) -> BusyClock:
    """Make a clock that goes during spans which do not overlap, in whatever order they come."""
    order = np.argsort(starts, kind="stable")
    starts, ends = starts[order], ends[order]
    length = ends - starts
    return BusyClock(starts, ends, np.cumsum(length) - length)
