"""Rejects and measurements of the sample plant against what was planted in it (sample_logs/README.md)."""

from __future__ import annotations

from datetime import datetime

import polars as pl
import pytest

from analytics.account import Window
from analytics.studies.measurements.series import ALL
from analytics.studies.measurements.study import measurements
from analytics.studies.rejects.conditions import START_UP
from analytics.studies.rejects.study import rejects
from tests.sample import CELLS, all_shifts, all_windows, sample_plant, truth

MINUTE = 60_000_000
PLANTED = {"spoon": [("press", "2026-10-23T19:20+02:00", 25)], "timer": [("gear", "2026-10-24T10:00+02:00", 20)]}
DRIFT = ("2026-10-24T15:00+02:00", "2026-10-24T21:30+02:00", 0.85)


def us(text: str) -> int:
    return round(datetime.fromisoformat(text).timestamp() * 1e6)


def whole(cell: str) -> Window:
    return all_windows(sample_plant(), cell)[-1]


def allowed(cell: str) -> list[tuple[str, int, int]]:
    """Where a burst may be found: the planted ones, and at the gauge where its drift makes it reject."""
    spans = [(station, us(start), us(start) + minutes * MINUTE) for station, start, minutes in PLANTED[cell]]
    return [*spans, ("gauge", us(DRIFT[0]), us(DRIFT[1]))] if cell == "spoon" else spans


@pytest.mark.parametrize("cell", CELLS)
def test_the_planted_bursts_are_found_and_no_others_in_any_shift(cell):
    for window in all_shifts(sample_plant(), cell):
        found = rejects(sample_plant(), cell, window).tables["bursts"]
        spans = [s for s in allowed(cell) if s[1] < window.to_us and s[2] > window.from_us]
        assert found["station"].sort().to_list() == sorted(s[0] for s in spans), window.key
        for station, start_us, end_us in spans:
            row = found.row(by_predicate=pl.col("station") == station, named=True)
            assert start_us - MINUTE <= row["start_us"] < row["end_us"] <= end_us + MINUTE
            if station != "gauge":
                assert row["end_us"] - row["start_us"] >= 0.6 * (end_us - start_us)


@pytest.mark.parametrize(("cell", "stations"), [("spoon", ["press"]), ("timer", ["gear", "test"])])
def test_only_restarts_raise_the_rate_and_where_they_were_planted(cell, stations):
    raising = rejects(sample_plant(), cell, whole(cell)).tables["conditions"].filter("raises")
    assert raising.sort("station").select("station", "condition").rows() == [(s, START_UP) for s in stations]


@pytest.mark.parametrize("cell", CELLS)
def test_rejects_by_station_and_cause_are_those_of_the_truth(cell):
    parts = truth("parts")
    lost = parts.filter((parts["cell"] == cell) & (parts["outcome"] == "reject"))
    true = {(s, c): n for s, c, n in lost.group_by("station", "cause").len().rows()}
    table = rejects(sample_plant(), cell, whole(cell)).tables["causes"]
    assert {(s, c): n for s, c, n in table.select("station", "cause", "rejects_n").rows()} == true


def test_the_gauge_that_drifts_and_its_calibration_are_found():
    study = measurements(sample_plant(), "spoon", whole("spoon"))
    drift, step = study.tables["drifts"], study.tables["steps"]
    assert drift["product"].to_list() == [ALL]
    row = drift.row(0, named=True)
    assert abs(row["start_us"] - us(DRIFT[0])) <= 45 * MINUTE
    assert abs(row["end_us"] - us(DRIFT[1])) <= 5 * MINUTE
    assert row["to_level"] == pytest.approx(DRIFT[2] + 0.02, abs=0.05)  # the gauge stands at 0.02 when nothing is wrong
    assert step["ends_drift"].to_list() == [True]
    assert abs(step["at_us"][0] - us(DRIFT[1])) <= 5 * MINUTE
    assert (step["alike_n"][0], step["asked_n"][0]) == (3, 3)


def test_while_the_gauge_drifts_the_parts_until_the_limit_hold_the_truth():
    """Seen at 19:00 the drift is at 0.52; the mean is at the limit where 0.02 more than 0.98 has been drifted."""
    window = Window("w", us("2026-10-24T06:00+02:00"), us("2026-10-24T19:00+02:00"))
    drift = measurements(sample_plant(), "spoon", window).tables["drifts"]
    row = drift.row(by_predicate=pl.col("product") == ALL, named=True)
    minutes = (0.98 / 0.85 * 390) - 240  # of drifting that are left to come
    per_minute = row["values_n"] / ((row["end_us"] - row["start_us"]) / MINUTE)
    assert row["goes_on"]
    assert row["until_limit_low_n"] <= minutes * per_minute <= row["until_limit_high_n"]
