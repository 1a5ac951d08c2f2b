"""Restarts: what the first minutes after each kind cost."""

from __future__ import annotations

import polars as pl

from app.pictures.base import Picture, Scene, ranked, shown


def pictures(scene: Scene) -> list[Picture]:
    """Minutes that one restart of each kind cost beyond calm running, with its interval."""
    kinds = scene.table("kinds")
    if kinds.is_empty():
        return []
    minutes = kinds.with_columns(pl.col("beyond_us", "beyond_low_us", "beyond_high_us") / 6e7)
    return shown(
        "Minutes lost in the first ten after a restart, with 95 % interval",
        ranked(minutes.sort("beyond_us", descending=True), pl.format("{} ({})", "kind", "restarts_n"), "beyond_us",
               "minutes", low="beyond_low_us", high="beyond_high_us", form=",.1f"),
    )  # fmt: skip
