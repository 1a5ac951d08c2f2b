"""All cells side by side: the figures are those of the accounts, and only an unusual day is called so."""

from __future__ import annotations

import polars as pl
import pytest

from analytics.account import account
from analytics.overview import FEWEST, LOSSES, NO_LOSS, _usual, overview
from analytics.windows import day_window, last_shift
from ingest.errors import InputError
from tests.sample import CELLS, sample_plant


def test_each_cell_has_the_figures_of_its_account():
    plant = sample_plant()
    rows = overview(plant, lambda cell: last_shift(plant, cell)[1])
    assert rows["cell"].to_list() == list(CELLS)
    for row in rows.iter_rows(named=True):
        (closed,) = account(plant, row["cell"], last_shift(plant, row["cell"])[1])
        assert (row["good_n"], row["oee"]) == (closed.elements.gq, closed.figures()["oee"]["value"])
        assert row["known_share"] == closed.known_share
        lines = closed.lines.filter(pl.col("line").is_in(LOSSES)).group_by("line").agg(pl.col("us").sum())
        assert row["line_us"] == lines["us"].max()
        assert row["good_share"] == pytest.approx(row["good_n"] / row["planned_parts"])


def test_the_trend_ends_with_the_windows_last_day():
    plant = sample_plant()
    days = plant.days("timer")
    rows = overview(plant, lambda cell: day_window(plant, days[1])).filter(pl.col("cell") == "timer")
    closed = account(plant, "timer", [day_window(plant, day) for day in days[:2]])
    assert rows["trend"].to_list()[0] == [a.figures()["oee"]["value"] for a in closed]
    assert rows["verdict"].to_list() == [None]  # two days tell nothing of what is ordinary


def test_a_cell_that_cannot_be_closed_says_why_and_does_not_stop_the_others():
    plant = sample_plant()

    def window(cell):
        if cell == "spoon":
            raise InputError("no such day", where="--day")
        return last_shift(plant, cell)[1]

    rows = overview(plant, window)
    assert "no such day" in rows["problem"][0]
    assert rows["oee"][0] is None
    assert rows["problem"][1] is None
    assert rows["oee"][1] > 0


@pytest.mark.parametrize(("last", "verdict"), [(0.70, "within"), (0.50, "below"), (0.90, "above")])
def test_a_day_outside_the_limits_of_the_days_before_is_unusual(last, verdict):
    """Moving ranges of 0.70, 0.72, 0.70, … are 0.02: limits 0.71 +- 2.66 x 0.02 (3 / 1.128, NIST/SEMATECH 6.3.2.2)."""
    low, high, said = _usual([0.70, 0.72] * 5 + [last])
    assert (low, high) == (pytest.approx(0.71 - 2.66 * 0.02, abs=1e-4), pytest.approx(0.71 + 2.66 * 0.02, abs=1e-4))
    assert said == verdict


def test_few_days_and_days_without_a_plan_tell_nothing():
    assert _usual([0.7] * (FEWEST - 1) + [0.1]) == (None, None, None)
    assert _usual([0.7] * 20 + [None]) == (None, None, None)
    assert _usual([]) == (None, None, None)


def test_a_safety_stop_is_never_the_largest_loss():
    assert "safety_stop" in NO_LOSS
    assert "safety_stop" not in LOSSES
