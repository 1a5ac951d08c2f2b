"""Shifts, breaks and production days in the plant's zone, clock changes included."""

from __future__ import annotations

from datetime import date, datetime

import polars as pl
import pytest

from analytics.plan import plan, shift_spans
from analytics.plant import from_us
from analytics.windows import parse_instant
from ingest.errors import InputError
from tests.logs import at, book, cell, log, plant
from tests.reference.values import CHECKS, Check

HOUR = 3_600_000_000


def busy_h(tiles: pl.DataFrame, lane: str = "press") -> float:
    own = tiles.filter((pl.col("lane") == lane) & (pl.col("plan") == "busy"))
    return int((own["end_us"] - own["start_us"]).sum()) / HOUR


def test_elapsed_hours_of_nights_and_days_at_clock_changes():
    """IANA time zone database: 7 and 9 hours of night shift, days of 23 and 25 h, in Berlin and in New York."""
    c = Check("dst_elapsed")
    got = []
    for zone, start, end in c.spans:
        file = plant(zone=zone, day_start="00:00")
        a, b = datetime.fromisoformat(start), datetime.fromisoformat(end)
        got.append((file.instant(b.date(), b.time()) - file.instant(a.date(), a.time())) / HOUR)
    assert got == CHECKS[c.name]["expected"]["hours"]


@pytest.mark.parametrize(("day", "hours"), [("2026-03-28", 23), ("2026-10-24", 25), ("2026-10-23", 24)])
def test_a_production_day_has_23_24_or_25_hours(day, hours):
    start, end = plant().day_bounds(date.fromisoformat(day))
    assert (end - start) / HOUR == hours


def test_with_days_from_midnight_the_25_hours_fall_on_the_sunday():
    start, end = plant(day_start="00:00").day_bounds(date(2026, 10, 25))
    assert end - start == 90_000 * 1_000_000


def test_the_night_shift_of_the_clock_change_is_an_hour_longer():
    night = plant(shifts=[{"name": "night", "start": "22:00", "end": "06:00"}])
    (span,) = shift_spans(night, "a1", date(2026, 10, 24), date(2026, 10, 24))
    assert (span.end_us - span.start_us) / HOUR == 9


def test_a_shift_belongs_to_the_day_on_which_it_starts():
    night = plant(shifts=[{"name": "night", "start": "22:00", "end": "06:00", "days": ["fri"]}])
    spans = shift_spans(night, "a1", date(2026, 10, 19), date(2026, 10, 25))
    assert [(s.day, from_us(s.end_us).isoformat()) for s in spans] == [
        (date(2026, 10, 23), "2026-10-24T04:00:00+00:00")
    ]


def test_breaks_and_planned_stops_are_cut_out_and_never_counted_twice():
    early = {"name": "early", "start": "06:00", "end": "14:00", "breaks": [{"start": "09:00", "end": "09:30"}]}
    stop = {"cell": "a1", "start": datetime(2026, 10, 20, 9, 15), "end": datetime(2026, 10, 20, 10, 0)}
    tiles = plan(plant(shifts=[early], planned_stops=[stop]), cell(), at("06:00:00"), at("14:00:00"))
    assert busy_h(tiles) == 7


def test_a_planned_stop_of_one_station_leaves_the_others_planned():
    stop = {"cell": "a1", "station": "press", "start": datetime(2026, 10, 20, 9), "end": datetime(2026, 10, 20, 10)}
    tiles = plan(plant(planned_stops=[stop]), cell(), at("06:00:00"), at("14:00:00"))
    assert (busy_h(tiles), busy_h(tiles, "pack"), busy_h(tiles, "*")) == (7, 8, 8)


def test_some_breaks_count_only_while_a_hand_fed_product_runs():
    pause = {"start": "09:00", "end": "10:00", "only": "hand_fed"}
    early = {"name": "early", "start": "06:00", "end": "14:00", "breaks": [pause]}
    file = plant(shifts=[early])
    unmanned = plan(file, cell(), at("06:00:00"), at("14:00:00"))
    by_hand = plan(file, cell(), at("06:00:00"), at("14:00:00"), hand_fed=[(at("09:30:00"), at("12:00:00"))])
    assert (busy_h(unmanned), busy_h(by_hand)) == (8, 7.5)


def test_an_exception_takes_a_shift_off_moves_it_or_changes_its_breaks():
    file = plant(
        exceptions=[
            {"date": date(2026, 10, 20), "shift": "early", "off": True},
            {"date": date(2026, 10, 21), "shift": "early", "start": "08:00"},
        ]
    )
    assert busy_h(plan(file, cell(), at("06:00:00"), at("14:00:00"))) == 0
    assert busy_h(plan(file, cell(), at("06:00:00", "2026-10-21"), at("14:00:00", "2026-10-21"))) == 6


def test_an_exception_is_only_for_cells_that_have_the_shift():
    shifts = [{"name": "early", "start": "06:00", "end": "14:00", "cells": ["b2"]}]
    file = plant(
        cells=["a1", "b2"], shifts=shifts, exceptions=[{"date": date(2026, 10, 20), "shift": "early", "end": "15:00"}]
    )
    assert shift_spans(file, "a1", date(2026, 10, 20), date(2026, 10, 20)) == []
    assert len(shift_spans(file, "b2", date(2026, 10, 20), date(2026, 10, 20))) == 1


@pytest.mark.parametrize(
    ("text", "says"),
    [("2026-10-25T02:30", "exists twice"), ("2026-03-29T02:30", "does not exist"), ("tomorrow", "not a time")],
)
def test_a_local_time_that_is_no_single_instant_is_refused_with_what_to_write(tmp_path, text, says):
    opened = book(tmp_path, log("06:00:00 press in P1"))
    with pytest.raises(InputError) as err:
        parse_instant(opened, text, "--from")
    assert says in str(err.value)
    assert "+02:00" in str(err.value) or "do:" in str(err.value) or "allowed:" in str(err.value)
