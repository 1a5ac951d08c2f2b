"""Spread and capability of a series against its limits."""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl

from analytics.statistics.capability import MOVING_RANGE_DOF, Capability, by_percentiles, capability, percentiles
from analytics.statistics.control_charts import individuals
from analytics.statistics.intervals import wilson

LEAST = 30
"""Values of an index; below it the interval is wider than the figure is worth (common practice: 30 to 50)."""

KEY = {"station": pl.String, "characteristic": pl.String, "product": pl.String, "nest": pl.String}
NUMBERS = ("mean", "low", "high", "sigma_within", "sigma", "out_share", "out_low_share", "out_high_share")
SPREAD = {
    **KEY, "values_n": pl.Int64, **dict.fromkeys(NUMBERS[:5], pl.Float64), "out_n": pl.Int64,
    **dict.fromkeys(NUMBERS[5:], pl.Float64), "steady": pl.Boolean,
}  # fmt: skip
INDICES = {
    **KEY, "values_n": pl.Int64,
    **{f"{name}{end}": pl.Float64 for name in ("cp", "cpk", "pp", "ppk") for end in ("", "_low", "_high")},
    "ppk_percentile": pl.Float64,
}  # fmt: skip


def spread(key: dict[str, Any], own: pl.DataFrame, *, steady: bool) -> dict[str, Any]:
    """One row of SPREAD: mean, both sigmas, and the share of values outside the limits with its interval."""
    v = own["value"].to_numpy()
    low, high = own["low"][0], own["high"][0]
    limited = low is not None or high is not None
    out = int(((v < (-np.inf if low is None else low)) | (v > (np.inf if high is None else high))).sum())
    ends = wilson(out, v.size) if limited else (None, None)
    return {
        **key, "values_n": v.size, "mean": float(v.mean()), "low": low, "high": high,
        "sigma_within": individuals(v).sigma if v.size > 1 else None,
        "sigma": float(v.std(ddof=1)) if v.size > 1 else None, "out_n": out if limited else None,
        "out_share": out / v.size if limited else None, "out_low_share": _number(ends[0]),
        "out_high_share": _number(ends[1]), "steady": steady,
    }  # fmt: skip


def _number(value: Any) -> float | None:
    return None if value is None else float(value)


def indices(key: dict[str, Any], own: pl.DataFrame, *, steady: bool) -> dict[str, Any] | None:
    """One row of INDICES. None: no limit, fewer than LEAST values, or values that do not spread.

    Cp and Cpk are null where the series is not steady: they would tell of a process that there was not.
    """
    v = own["value"].to_numpy()
    low, high = own["low"][0], own["high"][0]
    if v.size < LEAST or (low is None and high is None):
        return None
    n, mean = v.size, float(v.mean())
    whole = capability(mean, float(v.std(ddof=1)), low, high)
    within = capability(mean, individuals(v).sigma, low, high)
    if whole is None or within is None:
        return None
    points = percentiles(v)
    seen = by_percentiles(*points, low, high) if points else None
    return {
        **key, "values_n": n,
        **(_row("c", within, n, MOVING_RANGE_DOF * (n - 1)) if steady else {}),
        **_row("p", whole, n, n - 1.0),
        "ppk_percentile": seen.cpk if seen else None,
    }  # fmt: skip


def _row(letter: str, found: Capability, n: int, dof: float) -> dict[str, float | None]:
    both, nearer = found.interval_cp(dof) or (None, None), found.interval_cpk(n, dof) or (None, None)
    p, pk = f"{letter}p", f"{letter}pk"
    return {
        p: found.cp, f"{p}_low": both[0], f"{p}_high": both[1],
        pk: found.cpk, f"{pk}_low": nearer[0], f"{pk}_high": nearer[1],
    }  # fmt: skip
