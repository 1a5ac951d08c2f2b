"""Stops and repairs: what each cause cost the cell."""

from __future__ import annotations

import polars as pl

from app.pictures.base import Picture, Scene, ranked, shown
from app.print_study import EVERYWHERE


def pictures(scene: Scene) -> list[Picture]:
    """Causes by lost parts, and the time between failures with its interval."""
    pareto, between = scene.table("pareto"), scene.table("between_failures")
    if pareto.is_empty():
        return []
    label = pl.concat_str(pl.coalesce("text", "cause", pl.lit("cause not known")), pl.lit(" · "), pl.col("station"))
    drawn = shown(
        f"{scene.cell.unit}s lost at the cell, by cause",
        ranked(pareto, label, "lost_parts", f"{scene.cell.unit}s lost", form=",.0f", most=14),
    )
    hours = between.with_columns(pl.col("mtbf_us", "mtbf_low_us", "mtbf_high_us") / 3.6e9)
    names = pl.concat_str(pl.col("station").replace("*", EVERYWHERE), pl.lit(", "), pl.col("failures"))
    drawn += shown(
        "Hours worked between failures, with 95 % interval",
        ranked(
            hours.sort("mtbf_us"),
            names,
            "mtbf_us",
            "hours",
            low="mtbf_low_us",
            high="mtbf_high_us",
            form=",.1f",
            most=14,
        ),
    )
    return drawn
