"""Putting events in order: repeats, equal times, and the hour that exists twice."""

from __future__ import annotations

from datetime import UTC, datetime

import polars as pl

from analytics.prepare import duplicates, prepare
from tests.logs import cell, log
from tests.reference.values import CHECKS


def test_a_repeat_is_the_same_source_time_content_and_number():
    events = log("06:00:00 press starts P1\n06:00:00 press starts P1")
    assert duplicates(events) == 0  # other running numbers: two records
    same = events.with_columns(seq=1)
    assert duplicates(same) == 1
    kept = prepare(same, cell())
    assert kept.select("file", "line").rows() == [("plc.log", 1)]


def test_equal_times_keep_the_order_of_their_numbers():
    events = log("06:00:00 press ends P1\n06:00:00 press starts P2").with_columns(seq=pl.Series([8, 7]))
    assert prepare(events, cell())["kind"].to_list() == ["cycle_start", "cycle_end"]


def test_of_one_record_the_end_comes_before_the_start():
    events = log("06:00:00 press starts P2\n06:00:00 press ends P1").with_columns(seq=5, line=9)
    assert prepare(events, cell())["kind"].to_list() == ["cycle_end", "cycle_start"]


def doubled(*clocks: str, seq: bool = True) -> pl.DataFrame:
    """Events with local times on 25 October 2025, Berlin; those from 02:00 to 03:00 stored as the first occurrence."""
    rows = []
    for n, clock in enumerate(clocks, start=1):
        hour, minute = map(int, clock.split(":"))
        twice = hour == 2
        utc = datetime(2025, 10, 26, hour, minute, tzinfo=UTC).timestamp() - (7200 if hour < 3 else 3600)
        rows.append(
            {"ts_source": datetime.fromtimestamp(utc, UTC), "doubled": twice, "seq": n if seq else None, "line": n}
        )
    base = log("06:00:00 press in P1").drop("ts_source", "doubled", "seq", "line", "part")
    return pl.concat([base] * len(rows)).hstack(pl.DataFrame(rows, schema_overrides={"seq": pl.Int64})).with_columns(
        part=pl.int_range(pl.len()).cast(pl.String)
    ).select(log("06:00:00 press in P1").columns).with_columns(pl.col("ts_source").dt.cast_time_unit("us"))  # fmt: skip


def instants(events: pl.DataFrame) -> list[str]:
    return [
        datetime.fromtimestamp(us / 1e6, UTC).strftime("%H:%M")
        for us in prepare(events, cell()).sort("line")["ts"].to_list()
    ]


def test_a_time_in_the_doubled_hour_is_one_of_two_instants():
    """IANA time zone database: 02:30 on 26 October 2025 in Berlin is 00:30 or 01:30 UTC."""
    first, second = CHECKS["dst_ambiguous_and_missing"]["expected"]["ambiguous_utc"]
    assert instants(doubled("01:59", "02:30", "02:45", "02:10", "02:30", "03:01"))[1] == first[11:16]
    assert instants(doubled("01:59", "02:30", "02:45", "02:10", "02:30", "03:01"))[4] == second[11:16]


def test_the_second_pass_begins_where_the_clock_steps_back():
    got = instants(doubled("01:50", "02:20", "02:50", "02:05", "02:40", "03:05"))
    assert got == ["23:50", "00:20", "00:50", "01:05", "01:40", "02:05"]


def test_the_order_of_the_numbers_decides_not_that_of_the_lines():
    events = doubled("01:50", "02:20", "02:50", "02:05", "02:40", "03:05")
    shuffled = events[[4, 2, 0, 5, 1, 3]]
    assert instants(shuffled) == instants(events)


def test_without_a_step_back_the_pass_with_the_smaller_gap_is_taken():
    """Two records at 02:58 and 02:59, then 03:01: it was the second pass."""
    assert instants(doubled("00:30", "02:58", "02:59", "03:01"))[1:3] == ["01:58", "01:59"]
    assert instants(doubled("01:59", "02:00", "02:01", "05:00"))[1:3] == ["00:00", "00:01"]


def test_without_numbers_the_lines_of_the_file_decide():
    got = instants(doubled("01:50", "02:50", "02:05", "03:05", seq=False))
    assert got == ["23:50", "00:50", "01:05", "02:05"]
