"""What to do first: what each would bring, at most."""

from __future__ import annotations

import polars as pl

from app.pictures.base import Picture, Scene, ranked, shown


def pictures(scene: Scene) -> list[Picture]:
    """Opportunities in parts per shift, with their intervals."""
    found = scene.table("opportunities")
    if found.is_empty():
        return []
    unit = f"{scene.cell.unit}s per shift, at most"
    cause = pl.when(pl.col("cause").is_not_null()).then(pl.lit(", ") + pl.col("cause")).otherwise(pl.lit(""))
    label = pl.concat_str(pl.col("what"), pl.lit(" · "), pl.col("station").fill_null("cell"), cause)
    chart = ranked(found, label, "parts_per_shift", unit, low="low", high="high", form=",.1f", most=12)
    return shown("What each would bring: bar and tick the estimate, thin line its 95 % interval", chart)
