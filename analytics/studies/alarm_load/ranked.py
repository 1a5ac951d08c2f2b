"""Alarms by what the cell lost to them: a frequent alarm can cost nothing, a rare one a shift."""

from __future__ import annotations

import polars as pl

SAFETY = "safety_stop"


def by_alarm(rows: pl.DataFrame, losses: pl.DataFrame) -> pl.DataFrame:
    """Sum up annunciations per alarm, most lost time first; alarms of safety stops are left out.

    Takes    rows of with_nuisance within the period; losses as analytics.studies.cell_losses gives them.
    Returns  station, code, text, alarms_n, lost_us (at the cell; 0: it cost nothing), lost_parts,
             lost_share (of all time lost to alarms), by_count_n
             (rank by count), up_us (median; null: its ends are not logged), chattering_n,
             fleeting_n. An alarm of several nests is one row.
    """
    counted = (
        rows.filter(pl.col("book") != SAFETY)
        .with_columns(charged=pl.coalesce("blamed", "station", pl.lit("*")))
        .group_by("station", "code")
        .agg(
            pl.col("text").drop_nulls().sort().first(),
            pl.col("charged").sort().first(),
            alarms_n=pl.len().cast(pl.Int64),
            up_us=pl.col("up_us").median().round().cast(pl.Int64),
            chattering_n=pl.col("chatters").sum().cast(pl.Int64),
            fleeting_n=pl.col("fleeting").sum().cast(pl.Int64),
        )
    )
    lost = (
        losses.filter(pl.col("line") != SAFETY).group_by("station", "cause").agg(pl.col("lost_us", "lost_parts").sum())
    )
    # One loss goes to one alarm: where stations share code and blame, to the one that rose most often.
    owner = counted.sort("alarms_n", "station", descending=[True, False], nulls_last=True).unique(
        ["charged", "code"], keep="first", maintain_order=True
    )
    cost = owner.join(lost, left_on=["charged", "code"], right_on=["station", "cause"], how="left").select(
        "station", "code", "lost_us", "lost_parts"
    )
    joined = counted.join(cost, on=["station", "code"], how="left", nulls_equal=True).with_columns(
        pl.col("lost_us").fill_null(0), pl.col("lost_parts").fill_null(0.0)
    )
    total = pl.col("lost_us").sum()
    return (
        joined.with_columns(
            lost_share=pl.when(total > 0).then(pl.col("lost_us") / total),
            by_count_n=pl.col("alarms_n").rank("min", descending=True).cast(pl.Int64),
        )
        .sort("lost_us", "alarms_n", "code", "station", descending=[True, True, False, False], nulls_last=True)
        .select(
            "station", "code", "text", "lost_us", "lost_parts", "lost_share", "alarms_n", "by_count_n",
            "up_us", "chattering_n", "fleeting_n",
        )
    )  # fmt: skip
