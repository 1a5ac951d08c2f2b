"""Figures of cycles and steps by lane, step and product: order statistics, mode, mean, shares beyond plan and takt."""

from __future__ import annotations

import polars as pl

from analytics.pace import STOP
from analytics.statistics.robust import half_sample_mode

KEY = ["lane", "step", "product"]
QUANTILES = (("p5_us", 0.05), ("p25_us", 0.25), ("p50_us", 0.5), ("p75_us", 0.75), ("p95_us", 0.95), ("p99_us", 0.99))
BEST = 0.1
"""Best demonstrated: the length that a tenth of the undisturbed cycles without a stop does not exceed."""
UNKNOWN = "unknown"
SPREAD = ("min_us", *(name for name, _ in QUANTILES if name != "p50_us"), "mean_us", "cv")
NET = pl.col("net_us")


def net_times(work: pl.DataFrame, finished: pl.DataFrame) -> pl.DataFrame:
    """Figures of net times, one row per lane, step (null: the whole cycle) and product.

    Takes    work: judged undisturbed cycles and steps, planned_us null where no plan is; finished: all cycles and
             steps with the same key, to tell how many were disturbed.
    Returns  KEY, cycles_n, disturbed_n, p50_us, mode_us (half-sample), best_us (see BEST), planned_us, gap_us (planned
             less typical, which is the median: below 0 is slower than planned), over_plan_share, and the figures of
             `spread`.
    """
    calm = pl.col("pace") != STOP
    rows = work.group_by(KEY).agg(
        *_figures(NET),
        best_us=NET.filter(calm).quantile(BEST, "linear"),
        planned_us=pl.col("planned_us").median(),
        over_plan_share=(pl.col("planned_us") < NET).mean(),
    )
    every = finished.group_by(KEY).agg(all_n=pl.len().cast(pl.Int64))
    return (
        rows.join(every, on=KEY, how="left", nulls_equal=True)
        .join(_modes(work, KEY, "net_us"), on=KEY, how="left", nulls_equal=True)
        .with_columns(
            disturbed_n=pl.col("all_n").fill_null(pl.col("cycles_n")) - pl.col("cycles_n"),
            gap_us=pl.col("planned_us") - pl.col("p50_us"),
        )
        .sort(*KEY, nulls_last=True)
        .select(
            *KEY, "cycles_n", "disturbed_n", "p50_us", "mode_us", "best_us", "planned_us", "gap_us", "over_plan_share",
            *SPREAD,
        )
        .with_columns(pl.col(*KEY).cast(pl.String))
        .with_columns(pl.col("product").fill_null(UNKNOWN))
    )  # fmt: skip


def periods(cycles: pl.DataFrame) -> pl.DataFrame:
    """List the times from one departure of a station to the next one, of whatever nest.

    Takes    cycles: lane, station, product, start_us, end_us, paired (see analytics.cycles).
    Returns  one row per departure but the first of each station: station, lane, product (of the part that departs),
             start_us (departure before), end_us. Waiting is part of a period; two departures at once are one.
    """
    before = pl.col("end_us").shift(1).over("station")
    return (
        cycles.filter(pl.col("paired") != "open")
        .sort("station", "end_us", "lane", "start_us", "product")
        .select("station", "lane", "product", start_us=before, end_us="end_us")
        .filter(pl.col("start_us") < pl.col("end_us"))
    )


def period_figures(rows: pl.DataFrame, takts: pl.DataFrame) -> pl.DataFrame:
    """Figures of periods, one row per station and product, against the takt of the product.

    Returns  station, product, periods_n, p50_us, mode_us, takt_us, over_takt_share, and the figures of `spread`.
    """
    key = ["station", "product"]
    timed = rows.with_columns(net_us=pl.col("end_us") - pl.col("start_us")).join(
        takts.cast({"product": rows.schema["product"]}, strict=False), on="product", how="left"
    )
    return (
        timed.group_by(key)
        .agg(*_figures(NET), pl.col("takt_us").first(), over_takt_share=(pl.col("takt_us") < NET).mean())
        .join(_modes(timed, key, "net_us"), on=key, how="left", nulls_equal=True)
        .sort(*key, nulls_last=True)
        .select(*key, pl.col("cycles_n").alias("periods_n"), "p50_us", "mode_us", "takt_us", "over_takt_share", *SPREAD)
        .with_columns(pl.col(*key).cast(pl.String))
        .with_columns(pl.col("product").fill_null(UNKNOWN))
    )


def spread(figures: pl.DataFrame, count: str) -> pl.DataFrame:
    """How the lengths of net_times or periods scatter: their key, count, min_us, QUANTILES (type 7), mean_us, cv."""
    key = [name for name in ("station", *KEY) if name in figures.columns]
    return figures.select(*key, count, "min_us", *(name for name, _ in QUANTILES), "mean_us", "cv")


def gap_split(work: pl.DataFrame, slow_us: int, short_us: int) -> pl.DataFrame:
    """Split the time of cycles into ideal time and what went beyond: slow running, short stops, longer ones.

    Takes    cycles with lane, net_us and planned_us; those without a plan are left out. What is beyond the plan by up
             to slow_us is slow running (also what is below it: a credit), up to short_us a short stop, else down.
    Returns  one row per lane: cycles_n, us, ideal_us, slow_us, short_us, down_us; the four add up to us.
    """
    beyond = pl.col("net_us") - pl.col("planned_us")
    return (
        work.filter(pl.col("planned_us").is_not_null())
        .group_by("lane")
        .agg(
            cycles_n=pl.len().cast(pl.Int64),
            us=NET.sum(),
            ideal_us=pl.col("planned_us").sum(),
            slow_us=beyond.filter(beyond <= slow_us).sum(),
            short_us=beyond.filter((beyond > slow_us) & (beyond <= short_us)).sum(),
            down_us=beyond.filter(beyond > short_us).sum(),
        )
        .sort("lane")
        .with_columns(pl.col("lane").cast(pl.String))
    )


def _figures(length: pl.Expr) -> list[pl.Expr]:
    return [
        pl.len().cast(pl.Int64).alias("cycles_n"),
        length.min().alias("min_us"),
        *(length.quantile(q, "linear").alias(name) for name, q in QUANTILES),
        length.mean().alias("mean_us"),
        (length.std() / length.mean()).alias("cv"),
    ]


def _modes(rows: pl.DataFrame, key: list[str], column: str) -> pl.DataFrame:
    """The half-sample mode of each group: key, mode_us."""
    found = [(*name, half_sample_mode(own[column].to_numpy())) for name, own in rows.group_by(key)]
    schema = {name: rows.schema[name] for name in key} | {"mode_us": pl.Float64()}
    return pl.DataFrame(found, schema=schema, orient="row")
