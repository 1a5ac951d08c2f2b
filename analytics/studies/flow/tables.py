"""The tables of the flow: waiting by station and bin, the bottleneck and its way, levels between the stations."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import polars as pl

from analytics.statistics.time_in_bins import levels_in_bins, time_in_bins
from analytics.studies.flow.active import BOOKS, overlap
from analytics.studies.flow.between import places_between
from analytics.studies.flow.read import Read, busy_spans
from analytics.studies.flow.series import arrows, differences, turning_points


def waiting_by(read: Read, edges: Sequence[int]) -> pl.DataFrame:
    """Shares of each station's planned busy time per bin; of several nests, of their time together.

    Returns  station, start_us, end_us, busy_us, active_share, starved_share, blocked_share, outside_share (waits for
             people, material, orders), unknown_share; bins without planned busy time are left out.
    """
    own = time_in_bins(
        read.pieces.select("lane", "station", "book", "start_us", "end_us"), ["station", "lane", "book"], edges
    )
    wide = own.group_by("station", "start_us", "end_us").agg(
        busy_us=pl.col("us").sum(),
        **{f"{book}_us": pl.col("us").filter(pl.col("book") == book).sum() for book in BOOKS},
    )
    order = {s.name: n for n, s in enumerate(read.model.stations)}
    return (
        wide.filter(pl.col("busy_us") > 0)
        .with_columns((pl.col(f"{book}_us") / pl.col("busy_us")).alias(f"{book}_share") for book in BOOKS)
        .sort("start_us", pl.col("station").replace_strict(order, return_dtype=pl.Int64))
        .select("station", "start_us", "end_us", "busy_us", *(f"{book}_share" for book in BOOKS))
    )


def bottleneck_by_lane(role: pl.DataFrame, average: pl.DataFrame, read: Read) -> pl.DataFrame:
    """How long each lane was the momentary bottleneck, beside its active periods; the longest first.

    Returns  lane, station, bottleneck_share (sole and shifting together; instants that two share count for both),
             low_share, high_share (95 %, from the bins), sole_share, shifting_share, and average_active's columns.
    """
    spans = time_in_bins(role, ["lane", "role"], read.edges)
    busy = time_in_bins(read.cell_busy.select("lane", "start_us", "end_us"), ["lane"], read.edges)
    per_bin = (
        average.select("lane")
        .join(busy.select("start_us", busy_us="us"), how="cross")
        .join(spans.pivot("role", index=["lane", "start_us"], values="us"), on=["lane", "start_us"], how="left")
    )
    for name in ("sole", "shifting"):
        if name not in per_bin.columns:
            per_bin = per_bin.with_columns(pl.lit(0, pl.Int64).alias(name))
    per_bin = per_bin.with_columns(pl.col("sole", "shifting").fill_null(0)).with_columns(
        own=pl.col("sole") + pl.col("shifting")
    )
    whole = pl.col("busy_us").sum()
    share = per_bin.group_by("lane").agg(
        (pl.col("own").sum() / whole).alias("share"),
        sole_share=pl.col("sole").sum() / whole, shifting_share=pl.col("shifting").sum() / whole,
        own="own", busy="busy_us", n=(pl.col("busy_us") > 0).sum(), whole=whole,
    )  # fmt: skip
    # The share is a ratio of two sums over bins: its spread is that of what each bin has beyond its due.
    off = per_bin.join(share.select("lane", "share"), on="lane").group_by("lane").agg(
        off=((pl.col("own") - pl.col("share") * pl.col("busy_us")) ** 2).sum()
    )  # fmt: skip
    stations = read.model.lanes().select("lane", "station")
    rows = share.join(off, on="lane").join(average, on="lane").join(stations, on="lane")
    half = pl.Series("half", [_half(*row) for row in rows.select("off", "n", "whole").rows()], dtype=pl.Float64)
    return (
        rows.with_columns(half)
        .with_columns(
            low_share=(pl.col("share") - pl.col("half")).clip(0, 1),
            high_share=(pl.col("share") + pl.col("half")).clip(0, 1),
        )
        .rename({"share": "bottleneck_share"})
        .select(
            "lane", "station", "bottleneck_share", "low_share", "high_share", "sole_share", "shifting_share", "mean_us",
            "low_us", "high_us", "periods_n", "cut_n",
        )
        .sort("bottleneck_share", "mean_us", "lane", descending=[True, True, False])
    )  # fmt: skip


def _half(off: float, n: int, whole: int) -> float | None:
    from scipy.special import stdtrit

    return float(stdtrit(n - 1, 0.975) * np.sqrt(n / (n - 1) * off) / whole) if n >= 4 and whole else None


def over_time(role: pl.DataFrame, read: Read, both: pl.DataFrame | None) -> pl.DataFrame:
    """Who was the bottleneck in each bin, and who gated by the chain.

    Takes    both: what beside_chain returns.
    Returns  start_us, end_us, lane (the bottleneck), bottleneck_share (of the bin's planned busy time), gate_station,
             gate_share (of the chain's time in the bin), agree_share (of the time for which both name somebody).
    """
    busy = time_in_bins(read.cell_busy.select("lane", "start_us", "end_us"), ["lane"], read.edges)
    rows = busy.filter(pl.col("us") > 0).select("start_us", "end_us", busy_us="us")
    most = _most(time_in_bins(role.select("lane", "start_us", "end_us", "role"), ["lane", "role"], read.edges), "lane")
    rows = rows.join(most.select("start_us", "lane", own="us"), on="start_us", how="left").with_columns(
        bottleneck_share=pl.col("own") / pl.col("busy_us")
    )
    chain = read.chain
    if chain is None or both is None or chain.is_empty():
        return rows.select("start_us", "end_us", "lane", "bottleneck_share").sort("start_us")
    gates = time_in_bins(chain.drop_nulls("station"), ["station"], read.edges)
    gate = _most(gates, "station")
    named = both.filter(pl.col("agrees").is_not_null()).select("start_us", "end_us", "agrees")
    agree = time_in_bins(named, ["agrees"], read.edges).group_by("start_us").agg(
        agree_share=pl.col("us").filter("agrees").sum() / pl.col("us").sum()
    )  # fmt: skip
    return (
        rows.join(gate.select("start_us", "all_us", gate_station="station", gate_us="us"), on="start_us", how="left")
        .join(agree, on="start_us", how="left")
        .with_columns(gate_share=pl.col("gate_us") / pl.col("all_us"), agree_share=pl.col("agree_share").fill_nan(None))
        .select("start_us", "end_us", "lane", "bottleneck_share", "gate_station", "gate_share", "agree_share")
        .sort("start_us")
    )


def beside_chain(role: pl.DataFrame, read: Read) -> pl.DataFrame | None:
    """The gating chain beside the momentary bottleneck, instant by instant: see active.overlap. None: no chain."""
    if read.chain is None or read.chain.is_empty():
        return None
    stations = read.model.lanes().select("lane", "station")
    return overlap(read.chain, role.join(stations, on="lane").select("station", "start_us", "end_us"))


def _most(time: pl.DataFrame, name: str) -> pl.DataFrame:
    """Whose time is the most in each bin: start_us, name, us, all_us."""
    return (
        time.group_by("start_us", name)
        .agg(pl.col("us").sum())
        .with_columns(all_us=pl.col("us").sum().over("start_us"))
        .filter(pl.col("us") > 0)
        .sort("start_us", "us", name, descending=[False, True, False])
        .unique("start_us", keep="first", maintain_order=True)
    )


def in_line(stations: Sequence[str], whole: pl.DataFrame, by_bin: pl.DataFrame) -> pl.DataFrame:
    """The stations of a line with the arrows between them.

    Returns  place_n (from 1), station, blocked_share, starved_share, arrow (to the next), difference_share (blocked
             here less starved at the next), low_share, high_share (95 %), sure (the interval leaves out 0), bottleneck
             (no arrow leaves it), severity_share, turning_point.
    """
    known = {row["station"]: row for row in whole.iter_rows(named=True)}
    blocked, starved = ([known[s][f"{b}_share"] for s in stations] for b in ("blocked", "starved"))
    found, turns = arrows(blocked, starved), turning_points(blocked, starved)
    n = len(stations)
    rows = pl.DataFrame(
        {
            "place_n": list(range(1, n + 1)), "station": list(stations), "blocked_share": blocked,
            "starved_share": starved, "arrow": ["→" if right else "←" for right in found.right] + [None] * (n > 0),
            "bottleneck": [j in found.bottlenecks for j in range(n)], "severity_share": found.severity,
            "turning_point": [j in turns for j in range(n)],
        }
    )  # fmt: skip
    return (
        rows.join(differences(whole, by_bin, stations).drop("next"), on="station", how="left", maintain_order="left")
        .with_columns(sure=(pl.col("low_share") > 0) | (pl.col("high_share") < 0))
        .select(
            "place_n", "station", "blocked_share", "starved_share", "arrow", "difference_share", "low_share",
            "high_share", "sure", "bottleneck", "severity_share", "turning_point",
        )
    )  # fmt: skip


def levels(stays: pl.DataFrame, read: Read, edges: Sequence[int]) -> pl.DataFrame:
    """Parts between each two stations per bin of planned busy time.

    Returns  from, to, capacity_n (null: not in the cell model), start_us, end_us, min_n, mean_n, max_n, empty_share,
             full_share.
    """
    pairs = stays.select("left", "next").unique().sort("left", "next").rows()
    full = {(a, b): places_between(read.model, a, b) for a, b in pairs}
    rows = levels_in_bins(stays, ["left", "next"], edges, busy_spans(read.cell_busy), full)
    capacity = pl.DataFrame(
        [(a, b, n) for (a, b), n in full.items()],
        schema={"left": pl.String, "next": pl.String, "capacity_n": pl.Int64}, orient="row",
    )  # fmt: skip
    order = {s.name: n for n, s in enumerate(read.model.stations)}
    return (
        rows.filter(pl.col("busy_us") > 0)
        .join(capacity, on=["left", "next"], how="left")
        .sort(
            "start_us", *(pl.col(c).replace_strict(order, default=-1, return_dtype=pl.Int64) for c in ("left", "next"))
        )
        .select(
            "left", "next", "capacity_n", "start_us", "end_us", "min_n", "mean_n", "max_n", "empty_share", "full_share"
        )
        .rename({"left": "from", "next": "to"})
    )
