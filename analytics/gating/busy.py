"""Planned busy time as a clock: it stands still in planned stops and outside of shifts."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt
import polars as pl

from analytics.plan import BUSY

Ints = npt.NDArray[np.int64]
BusyClock = Callable[[Ints], Ints]


def busy_clock(plans: pl.DataFrame) -> BusyClock:
    """Return a function from instants to the planned busy time up to them, in microseconds.

    Takes    plans: the plan of one lane, without gaps.
    """
    rows = plans.sort("start_us")
    edges = np.append(rows["start_us"].to_numpy(), rows["end_us"].to_numpy()[-1:])
    held = np.where((rows["plan"] == BUSY).to_numpy(), np.diff(edges), 0)
    total = np.concatenate([[0], np.cumsum(held)])

    def busy(us: Ints) -> Ints:
        found: Ints = np.interp(us, edges, total).round().astype(np.int64)
        return found

    return busy
