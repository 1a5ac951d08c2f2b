"""Alarms of a window: how many, in which floods, which tell nothing, and what they cost the cell."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from analytics.account import Window
from analytics.studies.alarm_load import load
from analytics.studies.alarm_load.nuisance import most_standing, standing, with_nuisance
from analytics.studies.alarm_load.ranked import by_alarm
from analytics.studies.alarm_load.study import alarm_load
from analytics.studies.annunciations import annunciations
from ingest.errors import InputError
from tests.logs import at, book, log, shift

S = 1_000_000
HOUR = 3600 * S
DAY = 24 * HOUR


def work(*stopped: tuple[int, int], until: int = 3500) -> str:
    """A dish every 10 s through press and pack from 06:00:00 on, but for some seconds in which nothing begins."""
    lines = []
    for n, s in enumerate(range(0, until, 10)):
        if any(a - 10 < s < b for a, b in stopped):
            continue
        for second, words in (
            (s, f"press starts P{n} product=dish"), (s + 9, f"press ends P{n}"), (s + 9, f"press out P{n}"),
            (s + 10, f"pack in P{n}"), (s + 10, f"pack starts P{n}"),
            (s + 18, f"pack ends P{n}"), (s + 18, f"pack good P{n}"),
        ):  # fmt: skip
            lines.append(f"{6 + second // 3600:02d}:{second // 60 % 60:02d}:{second % 60:02d} {words}")
    return "\n".join(lines)


WORK = work()


def built(tmp_path, text: str):
    """The fact tables alarms and marks of a log."""
    plant = book(tmp_path, log(WORK + "\n" + text))
    plant.build("a1")
    return plant.fact("a1", "alarms"), plant.fact("a1", "marks")


def cleared(starts_s: list[float], lasts_s: float, code: str = "A1") -> pl.DataFrame:
    """Annunciations of one alarm, all cleared."""
    starts = [round(s * S) for s in starts_s]
    return pl.DataFrame(
        {"station": "press", "nest": pl.Series([None] * len(starts), dtype=pl.String), "code": code,
         "text": code, "start_us": starts, "end_us": [s + round(lasts_s * S) for s in starts], "ends": "cleared"}
    )  # fmt: skip


@pytest.mark.parametrize(
    ("counts", "flood"),
    [
        ([10, 10, 10], [False, False, False]),  # never more than ten
        ([5, 11, 5, 4, 11], [False, True, True, False, True]),  # lasts while five or more, begins above ten only
        ([11, 3, 7], [True, False, False]),
        ([], []),
    ],
)
def test_a_flood_begins_above_ten_and_lasts_while_there_are_five(counts, flood):
    assert load.in_flood(np.array(counts, dtype=np.int64)).tolist() == flood


def test_windows_of_one_flood_are_joined():
    at_us = np.concatenate([np.arange(12), 600 + np.arange(6), 1800 + np.arange(11)]).astype(np.int64) * S
    found = load.floods(load.per_window(at_us, 0, 2400 * S))
    assert found.select("start_us", "end_us", "alarms_n", "most_n").rows() == [
        (0, 1200 * S, 18, 12),
        (1800 * S, 2400 * S, 11, 11),
    ]


def test_a_sliding_window_sees_what_two_fixed_ones_part():
    at_us = np.array([590, 595, 605, 610], dtype=np.int64) * S
    assert load.per_window(at_us, 0, 1200 * S)["alarms_n"].to_list() == [2, 2]
    assert load.most_within(at_us) == (4, 590 * S)
    assert load.most_within(np.array([], dtype=np.int64)) == (0, None)


def test_the_last_window_may_be_short_and_no_alarm_is_lost():
    rows = load.per_window(np.array([0, 600, 899]) * S, 0, 900 * S)
    assert rows["end_us"].to_list() == [600 * S, 900 * S]
    assert rows["alarms_n"].to_list() == [1, 2]


def test_three_times_in_a_minute_is_chattering_and_three_in_a_minute_and_a_bit_is_not():
    assert with_nuisance(cleared([0, 30, 60, 300], 5), DAY)["chatters"].to_list() == [True, True, True, False]
    assert not with_nuisance(cleared([0, 30, 60.1], 5), DAY)["chatters"].any()


def test_other_alarms_in_between_do_not_make_it_chatter():
    rows = pl.concat([cleared([0, 40], 5, "A1"), cleared([20], 5, "A2")])
    assert not with_nuisance(rows, DAY)["chatters"].any()


def test_an_alarm_that_clears_at_once_is_fleeting_and_one_without_an_end_is_not():
    assert with_nuisance(cleared([0], 1), DAY)["fleeting"].to_list() == [True]
    open_one = cleared([0], 1).with_columns(end_us=pl.lit(None, pl.Int64), ends=pl.lit("open"))
    assert with_nuisance(open_one, 1 * S)["fleeting"].to_list() == [False]


def test_an_alarm_stands_after_24_hours_whether_it_clears_or_not():
    rows = pl.concat([
        cleared([0], 25 * 3600, "A1"),
        cleared([0], 23 * 3600, "A2"),
        cleared([3600], 1, "A3").with_columns(end_us=pl.lit(None, pl.Int64), ends=pl.lit("open")),
    ])  # fmt: skip
    found = standing(with_nuisance(rows, 3 * DAY), 0)
    assert found.select("code", "still_up").rows() == [("A3", True), ("A1", False)]
    assert most_standing(with_nuisance(rows, 3 * DAY), 0, 3 * DAY) == 1  # A1 cleared at the moment A3 began to stand
    assert standing(with_nuisance(rows, 3 * DAY), 2 * DAY)["code"].to_list() == ["A3"]


def test_an_alarm_ends_where_its_end_is_logged_even_days_later(tmp_path):
    alarms, marks = built(tmp_path, "07:00:00 press alarm W1\n+2d 09:00:00 press clear W1\n+2d 09:01:00 press starts Q")
    found = annunciations(alarms, marks)
    assert found.select("code", "ends").rows() == [("W1", "cleared")]
    assert found["end_us"][0] - found["start_us"][0] == 50 * HOUR


def test_an_alarm_that_rises_twice_and_one_that_never_clears_are_told_apart(tmp_path):
    text = """
        06:10:00 press alarm A1
        06:11:00 press alarm A1
        06:12:00 press clear A1
        06:13:00 press alarm A1
        06:20:00 press alarm W1
    """
    found = annunciations(*built(tmp_path, text))
    assert found.select("code", "ends").rows() == [("A1", "again"), ("A1", "cleared"), ("A1", "open"), ("W1", "never")]


def test_the_order_of_rows_changes_nothing(tmp_path):
    text = "\n".join(f"06:{m:02d}:00 press alarm A{m % 3}\n06:{m:02d}:30 press clear A{m % 3}" for m in range(1, 50))
    alarms, marks = built(tmp_path, text)
    mixed = annunciations(
        alarms.sample(fraction=1, shuffle=True, seed=3), marks.sample(fraction=1, shuffle=True, seed=4)
    )
    assert mixed.equals(annunciations(alarms, marks))


def test_alarms_are_ranked_by_what_they_cost_and_safety_stops_are_not_ranked():
    rows = pl.concat([
        cleared([0, 100, 200, 300], 5, "A1").with_columns(book=pl.lit("breakdown")),
        cleared([400], 900, "A2").with_columns(book=pl.lit("breakdown")),
        cleared([2000], 900, "E1").with_columns(book=pl.lit("safety_stop")),
    ]).with_columns(blamed=pl.lit(None, pl.String))  # fmt: skip
    losses = pl.DataFrame({
        "line": ["micro_stop", "breakdown", "safety_stop"], "station": ["press"] * 3, "cause": ["A1", "A2", "E1"],
        "lost_us": [20 * S, 900 * S, 900 * S], "lost_parts": [2.0, 90.0, 90.0],
    })  # fmt: skip
    found = by_alarm(with_nuisance(rows, DAY), losses)
    assert found.select("code", "lost_parts", "alarms_n", "by_count_n").rows() == [
        ("A2", 90.0, 1, 2),
        ("A1", 2.0, 4, 1),
    ]
    assert found["lost_share"].to_list() == pytest.approx([900 / 920, 20 / 920])


def test_a_loss_that_two_stations_share_is_not_counted_twice():
    rows = pl.concat([cleared([0, 50], 5), cleared([10], 5).with_columns(station=pl.lit("pack"))]).with_columns(
        book=pl.lit("breakdown"), blamed=pl.lit("press")
    )
    losses = pl.DataFrame(
        {"line": ["micro_stop"], "station": ["press"], "cause": ["A1"], "lost_us": [15 * S], "lost_parts": [1.5]}
    )
    assert by_alarm(with_nuisance(rows, DAY), losses).select("station", "lost_us").rows() == [
        ("press", 15 * S),
        ("pack", 0),
    ]


STOPS = """
    06:10:00 press alarm A1
    06:14:00 press clear A1
    06:20:00 press alarm W1
    06:20:01 press clear W1
    06:30:00 * alarm E1
    06:35:00 * clear E1
"""


def test_a_study_of_alarms_says_what_cost_most_and_lists_safety_stops_apart(tmp_path):
    found = alarm_load(book(tmp_path, log(work((600, 840), (1800, 2100)) + STOPS)), "a1", shift("06:00:00", "07:00:00"))
    assert found.tables["alarms"]["code"].to_list() == ["A1", "W1"]
    assert found.findings[0].startswith("A1 door open (press) cost the cell most: ")
    assert found.tables["safety_stops"]["code"].to_list() == ["E1"]
    assert "ISO 13850" in found.cautions[0]
    value = dict(found.tables["measures"].select("measure", "value").iter_rows())
    assert (value["alarms"], value["alarms per 10 min"], value["fleeting"]) == (3, pytest.approx(0.5), 1)


def test_hours_that_no_shift_covers_do_not_thin_out_the_load(tmp_path):
    """The shift is from 06:00 to 14:00; of the day's 24 hours only these count."""
    found = alarm_load(
        book(tmp_path, log(work((600, 840), (1800, 2100)) + STOPS)),
        "a1",
        Window("day", at("06:00:00"), at("06:00:00") + DAY),
    )
    value = dict(found.tables["measures"].select("measure", "value").iter_rows())
    assert value["alarms per 10 min"] == pytest.approx(3 / 48)


def test_a_study_without_alarms_says_so_and_draws_no_table(tmp_path):
    found = alarm_load(book(tmp_path, log(WORK)), "a1", shift())
    assert (found.findings, found.tables) == ([], {})
    assert "No alarms in this period" in found.doubts[-1]


def test_alarms_of_one_station_and_names_that_do_not_exist(tmp_path):
    open_book = book(tmp_path, log(work((600, 840), (1800, 2100)) + STOPS))
    assert "No alarms of pack" in alarm_load(open_book, "a1", shift(), station="pack").doubts[-1]
    assert any("by product" in d for d in alarm_load(open_book, "a1", shift(), product="dish").doubts)
    with pytest.raises(InputError):
        alarm_load(open_book, "a1", shift(), station="prss")
    with pytest.raises(InputError):
        alarm_load(open_book, "a1", shift(), product="disch")
