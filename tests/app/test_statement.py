"""The statement: what is printed adds up, whatever the account."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analytics.account import account
from analytics.book import open_plant
from analytics.stops import stops
from analytics.windows import day_window, hours_of, last_shift
from app.statement import SAFETY_LINE, apportion, statement


@given(st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=25))
def test_rounded_values_add_up_and_none_is_off_by_one_or_more(values):
    total = round(sum(values))
    rounded = apportion(values, total)
    assert sum(rounded) == total
    assert all(abs(r - v) < 1 + 1e-6 for r, v in zip(rounded, values, strict=True))


@pytest.mark.parametrize("station", [None, "press", "pack"])
@pytest.mark.parametrize("span", ["shift", "day", "hours"])
def test_what_is_printed_adds_up_for_the_cell_and_for_stations(station, span, loaded: Path):
    plant = open_plant(loaded)
    day, shift = last_shift(plant, "cell1")
    windows = {"shift": [shift], "day": [day_window(plant, day)], "hours": hours_of(plant, shift)}[span]
    for closed in account(plant, "cell1", windows, station=station):
        told = statement(closed, plant.cell("cell1"))
        assert told.planned_s == sum(row.s for row in told.lost) + told.good.s
        assert told.planned_parts == pytest.approx(sum(row.parts for row in told.lost) + told.good.parts)
        assert told.calendar_s == told.planned_s + sum(s for _, s in told.outside)
        *rows, (_, _, good) = told.parts
        assert good == sum(-n if sign == "–" else n for sign, _, n in rows)


def test_losses_stand_in_order_of_size_and_the_safety_stop_below_them(loaded: Path):
    plant = open_plant(loaded)
    _, shift = last_shift(plant, "cell1")
    (closed,) = account(plant, "cell1", shift)
    told = statement(closed, plant.cell("cell1"), stops(plant, "cell1", shift))
    assert told.lost[-1].line == SAFETY_LINE
    sizes = [row.us for row in told.lost[:-1]]
    assert sizes == sorted(sizes, reverse=True)
    counts = {row.line: row.stops_n for row in told.lost}
    assert (counts["breakdown"], counts[SAFETY_LINE]) == (1, 1)
    assert next(row.detail for row in told.lost if row.line == "breakdown") == "press, door not locked"
