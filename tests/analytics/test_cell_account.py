"""Whom the cell's lost time is charged to, and the upkeep of facts."""

from __future__ import annotations

from datetime import date

import polars as pl
import pytest

from analytics.account import account
from analytics.output import output
from analytics.stops import stops
from analytics.windows import day_window, hours_of, last_shift, week_window
from ingest.errors import InputError
from tests.logs import at, book, cell, log, plant, shift

LINE = {
    "stations": [
        {"name": "feed", "kind": "feeder"},
        {"name": "press", "kind": "machine", "from": ["feed"]},
        {"name": "belt", "kind": "buffer", "from": ["press"], "capacity": 3},
        {"name": "pack", "kind": "machine", "from": ["belt"]},
    ],
    "products": [{"name": "dish", "takt_s": 10, "cycle_s": {"press": 10, "pack": 8}}],
}

STOPPED_PRESS = """
    06:00:00 press starts P1 product=dish
    06:00:10 press ends P1
    06:00:10 press out P1
    06:00:10 belt in P1
    06:00:11 belt out P1
    06:00:11 pack starts P1 product=dish
    06:00:19 pack ends P1
    06:00:19 pack out P1
    06:00:20 press alarm A1
    06:05:20 press clear A1
    06:05:20 press starts P2 product=dish
    06:05:30 press ends P2
    06:05:30 press out P2
    06:05:31 pack starts P2 product=dish
    06:05:39 pack ends P2
    06:05:39 pack out P2
"""


def charged(a, line):
    rows = a.lines.filter(pl.col("line") == line)
    return dict(rows.group_by("station").agg(pl.col("us").sum() / 1e6).rows())


def test_starving_at_the_outlet_is_charged_to_the_station_that_stopped(tmp_path):
    (a,) = account(book(tmp_path, log(STOPPED_PRESS), cell_model=cell(**LINE)), "a1", shift("06:00:00", "06:05:40"))
    assert charged(a, "breakdown") == {"press": 300}
    assert a.us("good") == 20_000_000
    assert a.difference_us == 0


def test_a_stop_that_the_buffer_absorbs_costs_nothing(tmp_path):
    """The press stands for 8 s while pack still works on the part before."""
    text = """
        06:00:00 press starts P1 product=dish
        06:00:10 press ends P1
        06:00:10 press out P1
        06:00:10 press alarm A1
        06:00:10 pack starts P1 product=dish
        06:00:18 pack ends P1
        06:00:18 pack out P1
        06:00:18 press clear A1
        06:00:18 press starts P2 product=dish
    """
    opened = book(tmp_path, log(text), cell_model=cell(**LINE))
    (whole,) = account(opened, "a1", shift("06:00:10", "06:00:18"))
    (press,) = account(opened, "a1", shift("06:00:10", "06:00:18"), station="press")
    assert press.us("micro_stop") == 8_000_000
    assert whole.us("micro_stop") == 0


def test_a_robot_that_says_what_it_waits_for_leads_to_it(tmp_path):
    stations = [
        {"name": "oven", "kind": "machine"},
        {"name": "dryer", "kind": "machine"},
        {"name": "arm", "kind": "robot", "from": ["oven", "dryer"]},
    ]
    text = """
        06:00:00 oven alarm A1
        06:00:00 dryer alarm A1
        06:00:00 arm state starved at=dryer
        06:00:50 arm state running
        06:00:50 oven clear A1
        06:00:50 dryer clear A1
        06:00:55 arm ends P1 product=dish
        06:00:55 arm out P1
    """
    model = cell(outlet="arm", stations=stations, products=[{"name": "dish", "takt_s": 10, "cycle_s": {"arm": 5}}])
    (a,) = account(book(tmp_path, log(text), cell_model=model), "a1", shift("06:00:00", "06:00:50"))
    assert charged(a, "micro_stop") == {"dryer": 50}


def test_an_emergency_stop_is_one_stop_of_the_cell_and_shown_for_every_station(tmp_path):
    opened = book(
        tmp_path, log("06:00:00 press in P1\n06:01:00 * alarm E1\n06:02:00 * clear E1"), cell_model=cell(**LINE)
    )
    found = stops(opened, "a1", shift("06:00:00", "06:10:00"))
    assert found.select("station", "line", "us", "busy_us").rows() == [(None, "safety_stop", 60_000_000, 60_000_000)]
    assert stops(opened, "a1", shift("06:00:00", "06:10:00"), station="press").height == 1


def test_a_stop_leads_to_its_log_lines(tmp_path):
    (row,) = stops(book(tmp_path, log(STOPPED_PRESS), cell_model=cell(**LINE)), "a1", shift()).rows(named=True)
    assert (row["log_file"], row["log_line"], row["log_end_line"], row["text"]) == ("plc.log", 9, 10, "door open")


def test_what_a_person_said_stands_beside_the_cause_of_the_stop_it_overlaps_most(tmp_path):
    text = (
        STOPPED_PRESS
        + """
        06:00:00 press reason cause=jam value=360
        06:20:00 press reason cause=lunch value=60
    """
    )
    (row,) = stops(book(tmp_path, log(text), cell_model=cell(**LINE)), "a1", shift()).rows(named=True)
    assert (row["text"], row["said"]) == ("door open", "jam")


def test_at_every_minute_planned_output_is_good_output_and_all_losses(tmp_path):
    opened = book(tmp_path, log(STOPPED_PRESS), cell_model=cell(**LINE))
    wide = output(opened, "a1", shift("06:00:00", "06:10:00")).pivot("line", index="us", values="parts")
    lost = wide.drop("us", "planned").sum_horizontal()
    assert (wide["planned"] - lost).abs().max() < 1e-9
    assert wide["planned"].diff().drop_nulls().to_list() == pytest.approx([6.0] * 10)


def test_facts_are_rebuilt_only_when_an_input_changed(tmp_path):
    events = log(STOPPED_PRESS)
    opened = book(tmp_path, events, cell_model=cell(**LINE))
    assert opened.build("a1") == [date(2026, 10, 20)]
    assert opened.build("a1") == []
    more = pl.concat([events, log("07:00:00 press in P3", file="late.log")])
    assert book(tmp_path, more, cell_model=cell(**LINE)).build("a1") == [date(2026, 10, 20)]
    assert book(tmp_path, more, cell_model=cell(**LINE | {"micro_stop_s": 400})).build("a1") == [date(2026, 10, 20)]
    assert book(tmp_path, more, cell_model=cell(**LINE | {"micro_stop_s": 400})).build("a1") == []


def test_a_late_line_changes_its_own_day_and_what_that_hands_on(tmp_path):
    two_days = log(
        "06:00:00 press starts P1 product=dish\n+1d 06:30:00 press starts P2 product=dish\n+2d 07:00:00 press in P3"
    )
    opened = book(tmp_path, two_days)
    days = opened.build("a1")
    assert len(days) == 3
    late = pl.concat([two_days, log("08:00:00 press ends P1", file="late.log")])
    again = book(tmp_path, late).build("a1")
    assert again[:2] == days[:2]


def test_a_planned_day_without_any_record_is_a_day_without_data(tmp_path):
    """The network was down all Wednesday: its shift stays in the week, and the part stays in the cell."""
    model = cell(
        sources=[{"name": "plc", "silence_s": 60}],
        stations=[
            {"name": "press", "kind": "machine", "sources": ["plc"]},
            {"name": "pack", "kind": "machine", "from": ["press"]},
        ],
        lost_after_h=100,
    )
    opened = book(tmp_path, log("06:00:00 press starts P1 product=dish\n+2d 06:00:00 press ends P1"), cell_model=model)
    assert opened.days("a1") == [date(2026, 10, 20), date(2026, 10, 21), date(2026, 10, 22)]
    (a,) = account(opened, "a1", shift(day="2026-10-21"), station="press")
    assert (a.planned_busy_us, a.us("no_data")) == (28_800_000_000, 28_800_000_000)
    assert a.known_share == 0
    (whole,) = account(opened, "a1", shift(day="2026-10-21"))
    assert (whole.parts.opening_stock, whole.parts.closing_stock) == (1, 1)


def test_a_clock_that_fell_back_to_1970_does_not_open_20000_days(tmp_path):
    events = pl.concat([log("06:00:00 press in P1"), log("06:00:00 press in P2", day="1970-01-01")])
    assert len(book(tmp_path, events).days("a1")) == 2


def test_an_alarm_that_lasts_over_the_night_is_known_the_next_day(tmp_path):
    events = log("06:10:00 press alarm A1\n+1d 06:30:00 press clear A1\n+1d 06:31:00 press in P1")
    opened = book(tmp_path, events)
    for day, seconds in (("2026-10-20", 7 * 3600 + 3000), ("2026-10-21", 1800)):
        (a,) = account(opened, "a1", shift(day=day), station="press")
        assert a.us("breakdown") == seconds * 1_000_000, day


def test_hours_cut_the_doubled_hour_in_two(tmp_path):
    opened = book(tmp_path, log("06:00:00 press in P1"), plant())
    hours = hours_of(opened, day_window(opened, date(2026, 10, 24)))
    assert len(hours) == 25
    assert [h.key for h in hours if "T02:00" in h.key] == ["2026-10-25T02:00+02:00", "2026-10-25T02:00+01:00"]


def test_a_week_is_its_seven_production_days(tmp_path):
    opened = book(tmp_path, log("06:00:00 press in P1"))
    week = week_window(opened, "2026-W43")
    assert (week.from_us, week.to_us) == (at("06:00:00", "2026-10-19"), at("06:00:00", "2026-10-26"))
    with pytest.raises(InputError, match="not a week"):
        week_window(opened, "2026-W60")


def test_the_last_shift_is_the_last_that_the_events_cover(tmp_path):
    opened = book(tmp_path, log("06:00:00 press in P1\n13:59:00 press in P2\n+1d 07:00:00 press in P3"))
    day, window = last_shift(opened, "a1")
    assert (day, window.from_us) == (date(2026, 10, 20), at("06:00:00"))


def test_a_period_without_events_says_which_days_there_are(tmp_path):
    with pytest.raises(InputError) as err:
        account(book(tmp_path, log("06:00:00 press in P1")), "a1", shift(day="2026-12-01"))
    assert "2026-10-20" in str(err.value)


def test_a_product_has_an_account_of_its_own(tmp_path):
    text = """
        06:00:00 press starts P1 product=dish
        06:00:10 press ends P1
        06:00:10 press out P1
        06:01:00 press starts P2 product=lid
        06:01:10 press ends P2
        06:01:10 press out P2
    """
    opened = book(tmp_path, log(text))
    (dish,) = account(opened, "a1", shift("06:00:00", "06:01:10"), station="press", product="dish")
    (lid,) = account(opened, "a1", shift("06:00:00", "06:01:10"), station="press", product="lid")
    (both,) = account(opened, "a1", shift("06:00:00", "06:01:10"), station="press")
    assert dish.planned_busy_us + lid.planned_busy_us == both.planned_busy_us
    assert (dish.us("good"), lid.us("good")) == (10_000_000, 10_000_000)


def test_one_event_gives_an_account(tmp_path):
    (a,) = account(book(tmp_path, log("06:00:00 press in P1")), "a1", shift())
    assert a.difference_us == 0
    assert plant().zone == a.zone


def test_places_without_a_planned_cycle_do_no_work_of_their_own():
    assert cell(**LINE).working() == ["feed", "press", "pack"]
