"""Clusters of short stops: more of them within a quarter of an hour than chance would bring."""

from __future__ import annotations

import numpy as np
import polars as pl
from scipy.special import pdtrc

WINDOW_US = 900_000_000
LEAST = 3
"""A cluster has at least so many stops."""
CHANCE = 0.05
SCHEMA = {
    "station": pl.String(), "start_us": pl.Int64(), "end_us": pl.Int64(), "stops_n": pl.Int64(), "us": pl.Int64(),
    "usual_n": pl.Float64(), "chance": pl.Float64(),
}  # fmt: skip


def clusters(stops: pl.DataFrame, ran_us: int) -> pl.DataFrame:
    """List the clusters of each station's short stops, in order of time.

    Every stop of a station opens a window of WINDOW_US. If stops came at random, the further ones in it would be
    Poisson with the station's rate; the chance of so many is multiplied by the number of windows looked at, of all
    stations (Bonferroni). Windows with a chance below CHANCE that overlap are one cluster.
    Takes    stops: station, start_us, us; ran_us: how long the cell ran.
    Returns  SCHEMA: from the first to the last stop; usual_n: how many a stretch of this length brings; chance: that
             of its most striking window, after the correction.
    """
    found: list[tuple[object, ...]] = []
    for (station,), own in stops.sort("start_us").group_by("station", maintain_order=True):
        at = own["start_us"].to_numpy()
        if at.size < LEAST or ran_us <= 0:
            continue
        rate = at.size / ran_us
        until = np.searchsorted(at, at + WINDOW_US, side="right")
        within = until - np.arange(at.size)
        chance = np.minimum(1.0, stops.height * _at_least(within - 1, rate * WINDOW_US))
        opens = np.flatnonzero((within >= LEAST) & (chance < CHANCE))
        if opens.size == 0:
            continue
        apart = np.flatnonzero(np.append(True, opens[1:] >= np.maximum.accumulate(until[opens])[:-1]))
        for part in np.split(opens, apart[1:]):
            first, last = int(part[0]), int(until[part].max()) - 1
            length = max(int(at[last] - at[first]), 1)
            lost = int(own["us"][first : last + 1].sum())
            found.append((str(station), int(at[first]), int(at[last]), last - first + 1, lost, rate * length,
                          float(chance[part].min())))  # fmt: skip
    return pl.DataFrame(found, schema=SCHEMA, orient="row").sort("start_us", "station")


def _at_least(n: np.ndarray, mean: float) -> np.ndarray:
    """Chance of n or more when they come at random."""
    return np.where(n > 0, pdtrc(np.maximum(n - 1, 0), mean), 1.0)
