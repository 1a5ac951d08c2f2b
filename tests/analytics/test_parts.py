"""The parts account and what becomes of parts."""

from __future__ import annotations

import pytest

from analytics.account import Window, account
from tests.logs import book, cell, log, shift

THREE = """
    06:00:00 press starts P1 product=dish
    06:00:10 press ends P1
    06:00:10 press out P1
    06:00:10 press starts P2 product=dish
    06:00:20 press ends P2
    06:00:20 press out P2
    06:00:20 press starts P3 product=dish
    06:00:21 pack out P1
    06:00:25 pack reject P2 cause=scratch
    06:00:30 press ends P3
"""


@pytest.fixture
def close(tmp_path):
    def run(text, start="06:00:00", end="14:00:00", **model):
        opened = book(tmp_path, log(text), cell_model=cell(**model))
        (a,) = account(opened, "a1", shift(start, end))
        assert a.parts.difference == 0
        return a, opened

    return run


def test_fed_is_good_and_rejected_and_still_inside(close):
    a, _ = close(THREE)
    p = a.parts
    assert (p.fed, p.good, p.rejects, p.closing_stock, p.unaccounted) == (3, 1, {"scratch": 1}, 1, 0)


def test_a_window_begins_with_the_stock_that_is_inside(close):
    a, _ = close(THREE, start="06:00:22")
    p = a.parts
    assert (p.opening_stock, p.fed, p.good, p.closing_stock) == (2, 0, 0, 1)


def test_a_part_that_appears_behind_the_entry_is_unaccounted(close):
    a, _ = close("06:00:00 pack starts P9 product=dish\n06:00:08 pack ends P9\n06:00:09 pack out P9")
    assert (a.parts.fed, a.parts.good, a.parts.unaccounted) == (0, 1, -1)


def test_a_part_that_is_not_seen_for_a_while_is_lost(tmp_path):
    opened = book(
        tmp_path,
        log("06:00:00 press starts P1 product=dish\n06:00:10 press ends P1\n+1d 06:30:00 press starts P2 product=dish"),
        cell_model=cell(lost_after_h=2),
    )
    (a,) = account(opened, "a1", shift("06:00:00", "14:00:00"))
    assert (a.parts.fed, a.parts.closing_stock, a.parts.unaccounted) == (1, 0, 1)
    assert a.parts.difference == 0


def test_a_part_that_passes_after_rework_counts_as_rework_not_as_good_the_first_time(close):
    a, _ = close("""
        06:00:00 press starts P1 product=dish
        06:00:10 press ends P1
        06:00:10 press rework P1 cause=scratch
        06:05:00 pack out P1
    """)
    assert (a.parts.good, a.parts.rework) == (1, 0)
    figures = a.figures()
    assert figures["rework_ratio"]["value"] == 1
    assert figures["first_pass_yield"]["value"] == 0
    assert a.us("good") == 0
    assert a.us("rework") == 10_000_000


def test_while_it_is_in_rework_a_part_is_stock_of_its_own(close):
    a, _ = close("06:00:00 press starts P1 product=dish\n06:00:10 press ends P1\n06:00:10 press rework P1")
    assert (a.parts.rework, a.parts.closing_stock) == (1, 0)


def test_a_part_taken_out_by_hand_is_told_apart(close):
    a, _ = close("06:00:00 press starts P1 product=dish\n06:00:10 press ends P1\n06:00:30 press removed P1")
    assert (a.parts.fed, a.parts.taken_out, a.parts.closing_stock) == (1, 1, 0)


def test_a_verdict_without_part_number_belongs_to_the_part_in_place(tmp_path):
    """A gauge counts for itself; the robot's log says which part it put in."""
    gauge = log("06:00:12 gauge ends result=reject cause=low", source="gauge", file="gauge.log")
    robot = log("""
        06:00:00 press starts P1 product=dish
        06:00:08 press ends P1
        06:00:10 gauge in P1
        06:00:20 press starts P2 product=dish
    """)
    stations = [
        {"name": "press", "kind": "machine"},
        {"name": "gauge", "kind": "gauge", "from": ["press"]},
        {"name": "pack", "kind": "machine", "from": ["gauge"]},
    ]
    opened = book(tmp_path, robot.vstack(gauge), cell_model=cell(stations=stations))
    (a,) = account(opened, "a1", shift())
    assert a.parts.rejects == {"low": 1}
    assert opened.fact("a1", "moves").filter(move="reject")["part"].to_list() == ["P1"]


def test_first_parts_after_the_return_to_automatic_mode_are_start_up_rejects(close):
    a, _ = close("""
        05:59:00 * mode setup
        06:00:00 * mode automatic
        06:00:00 press starts P1 product=dish
        06:00:10 press ends P1
        06:00:10 press reject P1 cause=scratch
        06:00:10 press starts P2 product=dish
        06:00:20 press ends P2
        06:00:20 press reject P2 cause=scratch
    """, start_up_parts=1)  # fmt: skip
    assert (a.us("start_up_reject"), a.us("reject")) == (10_000_000, 10_000_000)


def test_a_set_is_complete_when_each_member_is_there_in_its_number(tmp_path):
    kit = {
        "sets": [{"name": "pot", "members": {"dish": 1, "lid": 2}}],
        "products": [{"name": p, "set": "pot", "takt_s": 10} for p in ("dish", "lid")],
    }
    events = log("""
        06:00:00 pack out P1 product=dish set=A
        06:00:10 pack out P2 product=lid set=A
        06:00:20 pack out P3 product=lid set=A
        06:00:30 pack out P4 product=dish set=B
        06:00:40 pack out P5 product=dish set=B
        06:00:50 pack out P6 product=lid set=B
    """)
    sets = book(tmp_path, events, cell_model=cell(**kit))
    sets.build("a1")
    rows = sets.fact("a1", "sets").select("set", "complete", "placed", "last_member").rows()
    assert rows == [("A", True, 3, "lid"), ("B", False, 3, "lid")]


def test_the_parts_account_counts_sets_and_members_that_wait_for_the_rest(tmp_path):
    kit = {
        "sets": [{"name": "pot", "members": {"dish": 1, "lid": 1}}],
        "products": [{"name": p, "set": "pot", "takt_s": 10} for p in ("dish", "lid")],
    }
    events = log("""
        06:00:00 pack out P1 product=dish set=A
        06:00:10 pack out P2 product=lid set=A
        06:00:30 pack out P4 product=dish set=B
        +1d 06:00:30 pack out P5 product=lid set=B
    """)
    opened = book(tmp_path, events, cell_model=cell(**kit))
    (first,) = account(opened, "a1", shift())
    assert first.parts.sets == [{"set": "pot", "complete": 1, "open": 1, "open_members": 1}]
    (both,) = account(opened, "a1", Window("both", shift().from_us, shift(day="2026-10-21").to_us))
    assert both.parts.sets == [{"set": "pot", "complete": 2, "open": 0, "open_members": 0}]


def test_the_parts_table_has_those_that_left_and_those_still_inside(close):
    _, opened = close(THREE)
    rows = opened.fact("a1", "parts").sort("part").select("part", "outcome", "cause").rows()
    assert rows == [("P1", "good", None), ("P2", "reject", "scratch"), ("P3", None, None)]
