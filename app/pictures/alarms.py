"""Alarms: what they cost, and how many come at once."""

from __future__ import annotations

import polars as pl

from app.pictures.base import Picture, Scene, over_time, ranked, shown


def pictures(scene: Scene) -> list[Picture]:
    """Alarms by lost parts, and their number in each ten minutes."""
    alarms, rate = scene.table("alarms"), scene.table("per_ten_minutes")
    if alarms.is_empty():
        return []
    label = pl.concat_str(pl.coalesce("text", "code"), pl.lit(" · "), pl.col("station").fill_null("cell"))
    drawn = shown(
        f"{scene.cell.unit}s lost at the cell, by alarm",
        ranked(alarms, label, "lost_parts", f"{scene.cell.unit}s lost", form=",.0f", most=14),
    )
    if rate.height:
        drawn += shown(
            "Alarms in ten minutes; ten and more are a flood",
            over_time(rate.with_columns(us="start_us"), scene.clock, "alarms_n", "alarms", form=",.0f"),
        )
    return drawn
