"""An account added up from kept sums is the account of the facts themselves, to the last digit."""

import tempfile
from pathlib import Path

import polars as pl
import pytest
from hypothesis import HealthCheck, Phase, given, settings

from analytics import sums
from analytics.account import Window, account
from tests.logs import at, book, cell, log, plant
from tests.sample import sample_plant
from tests.strategies import line_logs

SOME = settings(
    max_examples=3, deadline=None, derandomize=True, phases=[Phase.explicit, Phase.generate],
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
)  # fmt: skip
DAY_US = 86_400_000_000
EDGE, CHANGE, AMID = at("06:00:00"), at("06:03:00"), at("06:01:30")
WINDOWS = {
    "two days": [Window("both", EDGE - DAY_US, EDGE + DAY_US)],
    "shifts": [Window("early", EDGE, CHANGE), Window("late", CHANGE, at("14:00:00"))],
    "from amid a shift": [Window("odd", AMID, EDGE + DAY_US)],
    "many": [Window("odd", AMID - 7, AMID + 123_456_789), Window("day", EDGE - DAY_US, EDGE)],
}
NIGHT = {"name": "night", "start": "22:00", "end": "06:00"}
TWO_SHIFTS = [{"name": "early", "start": "06:00", "end": "06:03"}, {"name": "late", "start": "06:03", "end": "14:00"}]
OVERLAPPING = [{"name": "early", "start": "06:00", "end": "06:04"}, {"name": "late", "start": "06:03", "end": "14:00"}]


def told(opened, windows, name="a1", stations=(None, "press")):
    return [
        (s, a.window.key, a.planned_busy_us, a.plan.rows(), a.lines.rows(), a.figures(), a.parts.as_dict())
        for s in stations
        for a in account(opened, name, windows, station=s)
    ]


def compare(opened, windows, monkeypatch, **names):
    from_sums = told(opened, windows, **names)
    with monkeypatch.context() as patch:
        patch.setattr(sums, "fits", lambda *day: False)
        from_facts = told(opened, windows, **names)
    assert from_sums == from_facts


@pytest.mark.parametrize("shifts", [TWO_SHIFTS, OVERLAPPING], ids=["one after the other", "overlapping"])
def test_sums_and_facts_give_the_same_account(shifts):
    both_days = log("05:00:00 * mode automatic\n07:00:00 * mode automatic", file="cell.log")

    @given(line_logs())
    @SOME
    def holds(events):
        with tempfile.TemporaryDirectory() as folder, pytest.MonkeyPatch.context() as patch:
            opened = book(Path(folder), pl.concat([events, both_days]), plant_file=plant(shifts=[*shifts, NIGHT]))
            for windows in WINDOWS.values():
                compare(opened, windows, patch)

    holds()


def test_sums_and_facts_give_the_same_account_of_the_sample_plant(monkeypatch):
    opened = sample_plant()
    days = opened.days("spoon")
    bounds = [opened.file.day_bounds(d) for d in days]
    whole = Window("whole", bounds[0][0], bounds[-1][1])
    second = Window("day", *bounds[1])
    partly = Window("partly", bounds[0][0] + 5_000_000_001, bounds[-1][1] - 1)
    compare(opened, [whole, second], monkeypatch, name="spoon")
    compare(opened, [partly], monkeypatch, name="spoon")


def nothing():
    schema = {**sums.SCHEMA, "first_us": pl.Int64}
    columns = {**sums.SUMMED, "sets": [*sums.SUMMED["sets"], "first_us"]}
    return {t: pl.DataFrame(schema={c: schema[c] for c in names}) for t, names in columns.items()}


def test_a_set_keeps_its_name_as_long_as_another_day_may_know_it():
    sets = pl.DataFrame(
        {"set": ["S1", "S2", "S3", "S4"], "product": "dune", "complete": [True, True, False, True],
         "placed": [3, 3, 2, 3], "first_us": [-5, 10, 20, 30], "last_us": [1, 40, 45, 60]}
    )  # fmt: skip
    found = sums.split(sums.day_sums({**nothing(), "sets": sets}, [0, 50, 100]))["sets"]
    assert found.sort("last_us").select("set", "last_us", "n").rows() == [
        ("S1", 1, 1),
        (None, 40, 1),
        ("S3", 45, 1),
        (None, 60, 1),
    ]


def test_what_lies_across_the_edge_of_a_shift_is_not_summed():
    ledger = pl.DataFrame(
        {"lane": "press", "line": "good", "station": "press", "product": "dish", "unit_us": 10, "plan": "busy",
         "start_us": [0, 40, 60], "end_us": [40, 60, 60], "us": [40, 20, -7]}
    ).with_columns(blamed=pl.lit(None, pl.String), cause=pl.lit(None, pl.String))  # fmt: skip
    found = sums.split(sums.day_sums({**nothing(), "ledger": ledger}, [0, 50, 100]))["ledger"]
    assert found.select("start_us", "end_us", "us").rows() == [(0, 0, 40), (40, 60, 20), (60, 60, -7)]


def test_a_long_time_needs_no_facts_but_sums(tmp_path, monkeypatch):
    opened = book(
        tmp_path, log("06:00:00 press starts P1 product=dish\n06:00:09 press ends P1 product=dish"), cell_model=cell()
    )
    whole = [Window("day", EDGE, EDGE + DAY_US)]
    expected = told(opened, whole)

    def never(*anything):
        raise AssertionError("the facts themselves were read")

    monkeypatch.setattr(type(opened), "_files", never)
    assert told(opened, whole) == expected
