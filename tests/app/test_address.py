"""The address of a page: what it selects, and what is said about what it cannot select."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

from analytics.book import Plant, open_plant
from app.address import day_label, read_address
from app.cli import main
from ingest.errors import InputError
from tests.app.small import DAY, write_log, write_small_plant


@pytest.fixture
def plant(loaded: Path) -> Plant:
    return open_plant(loaded)


def test_an_empty_address_is_the_last_shift(plant):
    pick = read_address(plant, {})
    assert (pick.cell, pick.day, pick.shift.key, pick.convention) == ("cell1", date(2026, 10, 20), "early", "iso22400")
    assert pick.messages == []


def test_an_address_restores_the_whole_selection(plant):
    asked = {
        "cell": "cell1",
        "day": DAY,
        "shift": "late",
        "convention": "tpm",
        "line": "breakdown",
        "stop": "press.1@17",
    }
    pick = read_address(plant, asked | {"hour": f"{DAY}T15:00+02:00"})
    assert (pick.shift.key, pick.convention, pick.line, pick.stop) == ("late", "tpm", "breakdown", ("press.1", 17))
    assert pick.hour is not None
    assert plant.file.local(pick.hour.from_us).hour == 15
    assert pick.messages == []


@pytest.mark.parametrize(
    ("key", "value", "told"),
    [
        ("cell", "cell9", "cell1"),
        ("day", "2019-01-01", "2026-10-20"),
        ("day", "yesterday", "2026-10-20"),
        ("shift", "night", "early, late"),
        ("convention", "ours", "iso22400, tpm"),
        ("line", "mystery", "mystery"),
        ("hour", "25:00", "whole shift"),
    ],
)
def test_an_unknown_value_becomes_a_message_and_a_default(key, value, told, plant):
    pick = read_address(plant, {key: value})
    assert len(pick.messages) == 1
    assert value in pick.messages[0]
    assert told in pick.messages[0]
    assert pick.shift.key == "early"


@pytest.mark.parametrize("stop", ["", "press", "@", "press@soon", "@17"])
def test_a_stop_that_is_none_is_no_stop(stop, plant):
    assert read_address(plant, {"stop": stop}).stop is None


def test_days_between_those_with_logs_can_be_chosen(own):
    write_log(own, "2026-10-23")
    assert main(["ingest", "--plant", str(own), "--no-facts"]) == 0
    pick = read_address(open_plant(own), {"day": "2026-10-21"})
    assert [d.day for d in pick.days] == [20, 21, 22, 23]
    assert pick.day == date(2026, 10, 21)


def test_a_plant_without_events_says_what_to_do(tmp_path):
    with pytest.raises(InputError, match="holds nothing of cell cell1"):
        read_address(open_plant(write_small_plant(tmp_path / "p", logs=False)), {})


def test_a_day_is_offered_with_its_weekday():
    assert day_label(date(2026, 10, 24)) == "Sat 24 October 2026"
