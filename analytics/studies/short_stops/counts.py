"""How many short stops there were, by what one may ask: count, time, mean time between, rates with intervals."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import polars as pl

from analytics.statistics.rates import poisson_interval

TALLY = (pl.len().cast(pl.Int64).alias("stops_n"), pl.col("us").sum(), pl.col("us").median().alias("median_us"))


def by_station(stops: pl.DataFrame, ran: pl.DataFrame) -> pl.DataFrame:
    """One row per station and whether an alarm told: stops_n, us, median_us, ran_us, between_us and its 95 % interval.

    Takes    ran: station, ran_us (its own running time in the window). between_us is running time per stop.
    """
    rows = stops.group_by("station", "alarm").agg(TALLY).join(ran, on="station", how="left")
    low, high = poisson_interval(rows["stops_n"].to_numpy())
    return (
        rows.with_columns(
            between_us=pl.col("ran_us") / pl.col("stops_n"),
            between_low_us=pl.col("ran_us") / pl.Series(high, dtype=pl.Float64),
            between_high_us=pl.col("ran_us") / pl.Series(low, dtype=pl.Float64),
        )
        .sort("us", "station", "alarm", descending=[True, False, False])
        .select(
            "station", "alarm", "stops_n", "us", "median_us", "ran_us", "between_us", "between_low_us",
            "between_high_us",
        )
    )  # fmt: skip


def by_cause(stops: pl.DataFrame) -> pl.DataFrame:
    """One row per station, cause and step, most time first: stops_n, us, median_us, us_share (of all short stops)."""
    return (
        stops.group_by("station", "step", "cause")
        .agg(pl.col("text").first(), *TALLY)
        .with_columns(us_share=pl.col("us") / pl.col("us").sum())
        .sort("us", "station", "step", "cause", descending=[True, False, False, False], nulls_last=True)
    )


def by_product(stops: pl.DataFrame, cycles: pl.DataFrame) -> pl.DataFrame:
    """One row per station and product: stops_n, us, cycles_n, per_1000 (stops per 1000 cycles) with its interval.

    Takes    cycles: station, product, one row per cycle in the window.
    """
    key = ["station", "product"]
    done = cycles.group_by(key).agg(cycles_n=pl.len().cast(pl.Int64)).with_columns(pl.col(key).cast(pl.String))
    rows = stops.group_by(key).agg(TALLY).join(done, on=key, how="left", nulls_equal=True)
    return (
        _rated(rows, pl.col("cycles_n") / 1000, "per_1000")
        .with_columns(pl.col("product").fill_null("unknown"))
        .sort("us", *key, descending=[True, False, False], nulls_last=True)
    )


def by_class(stops: pl.DataFrame, ran: pl.DataFrame, key: str) -> pl.DataFrame:
    """One row per class (an hour of the day, an hour since start-up): stops_n, us, ran_us, per_h with its interval.

    Takes    stops with the column `key`; ran: key, ran_us, one row per class in which the cell ran.
    """
    rows = ran.filter(pl.col("ran_us") > 0).join(stops.group_by(key).agg(TALLY), on=key, how="left")
    rows = rows.with_columns(pl.col("stops_n", "us").fill_null(0))
    return _rated(rows, pl.col("ran_us") / 3.6e9, "per_h").sort(key)


def ran_by_station(pieces: pl.DataFrame) -> pl.DataFrame:
    """Running time of each station, from its pieces (see running): station, ran_us. Nests add up."""
    return pieces.group_by("station").agg(ran_us=(pl.col("end_us") - pl.col("start_us")).sum()).sort("station")


def running(runs: pl.DataFrame, stations: pl.DataFrame, ran: pl.DataFrame) -> pl.DataFrame:
    """The pieces of time in which a station's lanes ran, within what the cell ran: station, start_us, end_us."""
    known = stations.select(pl.col("lane").cast(runs.schema["lane"]), "station")
    own = runs.join(known, on="lane", maintain_order="left").select("station", "start_us", "end_us")
    start, end = own["start_us"].to_numpy(), own["end_us"].to_numpy()
    from_us, to_us = ran["start_us"].to_numpy(), ran["end_us"].to_numpy()
    # The cell's stretches are in order and apart: which of them does each run reach from and to?
    first, last = np.searchsorted(to_us, start, side="right"), np.searchsorted(from_us, end, side="left")
    many = np.maximum(last - first, 0)
    row = np.repeat(np.arange(own.height), many)
    stretch = np.repeat(first - (np.cumsum(many) - many), many) + np.arange(len(row))
    return own[row].with_columns(
        start_us=pl.Series(np.maximum(start[row], from_us[stretch])),
        end_us=pl.Series(np.minimum(end[row], to_us[stretch])),
    )


def _rated(rows: pl.DataFrame, exposure: pl.Expr, name: str) -> pl.DataFrame:
    low, high = poisson_interval(rows["stops_n"].to_numpy())
    return rows.with_columns(
        (pl.col("stops_n") / exposure).alias(name),
        (pl.Series(low, dtype=pl.Float64) / exposure).alias(f"{name}_low"),
        (pl.Series(high, dtype=pl.Float64) / exposure).alias(f"{name}_high"),
    )


def hours_of_day(edges: Sequence[int], hours: Sequence[int]) -> pl.DataFrame:
    """Name each stretch between edges by its local hour: edge_us, hour."""
    return pl.DataFrame({"edge_us": edges[:-1], "hour": hours}, schema={"edge_us": pl.Int64, "hour": pl.Int64})
