"""Flow: who waits for whom, and the bottleneck."""

from __future__ import annotations

import polars as pl

from app.pictures.base import MOST_MARKS, Picture, Scene, over_time, shown, stacked
from app.theme import look

WAITING = {
    "active_share": ("active", look("good").color),
    "starved_share": ("starved", look("starved").color),
    "blocked_share": ("blocked", look("blocked").color),
    "outside_share": ("waiting for outside", look("waiting_people").color),
    "unknown_share": ("not known", "#b2aea1"),
}
SHARES = {"sole_share": ("alone", "#0f5c52"), "shifting_share": ("while it shifted", "#a9d9ca")}


def pictures(scene: Scene) -> list[Picture]:
    """Waiting per station, share of time as the momentary bottleneck, levels of buffers."""
    waiting, bottleneck = scene.table("waiting"), scene.table("bottleneck")
    drawn = shown(
        "What stations did in planned busy time", stacked(waiting, "station", WAITING, "share of planned busy time")
    )
    if bottleneck.height:
        rows = bottleneck.sort("bottleneck_share", descending=True)
        drawn += shown("Momentary bottleneck", stacked(rows, "lane", SHARES, "share of planned busy time"))
    levels = scene.table("levels_over_time")
    if levels.height and levels.height <= MOST_MARKS:
        named = levels.with_columns(us="start_us", buffer=pl.concat_str("from", pl.lit(" → "), "to"))
        drawn += shown(
            "Parts in buffers, mean of each span",
            over_time(named, scene.clock, "mean_n", "parts", series="buffer", form=",.1f"),
        )
    return drawn
