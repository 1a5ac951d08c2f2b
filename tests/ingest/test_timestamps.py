"""Words for an instant -> UTC."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.plant_folder import PlantFolder
from ingest.timestamps import check_format, parse_times

BERLIN = "Europe/Berlin"
SUMMER_ENDS = datetime(2026, 10, 25, 1, tzinfo=UTC)


def read(*words: str | None, formats: tuple[str, ...] = ("iso8601",), zone: str = BERLIN) -> list[str | None]:
    """Return the instants in UTC, cut to what is not zero."""
    times = parse_times(pl.Series(words, dtype=pl.String), formats, zone)
    return [None if t is None else t.isoformat(sep=" ").removesuffix("+00:00") for t in times.ts]


@pytest.mark.parametrize(
    ("word", "instant"),
    [
        ("2026-10-23T06:00:00Z", "2026-10-23 06:00:00"),
        ("2026-10-23 06:00:00.5+02:00", "2026-10-23 04:00:00.500000"),
        ("2026-10-23T06:00:00,123456789-0530", "2026-10-23 11:30:00.123456"),
        ("2026-10-23T06:00:00+02", "2026-10-23 04:00:00"),
        ("2026-10-23t06:00:00z", "2026-10-23 06:00:00"),
        ("2026-10-23T06:00:00", "2026-10-23 04:00:00"),
        ("2026-12-23T06:00:00", "2026-12-23 05:00:00"),
        ("2016-12-31T23:59:60Z", "2017-01-01 00:00:00"),
        ("2016-12-31T23:59:60.25Z", "2017-01-01 00:00:00.250000"),
        ("2026-10-23T06:00:00 noon", None),
        ("2026-10-23", None),
        ("2026-13-23T06:00:00Z", None),
    ],
)
def test_iso8601_is_read_in_all_its_forms(word, instant):
    assert read(word) == [instant]


@pytest.mark.parametrize(
    ("form", "word", "instant"),
    [
        ("%d.%m.%Y %H:%M:%S,%3f", "23.10.2026 06:00:00,007", "2026-10-23 04:00:00.007000"),
        ("%d.%m.%y %H:%M", "23.10.26 06:00", "2026-10-23 04:00:00"),
        ("%d/%b/%Y:%H:%M:%S %z", "23/Oct/2026:06:00:00 -0100", "2026-10-23 07:00:00"),
        ("%m/%d/%Y %I:%M:%S %p", "10/23/2026 06:00:00 PM", "2026-10-23 16:00:00"),
        ("%Y-%m-%d %H:%M:%S.%f", "2026-10-23 06:00:00.25", "2026-10-23 04:00:00.250000"),
        ("%Y-%m-%d %H:%M:%S.%f", "2026-10-23 06:00:00.1234567", "2026-10-23 04:00:00.123456"),
        ("%Y-%m-%d %H:%M:%S.%f", "2026-10-23 06:00:00", None),
        ("%Y%m%d%H%M%S", "20261023060000", "2026-10-23 04:00:00"),
        ("%d.%m.%Y %H:%M:%S,%3f", "31.02.2026 06:00:00,000", None),
        ("epoch_s", "1792735200", "2026-10-23 06:00:00"),
        ("epoch_s", "1792735200.5", "2026-10-23 06:00:00.500000"),
        ("epoch_ms", "1792735200123", "2026-10-23 06:00:00.123000"),
        ("epoch_us", "1792735200123456", "2026-10-23 06:00:00.123456"),
        ("epoch_ms", "1792735200", None),
    ],
)
def test_formats_of_all_kinds_are_read(form, word, instant):
    assert check_format(form) is None
    assert read(word, formats=(form,)) == [instant]


def test_formats_are_tried_in_their_order_word_by_word():
    words = ("1792735200", "23.10.2026 06:00:00", None, "1792735200123", "2026-10-23T06:00:00Z", "never")
    read_ = read(*words, formats=("%d.%m.%Y %H:%M:%S", "epoch_s", "epoch_ms", "iso8601"))
    assert read_ == [
        "2026-10-23 06:00:00",
        "2026-10-23 04:00:00",
        None,
        "2026-10-23 06:00:00.123000",
        "2026-10-23 06:00:00",
        None,
    ]


def test_an_hour_that_exists_twice_gives_the_first_instant_and_is_marked():
    words = pl.Series(["2026-10-25 01:59:59", "2026-10-25 02:30:00", "2026-10-25 03:00:00"])
    times = parse_times(words, ["iso8601"], BERLIN)
    assert [t.hour for t in times.ts] == [23, 0, 2]
    assert times.doubled.to_list() == [False, True, False]


def test_an_hour_that_does_not_exist_is_told_from_other_nonsense():
    times = parse_times(pl.Series(["2026-03-29 02:30:00", "2026-03-29 02:61:00"]), ["iso8601"], BERLIN)
    assert times.ts.null_count() == 2
    assert times.nonexistent.to_list() == [True, False]


@given(
    st.lists(st.datetimes(datetime(2025, 1, 1), datetime(2027, 1, 1)), min_size=1, max_size=20),
    st.sampled_from([BERLIN, "America/New_York", "Asia/Kolkata", "UTC"]),
)
def test_local_times_agree_with_the_standard_library(walls, zone):
    """Whatever else is in the batch: the quick way for a constant offset and the careful one give the same."""
    times = parse_times(pl.Series([w.isoformat() for w in walls]), ["iso8601"], zone)
    for wall, ts, doubled in zip(walls, times.ts, times.doubled, strict=True):
        first = wall.replace(tzinfo=ZoneInfo(zone), fold=0)
        exists = first.astimezone(UTC).astimezone(ZoneInfo(zone)).replace(tzinfo=None) == wall
        assert ts == (first.astimezone(UTC) if exists else None)
        assert doubled == (exists and first.utcoffset() != wall.replace(tzinfo=ZoneInfo(zone), fold=1).utcoffset())


@pytest.mark.parametrize(
    ("form", "complaint"),
    [
        ("%Y-%m-%d", "here is no %H, %M"),
        ("%d.%m.%Y %H:%M:%S.%.3f", "'%.3f' is not known"),
        ("%d.%m.%Y %Q:%M", "'%Q' is not known"),
        ("%f %d.%m.%Y %H:%M", "must come last"),
        ("isoformat", "neither one of iso8601"),
    ],
)
def test_a_format_that_cannot_work_is_refused(form, complaint):
    assert complaint in str(check_format(form))


def test_a_production_day_has_25_hours_when_summer_ends_and_23_when_it_begins():
    plant = PlantFolder(Path(), BERLIN, datetime(2026, 1, 1, 6).time(), "plain")
    lengths = [
        plant.day_starts_at(d + timedelta(days=1)) - plant.day_starts_at(d)
        for d in (date(2026, 10, 24), date(2026, 3, 28), date(2026, 10, 25))
    ]
    assert lengths == [timedelta(hours=25), timedelta(hours=23), timedelta(hours=24)]
    assert plant.day_of(SUMMER_ENDS) == date(2026, 10, 24)
    assert plant.day_of(datetime(2026, 10, 25, 5, tzinfo=UTC)) == date(2026, 10, 25)


def test_years_that_no_calendar_of_ours_holds_do_no_harm_to_others():
    """A sign or digits too many in a damaged line: -2026, 29991, 0."""
    words = pl.Series(["23.10.2026 06:00:00", "23.10.-2026 06:00:00", "23.10.0000 06:00:00", "23.10.9999 06:00:00"])
    times = parse_times(words, ["%d.%m.%Y %H:%M:%S"], "Europe/Berlin")
    assert times.ts.dt.to_string("%Y-%m-%d %H:%M").to_list()[0] == "2026-10-23 04:00"
    assert parse_times(words.head(1), ["%d.%m.%Y %H:%M:%S"], "Europe/Berlin").ts[0] == times.ts[0]
