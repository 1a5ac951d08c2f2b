"""How many are still going after a time, when some are still going at the end: Kaplan and Meier (1958)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtri

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Survival:
    """A step function: after time[i] this share is still going. Bounds are pointwise, from log(-log S)."""

    time: Floats  # of ends, ascending
    at_risk: Ints
    ends_n: Ints
    share: Floats
    error: Floats  # Greenwood's; nan where the share is 0
    low: Floats  # nan where the share is 0
    high: Floats

    def quantile(self, ended: float = 0.5) -> tuple[float | None, float | None, float | None]:
        """Return the time after which this share has ended, and its bounds; None: not reached, or no bound known."""
        left = 1 - ended

        def first(curve: Floats) -> float | None:
            under = np.flatnonzero(np.nan_to_num(curve, nan=1.0) <= left + 1e-12)
            return float(self.time[under[0]]) if under.size else None

        return first(self.share), first(self.low), first(self.high)


def kaplan_meier(times: ArrayLike, ended: ArrayLike, level: float = 0.95) -> Survival:
    """Estimate the share still going after each time at which something ended.

    ended: whether the time came to its end (else it was still running when the log stopped: censored). At equal
    times ends come before censorings.
    """
    t, event = np.asarray(times, dtype=np.float64), np.asarray(ended, dtype=bool)
    time, ends_n = np.unique(t[event], return_counts=True)
    at_risk = t.size - np.searchsorted(np.sort(t), time, side="left")
    share: Floats = np.cumprod(1 - ends_n / at_risk, dtype=np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        spread = np.cumsum(ends_n / (at_risk * (at_risk - ends_n)))
        error = np.where(share > 0, share * np.sqrt(spread), np.nan)
        wide = ndtri((1 + level) / 2) * np.sqrt(spread) / np.abs(np.log(share))
        low, high = share ** np.exp(wide), share ** np.exp(-wide)
    none = share <= 0
    return Survival(
        time, at_risk, ends_n, share, error, np.where(none, np.nan, low), np.where(none, np.nan, high)
    )  # fmt: skip
