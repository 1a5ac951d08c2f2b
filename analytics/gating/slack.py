"""Slack: how much later each moment could have been without making the cell's last departure later."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import polars as pl

from analytics.gating.bind import Binding
from analytics.gating.moments import Moments

Ints = npt.NDArray[np.int64]

MOST_US = 3600 * 1_000_000
"""Slack beyond an hour says no more than that."""
FEW = 8
"""Bound cases of a kind of link that tell what it usually takes."""
ROUNDS = 64
"""Links between a moment and the chain that are followed; what is further away has the slack that these show."""


def slack(seen: Moments, found: pl.DataFrame, binding: Binding, way: Ints) -> Ints:
    """Return the slack of every moment in microseconds, at most MOST_US; -1 for moments behind the chain's first.

    Takes    found: the candidates of every moment; way: the chain, latest first, whose moments have none. A moment
             hands its own slack on to whatever it may have waited for, and to a candidate that was early as much more
             as it was early. Solved by relaxation from the chain outward.
    """
    ts = seen.table["ts"].to_numpy()
    bound = binding.table["p"].fill_null(-1).to_numpy()
    lag = _lags(found, binding, ts)
    m, p = found["m"].to_numpy(), found["p"].to_numpy()
    spare = np.where(bound[m] == p, 0, np.maximum(ts[m] - ts[p] - lag, 0))
    # What only matters where nothing else explains a wait holds nobody up elsewhere.
    keep = (bound[m] == p) | ~found["thread"].is_in(["release", "demand"]).to_numpy()
    order = np.argsort(p[keep], kind="stable")
    m, p, spare = m[keep][order], p[keep][order], spare[keep][order]
    value = np.full(len(ts), MOST_US, dtype=np.int64)
    value[way] = 0
    if not len(p):
        return np.where(ts > ts[way[0]], -1, value)
    changed = np.zeros(len(ts), dtype=bool)
    changed[way] = True
    for _ in range(ROUNDS):
        open_ = np.flatnonzero(changed[m])  # only what has changed can hand on less than before
        if not len(open_):
            break
        to = p[open_]
        starts = np.flatnonzero(np.append(True, to[1:] != to[:-1]))
        reached, to = np.minimum.reduceat(value[m[open_]] + spare[open_], starts), to[starts]
        better = reached < value[to]
        changed[:] = False
        changed[to[better]] = True
        value[to[better]] = reached[better]
    return np.where(ts > ts[way[0]], -1, value)


def _lags(found: pl.DataFrame, binding: Binding, ts: Ints) -> Ints:
    """What each link usually takes where it binds; where it seldom does, its least lag."""
    bound = binding.table.filter(pl.col("p").is_not_null()).select("m", "p", "kind")
    took = bound.with_columns(took=pl.Series(ts[bound["m"].to_numpy()] - ts[bound["p"].to_numpy()]))
    usual = took.group_by("kind").agg(usual_us=pl.col("took").median(), n=pl.len()).filter(pl.col("n") >= FEW)
    told = binding.lags.join(usual, on="kind", how="left", maintain_order="left")
    lags = np.zeros(found.height, dtype=np.int64)
    lags[told["row"].to_numpy()] = told.select(pl.coalesce("usual_us", "lag_us").round().cast(pl.Int64)).to_series()
    return lags
