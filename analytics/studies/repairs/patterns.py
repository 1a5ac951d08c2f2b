"""Whether a station wears out, and whether it gets worse: Weibull shape, survival, trend of its failures."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analytics.statistics import growth, weibull
from analytics.statistics.multiple_looks import benjamini_hochberg
from analytics.statistics.survival import Survival, kaplan_meier
from analytics.studies.repairs.exposure import NEVER, Exposure
from analytics.studies.repairs.failures import ALARMED, BREAKDOWNS, of_kind

Floats = NDArray[np.float64]

LEAST = 4
"""Failures below which no trend is told: the tests stand on a normal or chi-square law."""

CHANCE = 0.05
"""A shape or a trend is told when its q-value (Benjamini and Hochberg over all stations) is at most this."""

SHAPE_WORDS = {
    "wear-out": "wears out: the longer it has worked, the sooner it fails",
    "early": "fails early: most likely soon after the last failure",
    "open": "chance alone is not excluded",
}
MANY_LOOKS = "chance alone is not excluded: among so many looks one like this comes up"
SHAPE = {"station": pl.String, "failures": pl.String, "finished_n": pl.Int64, "censored_n": pl.Int64,
         "shape": pl.Float64, "shape_low": pl.Float64, "shape_high": pl.Float64, "scale_us": pl.Int64,
         "p": pl.Float64, "q": pl.Float64, "says": pl.String}  # fmt: skip
TREND = {"station": pl.String, "failures": pl.String, "failures_n": pl.Int64, "laplace_u": pl.Float64,
         "laplace_p": pl.Float64, "mil_chi2": pl.Float64, "mil_p": pl.Float64, "q": pl.Float64, "beta": pl.Float64,
         "beta_low": pl.Float64, "beta_high": pl.Float64, "mtbf_end_us": pl.Int64, "fit_p": pl.Float64,
         "says": pl.String}  # fmt: skip
CURVE = {"station": pl.String, "failures": pl.String, "of": pl.String, "after_us": pl.Int64, "at_risk_n": pl.Int64,
         "ends_n": pl.Int64, "left_share": pl.Float64, "low_share": pl.Float64,
         "high_share": pl.Float64}  # fmt: skip
BETWEEN, REPAIR = "time between failures", "repair"


def gaps(worked: pl.Series, total_us: int) -> tuple[Floats, Floats, int]:
    """Times worked from failure to failure, the one still running at the end (censored), and how many had no length.

    The time before the first failure is left out: when it began is not in the window. Failures with no work between
    them are one trouble, not two lives.
    """
    at: Floats = np.sort(worked.to_numpy().astype(np.float64))
    if not at.size:
        return np.empty(0), np.empty(0), 0
    lives = np.diff(at)
    running = float(total_us - at[-1])
    return lives[lives > 0], np.array([running] if running > 0 else [], dtype=np.float64), int((lives == 0).sum())


def shapes(rows: pl.DataFrame, clocks: Exposure, stations: Sequence[str]) -> pl.DataFrame:
    """Weibull shape of the time between failures: SHAPE; `says` holds the reason where there is no shape."""
    found: list[dict[str, Any]] = []
    for station, kind, own in _each(rows, stations):
        lives, running, none = gaps(own["worked_us"], clocks.works.get(station, NEVER).total_us)
        fitted = weibull.fit(lives, running)
        row: dict[str, Any] = {
            "station": station,
            "failures": kind,
            "finished_n": lives.size,
            "censored_n": running.size,
        }
        if isinstance(fitted, str):
            row["says"] = f"not told: {fitted}" + (f"; {none} came before any work" if none else "")
        else:
            row |= {"shape": fitted.shape, "shape_low": fitted.low, "shape_high": fitted.high,
                    "scale_us": round(fitted.scale), "p": fitted.chance, "says": SHAPE_WORDS[fitted.says]}  # fmt: skip
        found.append(row)
    frame = _with_q(pl.DataFrame(found, schema=SHAPE), "p")
    claims = pl.col("says").is_in([SHAPE_WORDS["wear-out"], SHAPE_WORDS["early"]])
    return frame.with_columns(says=pl.when(claims & (pl.col("q") > CHANCE)).then(pl.lit(MANY_LOOKS)).otherwise("says"))


def trends(rows: pl.DataFrame, clocks: Exposure, stations: Sequence[str]) -> pl.DataFrame:
    """Trend of the failures by the time worked: TREND; `says` holds the reason where none is told."""
    found: list[dict[str, Any]] = []
    for station, kind, own in _each(rows, stations):
        end = clocks.works.get(station, NEVER).total_us
        times = own["worked_us"].to_numpy().astype(np.float64)
        told = growth.trend(times, end) if own.height >= LEAST else None
        law = growth.crow_amsaa(times, end) if told else None
        row: dict[str, Any] = {"station": station, "failures": kind, "failures_n": own.height}
        if told is None or law is None:
            row["says"] = f"not told: {own.height} failures, a trend needs {LEAST} within time worked"
        else:
            far = growth.cramer_von_mises(times, end) or 0.0
            row |= {"laplace_u": told.u, "laplace_p": told.u_chance, "mil_chi2": told.mil, "mil_p": told.mil_chance,
                    "beta": law.beta, "beta_low": law.low, "beta_high": law.high,
                    "mtbf_end_us": round(law.mean_time_end),
                    "fit_p": growth.cramer_von_mises_chance(far, law.failures_n)}  # fmt: skip
        found.append(row)
    frame = _with_q(pl.DataFrame(found, schema=TREND), "laplace_p")
    sure = pl.col("q") <= CHANCE
    words = (
        pl.when(sure & (pl.col("laplace_u") > 0)).then(pl.lit("failures come more and more often"))
        .when(sure).then(pl.lit("failures come less and less often"))
        .when(pl.col("q").is_not_null()).then(pl.lit("no trend shown"))
        .otherwise("says")
    )  # fmt: skip
    return frame.with_columns(says=words)


def curves(rows: pl.DataFrame, clocks: Exposure, stations: Sequence[str]) -> pl.DataFrame:
    """Kaplan-Meier curves of times between failures and of repairs: CURVE, a row per step."""
    found = []
    for station, kind, own in _each(rows, stations):
        lives, running, _ = gaps(own["worked_us"], clocks.works.get(station, NEVER).total_us)
        ended = np.repeat([True, False], [lives.size, running.size])
        for name, curve in (
            (BETWEEN, kaplan_meier(np.concatenate([lives, running]), ended)),
            (REPAIR, kaplan_meier(own["repair_us"].to_numpy(), ~own["open"].to_numpy())),
        ):
            found.append(_rows(station, kind, name, curve))
    return pl.concat([pl.DataFrame(schema=CURVE), *found])


def medians(curve: pl.DataFrame) -> pl.DataFrame:
    """When half had failed, or half was repaired.

    Returns  station, failures, of, ends_n, median_us, low_us, high_us (null: not reached, or no bound known).
    """

    def first(column: str) -> pl.Expr:
        return pl.col("after_us").filter(pl.col(column) <= 0.5 + 1e-12).first()

    return curve.group_by("station", "failures", "of", maintain_order=True).agg(
        ends_n=pl.col("ends_n").sum(), median_us=first("left_share"), low_us=first("low_share"),
        high_us=first("high_share"),
    )  # fmt: skip


def _with_q(frame: pl.DataFrame, chance: str) -> pl.DataFrame:
    q = benjamini_hochberg(frame[chance].fill_null(np.nan).to_numpy())
    return frame.with_columns(pl.Series("q", q, dtype=pl.Float64, nan_to_null=True))


def _each(rows: pl.DataFrame, stations: Sequence[str]) -> list[tuple[str, str, pl.DataFrame]]:
    """The failures of each station and kind; a kind that has no more than the other, long ones alone, is left out."""
    found = []
    for station in stations:
        own = rows.filter(pl.col("station") == station)
        long = of_kind(own, BREAKDOWNS)
        if long.height:
            found.append((station, BREAKDOWNS, long))
        if own.height > long.height:
            found.append((station, ALARMED, own))
    return found


def _rows(station: str, kind: str, name: str, curve: Survival) -> pl.DataFrame:
    n = curve.time.size
    return pl.DataFrame(
        {"station": [station] * n, "failures": [kind] * n, "of": [name] * n,
         "after_us": curve.time.round().astype(np.int64), "at_risk_n": curve.at_risk.astype(np.int64),
         "ends_n": curve.ends_n.astype(np.int64), "left_share": curve.share,
         "low_share": pl.Series(curve.low, nan_to_null=True), "high_share": pl.Series(curve.high, nan_to_null=True)},
        schema_overrides=CURVE,
    )  # fmt: skip
