"""Annunciations of alarms over several days: when each rose, when it cleared, whether it still stands."""

from __future__ import annotations

import polars as pl

KEY = ["station", "nest", "code"]
"""What makes two annunciations the same alarm."""

NEVER_ENDS = "never"


def annunciations(alarms: pl.DataFrame, marks: pl.DataFrame) -> pl.DataFrame:
    """Pair alarms with their ends across the edges of days.

    Takes    the fact tables alarms and marks of the days, in any order.
    Returns  the columns of alarms in order of time, and ends: "cleared"; "again": it rose again before a record of its
             end; "open": nothing more was heard of it; "never": no end of this alarm is in the logs at all.
             end_us is null but where it cleared.
    """
    # Several rows can stem from one record that was told again by the day after: an annunciation counts once.
    rows = alarms.sort("start_us", *KEY, "log_file", "log_line", nulls_last=True).unique(
        ["start_us", *KEY], keep="first", maintain_order=True
    )
    later = (
        marks.filter(pl.col("kind").is_in(["alarm_on", "alarm_off"]))
        .select(*KEY, "kind", "us", off_file="file", off_line="line")
        .with_columns(pl.col("nest").fill_null(""), pl.col("station").fill_null(""), pl.col("code").fill_null(""))
        .sort("us", "kind")
    )
    asked = rows.with_columns(
        station_=pl.col("station").fill_null(""),
        nest_=pl.col("nest").fill_null(""),
        code_=pl.col("code").fill_null(""),
        after_us=pl.col("start_us") + 1,
    )
    found = asked.join_asof(
        later,
        left_on="after_us",
        right_on="us",
        by_left=["station_", "nest_", "code_"],
        by_right=KEY,
        strategy="forward",
        check_sortedness=False,
        coalesce=False,
    )
    cleared = pl.col("end_us").is_null() & (pl.col("kind") == "alarm_off").fill_null(value=False)
    ends = (
        pl.when(pl.col("end_us").is_not_null() | cleared)
        .then(pl.lit("cleared"))
        .when(pl.col("kind") == "alarm_on")
        .then(pl.lit("again"))
        .otherwise(pl.lit("open"))
    )
    paired = found.with_columns(
        ends=ends,
        end_us=pl.when(cleared).then("us").otherwise("end_us"),
        log_end_file=pl.when(cleared).then("off_file").otherwise("log_end_file"),
        log_end_line=pl.when(cleared).then("off_line").otherwise("log_end_line"),
    )
    ended = (pl.col("ends") == "cleared").any().over("station_", "code_")
    return paired.with_columns(ends=pl.when(ended).then("ends").otherwise(pl.lit(NEVER_ENDS))).select(
        *alarms.columns, "ends"
    )
