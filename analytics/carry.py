"""What a day must know of the days before it: the few earlier events that still matter."""

from __future__ import annotations

import polars as pl

from analytics.cell import Cell

MARGIN_US = 2 * 3_600_000_000
"""How far beyond a day's edges its events are read. Cycles and fates that reach further count as open."""


RECENT = 60
"""So many parts fed last come along, so that those still inside can be counted from the start of their run."""


ASKED = ["ts", "no", "source", "lane", "station", "nest", "kind", "code", "part", "product", "set", "result"]
"""Columns by which is told what still matters."""


def carry(events: pl.DataFrame, fates: pl.DataFrame, cell: Cell, cut_us: int) -> pl.DataFrame:
    """Select the events before `cut_us` that the time after it cannot be understood without.

    Takes    prepared events (the carry from before included) and the fates of their parts.
    Returns  their `no`: the last record of every source, lane, state, mode, link, counter and planned stop; open
             alarms; the last orders; first and last record of every part still inside, verdicts `rework` among them;
             the parts fed last; placed members of sets that are not complete.
    """
    past = events.select(ASKED).filter(pl.col("ts") < cut_us)
    last_of = (
        (["source"], None),
        (["lane"], None),
        (["lane", "kind"], ["cycle_start", "cycle_end", "step_start", "step_end"]),
        (
            ["station", "nest", "kind", "source"],
            ["state", "mode", "link", "count", "plan_start", "plan_end", "carrier_start"],
        ),
        (["kind"], ["order_start", "order_end"]),
        (["station", "nest", "code"], ["alarm_on", "alarm_off"]),
    )
    keep = [
        (past if kinds is None else past.filter(pl.col("kind").is_in(kinds)))
        .group_by(by)
        .agg(pl.col("no").last())
        .select("no")
        for by, kinds in last_of
    ]
    lost = round(cell.lost_after_h * 3600e6)
    inside = fates.filter(
        (pl.col("fed_us") < cut_us)
        & (pl.col("done_us").is_null() | (pl.col("done_us") >= cut_us))
        & (pl.col("last_us") + lost >= cut_us)
    ).select("part")
    recent = fates.filter(pl.col("fed_us") < cut_us).sort("fed_us").tail(RECENT).select("part", ts="fed_us")
    of_inside = past.join(inside, on="part", how="semi")
    keep += [
        of_inside.group_by("part").agg(pl.col("no").first()).select("no"),
        of_inside.group_by("part").agg(pl.col("no").last()).select("no"),
        of_inside.filter(pl.col("result") == "rework").select("no"),
        of_inside.filter(pl.col("product").is_not_null()).group_by("part").agg(pl.col("no").first()).select("no"),
        past.join(recent, on=["part", "ts"], how="semi").select("no"),
    ]
    if cell.sets:
        size = {s.name: sum(s.members.values()) for s in cell.sets}
        placed = past.filter(
            (pl.col("kind") == "part_out") & (pl.col("station") == cell.outlet) & pl.col("set").is_not_null()
        )
        most = max(size.values())
        open_sets = (
            placed.group_by("set")
            .agg(pl.len(), pl.col("ts").last())
            .filter((pl.col("len") < most) & (pl.col("ts") + lost >= cut_us))
        )
        keep.append(placed.join(open_sets, on="set", how="semi").select("no"))
    kept = pl.concat(keep).unique()
    # A part that is spoken of must not look as if it were still inside: its way out comes along.
    spoken_of = past.join(kept, on="no", how="semi").select("part").drop_nulls().unique()
    out = ((pl.col("kind") == "part_out") & (pl.col("station") == cell.outlet)) | pl.col("result").is_in(
        ["reject", "removed"]
    )
    ways_out = past.filter(out.fill_null(False)).join(spoken_of, on="part", how="semi").select("no")
    return pl.concat([kept, ways_out]).unique().sort("no")
