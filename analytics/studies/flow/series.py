"""Stations in series: the turning point of blockage and starvation, and the rule of arrows.

Li, Chang & Ni, Int. J. Production Research 47 (2009) 6945; Kuo, Lim & Meerkov 1996, Li & Meerkov 2009, chapter 5.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import polars as pl

from analytics.studies.flow.between import numbers

STRAY_SHARE = 0.05
"""So many parts may be seen in another order before a cell counts as no line."""


def turning_points(blocked: Sequence[float], starved: Sequence[float]) -> list[int]:
    """Which stations of a line, counted from 0, are the turning point of blockage and starvation.

    Before it stations are blocked rather than starved, behind it starved rather than blocked, and it waits less than
    its neighbours. One station has no neighbours and is none.
    """
    b, s = np.asarray(blocked, dtype=float), np.asarray(starved, dtype=float)
    waits = b + s
    n = len(b)
    if n < 2:
        return []
    return [
        j for j in range(n)
        if (b[:j] > s[:j]).all() and (b[j + 1 :] < s[j + 1 :]).all()
        and all(waits[j] < waits[i] for i in (j - 1, j + 1) if 0 <= i < n)
    ]  # fmt: skip


@dataclass(frozen=True)
class Arrows:
    """The arrows between neighbours, the stations that none leaves, and how severe each of these is."""

    right: list[bool]
    bottlenecks: list[int]
    severity: list[float]

    @property
    def worst(self) -> int | None:
        """The most severe bottleneck; None for a line of less than two stations."""
        return max(self.bottlenecks, key=lambda j: (self.severity[j], -j)) if self.bottlenecks else None


def arrows(blocked: Sequence[float], starved: Sequence[float]) -> Arrows:
    """Point from each station to its neighbour that is more in the way.

    To the right where the station is more blocked than the next one is starved, else to the left. Of several
    bottlenecks the one with the greatest differences around it is the most severe.
    """
    n = len(blocked)
    if n < 2:
        return Arrows([], [], [0.0] * n)
    differences = [blocked[j] - starved[j + 1] for j in range(n - 1)]
    right = [d > 0 for d in differences]
    leaves = [(j < n - 1 and right[j]) or (j > 0 and not right[j - 1]) for j in range(n)]
    severity = [sum(abs(differences[i]) for i in (j - 1, j) if 0 <= i < n - 1) for j in range(n)]
    return Arrows(right, [j for j in range(n) if not leaves[j]], severity)


def in_series(visits: pl.DataFrame) -> tuple[list[str], str | None]:
    """Find the order in which parts pass the stations.

    Takes    visits: part, station, us (first seen there); robots, which come by more than once, are left out.
    Returns  the stations in order and None; or no stations and why there is no such order.
    """
    seen = visits.filter(pl.col("part").is_not_null())
    if seen.is_empty():
        return [], "no part is followed by its number from station to station"
    part = pl.col("number")
    ordered = seen.select("station", "us", number=numbers(pl.col("part"))).sort("number", "us", "station")
    ordered = ordered.with_columns(first=(part != part.shift(1)).fill_null(True), row=pl.int_range(pl.len()))
    begins = pl.when("first").then("row").forward_fill()
    ordered = ordered.with_columns(place=pl.col("row") - begins)
    most = ordered.group_by("station").agg(place=pl.col("place").mean(), n=pl.len()).sort("place", "station")
    parts = int(ordered["first"].sum())
    seldom = most.filter(pl.col("n") < parts * 0.5)["station"].to_list()
    stations: list[str] = most["station"].to_list()
    if len(stations) < 2:
        return [], "parts are seen at one station only"
    if seldom:
        return [], f"not every part passes {', '.join(seldom)}: the cell is no line"
    rank = pl.col("station").cast(pl.Enum(stations)).to_physical().cast(pl.Int64)
    back = ~pl.col("first") & (rank < rank.shift(1))
    share = ordered.filter(back)["number"].n_unique() / parts
    if share > STRAY_SHARE:
        return [], f"{share * 100:.0f} % of the parts pass the stations in another order"
    return stations, None


def differences(
    whole: pl.DataFrame, by_bin: pl.DataFrame, stations: Sequence[str], confidence: float = 0.95
) -> pl.DataFrame:
    """Compare neighbours: how much more a station is blocked than the next one is starved.

    Takes    whole: station, blocked_share, starved_share; by_bin: the same per bin, with its start_us.
    Returns  one row per neighbours: station, next, difference_share (of the whole) and its interval (low_share,
             high_share), as wide as the differences of the bins say; null for less than four bins.
    """
    from scipy.special import stdtrit

    rows = []
    of = {row["station"]: row for row in whole.iter_rows(named=True)}
    for here, after in pairwise(stations):
        blocked = by_bin.filter(pl.col("station") == here).select("start_us", "blocked_share")
        starved = by_bin.filter(pl.col("station") == after).select("start_us", "starved_share")
        both = blocked.join(starved, on="start_us").drop_nulls().sort("start_us")
        d = (both["blocked_share"] - both["starved_share"]).to_numpy()
        mean = of[here]["blocked_share"] - of[after]["starved_share"]
        low = high = None
        if len(d) >= 4:
            half = float(stdtrit(len(d) - 1, (1 + confidence) / 2) * d.std(ddof=1) / np.sqrt(len(d)))
            low, high = mean - half, mean + half
        rows.append((here, after, mean, low, high))
    schema = {"station": pl.String, "next": pl.String} | dict.fromkeys(
        ("difference_share", "low_share", "high_share"), pl.Float64
    )
    return pl.DataFrame(rows, schema=schema, orient="row")
