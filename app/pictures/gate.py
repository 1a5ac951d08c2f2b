"""The gate: who paced the cell, as a whole and over time."""

from __future__ import annotations

import polars as pl

from app.pictures.base import Picture, Scene, over_time, shown, stacked

PARTS = {
    "work": ("work within its plan", "#a9d9ca"),
    "slow": ("slow running", "#d59ab8"),
    "lost": ("stopped or waiting", "#a3341f"),
}


def pictures(scene: Scene) -> list[Picture]:
    """Share of planned busy time per station, then the gate of each quarter of an hour."""
    stations, quarters = scene.table("stations"), scene.table("quarters")
    if stations.is_empty():
        return []
    whole = pl.col("us").sum()
    shares = stations.with_columns(
        pl.col("station").fill_null("outside the stations"),
        **{name: pl.col(f"{name}_us") / whole for name in PARTS},
    ).sort("us", descending=True)
    drawn = shown(
        "Share of planned busy time in which the cell waited for a station or was paced by it",
        stacked(shares, "station", PARTS, "share of planned busy time"),
    )
    if quarters.height:
        often = quarters.group_by("gate").len().sort("len", descending=True)["gate"].to_list()[:6]
        rows = quarters.filter(pl.col("gate").is_in(often)).with_columns(us="start_us")
        drawn += shown(
            "Quarters of an hour: who gated, and for which share of the quarter",
            over_time(rows, scene.clock, "gate_share", "share of the quarter", series="gate", points=True),
        )
    return drawn
