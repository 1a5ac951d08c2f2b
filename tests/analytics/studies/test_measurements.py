"""Measured values: products and limits, drifts with the parts they leave, steps of gauges, capability, charts."""

from __future__ import annotations

from math import inf, nan

import numpy as np
import polars as pl
import pytest

from analytics.characteristics import limits
from analytics.statistics.drift import levels, stretches
from analytics.studies.measurements.series import ALL, series_of, through_nests, values
from analytics.studies.measurements.study import Frames, measurements, tell
from ingest.errors import InputError
from tests.logs import at, book, cell, log, shift

S = 1_000_000
LIMITS = {"depth": {"low": -1.0, "high": 1.0, "unit": "mm"}}
NO_CYCLES = pl.DataFrame(
    schema={"station": pl.String, "nest": pl.String, "part": pl.String, "product": pl.String, "end_us": pl.Int64}
)
NO_MARKS = pl.DataFrame(schema={"us": pl.Int64, "station": pl.String, "words": pl.String})
MODEL = cell(
    products=[
        {"name": "dish", "takt_s": 10, "cycle_s": {"press": 10}, "characteristics": LIMITS},
        {"name": "lid", "takt_s": 10, "cycle_s": {"press": 10}, "characteristics": {"depth": {"low": 8, "high": 12}}},
        {"name": "cup", "takt_s": 10, "cycle_s": {"press": 10}},
    ]
)


def measured(value: np.ndarray, product: str | list[str | None] = "dish", **more: object) -> pl.DataFrame:
    """One value each 10 s from 06:00:00 on, at the gauge."""
    n = value.size
    row = {"station": "gauge", "nest": None, "characteristic": "depth", "unit": "mm", "result": None} | more
    return pl.DataFrame(
        {
            "at_us": at("06:00:00") + 10 * S * np.arange(n), "part": [f"P{i}" for i in range(n)],
            "product": [product] * n if isinstance(product, str) else product, "value": value,
        }
    ).with_columns(pl.lit(v, pl.String).alias(k) for k, v in row.items())  # fmt: skip


def clock(us: int) -> str:
    return str((us - at("06:00:00")) // (10 * S))


def told(frame: pl.DataFrame, cycles: pl.DataFrame = NO_CYCLES, marks: pl.DataFrame = NO_MARKS):
    return tell(Frames(frame, cycles, marks), MODEL, None, clock)


def noise(n: int, seed: int, sigma: float = 0.25) -> np.ndarray:
    return np.random.default_rng(seed).normal(0, sigma, n)


# levels and drifts


@pytest.mark.parametrize(("n", "cases", "most"), [(100, 300, 9), (1500, 150, 6)])
def test_of_a_hundred_steady_series_about_one_is_cut(n, cases, most):
    """At most what a true 1 % exceeds in 1 of 1,000 such tests; tails heavier than normal do not matter."""
    normal = sum(not _stands(noise(n, seed)) for seed in range(cases))
    heavy = sum(not _stands(np.random.default_rng(seed).standard_t(3, n)) for seed in range(cases))
    assert normal <= most
    assert heavy <= 2 * most


def _stands(x: np.ndarray) -> bool:
    cut = stretches(x)
    return len(cut) == 1 and not cut[0].moves


def test_a_drift_gives_the_parts_until_the_limit_with_an_interval_that_holds_the_truth():
    """1,000 steady parts, then a rise of 0.0005 each: after 1,000 more the level is 0.5, and 1,000 from 1."""
    covered = found = 0
    for seed in range(60):
        x = noise(2000, seed)
        x[1000:] += np.linspace(0, 0.5, 1000)
        last = stretches(x)[-1]
        ahead = last.values_until(1.0)
        found += ahead is not None
        covered += ahead is not None and ahead[1] <= 1001 <= ahead[2]
        assert last.values_until(-1.0) is None, "it moves away from the other limit"
    assert found >= 57
    assert covered >= 0.85 * found


def test_what_does_not_drift_has_no_parts_until_a_limit():
    cut = stretches(noise(1000, 3))
    assert [s.values_until(1.0) for s in cut] == [None]


@pytest.mark.parametrize("seed", range(5))
def test_a_drift_and_its_recalibration_are_two_edges_and_nothing_between(seed):
    x = noise(6000, seed)
    x[3000:4200] += np.linspace(0, 0.85, 1200)
    cut = stretches(x)
    assert [s.moves for s in cut] == [False, True, False]
    assert abs(cut[1].last - 4200) <= 10
    assert abs(cut[1].first - 3000) <= 150
    assert cut[1].end == pytest.approx(0.85, abs=0.1)
    assert levels(cut).size == x.size
    assert [s.first for s in cut[1:]] == [s.last for s in cut[:-1]]


@pytest.mark.parametrize("shift_by", [0.5, -0.5])
def test_a_step_of_two_sigmas_is_a_step_and_no_drift(shift_by):
    x = noise(1000, 11)
    x[600:] += shift_by
    cut = stretches(x)
    assert [s.moves for s in cut] == [False, False]
    assert abs(cut[0].last - 600) <= 5
    assert cut[1].begin - cut[0].end == pytest.approx(shift_by, abs=0.06)


def test_single_values_far_off_are_neither_step_nor_drift():
    x = noise(1000, 5)
    x[::90] = 40.0
    assert _stands(x)


def test_too_few_values_and_values_all_alike_are_not_cut():
    assert stretches(np.arange(99.0)) is None
    assert _stands(np.full(500, 2.5))


# products, limits, series


def test_a_measurement_without_a_product_takes_that_of_its_parts_cycle_near_in_time():
    frame = measured(np.array([0.1, 0.2, 0.3]), [None, None, "lid"])
    cycles = pl.DataFrame(
        [("press", None, "P0", "dish", at("05:59:50")), ("press", None, "P1", "dish", at("01:00:00"))],
        schema=NO_CYCLES.schema,
        orient="row",
    )  # the second is another part of that number, hours before
    got = values(frame, cycles, limits(MODEL)).sort("at_us")
    assert got["product"].to_list() == ["dish", None, "lid"]
    assert got["high"].to_list() == [1.0, None, 12.0]
    assert got["share"].to_list()[0] == pytest.approx(0.1)


def test_limits_in_another_unit_are_not_compared():
    study = told(measured(noise(200, 1), unit="inch"))
    assert study.tables["capability"].is_empty()
    assert study.tables["spread"]["out_n"].to_list() == [None]
    assert any("logged in inch" in doubt for doubt in study.doubts)


def test_values_that_are_no_number_are_left_out_and_said():
    x = noise(200, 1)
    x[[3, 5]] = nan, inf
    study = told(measured(x))
    assert study.tables["spread"]["values_n"].to_list() == [198]
    assert study.doubts[0].startswith("2 measurements without a number")


def test_all_products_of_a_gauge_make_a_series_in_half_tolerances():
    frame = values(measured(np.array([0.5, 11.0]), ["dish", "lid"]), NO_CYCLES, limits(MODEL))
    (key, both), *rest = series_of(frame)
    assert key["product"] == ALL
    assert both["value"].to_list() == [0.5, 0.5]
    assert [k["product"] for k, _ in rest] == ["dish", "lid"]


def test_a_part_answers_for_the_nest_that_it_came_through():
    frame = values(measured(np.array([0.1, 0.2])), NO_CYCLES, limits(MODEL))
    cycles = pl.DataFrame(
        [("press", "1", "P0", "dish", at("05:59:00")), ("press", "2", "P1", "dish", at("05:59:00")),
         ("press", "1", "P1", "dish", at("05:58:00"))],
        schema=NO_CYCLES.schema, orient="row",
    ).sort("end_us")  # fmt: skip
    got = through_nests(frame, cycles).sort("at_us")
    assert got.select("part", "through").rows() == [("P0", "press.1"), ("P1", "press.2")]


# the gauge


def drifting_gauge(n: int = 3000) -> pl.DataFrame:
    """Dish and lid by turns; the gauge drifts for 600 parts by 0.85 half tolerances and is then calibrated."""
    x = noise(n, 21)
    x[1500:2100] += np.linspace(0, 0.85, 600)
    product = ["dish" if i % 2 == 0 else "lid" for i in range(n)]
    return measured(np.where(np.arange(n) % 2 == 0, x, 10 + 2 * x), product)


def test_a_gauge_that_drifts_and_is_calibrated_is_told_once_for_all_products():
    study = told(drifting_gauge())
    drift = study.tables["drifts"]
    assert drift["product"].to_list() == [ALL], "what both products do is not told for each again"
    row = drift.row(0, named=True)
    assert abs(int(clock(row["start_us"])) - 1500) <= 100
    assert abs(int(clock(row["end_us"])) - 2100) <= 10
    assert row["to_level"] == pytest.approx(0.85, abs=0.1)
    assert row["limit"] == 1.0
    step = study.tables["steps"].row(0, named=True)
    assert (step["ends_drift"], step["alike_n"], step["asked_n"]) == (True, 2, 2)
    assert study.findings[0].startswith(f"depth at gauge, {ALL}, drifts from")
    assert "as after a calibration (2 of 2 products alike" in study.findings[0]


def test_a_drift_of_one_product_is_told_for_that_product():
    x = noise(3000, 4)
    x[2001::2] += np.linspace(0, 1.2, 500)[: x[2001::2].size]
    product = ["dish" if i % 2 == 0 else "lid" for i in range(3000)]
    frame = measured(np.where(np.arange(3000) % 2 == 0, x, 10 + 2 * x), product)
    drift = told(frame).tables["drifts"]
    lid = drift.filter(pl.col("product") == "lid")
    assert lid.height == 1
    assert lid["per_100_low"][0] > 0
    dish = told(frame.filter(pl.col("product") == "dish")).tables["drifts"]
    assert dish.is_empty(), "alone, the dish stands"


def test_a_drift_that_goes_on_tells_when_its_mean_is_at_the_limit():
    x = noise(2000, 2)
    x[1000:] += np.linspace(0, 0.5, 1000)
    study = told(measured(x))
    row = study.tables["drifts"].row(0, named=True)
    assert row["goes_on"]
    assert row["until_limit_low_n"] < 1000 < row["until_limit_high_n"]
    assert "Its mean reaches the limit 1 after" in study.findings[0]


def test_a_step_names_what_the_logs_say_around_it():
    x = noise(1000, 8)
    x[500:] += 0.6
    marks = pl.DataFrame(
        [(at("07:22:00"), "gauge", "reason calibrated"), (at("07:22:00"), "press", "alarm jam"),
         (at("06:10:00"), "gauge", "mode off")],
        schema=NO_MARKS.schema, orient="row",
    )  # fmt: skip
    step = told(measured(x), marks=marks).tables["steps"].row(0, named=True)
    assert abs(int(clock(step["at_us"])) - 500) <= 5
    assert step["size_low"] < 0.6 < step["size_high"]
    assert step["heard"] == "reason calibrated"


# capability and charts


def test_a_series_that_stands_has_cp_and_cpk_and_they_are_those_of_its_sigma():
    study = told(measured(noise(3000, 6)))
    row = study.tables["capability"].row(0, named=True)
    for name in ("cp", "cpk", "pp", "ppk"):
        assert row[f"{name}_low"] < row[name] < row[f"{name}_high"]
    assert row["cp_low"] < 1 / (3 * 0.25) < row["cp_high"]
    assert row["ppk_percentile"] == pytest.approx(row["ppk"], rel=0.15)
    assert study.tables["spread"]["steady"].to_list() == [True]


def test_a_series_that_drifts_has_pp_and_ppk_only():
    study = told(measured(noise(1000, 6) + np.linspace(0, 1, 1000)))
    row = study.tables["capability"].row(0, named=True)
    assert row["cp"] is None
    assert row["cpk"] is None
    assert row["pp"] < 1 / (3 * 0.25), "the drift counts as spread"


def test_values_on_a_limit_are_within_it():
    x = np.tile([1.0, -1.0, 0.5], 40)
    x[0] = 1.0000001
    assert told(measured(x)).tables["spread"]["out_n"].to_list() == [1]


def test_signals_of_a_steady_series_come_about_as_often_as_by_chance():
    table = told(measured(noise(20_000, 12))).tables["signals"]
    assert table.height == 5
    for row in table.iter_rows(named=True):
        assert abs(row["signals_n"] - row["by_chance_n"]) < 10 * np.sqrt(row["by_chance_n"]), row["rule"]


def test_a_chart_takes_its_limits_from_where_the_series_stands():
    x = noise(2000, 7)
    x[1500:] += 1.0
    chart = told(measured(x)).tables["chart"]
    assert chart["center"][0] == pytest.approx(0.0, abs=0.03)
    late, early = chart["rules"][1510:], chart["rules"][:1500]
    assert late.str.contains("4").mean() > 0.9
    assert early.str.contains("1").mean() < 0.02


def test_without_limits_there_are_charts_and_the_reason_why_nothing_else():
    study = told(measured(noise(300, 1), "cup"))
    assert study.tables["capability"].is_empty()
    assert study.tables["chart"].height == 300
    assert study.findings == ["No drift and no step in 300 values of 1 series."]
    assert any("no limits for these products" in doubt for doubt in study.doubts)


def test_with_few_values_nothing_is_looked_for_and_it_is_said():
    study = told(measured(noise(25, 1)))
    assert study.tables["capability"].is_empty()
    assert study.tables["drifts"].is_empty()
    assert any(doubt.startswith("1 series of fewer than 100 values") for doubt in study.doubts)


def test_the_order_of_measurements_changes_nothing():
    frame = drifting_gauge()
    one, other = told(frame), told(frame.sample(fraction=1, shuffle=True, seed=1))
    assert one.findings == other.findings
    for name, table in one.tables.items():
        assert table.equals(other.tables[name]), name


# from a log


def test_measurements_of_a_log_are_held_against_the_cell_file(tmp_path):
    lines = "\n".join(
        f"06:{n // 60:02d}:{n % 60:02d} pack measures P{n} characteristic=depth value={v} unit=mm product=dish"
        for n, v in enumerate([0.1, -0.2, 1.4] * 20)
    )
    study = measurements(book(tmp_path, log(lines), cell_model=MODEL), "a1", shift())
    row = study.tables["spread"].row(0, named=True)
    assert (row["station"], row["values_n"], row["out_n"]) == ("pack", 60, 20)


def test_a_period_without_measurements_is_refused_with_the_reason(tmp_path):
    plant = book(tmp_path, log("06:00:00 press starts P1 product=dish\n06:00:09 press ends P1"), cell_model=MODEL)
    study = measurements(plant, "a1", shift())
    assert (study.findings, study.tables) == ([], {})
    assert "nothing to tell" in study.doubts[0]
    with pytest.raises(InputError):
        measurements(plant, "a1", shift(), station="oven")


@pytest.mark.parametrize("seed", range(8))
def test_where_a_drift_begins_there_is_no_step(seed):
    x = noise(3000, seed)
    x[1500:2100] += np.linspace(0, 0.85, 600)
    step = told(measured(x)).tables["steps"]
    assert step["ends_drift"].to_list() == [True]
