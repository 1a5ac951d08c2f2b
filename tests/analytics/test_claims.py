"""Which line a station's time falls on: small logs, one behaviour each."""

from __future__ import annotations

import pytest

from analytics.account import Account, account
from tests.logs import book, cell, log, shift


@pytest.fixture
def lines_of(tmp_path):
    """Close the account of `press` (or another station) over 06:00 to 06:10 and return seconds per line."""

    def close(text, station="press", until="06:10:00", **model):
        opened = book(tmp_path, log(text), cell_model=cell(**model))
        (a,) = account(opened, "a1", shift("06:00:00", until), station=station)
        assert isinstance(a, Account)
        assert a.difference_us == 0
        return {line: us / 1e6 for line, us in a.totals().select("line", "us").rows() if us}, a

    return close


def test_an_alarm_of_59_seconds_is_a_short_stop_and_of_60_a_breakdown(lines_of):
    short, _ = lines_of("06:00:00 press alarm A1\n06:00:59 press clear A1\n06:00:59 press in P1")
    assert short["micro_stop"] == 59
    long, _ = lines_of("06:00:00 press alarm A1\n06:01:00 press clear A1\n06:01:00 press in P1")
    assert long["breakdown"] == 60


def test_alarms_that_touch_are_one_stop_named_by_the_first(lines_of):
    """40 s and 30 s: together a breakdown of 70 s, with the cause that came first."""
    seconds, a = lines_of("""
        06:00:10 press alarm A1
        06:00:45 press alarm B9
        06:00:50 press clear A1
        06:01:20 press clear B9
        06:02:00 press in P1
    """)
    assert seconds["breakdown"] == 70
    assert a.lines.filter(a.lines["line"] == "breakdown")["cause"].to_list() == ["A1"]


def test_a_warning_stops_nothing(lines_of):
    seconds, _ = lines_of("""
        06:00:00 press starts P1
        06:00:02 press alarm W1
        06:00:08 press clear W1
        06:00:10 press ends P1
        06:00:10 press out P1
    """)
    assert seconds["good"] == 10
    assert "micro_stop" not in seconds


def test_an_alarm_of_an_unknown_code_is_seen_as_a_stop(lines_of):
    seconds, a = lines_of("06:00:00 press alarm Z7\n06:00:30 press clear Z7\n06:00:30 press in P1")
    assert seconds["micro_stop"] == 30
    assert a.lines.filter(a.lines["line"] == "micro_stop")["cause"].to_list() == ["Z7"]


def test_an_alarm_without_an_end_closes_at_the_next_work(lines_of):
    seconds, _ = lines_of("""
        06:00:00 press alarm A1
        06:00:40 press starts P1
        06:00:50 press ends P1
        06:00:50 press out P1
    """)
    assert seconds["micro_stop"] == 40
    assert seconds["good"] == 10


def test_an_emergency_stop_goes_before_everything_that_is_known(lines_of):
    seconds, _ = lines_of("""
        06:00:00 press alarm A1
        06:00:30 * alarm E1
        06:01:30 * clear E1
        06:02:00 press clear A1
        06:02:00 press in P1
    """)
    assert seconds["safety_stop"] == 60
    assert seconds["micro_stop"] == 60  # twice 30 s, each a stop of its own


def test_a_cycle_a_little_over_plan_is_slow_and_far_over_plan_a_stop_without_alarm(lines_of):
    """Planned 10 s, silent_stop_s 5: 13 s is 3 s slow; 40 s is a stop of 30 s; 80 s a breakdown of 70 s."""
    seconds, a = lines_of("""
        06:00:00 press starts P1 product=dish
        06:00:13 press ends P1
        06:00:13 press starts P2 product=dish
        06:00:53 press ends P2
        06:00:53 press starts P3 product=dish
        06:02:13 press ends P3
        06:02:13 press out P3
    """)
    assert (seconds["good"], seconds["slow_cycle"], seconds["micro_stop"], seconds["breakdown"]) == (30, 3, 30, 70)
    assert a.lines.filter(a.lines["line"] == "micro_stop")["cause"].to_list() == ["no alarm"]


def test_a_cycle_faster_than_planned_gives_a_credit_so_that_the_account_closes(lines_of):
    seconds, a = lines_of("06:00:00 press starts P1 product=dish\n06:00:07 press ends P1\n06:00:07 press out P1")
    assert (seconds["good"], seconds["fast_cycle"]) == (10, -3)
    assert "too long" in a.notes[0]


def test_what_an_alarm_takes_out_of_a_cycle_is_no_slow_running(lines_of):
    seconds, _ = lines_of("""
        06:00:00 press starts P1 product=dish
        06:00:04 press alarm A1
        06:00:24 press clear A1
        06:00:30 press ends P1
        06:00:30 press out P1
    """)
    assert (seconds["good"], seconds["micro_stop"]) == (10, 20)
    assert "slow_cycle" not in seconds


def test_when_the_end_of_a_cycle_is_lost_what_exceeds_its_plan_is_unexplained(lines_of):
    seconds, a = lines_of("""
        06:00:00 press starts P1 product=dish
        06:01:00 press starts P2 product=dish
        06:01:10 press ends P2
        06:01:10 press out P2
    """, until="06:01:10")  # fmt: skip
    assert (seconds["good"], seconds["unexplained"]) == (20, 50)
    assert "blocked" not in seconds
    assert a.known_share == pytest.approx(20 / 70)


def test_when_the_start_of_a_cycle_is_lost_the_time_before_it_is_unexplained(lines_of):
    seconds, _ = lines_of("""
        06:00:00 press starts P1 product=dish
        06:00:10 press ends P1
        06:00:20 press out P1
        06:01:10 press ends P2 product=dish
        06:01:10 press out P2
    """, until="06:01:10")  # fmt: skip
    assert (seconds["good"], seconds["blocked"], seconds["unexplained"]) == (20, 10, 40)


def test_after_its_cycle_a_station_is_blocked_until_the_part_leaves_then_starved(lines_of):
    seconds, _ = lines_of("""
        06:00:00 press starts P1 product=dish
        06:00:10 press ends P1
        06:00:25 press out P1
        06:01:00 press starts P2 product=dish
        06:01:10 press ends P2
        06:01:10 press out P2
    """, until="06:01:10")  # fmt: skip
    assert (seconds["good"], seconds["blocked"], seconds["starved"]) == (20, 15, 35)


def test_where_the_part_is_not_logged_waiting_stays_unexplained(lines_of):
    """Starved and blocked cannot be told apart without departures: the time is shown, not guessed."""
    seconds, a = lines_of("""
        06:00:00 press starts P1 product=dish
        06:00:10 press ends P1
        06:01:00 press starts P2 product=dish
        06:01:10 press ends P2
    """, until="06:01:10")  # fmt: skip
    assert (seconds["good"], seconds["unexplained"]) == (20, 50)
    assert a.known_share == pytest.approx(20 / 70)


def test_a_station_that_stamps_only_ends_worked_since_its_last_end_but_for_its_waits(lines_of):
    seconds, _ = lines_of("""
        06:00:00 press ends P1 product=dish
        06:00:02 press state starved
        06:00:12 press state running
        06:00:20 press ends P2 product=dish
    """, until="06:00:20")  # fmt: skip
    assert (seconds["good"], seconds["starved"]) == (10, 10)


def test_states_alone_give_an_account_that_says_so(lines_of):
    seconds, a = lines_of("""
        06:00:00 press state running
        06:03:00 press state stopped
        06:05:00 press state starved
    """)
    assert (seconds["good"], seconds["breakdown"], seconds["starved"]) == (180, 120, 300)
    assert a.figures()["effectiveness"]["value"] == 1
    assert "no planned cycle" in a.notes[0]


def test_the_gap_between_two_product_families_is_changeover(lines_of):
    seconds, _ = lines_of("""
        06:00:00 press starts P1 product=dish
        06:00:10 press ends P1
        06:00:10 press out P1
        06:02:10 press starts P2 product=lid
        06:02:20 press ends P2
        06:02:20 press out P2
    """, until="06:02:20")  # fmt: skip
    assert (seconds["good"], seconds["changeover"]) == (20, 120)


def test_members_of_one_set_follow_each_other_without_changeover(lines_of):
    seconds, _ = lines_of(
        """
        06:00:00 press starts P1 product=dish
        06:00:10 press ends P1
        06:00:10 press out P1
        06:00:20 press starts P2 product=lid
        06:00:30 press ends P2
        06:00:30 press out P2
    """,
        until="06:00:30",
        sets=[{"name": "pot", "members": {"dish": 1, "lid": 1}}],
        products=[{"name": p, "set": "pot", "takt_s": 10, "cycle_s": {"press": 10}} for p in ("dish", "lid")],
    )
    assert (seconds["good"], seconds["starved"]) == (20, 10)


def test_between_two_orders_there_is_no_order(lines_of):
    seconds, _ = lines_of("""
        06:00:00 * order O1 product=dish
        06:00:00 press starts P1 product=dish
        06:00:10 press ends P1
        06:00:10 press out P1
        06:00:20 * order_end O1
        06:05:20 * order O2 product=dish
    """, until="06:05:20")  # fmt: skip
    assert (seconds["starved"], seconds["no_order"]) == (10, 300)


SILENT = {
    "sources": [{"name": "plc", "silence_s": 60}],
    "stations": [
        {"name": "press", "kind": "machine", "sources": ["plc"]},
        {"name": "pack", "kind": "machine", "from": ["press"]},
    ],
}


def test_silence_beyond_the_limit_is_no_data_from_the_limit_on(lines_of):
    seconds, a = lines_of(
        "06:00:00 press in P1\n06:05:00 press out P1\n06:05:30 press in P2", until="06:05:30", **SILENT
    )
    assert seconds["no_data"] == 240
    assert a.known_share == pytest.approx(1 - 240 / 330)


def test_a_source_that_never_spoke_is_silent_all_the_time(lines_of):
    seconds, _ = lines_of("06:00:00 pack in P1 source=other\n06:00:10 pack out P1 source=other", **SILENT)
    assert seconds["no_data"] == 600


def test_a_link_that_is_down_is_no_data(lines_of):
    seconds, _ = lines_of("""
        06:00:00 press in P1
        06:00:30 press link down
        06:00:50 press link up
        06:00:55 press in P2
    """, until="06:00:55")  # fmt: skip
    assert seconds["no_data"] == 20


def test_what_a_cycle_around_missing_data_took_too_long_is_unexplained(lines_of):
    seconds, _ = lines_of("""
        06:00:00 press starts P1 product=dish
        06:05:00 press ends P1
        06:05:00 press out P1
    """, until="06:05:00", **SILENT)  # fmt: skip
    assert (seconds["good"], seconds["no_data"], seconds["unexplained"]) == (10, 240, 50)


NESTS = [
    {"name": "press", "kind": "machine", "nests": ["1", "2"]},
    {"name": "pack", "kind": "machine", "from": ["press"]},
]


def test_nests_work_side_by_side_and_an_alarm_of_the_station_stops_both(lines_of):
    seconds, a = lines_of(
        """
        06:00:00 press.1 starts P1 product=dish
        06:00:02 press.2 starts P2 product=dish
        06:00:04 press alarm A1
        06:00:14 press clear A1
        06:00:20 press.1 ends P1
        06:00:22 press.2 ends P2
        06:00:22 press.1 out P1
        06:00:22 press.2 out P2
    """,
        until="06:00:22",
        stations=NESTS,
    )  # fmt: skip
    assert a.planned_busy_us == 2 * 22_000_000
    assert (seconds["good"], seconds["micro_stop"], seconds["blocked"], seconds["starved"]) == (20, 20, 2, 2)


def test_a_cycle_that_a_break_interrupts_is_no_stop(tmp_path):
    """The part waits in the press through the break; only planned busy time counts for its cycle."""
    from tests.logs import plant

    early = {"name": "early", "start": "06:00", "end": "14:00", "breaks": [{"start": "09:00", "end": "09:15"}]}
    events = log("""
        08:59:55 press starts P1 product=dish
        09:15:05 press ends P1
        09:15:05 press out P1
        09:15:05 press starts P2 product=dish
        09:15:15 press ends P2
        09:15:15 press out P2
    """)
    opened = book(tmp_path, events, plant(shifts=[early]))
    (a,) = account(opened, "a1", shift("08:59:55", "09:15:15"), station="press")
    assert a.planned_busy_us == 20_000_000
    assert a.us("good") == 20_000_000
    assert opened.fact("a1", "stops").is_empty()
