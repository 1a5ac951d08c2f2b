"""Alarms that tell nothing: chattering, fleeting and standing ones (IEC 62682, ANSI/ISA-18.2)."""

from __future__ import annotations

import polars as pl

from analytics.studies.annunciations import KEY

CHATTER_N, CHATTER_US = 3, 60_000_000
"""An alarm chatters when it rises so many times within this time."""

FLEETING_US = 2_000_000
"""A fleeting alarm clears sooner than this; the standards say "at once", the figure is ours."""

STANDING_US = 24 * 3_600_000_000
"""An alarm that is up for longer stands."""


def with_nuisance(rows: pl.DataFrame, to_us: int) -> pl.DataFrame:
    """Add to annunciations: chatters, fleeting, stands (bool) and up_us (until it cleared, or the end of the period).

    An alarm whose ends are not logged is up for an unknown time: up_us null, neither fleeting nor standing.
    """
    known = pl.col("ends").is_in(["cleared", "open"])
    up = pl.when(known).then(pl.col("end_us").fill_null(to_us) - pl.col("start_us")).clip(0, None)
    reach = CHATTER_N - 1
    rows = rows.sort(*KEY, "start_us", nulls_last=True)
    ahead = [
        (pl.col("start_us").shift(-(reach - n)) - pl.col("start_us").shift(n)).over(KEY) <= CHATTER_US
        for n in range(CHATTER_N)
    ]
    return rows.with_columns(
        up_us=up,
        chatters=pl.any_horizontal(one.fill_null(value=False) for one in ahead),
    ).with_columns(
        fleeting=((pl.col("ends") == "cleared") & (pl.col("up_us") < FLEETING_US)).fill_null(value=False),
        stands=(pl.col("up_us") > STANDING_US).fill_null(value=False),
    ).sort("start_us", *KEY, nulls_last=True)  # fmt: skip


def standing(rows: pl.DataFrame, from_us: int) -> pl.DataFrame:
    """List annunciations that stood within the period (which may have begun before it), longest first."""
    return (
        rows.filter(pl.col("stands") & (pl.col("start_us") + pl.col("up_us") > from_us))
        .sort("up_us", "start_us", *KEY, descending=[True, False, False, False, False], nulls_last=True)
        .select(*KEY, "text", "start_us", "end_us", "up_us", still_up=pl.col("end_us").is_null())
    )


def most_standing(rows: pl.DataFrame, from_us: int, to_us: int) -> int:
    """Return the most alarms that stood at one time (each from 24 h after it rose until it cleared)."""
    inside = rows.filter(pl.col("stands")).select(
        begins=(pl.col("start_us") + STANDING_US).clip(from_us, None),
        stops=(pl.col("start_us") + pl.col("up_us")).clip(None, to_us),
    ).filter(pl.col("begins") < pl.col("stops"))  # fmt: skip
    if inside.is_empty():
        return 0
    steps = pl.concat([
        inside.select(us="begins", step=pl.lit(1)),
        inside.select(us="stops", step=pl.lit(-1)),
    ]).sort("us", "step")  # fmt: skip
    return int(steps["step"].cum_sum().max())  # type: ignore[arg-type]
