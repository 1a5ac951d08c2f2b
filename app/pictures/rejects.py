"""Rejects: what for, and when more than usual."""

from __future__ import annotations

import polars as pl

from app.pictures.base import Picture, Scene, over_time, ranked, shown


def pictures(scene: Scene) -> list[Picture]:
    """Rate by cause with its interval, and the p-chart of each station."""
    causes, chart = scene.table("causes"), scene.table("chart")
    if causes.is_empty():
        return []
    label = pl.concat_str(pl.coalesce("text", "cause"), pl.lit(" · "), pl.col("station"))
    percent = causes.with_columns(pl.col("rate_share", "low_share", "high_share") * 100)
    drawn = shown(
        "Rejected per 100 parts, by cause, with 95 % interval",
        ranked(percent, label, "rate_share", "per 100 parts", low="low_share", high="high_share", form=",.2f", most=14),
    )
    for (station,), rows in chart.partition_by("station", as_dict=True, maintain_order=True).items():
        drawn += shown(
            f"{station}: share rejected, group by group; the band holds ordinary variation",
            over_time(rows.with_columns(us="start_us"), scene.clock, "rate_share", "share rejected",
                      low="limit_low_share", high="limit_high_share", points=True, height=180),
        )  # fmt: skip
    return drawn
