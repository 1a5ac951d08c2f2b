"""What is wrong with logs is found, once, and nothing else is: each log here has the one fault it is made for."""

from __future__ import annotations

import tempfile
from pathlib import Path
from random import Random

import polars as pl
import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from analytics.account import Window
from analytics.cell import Cell
from analytics.trust.report import trust
from tests.logs import at, book, cell, log, shift
from tests.strategies import line_logs

PARTS = "\n".join(
    f"06:{m:02d}:{s:02d} {what}"
    for m in range(10)
    for s, what in (
        (0, f"press in P{m}"), (0, f"press starts P{m} product=dish"), (10, f"press ends P{m}"),
        (11, f"press out P{m}"),
        (20, f"pack in P{m}"), (20, f"pack starts P{m}"), (28, f"pack ends P{m}"), (29, f"pack out P{m}"),
    )
)  # fmt: skip
"""Ten parts, one a minute, through press and pack."""


def watched(**changes: object) -> Cell:
    """The cell of the tests, whose source must say something every two minutes."""
    stations = [
        {"name": "press", "kind": "machine", "sources": ["plc"]},
        {"name": "pack", "kind": "machine", "from": ["press"], "sources": ["plc"]},
    ]
    return cell(**({"stations": stations, "sources": [{"name": "plc", "silence_s": 120}]} | changes))


def faults(
    folder: Path, events: pl.DataFrame, model: Cell | None = None, *, but: tuple[str, ...] = ("gap",)
) -> list[tuple[str | None, ...]]:
    """All that is found on all days: what, station, name, detail, n. A test's log ends after minutes: gaps apart."""
    plant = book(folder, events, cell_model=model)
    plant.build("a1")
    found = plant.fact("a1", "faults").filter(~pl.col("what").is_in(but))
    return found.select("what", "station", "name", "detail", "n").rows()


def lost(events: pl.DataFrame, which: pl.Expr) -> pl.DataFrame:
    """The log without some lines: they never reached the file."""
    return events.filter(~which).with_columns(line=pl.int_range(1, pl.len() + 1))


def test_a_log_in_which_nothing_is_wrong_has_no_fault(tmp_path):
    assert faults(tmp_path, log(PARTS)) == []


# ---- silence


def test_a_silence_counts_from_its_limit_on_and_leads_to_the_lines_around_it(tmp_path):
    quiet = log("06:00:00 * link up\n06:01:00 * link up\n06:20:00 * link up\n06:21:00 * link up")
    plant = book(tmp_path, quiet, cell_model=watched())
    (told,) = trust(plant, "a1", shift("06:00:00", "06:22:00"))
    gap = told.faults.filter(pl.col("what") == "gap").to_dicts()
    assert len(gap) == 1
    assert (gap[0]["us"], gap[0]["until_us"]) == (at("06:03:00"), at("06:20:00"))
    assert (gap[0]["log_line"], gap[0]["log_end_line"]) == (2, 3)
    assert told.sources.select("source", "gaps", "gap_us").rows() == [("plc", 1, 17 * 60_000_000)]


def test_a_silence_over_the_edge_of_a_day_is_one_gap_and_its_time_adds_up(tmp_path):
    quiet = log("05:00:00 * link up\n05:50:00 * link up\n06:30:00 * link up")
    before = log("12:00:00 * link up", day="2026-10-19", file="old.log")
    plant = book(tmp_path, pl.concat([before, quiet]), cell_model=watched())
    spans = [("05:40:00", "06:32:00"), ("05:40:00", "06:00:00"), ("06:00:00", "06:32:00")]
    whole, first, second = trust(plant, "a1", [Window(str(span), *map(at, span)) for span in spans])
    assert [t.sources["gap_us"].item() / 60e6 for t in (whole, first, second)] == [10 + 38, 10 + 8, 30]
    assert whole.sources["gaps"].item() == 2
    starts = whole.faults.filter((pl.col("what") == "gap") & (pl.col("us") < at("06:30:00")) & (pl.col("n") == 1))
    assert starts["us"].to_list() == [at("05:02:00"), at("05:52:00")]
    assert second.sources["gaps"].item() == 1  # it reaches in


# ---- running numbers


BEATS = "\n".join(f"06:00:{s:02d} * link up" for s in range(40))


def test_missing_numbers_are_one_hole(tmp_path):
    events = lost(log(BEATS), pl.col("seq").is_in([11, 12, 13]))
    assert faults(tmp_path, events) == [("hole", None, None, None, 3)]


def test_numbers_of_lines_that_stand_there_unread_are_no_hole(tmp_path):
    unread = log(BEATS).filter(~pl.col("seq").is_in([11, 12, 13, 20]))
    assert faults(tmp_path, unread) == [("unread", None, None, None, 4)]


def test_a_hole_of_which_some_lines_stand_there_is_as_large_as_what_is_missing(tmp_path):
    events = lost(log(BEATS), pl.col("seq").is_in([11, 12, 13])).with_columns(
        line=pl.when(pl.col("seq") > 13).then(pl.col("line") + 1).otherwise("line")
    )
    (told,) = trust(book(tmp_path, events), "a1", shift("06:00:00", "07:00:00"))
    assert told.sources.select("holes", "missing", "unread").rows() == [(1, 2, 1)]


@pytest.mark.parametrize(
    ("numbers", "name"),
    [
        ([*range(500, 520), *range(1, 21)], "restart"),
        ([*range(65516, 65536), *range(20)], "wrap"),
        ([*range(980, 1000), *range(1, 21)], "wrap"),
        ([*range(20), *range(5_000_000, 5_000_020)], "jump"),
        ([1, 2, 3, 4, 1, *range(2, 37)], "restart"),
    ],
)
def test_numbers_that_begin_anew_are_told_and_are_no_hole(tmp_path, numbers, name):
    events = log(BEATS).with_columns(seq=pl.Series(numbers, dtype=pl.Int64))
    assert [(f[0], f[2], f[4]) for f in faults(tmp_path, events)] == [("restart", name, 1)]


def test_a_hole_after_a_restart_is_found(tmp_path):
    events = log(BEATS).with_columns(seq=pl.Series([*range(500, 520), *range(1, 11), *range(13, 23)], dtype=pl.Int64))
    assert sorted((f[0], f[4]) for f in faults(tmp_path, events)) == [("hole", 2), ("restart", 1)]


def test_lines_that_come_out_of_order_are_no_hole_even_with_times_that_cross(tmp_path):
    events = log(BEATS)
    late = events.sample(fraction=1, shuffle=True, seed=3).with_columns(line=pl.int_range(1, pl.len() + 1))
    crossed = events.with_columns(
        ts_source=pl.when(pl.col("seq") % 7 == 0)
        .then(pl.col("ts_source").dt.offset_by("1500ms"))
        .otherwise("ts_source")
    )
    assert faults(tmp_path / "late", late) == []
    assert faults(tmp_path / "crossed", crossed) == []


def test_a_hole_over_the_edge_of_a_day_is_found_once(tmp_path):
    beats = "\n".join(f"{h}:{m:02d}:00 * link up" for h in ("05", "06") for m in range(0, 60, 5))
    events = lost(log(beats), pl.col("seq").is_in([12, 13]))
    assert faults(tmp_path, events) == [("hole", None, None, None, 2)]


def test_numbers_that_are_no_series_are_said_to_be_none(tmp_path):
    events = log(BEATS).with_columns(seq=pl.Series([9000, 1, 2] * 13 + [9000], dtype=pl.Int64))
    found = faults(tmp_path, events)
    assert ("restart", None, "not one series", "begins anew 26 times", 1) in found
    assert sum(f[0] == "restart" for f in found) == 1


# ---- repeats


def test_repeated_lines_are_counted_where_they_were_first_said(tmp_path):
    events = log(PARTS)
    again = events.filter(pl.col("line").is_between(9, 12)).with_columns(file=pl.lit("again.log"))
    plant = book(tmp_path, pl.concat([events, again]))
    (told,) = trust(plant, "a1", shift("06:00:00", "07:00:00"))
    assert told.sources.select("repeated_lines", "repeated_events").rows() == [(4, 4)]
    assert told.faults.filter(pl.col("what") == "repeat")["us"].to_list() == [at("06:01:00")]


# ---- starts and ends


@pytest.mark.parametrize(
    ("more", "expected"),
    [
        ("06:20:00 press starts X1\n06:21:00 press starts X2\n06:21:10 press ends X2",
         ("press", "cycle without end", "X1")),
        ("06:20:00 press starts X1\n06:20:10 press ends X1\n06:21:10 press ends X2",
         ("press", "cycle without start", "X2")),
        ("06:20:00 press alarm A1\n06:30:00 press alarm A1\n06:31:00 press clear A1",
         ("press", "alarm without end", "A1")),
        ("06:20:00 press alarm A1\n06:21:00 press starts X1\n06:21:10 press ends X1",
         ("press", "alarm without end", "A1")),
        ("06:20:00 * alarm E1\n06:21:00 press starts X1\n06:21:10 press ends X1", (None, "alarm without end", "E1")),
        ("06:20:00 press alarm A1\n06:21:00 press clear A1\n06:31:00 press clear A1",
         ("press", "alarm without start", "A1")),
        ("06:20:00 * order O1\n06:21:00 * order O2\n06:30:00 * order_end O2", (None, "order without end", "O1")),
        ("06:20:00 pack carrier T1\n06:21:00 pack carrier T2\n06:30:00 pack carrier_end T2",
         ("pack", "carrier without end", "T1")),
        ("06:20:00 pack carrier T1\n06:30:00 pack carrier T1\n06:31:00 pack carrier_end T1",
         ("pack", "carrier without end", "T1")),
        ("06:20:00 press step_start FEED\n06:20:05 press step_start FEED\n06:20:09 press step FEED",
         ("press", "step without end", None)),
    ],
)  # fmt: skip
def test_a_record_whose_other_half_is_missing_is_found_once(tmp_path, more, expected):
    found = [f for f in faults(tmp_path, log(f"{PARTS}\n{more}")) if f[0] == "unpaired"]
    assert [f[1:4] for f in found] == [expected]


@pytest.mark.parametrize(
    "more",
    [
        "06:20:00 press starts X1",  # under way
        "06:20:00 press starts X1\n06:20:09 press starts X2\n06:20:10 press ends X1\n06:20:20 press ends X2",  # overlap
        "06:20:00 press alarm A1",  # still on
        "06:20:00 press alarm A1\n06:20:30 press starts X1\n06:21:00 press ends X1\n06:22:00 press clear A1",
        "06:20:00 press alarm W1\n06:30:00 press alarm W1",  # a message that stops nothing and never ends
        "06:20:00 * order O1\n06:21:00 * order O2\n06:21:30 * order_end O1\n06:30:00 * order_end O2",
        "06:20:00 * order O1\n06:21:00 * order O2",  # no ends are logged at all
        "06:20:00 pack carrier T1\n06:21:00 pack carrier T2\n06:30:00 pack carrier_end T1",
    ],
)
def test_what_is_under_way_or_needs_no_end_is_no_fault(tmp_path, more):
    assert [f for f in faults(tmp_path, log(f"{PARTS}\n{more}")) if f[0] == "unpaired"] == []


def test_ends_before_anything_else_was_recorded_belong_to_what_began_before_the_log(tmp_path):
    assert faults(tmp_path, log("06:00:05 press ends P0\n06:00:09 press clear A1\n06:01:00 press starts P1")) == []


@pytest.mark.parametrize("hours", [1, 5, 12], ids=lambda h: f"{h} h apart")
def test_what_is_missing_over_the_edge_of_a_day_is_found_once(tmp_path, hours):
    """The production day begins at 06:00; the next start comes so long after the one without an end."""
    start = log("05:30:00 press starts X1\n05:30:00 press alarm A1", day="2026-10-21")
    later = log(
        "00:00:00 press starts X2\n00:00:10 press ends X2\n00:01:00 press alarm A1\n00:02:00 press clear A1",
        day="2026-10-21",
        file="later.log",
    )
    after = pl.col("ts_source").dt.offset_by(f"{330 + 60 * hours}m")
    later = later.with_columns(ts_source=after, seq=pl.col("seq") + 2)
    first = log(PARTS).with_columns(seq=pl.lit(None, pl.Int64), file=pl.lit("first.log"))
    found = faults(tmp_path, pl.concat([first, start, later]), but=("gap", "hole", "restart"))
    assert sorted(f[2] or "" for f in found if f[0] == "unpaired") == ["alarm without end", "cycle without end"]


# ---- words


@pytest.mark.parametrize(
    ("more", "name", "detail"),
    [
        ("06:20:00 press alarm Q9\n06:21:00 press clear Q9", "code", "Q9"),
        ("06:20:00 press reject P3 cause=scratch", "cause", "scratch"),
        ("06:20:00 lift state running", "station", "lift"),
        ("06:20:00 press state starved at=lift", "station", "lift"),
        ("06:20:00 press.7 state running", "nest", "press.7"),
        ("06:20:00 * order O1 product=bowl", "product", "bowl"),
    ],
)
def test_a_word_that_the_model_does_not_know_is_found_once(tmp_path, more, name, detail):
    found = [f for f in faults(tmp_path, log(f"{PARTS}\n{more}")) if f[0] == "unknown"]
    assert [(f[2], f[3], f[4]) for f in found] == [(name, detail, 1)]


# ---- parts


def test_a_part_that_is_never_seen_again_vanished_where_it_was_seen_last(tmp_path):
    events = log(PARTS).filter(~((pl.col("part") == "P4") & (pl.col("station") == "pack")))
    events = events.with_columns(seq=pl.lit(None, pl.Int64))
    later = log("06:00:00 * link up", day="2026-10-21", file="later.log").with_columns(seq=pl.lit(None, pl.Int64))
    plant = book(tmp_path, pl.concat([events, later]))
    (told,) = trust(plant, "a1", shift("06:00:00", "14:00:00", day="2026-10-21"))
    assert told.parts.select("what", "station", "n", "product", "part", "us").rows() == [
        ("vanished", "press", 1, "dish", "P4", at("06:04:11"))
    ]


def test_a_part_that_is_first_seen_behind_the_entry_appeared_there(tmp_path):
    events = log(PARTS).filter(~((pl.col("part") == "P4") & (pl.col("station") == "press")))
    (told,) = trust(book(tmp_path, events), "a1", shift())
    assert told.parts.select("what", "station", "part").rows() == [("appeared", "pack", "P4")]


def test_parts_without_numbers_are_counted_as_such(tmp_path):
    (told,) = trust(book(tmp_path, log("06:00:00 pack out\n06:01:00 pack out")), "a1", shift())
    assert told.parts.select("what", "station", "n").rows() == [("nameless", "pack", 2)]


# ---- whatever the log


SOME = settings(
    max_examples=6, deadline=None, derandomize=True, phases=[Phase.explicit, Phase.generate],
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
)  # fmt: skip


@SOME
@given(line_logs(), st.randoms(use_true_random=False), st.integers(1, 4))
def test_order_split_and_repeats_change_nothing_but_repeats_and_files(events, rng, pieces):
    def told(log: pl.DataFrame) -> list[tuple[object, ...]]:
        with tempfile.TemporaryDirectory() as folder:
            plant = book(Path(folder), log)
            plant.build("a1")
            found = plant.fact("a1", "faults").filter(~pl.col("what").is_in(["repeat", "unread"]))
        return sorted(found.drop("also_n", "log_file", "log_line", "log_end_file", "log_end_line").rows(), key=str)

    order = list(range(events.height))
    rng.shuffle(order)
    split = pl.concat(
        [
            events[sorted(order[n::pieces])].with_columns(file=pl.lit(f"{n}.log"))[order_of(rng, len(order[n::pieces]))]
            for n in range(pieces)
        ]
    )
    split = split.with_columns(line=(pl.int_range(pl.len()).over("file") + 1).cast(pl.Int64))
    again = split.head(split.height // 3).with_columns(file=pl.lit("again.log"))
    assert told(pl.concat([split, again])) == told(events)


def order_of(rng: Random, n: int) -> list[int]:
    order = list(range(n))
    rng.shuffle(order)
    return order
