"""Which cause first: stops by what they cost the cell, by their time and by their number."""

from __future__ import annotations

import polars as pl

LINES = ("breakdown", "micro_stop")
"""Stops of a station's own. Changeovers, carriers and waiting for others have their own analyses."""


def pareto(stops: pl.DataFrame, losses: pl.DataFrame) -> pl.DataFrame:
    """Rank the causes of stops, most lost parts first.

    Takes    stops: rows of sql/stop_list.sql; losses: of analytics.studies.cell_losses.
    Returns  station (to blame), cause, text, lost_parts and lost_us (at the cell), lost_share, sum_share (with all
             ranked before), stopped_us (planned time of the station; of several nests the longest), stops_n,
             by_time_n, by_count_n (ranks). What one record stopped on several lanes is one stop.
    """
    own = (
        stops.filter(pl.col("line").is_in(LINES))
        .with_columns(station=pl.coalesce("blamed", "station", pl.lit("*")))
        .group_by("station", "cause", "log_file", "log_line")
        .agg(pl.col("text").drop_nulls().sort().first(), pl.col("busy_us").max())
        .group_by("station", "cause")
        .agg(
            pl.col("text").drop_nulls().sort().first(),
            stopped_us=pl.col("busy_us").sum(),
            stops_n=pl.len().cast(pl.Int64),
        )
    )
    lost = (
        losses.filter(pl.col("line").is_in(LINES))
        .sort("line", "station", "cause", nulls_last=True)
        .group_by("station", "cause", maintain_order=True)
        .agg(pl.col("lost_us", "lost_parts").sum())
    )
    rows = own.join(lost, on=["station", "cause"], how="full", coalesce=True, nulls_equal=True).with_columns(
        pl.col("text").fill_null(pl.col("cause")),
        pl.col("lost_us", "stopped_us", "stops_n").fill_null(0),
        pl.col("lost_parts").fill_null(0.0),
    )
    total = pl.col("lost_us").sum()

    def rank(column: str) -> pl.Expr:
        return pl.col(column).rank("min", descending=True).cast(pl.Int64)

    order = ["lost_us", "stopped_us", "stops_n", "station", "cause"]
    return (
        rows.sort(order, descending=[True, True, True, False, False], nulls_last=True)
        .with_columns(
            lost_share=pl.when(total > 0).then(pl.col("lost_us") / total),
            sum_share=pl.when(total > 0).then(pl.col("lost_us").cum_sum() / total),
            by_time_n=rank("stopped_us"),
            by_count_n=rank("stops_n"),
        )
        .select("station", "cause", "text", "lost_parts", "lost_us", "lost_share", "sum_share", "stopped_us",
                "by_time_n", "stops_n", "by_count_n")
    )  # fmt: skip
