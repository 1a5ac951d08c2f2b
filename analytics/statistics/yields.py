"""Yields: what share of parts was good at once, after rework, and through a whole row of steps."""

from __future__ import annotations

from collections.abc import Iterable
from math import exp, prod


def first_pass_yield(started: float, not_good_first: float) -> float | None:
    """Return the share of parts that were good without rework. None: no part."""
    return 1 - not_good_first / started if started > 0 else None


def rolled_throughput_yield(first_pass: Iterable[float]) -> float:
    """Return the chance of a part to pass all steps at the first time: the product of their first-pass yields."""
    return prod(first_pass)


def poisson_yield(defects: float, units: float) -> float | None:
    """Return the share of units without a defect if defects fall where they will: exp(-defects per unit)."""
    return exp(-defects / units) if units > 0 else None
