"""Changeovers: from what to what, and what they were made of."""

from __future__ import annotations

import polars as pl

from app.pictures.base import Picture, Scene, shown, stacked
from app.theme import look

MADE_OF = {
    "no_order_us": ("no order", look("no_order").color),
    "before_set_up_us": ("before the set-up", "#8a7660"),
    "set_up_us": ("set-up", look("changeover").color),
    "stopped_us": ("stopped", look("breakdown").color),
    "carrier_change_us": ("carrier change", look("carrier_change").color),
    "filling_us": ("filling", look("good").color),
    "other_us": ("other", "#b2aea1"),
}


def pictures(scene: Scene) -> list[Picture]:
    """Each changeover, the longest first, as what it was made of."""
    made = scene.table("made_of")
    if made.is_empty():
        return []
    at = (
        pl.from_epoch("start_us", time_unit="us")
        .dt.replace_time_zone("UTC")
        .dt.convert_time_zone(scene.plant.file.zone)
    )
    rows = made.sort("us", descending=True).head(20).with_columns(
        pl.col(*(c for c in MADE_OF if c in made.columns)) / 6e7,
        label=pl.concat_str("old", pl.lit(" → "), "new", pl.lit(", "), at.dt.strftime("%d %b %H:%M")),
    )  # fmt: skip
    return shown(
        "Minutes of planned time from the last good part of the old product to the first of the new",
        stacked(rows, "label", MADE_OF, "minutes", form=",.0f"),
    )
