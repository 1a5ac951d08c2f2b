"""First-out: where alarms rise together, which one was first, on clocks that agree only so far."""

from __future__ import annotations

import math

import polars as pl

from analytics.cell import Cell

TOGETHER_US = 5_000_000
"""An alarm belongs to the group of the one before when it rises no later than this after it."""

SPREADS = 2
"""Two alarms of different clocks within so many spreads of their difference are a tie."""

SURE, TIE, NOT_KNOWN = "sure", "tie", "clocks not known"


def grouped(alarms: pl.DataFrame) -> pl.DataFrame:
    """Number the groups of alarms that rose together: adds group and alarm_of_group, in order of time.

    Warnings are left out. Alarms that rise at one time stand in the order of station and code.
    """
    rows = alarms.filter(pl.col("book") != "none").sort(
        "start_us", "station", "code", "nest", "log_line", nulls_last=True
    )
    apart = (pl.col("start_us") - pl.col("start_us").shift(1) > TOGETHER_US).fill_null(value=True)
    return rows.with_columns(group=apart.cast(pl.Int64).cum_sum()).with_columns(
        alarm_of_group=pl.int_range(pl.len()).over("group")
    )


def first_out(groups: pl.DataFrame, clocks: pl.DataFrame, cell: Cell) -> pl.DataFrame:
    """List the groups of two alarms or more: which was first, and how sure that is.

    Takes    rows of `grouped`; the fact table clocks.
    Returns  start_us, station, code, text (of the first), order ("sure"; "tie": others lie within what the clocks
             agree to; "clocks not known": of some station nobody knows how far its clock agrees), tied (stations),
             alarms_n, followed_by (codes and stations of the next ones), span_us, log_file, log_line.
    """
    told = groups.join(_told_by(cell), on="station", how="left", maintain_order="left").sort("start_us")
    spread = clocks.filter(pl.col("state") != "off").sort("from_us").select("source", "from_us", "state", "spread_us")
    told = told.join_asof(
        spread, left_on="start_us", right_on="from_us", by="source", strategy="backward", check_sortedness=False
    ).with_columns(
        spread_us=pl.when(pl.col("state") == "reference")
        .then(pl.col("spread_us").fill_null(0.0))
        .otherwise("spread_us")
    )
    told = told.sort("group", "alarm_of_group")
    first = {
        f"first_{name}": pl.col(name).first().over("group") for name in ("start_us", "station", "source", "spread_us")
    }
    rows = told.with_columns(**first).with_columns(late_us=pl.col("start_us") - pl.col("first_start_us"))
    other = pl.col("station").ne_missing(pl.col("first_station"))
    same_clock = pl.col("source").is_not_null() & (pl.col("source") == pl.col("first_source"))
    limit = (
        pl.when(same_clock)
        .then(0.0)
        .otherwise(SPREADS * (pl.col("spread_us") ** 2 + pl.col("first_spread_us") ** 2).sqrt())
    )
    rows = rows.with_columns(
        ties=(other & (pl.col("late_us") <= limit)).fill_null(value=False), unknown=other & limit.is_null()
    )
    name = pl.concat_str("code", pl.lit(" ("), pl.col("station").fill_null("cell"), pl.lit(")"))
    return (
        rows.group_by("group", maintain_order=True)
        .agg(
            pl.col("start_us", "station", "code", "text", "log_file", "log_line").first(),
            order=pl.when(pl.col("ties").any()).then(pl.lit(TIE))
            .when(pl.col("unknown").any()).then(pl.lit(NOT_KNOWN)).otherwise(pl.lit(SURE)),
            tied=pl.col("station").fill_null("cell").filter(pl.col("ties")).unique().sort(),
            alarms_n=pl.len().cast(pl.Int64),
            followed_by=name.slice(1, 4),
            span_us=pl.col("start_us").max() - pl.col("start_us").min(),
        )
        .filter(pl.col("alarms_n") > 1)
        .select("start_us", "station", "code", "text", "order", "tied", "alarms_n", "followed_by", "span_us",
                "log_file", "log_line")
    )  # fmt: skip


def by_chance(alarms_n: int, span_us: int) -> float:
    """How many alarms would rise so soon after another if none had to do with another."""
    return alarms_n * -math.expm1(-alarms_n * TOGETHER_US / span_us) if span_us > 0 else 0.0


def _told_by(cell: Cell) -> pl.DataFrame:
    """The source whose clock stamps a station's records: the first that the cell file names for it."""
    rows = [(s.name, s.sources[0] if s.sources else None) for s in cell.stations]
    return pl.DataFrame(rows, schema={"station": pl.String, "source": pl.String}, orient="row")
