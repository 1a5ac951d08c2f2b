"""Mean times between events at a constant rate: chi-square bounds (NIST/SEMATECH e-Handbook 8.4.5.1)."""

from __future__ import annotations

from dataclasses import dataclass
from math import log

from scipy.special import chdtri


@dataclass(frozen=True, slots=True)
class MeanTime:
    """A mean time in the unit of the exposure. value None: no event; high None: no upper bound can be given.

    Without events `low` is a one-sided bound at the same level, else both are sides of one interval.
    """

    events_n: int
    value: float | None
    low: float | None
    high: float | None


def chi2_quantile(share: float, degrees: float) -> float:
    """Return the value that a chi-square variable stays below with this share."""
    return float(chdtri(degrees, 1 - share))


def mean_time(total: float, events_n: int, level: float = 0.95, *, ends_with_event: bool = False) -> MeanTime:
    """Estimate the mean time per event from a total time and the number of events in it.

    A window of a log ends by the clock (2r + 2 degrees of freedom below); with ends_with_event the total ends at the
    last event (2r), as a sum of finished repair times does.
    """
    if total <= 0:
        return MeanTime(events_n, None, None, None)
    if events_n == 0:
        return MeanTime(0, None, None if ends_with_event else total / -log(1 - level), None)
    tail = (1 - level) / 2
    below = 2 * events_n if ends_with_event else 2 * events_n + 2
    return MeanTime(
        events_n,
        total / events_n,
        2 * total / chi2_quantile(1 - tail, below),
        2 * total / chi2_quantile(tail, 2 * events_n),
    )
