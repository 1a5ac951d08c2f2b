"""Figures in the sentences of findings: lengths of time and shares, with their intervals, as people say them."""

from __future__ import annotations

from analytics.statistics.intervals import wilson
from analytics.statistics.order_statistics import Quantile

ENTRY = (
    "Setting up, clearing and refilling can mean entering the cell: the site's lock-out procedure and the risk "
    "assessment of the machine's responsible person decide how it is done (ISO 12100, ISO 14118), not this list."
)
"""Caution for a table of work that people do at the machine."""


def length(us: float) -> str:
    """Write a length of time: 0.4 s, 19.7 s, 2 min 05 s, 1 h 03 min."""
    s = us / 1e6
    if s < 0:
        return f"−{length(-us)}"
    if round(s) < 60:
        return f"{s:.1f} s"
    whole = round(s)
    if whole < 3600:
        return f"{whole // 60} min {whole % 60:02d} s"
    return f"{whole // 3600} h {whole % 3600 // 60:02d} min"


def middle(found: Quantile) -> str:
    """Write a median with its interval: 19.7 s (95 %: 19.5 s to 19.9 s); of few values, say so."""
    if found.low is None or found.high is None:
        return f"{length(found.value)} (of {found.n}: too few for an interval)"
    return f"{length(found.value)} (95 %: {length(found.low)} to {length(found.high)})"


def interval(hits: int, items: int) -> tuple[float | None, float | None]:
    """Return the Wilson interval (95 %) of one share; None, None of no items."""
    if items <= 0:
        return None, None
    low, high = wilson(hits, items)
    return float(low), float(high)


def share(hits: int, items: int) -> str:
    """Write a share with its Wilson interval: 95.9 % (95 %: 95.0 to 96.6) of 2,250."""
    low, high = interval(hits, items)
    if low is None or high is None:
        return "of none"
    return f"{hits / items * 100:.1f} % (95 %: {low * 100:.1f} to {high * 100:.1f}) of {items:,}"


def counted(n: int, one: str, many: str | None = None) -> str:
    """Write a count with its noun: 1 set, 2,250 sets."""
    return f"{n:,} {one if n == 1 else many or one + 's'}"
