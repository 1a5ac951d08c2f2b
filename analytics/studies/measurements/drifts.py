"""Drifts toward a limit and steps of a series, from its stretches."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import polars as pl
from scipy.special import stdtrit

from analytics.statistics.drift import WIDER, Stretch

KEY = {"station": pl.String, "nest": pl.String, "characteristic": pl.String, "product": pl.String}
SLOPE = ("per_100_parts", "per_100_low", "per_100_high")
UNTIL = ("until_limit_n", "until_limit_low_n", "until_limit_high_n")
DRIFTS = {
    **KEY, "start_us": pl.Int64, "end_us": pl.Int64, "values_n": pl.Int64, "from_level": pl.Float64,
    "to_level": pl.Float64, **dict.fromkeys(SLOPE, pl.Float64), "limit": pl.Float64,
    **dict.fromkeys(UNTIL, pl.Float64), "goes_on": pl.Boolean,
}  # fmt: skip
STEPS = {
    **KEY, "at_us": pl.Int64, "before": pl.Float64, "after": pl.Float64, "size": pl.Float64, "size_low": pl.Float64,
    "size_high": pl.Float64, "ends_drift": pl.Boolean, "alike_n": pl.Int64, "asked_n": pl.Int64, "heard": pl.String,
}  # fmt: skip
SURE = 3.5
"""Standard errors of a step beside a drift; between two levels the cut itself is sure enough."""
EDGE = 0.1
"""Share of a drift that may look like a step at its begin or end, because its edge is not known better than that."""
NEAR = 150
"""Values on each side by which products are asked whether they took part in a step."""
LEAST_NEAR = 5
HEARD_US = 15 * 60 * 1_000_000


def drifts(key: dict[str, str | None], own: pl.DataFrame, cut: list[Stretch]) -> pl.DataFrame:
    """One row per stretch that moves. until_*: further values, from its end, until its level is at the limit ahead.

    until_limit_high_n is null where the data leave open whether it is ever reached; all three without such a limit.
    """
    at = own["at_us"].to_numpy()
    rows = []
    for n, s in enumerate(cut):
        if not s.moves:
            continue
        limit = own["high" if s.slope > 0 else "low"][s.last - 1]
        ahead = None if limit is None else s.values_until(limit)
        slope = [100 * x for x in (s.slope, s.slope_low, s.slope_high)]
        rows.append(
            {
                **key, "start_us": int(at[s.first]), "end_us": int(at[s.last - 1]), "values_n": s.last - s.first,
                "from_level": s.begin, "to_level": s.end, **dict(zip(SLOPE, slope, strict=True)),
                "limit": limit, **dict(zip(UNTIL, ahead or (None, None, None), strict=True)),
                "goes_on": n == len(cut) - 1,
            }
        )  # fmt: skip
    return pl.DataFrame(rows, schema=DRIFTS)


def steps(
    key: dict[str, str | None], own: pl.DataFrame, cut: list[Stretch], marks: pl.DataFrame, products: pl.Series
) -> pl.DataFrame:
    """One row per step between two stretches.

    Takes    own: the series; products: the product of each of its values. marks: us, station, words.
    Returns  STEPS. ends_drift: it undoes at least half of the drift before it, as a recalibration does. asked_n:
             products with values on both sides; alike_n: those of them whose median steps in the same direction.
             heard: what the logs say of this station, or of the whole cell, within a quarter of an hour.
    """
    at, v, rows = own["at_us"].to_numpy(), own["value"].to_numpy(), []
    for before, after in pairwise(cut):
        size = after.begin - before.end
        error = float(np.sqrt(before.variances[0] + after.variances[0]))
        height = max(abs(s.end - s.begin) for s in (before, after))  # 0 between two levels
        if (before.moves or after.moves) and abs(size) < SURE * error + EDGE * height:
            continue
        reach = WIDER * error * float(stdtrit(max(1, before.dof + after.dof), 0.975))
        alike, asked = _alike(v, products, before, after, size)
        undone = before.moves and -size * np.sign(before.slope) >= abs(before.end - before.begin) / 2
        rows.append(
            {
                **key, "at_us": int(at[after.first]), "before": before.end, "after": after.begin, "size": size,
                "size_low": size - reach, "size_high": size + reach, "ends_drift": bool(undone), "alike_n": alike,
                "asked_n": asked,
                "heard": _heard(marks, key["station"], int(at[before.last - 1]), int(at[after.first])),
            }
        )  # fmt: skip
    return pl.DataFrame(rows, schema=STEPS)


def _alike(v: np.ndarray, products: pl.Series, before: Stretch, after: Stretch, size: float) -> tuple[int, int]:
    low, high = max(before.first, before.last - NEAR), min(after.last, after.first + NEAR)
    near = pl.DataFrame({"product": products[low:high], "value": v[low:high]}).with_columns(
        later=pl.int_range(low, high, eager=True) >= after.first
    )
    sides = near.group_by("product").agg(
        n=pl.min_horizontal(pl.col("later").sum(), (~pl.col("later")).sum()),
        step=pl.col("value").filter(pl.col("later")).median() - pl.col("value").filter(~pl.col("later")).median(),
    )
    asked = sides.filter(pl.col("n") >= LEAST_NEAR)
    return asked.filter(pl.col("step") * size > 0).height, asked.height


def _heard(marks: pl.DataFrame, station: str | None, from_us: int, to_us: int) -> str | None:
    own = marks.filter(
        pl.col("us").is_between(from_us - HEARD_US, to_us + HEARD_US)
        & ((pl.col("station") == station) | pl.col("station").is_null())
    ).sort("us", "words")
    return ", ".join(own["words"].unique(maintain_order=True).head(4).to_list()) or None
