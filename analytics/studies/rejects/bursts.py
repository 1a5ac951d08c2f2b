"""Rejects over time: the chart of shares with limits of their own, and bursts by the scan statistic."""

from __future__ import annotations

import numpy as np
import polars as pl
from scipy.special import bdtrc

from analytics.statistics.control_charts import shares
from analytics.statistics.intervals import wilson
from analytics.statistics.scan import clusters

HOUR_US = 3_600_000_000
LEAST_EXPECTED = 5.0
"""Rejects to expect in a group: below it the limits of a chart of shares mean little (common practice: n p >= 5)."""
CHANCE = 0.01
"""Of a burst where there is none, per station and period."""

CHART = {
    "station": pl.String, "group": pl.String, "start_us": pl.Int64, "end_us": pl.Int64, "passed_n": pl.Int64,
    "rejects_n": pl.Int64, "rate_share": pl.Float64, "center_share": pl.Float64, "limit_low_share": pl.Float64,
    "limit_high_share": pl.Float64, "chance": pl.Float64, "beyond": pl.Boolean,
}  # fmt: skip
BURSTS = {
    "station": pl.String, "start_us": pl.Int64, "end_us": pl.Int64, "passed_n": pl.Int64, "rejects_n": pl.Int64,
    "rate_share": pl.Float64, "low_share": pl.Float64, "high_share": pl.Float64, "elsewhere_share": pl.Float64,
    "more_than_usual_n": pl.Float64, "chance": pl.Float64,
}  # fmt: skip


def chart(passes: pl.DataFrame, shifts: pl.DataFrame) -> pl.DataFrame:
    """Chart the share of rejects of each station by the hour, or by the shift where an hour is too short.

    Takes    passes: station, end_us, rejected; shifts: start_us, end_us, shift (without overlap).
    Returns  CHART, in order of station and time. The centre is found twice: without the groups that lie beyond the
             limits of the first time. chance: of at least as many rejects at the centre's rate (binomial).
    """
    rows = []
    for (station,), own in passes.group_by("station", maintain_order=True):
        if not own["rejected"].any():
            continue
        grouped, kind = _grouped(own, shifts)
        n, k = grouped["passed_n"].to_numpy(), grouped["rejects_n"].to_numpy()
        share, limits = shares(k, n)
        steady = ~limits.beyond(share)
        if n[steady].sum() > 0:
            share, limits = shares(k, n, steady)
        at_least = np.where(k > 0, bdtrc(np.maximum(k - 1, 0), n, limits.center), 1.0)
        rows.append(
            grouped.with_columns(
                station=pl.lit(station), group=pl.lit(kind), rate_share=share, center_share=pl.lit(limits.center),
                limit_low_share=limits.low, limit_high_share=limits.high, chance=at_least,
                beyond=limits.beyond(share),
            ).select(pl.col(c).cast(t) for c, t in CHART.items())
        )  # fmt: skip
    return pl.concat(rows).sort("station", "start_us") if rows else pl.DataFrame(schema=CHART)


def _grouped(own: pl.DataFrame, shifts: pl.DataFrame) -> tuple[pl.DataFrame, str]:
    hours = own.with_columns(start_us=pl.col("end_us") // HOUR_US * HOUR_US)
    count = {"passed_n": pl.len().cast(pl.Int64), "rejects_n": pl.col("rejected").sum().cast(pl.Int64)}
    by_hour = hours.group_by("start_us").agg(**count).sort("start_us")
    enough = by_hour["passed_n"].median() * own["rejected"].mean() >= LEAST_EXPECTED  # type: ignore[operator]
    if enough or shifts.is_empty():
        return by_hour.with_columns(end_us=pl.col("start_us") + HOUR_US), "hour"
    spans = shifts.select(shift_start_us="start_us", shift_end_us="end_us").sort("shift_start_us")
    inside = (
        own.sort("end_us")
        .join_asof(spans, left_on="end_us", right_on="shift_start_us", strategy="backward")
        .filter(pl.col("end_us") <= pl.col("shift_end_us"))
    )
    by_shift = inside.group_by(start_us="shift_start_us").agg(**count, end_us=pl.col("shift_end_us").first())
    if by_shift.is_empty():  # work outside every shift
        return by_hour.with_columns(end_us=pl.col("start_us") + HOUR_US), "hour"
    return by_shift.sort("start_us"), "shift"


def bursts(passes: pl.DataFrame, chance: float = CHANCE) -> pl.DataFrame:
    """Find stretches in which a station's rejects are denser than chance puts them anywhere (statistics/scan.py).

    Takes    passes: station, end_us, rejected, start_up. Parts first fed after a restart are left out: that they are
             rejected more often is told as a condition.
    Returns  BURSTS, in order of time. start_us, end_us: first and last reject of the stretch. The interval of the
             rate does not know that the stretch was searched for. elsewhere_share: rate outside all bursts.
    """
    rows: list[dict[str, object]] = []
    for (station,), own in passes.filter(~pl.col("start_up")).group_by("station", maintain_order=True):
        ordered = own.sort("end_us", "lane", "part", nulls_last=True)
        hit, at = ordered["rejected"].to_numpy(), ordered["end_us"].to_numpy()
        found = clusters(hit, chance=chance)
        inside_n = sum(c.items_n for c in found)
        outside = hit.size - inside_n
        usual = (int(hit.sum()) - sum(c.hits_n for c in found)) / outside if outside else 0.0
        for c in found:
            low, high = wilson(c.hits_n, c.items_n)
            rows.append(
                {
                    "station": station, "start_us": int(at[c.first]), "end_us": int(at[c.last]), "passed_n": c.items_n,
                    "rejects_n": c.hits_n, "rate_share": c.hits_n / c.items_n, "low_share": float(low),
                    "high_share": float(high), "elsewhere_share": usual,
                    "more_than_usual_n": c.hits_n - usual * c.items_n, "chance": c.chance,
                }
            )  # fmt: skip
    return pl.DataFrame(rows, schema=BURSTS).sort("start_us", "station")
