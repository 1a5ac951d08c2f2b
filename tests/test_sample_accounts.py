"""The accounts of the sample plant close exactly, whatever way its lines came in."""

from __future__ import annotations

import json
import shutil

import pytest

from analytics.account import account
from analytics.book import Plant, open_plant
from ingest.load import load
from tests.sample import CELLS, all_windows, copy_plant, sample_plant, shuffled_plant


def told(plant: Plant, cell: str) -> list[str]:
    """All accounts of a cell as text."""
    windows = all_windows(plant, cell)
    stations = [None, *(s.name for s in plant.cell(cell).stations)]
    return [
        json.dumps([station, a.window.key, a.planned_busy_us, a.lines.rows(), a.figures(), a.parts.as_dict()])
        for station in stations
        for a in account(plant, cell, windows, station=station)
    ]


@pytest.mark.parametrize("cell", CELLS)
def test_every_account_adds_up_to_planned_busy_time_exactly(cell):
    plant = sample_plant()
    for station in [None, *(s.name for s in plant.cell(cell).stations)]:
        for a in account(plant, cell, all_windows(plant, cell), station=station):
            assert a.difference_us == 0, (station, a.window.key)
            assert a.planned_busy_us + int(a.plan["us"].sum()) == a.calendar_us, (station, a.window.key)


@pytest.mark.parametrize("cell", CELLS)
def test_parts_are_conserved_in_every_window_and_product(cell):
    plant = sample_plant()
    for a in account(plant, cell, all_windows(plant, cell)):
        assert a.parts.difference == 0, a.window.key
        assert all(own.difference == 0 for _, own in a.parts.products)
        assert a.parts.closing_stock >= 0
        assert a.parts.unaccounted == 0


def test_the_day_of_the_clock_change_has_25_hours():
    """Summer time ends in Europe/Berlin on 25 October 2026 (IANA time zone database): the night is an hour longer."""
    plant = sample_plant()
    (saturday,) = (w for w in all_windows(plant, "spoon") if w.key == "2026-10-24")
    (a,) = account(plant, "spoon", saturday)
    assert a.calendar_us == 90_000 * 1_000_000
    (night,) = (w for w in all_windows(plant, "spoon") if w.key == "2026-10-24 night")
    assert night.to_us - night.from_us == 9 * 3600 * 1_000_000
    (hours,) = account(plant, "spoon", night)
    assert hours.planned_busy_us == 9 * 3600 * 1_000_000
    assert hours.difference_us == 0


@pytest.mark.parametrize("cell", CELLS)
def test_days_add_up_to_all_of_them(cell):
    plant = sample_plant()
    for station in [None, *(s.name for s in plant.cell(cell).stations)]:
        each = {a.window.key: a for a in account(plant, cell, all_windows(plant, cell), station=station)}
        days = [each[day.isoformat()] for day in plant.days(cell)]
        whole = each["all"]
        assert whole.planned_busy_us == sum(d.planned_busy_us for d in days)
        for line in set(whole.lines["line"]):
            assert whole.us(line) == sum(d.us(line) for d in days), (station, line)


@pytest.mark.parametrize("cell", CELLS)
def test_oee_is_the_same_to_the_last_digit_under_both_conventions(cell):
    plant = sample_plant()
    for station in [None, *(s.name for s in plant.cell(cell).stations)]:
        windows = all_windows(plant, cell)
        iso = account(plant, cell, windows, station=station, convention="iso22400")
        tpm = account(plant, cell, windows, station=station, convention="tpm")
        assert [a.figures()["oee"]["value"] for a in iso] == [a.figures()["oee"]["value"] for a in tpm]


def test_logs_that_come_in_night_by_night_give_the_same_accounts_as_all_at_once(tmp_path):
    """The facts of a day are derived when its logs come, and again when the next day's, or late ones, change it."""
    plant = sample_plant()
    folder = copy_plant(tmp_path / "plant")
    waiting = tmp_path / "waiting"
    shutil.copytree(folder / "inbox", waiting)
    files = [p.relative_to(waiting) for p in waiting.rglob("*") if p.is_file()]
    for file in files:
        (folder / "inbox" / file).unlink()
    late = [f for f in files if f.parts[0] == "host" or f.name.startswith("gauge-2026-10-23")]
    nights = [[f for f in files if day in f.name and f not in late] for day in ("-23", "-24", "-25", "-26")]
    for arrived in [*nights, late]:
        for file in arrived:
            shutil.copy(waiting / file, folder / "inbox" / file)
        load(folder)
        growing = open_plant(folder)
        for cell in CELLS:
            growing.build(cell)
    for cell in CELLS:
        assert told(open_plant(folder), cell) == told(plant, cell)


def test_shuffled_split_and_repeated_logs_give_the_same_accounts_byte_for_byte(tmp_path):
    plant = sample_plant()
    folder = shuffled_plant(tmp_path / "plant", seed=7, pieces=13)
    first = load(folder)
    again = load(folder)
    assert first.total("events") > 0
    assert not again.loaded
    other = open_plant(folder)
    for cell in CELLS:
        assert told(other, cell) == told(plant, cell)
