"""Sets: which member is waited for."""

from __future__ import annotations

import polars as pl

from app.pictures.base import Picture, Scene, ranked, shown


def pictures(scene: Scene) -> list[Picture]:
    """How often a member came last, with its interval."""
    last = scene.table("last_member")
    if last.is_empty():
        return []
    percent = last.with_columns(pl.col("last_share", "low_share", "high_share") * 100)
    label = pl.concat_str("kit", pl.lit(": "), "member")
    return shown(
        "Sets of 100 in which this member came last, with 95 % interval",
        ranked(percent, label, "last_share", "of 100 sets", low="low_share", high="high_share", form=",.0f", most=20),
    )
