"""Cycles: how long they take against plan."""

from __future__ import annotations

import polars as pl

from app.pictures.base import Picture, Scene, ranked, shown


def pictures(scene: Scene) -> list[Picture]:
    """Median net time with its middle half, and how far it is over plan, for the lanes and products seen most."""
    times, spread = scene.table("net_times"), scene.table("net_quantiles")
    if times.is_empty():
        return []
    whole = pl.col("step").is_null() | (pl.col("step") == "")
    own = times.filter(whole)
    own = times if own.is_empty() else own
    rows = (
        own.join(
            spread.select("lane", "step", "product", "p5_us", "p95_us"),
            on=["lane", "step", "product"],
            how="left",
            nulls_equal=True,
        )
        .sort("cycles_n", descending=True)
        .head(24)
        .sort("lane", "product")
        .with_columns(pl.col("p50_us", "p5_us", "p95_us") / 1e6)
    )
    label = pl.concat_str("lane", pl.lit(", "), pl.col("product").fill_null("–"))
    return shown(
        "Net time in seconds: middle, and from the 5 % to the 95 % point; the lanes and products seen most",
        ranked(rows, label, "p50_us", "seconds", low="p5_us", high="p95_us", form=",.2f", most=24),
    )
