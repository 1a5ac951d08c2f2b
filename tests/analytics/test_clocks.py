"""Clocks that are off, drift, are set, cannot be paired, are pinned or switched off: hand-made logs."""

from __future__ import annotations

from datetime import datetime, timedelta

import numpy as np
import polars as pl
import pytest

from analytics.account import Window
from analytics.clocks.align import align, told_clocks
from analytics.clocks.doubled import resolve_by_links
from analytics.clocks.in_order import pair_in_order
from analytics.clocks.report import clock_report, clock_words
from analytics.evidence import evidence
from analytics.prepare import resolve_doubled_hour
from ingest.events import SCHEMA
from tests.logs import DAY, at, book, cell, plant

SECOND = 1_000_000
HOUR = 3600 * SECOND
START = at("06:00:00")
MODEL = {
    "stations": [
        {"name": "rob", "kind": "robot", "sources": ["robot"]},
        {"name": "press", "kind": "machine", "from": ["rob"], "sources": ["press"]},
        {"name": "pack", "kind": "machine", "from": ["press"], "sources": ["robot"]},
    ],
    "sources": [{"name": "robot", "silence_s": 600}, {"name": "press", "silence_s": 600}],
}


def two_sources(ahead=lambda us: 0, *, hours=8.0, every_s=20, part=True, hand_s=None):
    """The robot puts a part into the press every 20 s or so; the press works 10 s on it; the robot takes it out.

    `ahead`: how far the clock of the press is ahead (microseconds) at a true time.
    """
    rng = np.random.default_rng(1)
    placed = START + np.cumsum(rng.integers(every_s * 900_000, every_s * 1_100_000, round(hours * 3600 / every_s)))
    begun = placed + rng.integers(0, 5000, len(placed)) + (0 if hand_s is None else rng.integers(*hand_s, len(placed)))
    rows = []
    for n, (t, b) in enumerate(zip(placed.tolist(), begun.tolist(), strict=True)):
        ends = b + 10 * SECOND
        out = ends + 2_500_000 + int(rng.integers(0, 2 * SECOND))
        rows += [
            ("robot", "press", "part_in", t, n),
            ("press", "press", "cycle_start", b + round(ahead(b)), n),
            ("press", "press", "cycle_end", ends + round(ahead(ends)), n),
            ("robot", "press", "part_out", out, n),
        ]
    frame = pl.DataFrame(rows, schema=["source", "station", "kind", "ts", "n"], orient="row")
    return frame.select(
        pl.from_epoch("ts", "us").dt.replace_time_zone("UTC").alias("ts_source"),
        "source", "station", "kind", "ts",
        cell=pl.lit("a1"), doubled=pl.lit(False), part=("P" + pl.col("n").cast(pl.String)) if part else None,
        file=pl.col("source") + ".log", line=pl.int_range(1, pl.len() + 1), at=pl.lit(None, pl.String),
        step=pl.lit(None, pl.String), nest=pl.lit(None, pl.String),
    )  # fmt: skip


def clocks(events, **changes):
    model = cell(**(MODEL | changes))
    return told_clocks(plant(), model, events, START, START + 24 * HOUR)


def told(pieces, clock="10:00:00", source="press"):
    """The piece of a source that holds at a time of its own clock."""
    us = at(clock)
    (row,) = pieces.filter(
        (pl.col("source") == source) & (pl.col("from_us") <= us) & (pl.col("until_us") > us)
    ).iter_rows(named=True)
    return row


def left_over_ms(events, pieces, ahead):
    """Errors of the press's times after alignment, in ms; its true times from `ahead`."""
    own = events.filter(pl.col("source") == "press")
    true = two_sources().filter(pl.col("source") == "press")["ts"].to_numpy()
    return np.abs(align(own, pieces)["ts"].to_numpy() - true) / 1000


@pytest.mark.parametrize("off_s", [40.0, -40.2, 0.5, 3600.0, -3600.0])
def test_a_clock_that_is_off_is_put_right_even_by_an_hour(off_s):
    events = two_sources(lambda us: off_s * SECOND)
    pieces = clocks(events)
    assert told(pieces, "10:30:00")["raw_us"] == pytest.approx(off_s * SECOND, abs=5000)
    assert left_over_ms(events, pieces, None).max() < 10


def test_a_drift_is_followed():
    def drifts(us: int) -> float:
        return 10 * SECOND + 50e-6 * (us - START)

    events = two_sources(drifts)
    pieces = clocks(events)
    assert told(pieces)["drift_ppm"] == pytest.approx(50, abs=2)
    assert left_over_ms(events, pieces, drifts).max() < 20


@pytest.mark.parametrize("step_s", [5, -5, 60])
def test_a_clock_that_was_set_steps_between_the_last_pair_before_and_the_first_after(step_s):
    def stepped(us: int) -> float:
        return (step_s if us >= at("10:10:00") else 0) * SECOND + 2 * SECOND

    events = two_sources(stepped)
    pieces = clocks(events)
    (step,) = pieces.filter(pl.col("step")).iter_rows(named=True)
    assert abs(step["from_us"] - at("10:10:00") - 2 * SECOND) < (abs(step_s) + 30) * SECOND
    assert np.quantile(left_over_ms(events, pieces, stepped), 0.995) < 10


def test_clocks_that_agree_are_left_as_they_are_to_the_microsecond():
    events = two_sources(lambda us: 8000)
    pieces = clocks(events)
    assert told(pieces)["state"] == "aligned"
    assert told(pieces)["raw_us"] == pytest.approx(8000, abs=5000)
    assert align(events, pieces)["ts"].equals(events["ts"])


def test_a_source_that_nothing_pairs_is_unaligned_and_said_to_be():
    events = two_sources(lambda us: 40 * SECOND).filter(pl.col("source") == "press")
    row = told(clocks(events))
    assert row["state"] == "unaligned"
    assert "no hand-over" in row["why"]
    assert row["ahead_us"] == 0


def test_a_single_pair_aligns_nothing():
    events = two_sources(lambda us: 40 * SECOND).filter(pl.col("part") == "P7")
    row = told(clocks(events), "06:03:00")
    assert (row["state"], row["ahead_us"]) == ("unaligned", 0)


def test_a_cell_whose_stations_name_no_source_has_no_reference():
    bare = [{k: v for k, v in s.items() if k != "sources"} for s in MODEL["stations"]]
    row = told(clocks(two_sources(lambda us: 40 * SECOND), stations=bare, sources=[], outlet="pack"))
    assert row["state"] == "unaligned"
    assert "no reference" in row["why"]


def test_an_empty_day_has_clocks_of_which_nothing_is_known():
    pieces = clocks(two_sources().clear())
    assert set(pieces["state"]) == {"reference", "unaligned"}


def test_a_pin_holds_while_it_lasts_and_its_drift_runs():
    since = datetime.fromisoformat(f"{DAY}T09:00:00")
    pin = {"offset_s": 3.0, "drift_ppm": 100.0, "from": since, "until": since + timedelta(hours=2)}
    sources = [MODEL["sources"][0], {"name": "press", "silence_s": 600, "pins": [pin]}]
    pieces = clocks(two_sources(lambda us: 40 * SECOND), sources=sources)
    row = told(pieces)
    assert (row["state"], row["ahead_us"]) == ("pinned", 3 * SECOND + 360_000)
    assert told(pieces, "12:00:00")["raw_us"] == pytest.approx(40 * SECOND, abs=5000)


def test_a_source_that_is_switched_off_is_taken_at_its_word():
    sources = [MODEL["sources"][0], {"name": "press", "silence_s": 600, "clock": "off"}]
    row = told(clocks(two_sources(lambda us: 40 * SECOND), sources=sources))
    assert (row["state"], row["ahead_us"]) == ("off", 0)


def test_no_effect_is_before_its_cause_by_more_than_the_pairs_scatter():
    events = two_sources(lambda us: 40 * SECOND)
    straight = align(events, clocks(events)).pivot("kind", index="part", values="ts")
    assert (straight["cycle_start"] - straight["part_in"]).min() > -10_000
    assert (straight["part_out"] - straight["cycle_end"]).min() > 0


def test_a_link_without_a_usual_lag_only_bounds_and_agreeing_clocks_stay():
    """The press begins 1 to 5 s after the robot: nobody knows when, so zero, which causality allows, is kept."""
    side = {"station": "press", "source": "robot"}
    links = [
        {"cause": side | {"kind": "part_in"}, "effect": {"station": "press", "source": "press", "kind": "cycle_start"}},
        {"cause": {"station": "press", "source": "press", "kind": "cycle_end"}, "effect": side | {"kind": "part_out"}},
    ]
    slack = {"hand_s": (SECOND, 5 * SECOND)}
    row = told(clocks(two_sources(**slack), links=links))
    assert row["ahead_us"] == 0
    assert row["low_us"] < 0 < row["high_us"]
    row = told(clocks(two_sources(lambda us: -40 * SECOND, **slack), links=links))
    assert row["low_us"] <= -40 * SECOND <= row["high_us"]
    assert row["ahead_us"] == pytest.approx(-40 * SECOND, abs=3 * SECOND)


def test_sources_without_part_numbers_are_paired_by_their_rhythm():
    events = two_sources(lambda us: -75 * SECOND).with_columns(part=pl.when(pl.col("source") == "robot").then("part"))
    assert told(clocks(events))["raw_us"] == pytest.approx(-75 * SECOND, abs=5000)


def test_a_rhythm_that_is_the_same_for_ever_pairs_nothing():
    steady = START + 20 * SECOND * np.arange(500)
    assert len(pair_in_order(steady, steady + 3 * SECOND)[0]) == 0


def test_order_split_and_repeats_change_no_clock():
    events = two_sources(lambda us: 7 * SECOND + 20e-6 * (us - START))
    again = pl.concat([events.sample(fraction=1, shuffle=True, seed=3), events.sample(200, seed=4)])
    assert clocks(again).equals(clocks(events))


def test_evidence_and_report_stand_on_the_one_aligned_clock(tmp_path):
    events = two_sources(lambda us: 40 * SECOND)
    full = events.select(
        (pl.col(name) if name in events.columns else pl.lit(None, dtype)).cast(dtype).alias(name)
        for name, dtype in SCHEMA.items()
    )
    opened = book(tmp_path, full, plant_file=plant(day_start="06:00"), cell_model=cell(**MODEL))
    opened.build("a1")
    seen = evidence(opened, "a1", Window("part", at("10:00:00"), at("10:10:00")))
    one = seen.filter(pl.col("part") == seen["part"][8])
    assert sorted(one["kind"].to_list()) == ["cycle_end", "cycle_start", "part_in", "part_out"]
    assert one["ts"].max() - one["ts"].min() < 15 * SECOND
    report = clock_report(opened, "a1").filter((pl.col("source") == "press") & (pl.col("state") == "aligned"))
    assert report["offset_s"][0] == pytest.approx(40, abs=0.01)
    assert report["applied"][0]
    words = dict(clock_words(clock_report(opened, "a1"), at("09:00:00"), at("11:00:00")).iter_rows())
    assert words["press"].startswith("40.0 s ahead ± 0.0")
    assert "reference" in words.values()


def test_a_local_hour_that_comes_twice_is_resolved_by_hand_overs_where_the_order_of_lines_does_not_show_it():
    """Europe/Berlin, 25 October 2026: 02:00 to 03:00 comes twice. The lines of the press are in no order."""
    begin = at("23:00:00", "2026-10-24")
    events = two_sources(hours=6).with_columns(pl.col("ts") + (begin - START))
    first = at("02:00:00", "2026-10-25")
    press = pl.col("source") == "press"
    logs = events.rename({"ts": "true"})
    logs = logs.with_columns(
        ts_source=pl.from_epoch(
            pl.col("true")
            - pl.when(press & pl.col("true").is_between(first + HOUR, first + 2 * HOUR, closed="left"))
            .then(HOUR)
            .otherwise(0),
            "us",
        ).dt.replace_time_zone("UTC"),
        doubled=press & pl.col("true").is_between(first, first + 2 * HOUR, closed="left"),
        seq=pl.lit(None, pl.Int64),
    )
    logs = logs.sample(fraction=1, shuffle=True, seed=2).with_columns(line=pl.int_range(1, pl.len() + 1))
    resolved = resolve_by_links(resolve_doubled_hour(logs), cell(**MODEL))
    assert (resolved["ts"] == resolved["true"]).mean() > 0.995
    assert not (resolve_doubled_hour(logs)["ts"] == logs["true"]).all()
