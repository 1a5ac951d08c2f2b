"""Short stops: where, and at which hour."""

from __future__ import annotations

import polars as pl

from app.pictures.base import Picture, Scene, ranked, shown, stacked


def pictures(scene: Scene) -> list[Picture]:
    """Seconds by station with and without an alarm, causes, and the rate by hour of day."""
    stations = scene.table("by_station")
    if stations.is_empty():
        return []
    wide = (
        stations.group_by("station", maintain_order=True)
        .agg(
            alarm=pl.col("us").filter(pl.col("alarm")).sum() / 6e7,
            silent=pl.col("us").filter(~pl.col("alarm")).sum() / 6e7,
        )
        .sort(pl.col("alarm") + pl.col("silent"), descending=True)
    )
    parts = {"alarm": ("with an alarm", "#ee8453"), "silent": ("without one", "#8a7660")}
    drawn = shown("Minutes of short stops by station", stacked(wide, "station", parts, "minutes", form=",.0f"))
    causes = scene.table("by_cause").with_columns(minutes=pl.col("us") / 6e7)
    label = pl.concat_str(pl.coalesce("text", "cause", pl.lit("no alarm")), pl.lit(" · "), pl.col("station"))
    drawn += shown(
        "Minutes by cause",
        ranked(causes.sort("us", descending=True), label, "minutes", "minutes", form=",.1f", most=12),
    )
    hours = scene.table("hour_of_day").filter(pl.col("ran_us") > 0)
    drawn += shown(
        "Short stops per hour of running, by hour of the day (of the plant's clock), with 95 % interval",
        ranked(hours, pl.format("{}:00", pl.col("hour").cast(pl.String).str.zfill(2)), "per_h", "per hour of running",
               low="per_h_low", high="per_h_high", form=",.1f", most=24, numbered=False),
    )  # fmt: skip
    return drawn
