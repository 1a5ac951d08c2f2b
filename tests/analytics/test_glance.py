"""OEE at a glance agrees with the closed account where nothing is missing, and says what it cannot know."""

from __future__ import annotations

import polars as pl
import pytest

from analytics.account import account
from analytics.glance import glance
from analytics.windows import day_window
from tests.logs import book, cell, log, plant
from tests.sample import CELLS, SPOON_STATIONS, TIMER_STATIONS, sample_plant

SHIFT = """
06:00:00 press starts P1 product=dish
06:00:10 press ends P1
06:00:12 press starts P2
06:00:24 press ends P2
06:00:24 press reject P2
06:00:30 press starts P3
06:00:40 press ends P3
06:00:42 pack starts P1
06:00:50 pack ends P1
"""


def seen(folder, text, **changes):
    rows = glance(book(folder, log(text), plant(), cell(**changes)), "a1")
    return {row["station"]: row for row in rows.iter_rows(named=True)}


def test_counts_times_and_shares_of_a_short_shift(tmp_path):
    text = SHIFT.replace("P2\n", "P2 product=dish\n").replace("P3\n", "P3 product=dish\n")
    press = seen(tmp_path, text)["press"]
    assert (press["good_n"], press["reject_n"], press["run_us"]) == (2, 1, 32_000_000)
    assert press["planned_busy_us"] == 8 * 3_600_000_000
    assert press["availability"] == pytest.approx(32 / 28_800)
    assert press["effectiveness"] == pytest.approx(30 / 32)
    assert press["quality_ratio"] == pytest.approx(2 / 3)
    assert press["oee"] == pytest.approx(20 / 28_800)


def test_a_part_brings_its_product_to_stations_that_do_not_log_it(tmp_path):
    stations = seen(tmp_path, SHIFT)
    assert stations["pack"]["no_plan_n"] == 0  # P1 is a dish
    assert stations["press"]["no_plan_n"] == 2  # nobody says what P2 and P3 are


def test_else_the_order_at_the_time_does(tmp_path):
    assert seen(tmp_path, "05:59:00 * order O1 product=dish\n" + SHIFT)["press"]["no_plan_n"] == 0


def test_an_order_that_began_the_day_before_still_runs(tmp_path):
    events = log("06:00:00 * order O1 product=dish\n+1d 06:00:00 press starts P1\n+1d 06:00:10 press ends P1")
    opened = book(tmp_path, events)
    (press,) = glance(opened, "a1", opened.days("a1")[1:]).iter_rows(named=True)
    assert (press["good_n"], press["no_plan_n"]) == (1, 0)


def test_repeats_and_the_order_of_lines_change_nothing(tmp_path):
    events = log(SHIFT)
    once = glance(book(tmp_path / "a", events), "a1")
    twice = pl.concat([events, events.with_columns(file=pl.lit("copy.log"))]).sample(fraction=1, shuffle=True, seed=3)
    assert glance(book(tmp_path / "b", twice), "a1").equals(once)


def test_a_start_that_is_not_logged_gives_at_most_the_planned_cycle(tmp_path):
    text = "06:00:00 press ends P1 product=dish\n06:30:00 press ends P2 product=dish"
    assert seen(tmp_path, text)["press"]["run_us"] == 10_000_000  # of the second; of the first nothing is known


def test_what_ends_outside_planned_busy_time_does_not_count(tmp_path):
    stations = seen(tmp_path, "14:10:00 press starts P1 product=dish\n14:10:10 press ends P1\n06:10:00 pack ends P0")
    assert "press" not in stations
    assert stations["pack"]["good_n"] == 1


def test_no_cycles_no_rows(tmp_path):
    assert glance(book(tmp_path, log("06:00:00 press alarm A1")), "a1").height == 0


def test_the_sample_plant_agrees_with_its_accounts():
    """Within 0.2 points of OEE; but for the day on which a power cut took 79 parts, which only the account infers."""
    plant_ = sample_plant()
    for name, stations in zip(CELLS, (SPOON_STATIONS, TIMER_STATIONS), strict=True):
        windows = [day_window(plant_, day) for day in plant_.days(name)]
        rough = glance(plant_, name)
        for station in stations:
            closed = [a.figures()["oee"]["value"] for a in account(plant_, name, windows, station=station)]
            own = rough.filter(pl.col("station") == station)
            limits = [0.002, 0.01 if name == "spoon" else 0.002, 0.002]
            off = [abs(a - b) for a, b in zip(own["oee"], closed, strict=True)]
            assert all(o <= limit for o, limit in zip(off, limits, strict=True)), (station, off)
            assert own["planned_busy_us"].to_list() == [
                a.planned_busy_us for a in account(plant_, name, windows, station=station)
            ]
