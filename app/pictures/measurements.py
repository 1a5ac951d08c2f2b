"""Measurements: the values of what signals most, within the limits of its chart."""

from __future__ import annotations

import polars as pl

from app.pictures.base import Picture, Scene, over_time, shown

BY = ["station", "nest", "characteristic", "product"]
CHARTS = 3
MARKS = 1_500


def pictures(scene: Scene) -> list[Picture]:
    """The charts of the characteristics with most signals; of long ones the mean of neighbours."""
    chart, signals = scene.table("chart"), scene.table("signals")
    if chart.is_empty():
        return []
    most = (
        signals.group_by(BY)
        .agg(n=pl.col("signals_n").sum())
        .sort("n", *BY, descending=[True, False, False, False, False])
    )
    drawn: list[Picture] = []
    for row in most.head(CHARTS).select(BY).iter_rows(named=True):
        own = chart.filter(pl.col(name).eq_missing(value) for name, value in row.items()).sort("at_us")
        together = max(1, -(-own.height // MARKS))
        rows = own.group_by(pl.int_range(pl.len()) // together, maintain_order=True).agg(
            pl.col("at_us").first().alias("us"), pl.col("value").mean(), pl.col("limit_low", "limit_high").mean()
        )
        words = ", ".join(value for value in row.values() if value)
        more = f"; each point the mean of {together}" if together > 1 else ""
        drawn += shown(
            f"{words}: the band holds ordinary variation{more}",
            over_time(rows, scene.clock, "value", row["characteristic"], low="limit_low", high="limit_high",
                      points=True, form=",.3f", height=200),
        )  # fmt: skip
    return drawn
