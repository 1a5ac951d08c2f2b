"""Charts of single values: moving range, EWMA, and the rules of Western Electric."""

from __future__ import annotations

import numpy as np
import polars as pl

from analytics.statistics.control_charts import Individuals, ewma, individuals, moving_ranges
from analytics.statistics.drift import Stretch
from analytics.statistics.run_rules import WESTERN_ELECTRIC, false_shares, western_electric

LEAST = 20
"""Values of a chart; fewer give limits that mean nothing (common practice: 20 to 25)."""
WEIGHT, WIDTH = 0.2, 3.0
"""Of the EWMA chart: a steady process signals at about 1 of 560 values."""

CHART = {
    "station": pl.String, "nest": pl.String, "characteristic": pl.String, "product": pl.String, "at_us": pl.Int64,
    "part": pl.String, "value": pl.Float64, "center": pl.Float64, "limit_low": pl.Float64, "limit_high": pl.Float64,
    "moving_range": pl.Float64, "range_limit": pl.Float64, "ewma": pl.Float64, "ewma_low": pl.Float64,
    "ewma_high": pl.Float64, "rules": pl.String,
}  # fmt: skip
SIGNALS = {
    "station": pl.String, "nest": pl.String, "characteristic": pl.String, "product": pl.String, "rule": pl.String,
    "values_n": pl.Int64, "signals_n": pl.Int64, "by_chance_n": pl.Float64, "first_at_us": pl.Int64,
}  # fmt: skip
EWMA_FALSE = 1 / 560
"""Share of signals of a steady process (average run length of Lucas and Saccucci, Technometrics 32, 1990, 1-12)."""


def limits_from(values: np.ndarray, cut: list[Stretch] | None) -> tuple[int, int]:
    """Say from which values a chart takes its limits: the longest stretch that stands; all of them without one."""
    standing = [s for s in cut or [] if not s.moves and s.last - s.first >= LEAST]
    if not standing:
        return 0, values.size
    longest = max(standing, key=lambda s: (s.last - s.first, -s.first))
    return longest.first, longest.last


def chart(
    key: dict[str, str | None], own: pl.DataFrame, cut: list[Stretch] | None
) -> tuple[pl.DataFrame, pl.DataFrame, Individuals] | None:
    """Chart one series. Returns rows of CHART, rows of SIGNALS and the chart; None: too few values, or all alike."""
    v = own["value"].to_numpy()
    first, last = limits_from(v, cut)
    if v.size < LEAST:
        return None
    x = individuals(v[first:last])
    if not x.sigma > 0:
        return None
    fired = western_electric((v - x.x.center) / x.sigma)
    far, reach = ewma(v, x.x.center, x.sigma, WEIGHT, WIDTH)
    alarm = reach.beyond(far)
    ranges = np.concatenate([[np.nan], moving_ranges(v)])
    names = [np.where(flags, str(rule), "") for rule, flags in fired.items()] + [np.where(alarm, "E", "")]
    rules = names[0]
    for more in names[1:]:
        rules = np.char.add(rules, more)
    points = own.with_columns(
        center=pl.lit(x.x.center), limit_low=pl.lit(x.x.low), limit_high=pl.lit(x.x.high),
        moving_range=pl.Series(ranges).fill_nan(None), range_limit=pl.lit(x.mr.high), ewma=pl.Series(far),
        ewma_low=pl.Series(np.asarray(reach.low)), ewma_high=pl.Series(np.asarray(reach.high)),
        rules=pl.Series(rules.tolist(), dtype=pl.String),
        **{k: pl.lit(name, pl.String) for k, name in key.items()},
    ).select(pl.col(c).cast(t) for c, t in CHART.items())  # fmt: skip
    at = own["at_us"].to_numpy()
    expected = {WESTERN_ELECTRIC[rule]: share for rule, share in false_shares().items()} | {"EWMA": EWMA_FALSE}
    flags = {WESTERN_ELECTRIC[rule]: f for rule, f in fired.items()} | {"EWMA": alarm}
    signals = pl.DataFrame(
        [
            {
                **key, "rule": name, "values_n": v.size, "signals_n": int(f.sum()), "by_chance_n": share * v.size,
                "first_at_us": int(at[np.argmax(f)]) if f.any() else None,
            }
            for (name, f), share in zip(flags.items(), expected.values(), strict=True)
        ],
        schema=SIGNALS,
    )  # fmt: skip
    return points, signals, x


def single_values_far_off(signals: pl.DataFrame) -> bool:
    """Tell whether clearly more single values lie beyond 3 sigma than chance puts there."""
    row = signals.row(0, named=True)
    return bool(row["signals_n"] > row["by_chance_n"] + 4 * np.sqrt(row["by_chance_n"]) + 1)
