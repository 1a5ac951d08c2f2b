"""Every line of every file is in one hour of one cell: the hours add up to what the store counted for the file."""

from __future__ import annotations

import random
from datetime import timedelta
from pathlib import Path

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analytics.account import Window
from analytics.book import Plant, open_plant
from analytics.plant import from_us, to_us
from analytics.trust.place import COUNTS, FILE, place, placed_lines
from analytics.trust.report import trust
from analytics.windows import day_window
from ingest.load import load
from tests.ingest.plants import plant as write_plant

FAR = (to_us(from_us(0)), to_us(from_us(0) + timedelta(days=40_000)))

SOURCE = """
    cell = "{cell}"
    format = "text"
    files = ["inbox/*.log*"]

    [time]
    formats = ["%Y-%m-%d %H:%M:%S"]
    zone = "UTC"

    [read]
    comment = "#"

    [read.patterns]
    long = '^(?P<time>\\S+ \\S+) (?P<cell>\\w+) order (?P<order>\\w+) to (?P<ended>\\S+ \\S+)$'
    line = '^(?P<time>\\S+ \\S+) (?P<cell>\\w+) (?P<word>\\w+)(?: (?P<part>\\w+))?(?: (?P<took>\\d+))?$'

    [[skip]]
    when = { word = "noise" }

    [[rules]]
    when = { pattern = "long" }
    emit = [{ kind = "order_start", order = "{order}" }, { kind = "order_end", order = "{order}", time = "ended" }]

    [[rules]]
    when = { word = "begin" }
    emit = [{ kind = "cycle_start", station = "press", part = "{part}" }]

    [[rules]]
    when = { word = "end" }
    emit = [
        { kind = "cycle_start", station = "pack", part = "{part}", earlier = "{took} s" },
        { kind = "cycle_end", station = "pack", part = "{part}" },
    ]
"""
CELL = """
name = "{name}"
outlet = "pack"
[[stations]]
name = "press"
kind = "machine"
[[stations]]
name = "pack"
kind = "machine"
from = ["press"]
[[products]]
name = "dish"
takt_s = 60
"""
PLANT = """
name = "works"
cells = ["a", "b"]
[[shifts]]
name = "day"
start = "06:30"
end = "14:10"
"""


def works(folder: Path, logs: dict[str, str]) -> Plant:
    """A plant of two cells whose one source writes for both (UTC; the day begins at 06:00)."""
    write_plant(folder, logs, SOURCE, zone="UTC", extra=PLANT)
    (folder / "cells").mkdir(exist_ok=True)
    for name in ("a", "b"):
        (folder / "cells" / f"{name}.toml").write_text(CELL.format(name=name), encoding="utf-8")
    load(folder)
    return open_plant(folder)


def placed(plant: Plant) -> pl.DataFrame:
    """Where all lines of all files are: those of both cells, each file once."""
    both = [placed_lines(plant, cell, *FAR)[0] for cell in plant.file.cells if plant.days(cell)]
    return pl.concat(both).unique()


def counts(frame: pl.DataFrame) -> list[tuple[object, ...]]:
    return frame.group_by(FILE).agg(pl.col(COUNTS).sum()).sort(FILE).rows()


def of_store(plant: Plant) -> list[tuple[object, ...]]:
    return sorted((f.source, f.file, f.lines, f.with_events, f.skipped, f.quarantined) for f in plant.store.sources())


def hours(plant: Plant, cell: str) -> list[tuple[object, ...]]:
    """Time of day, then COUNTS."""
    own = placed(plant).filter(pl.col("cell") == cell).group_by("from_us").agg(pl.col(COUNTS).sum()).sort("from_us")
    return [(f"{from_us(us):%d %H:%M}", *rest) for us, *rest in own.rows()]


def test_lines_without_a_time_belong_to_the_hour_of_the_last_event_before_them(tmp_path):
    plant = works(tmp_path, {"inbox/x.log": """
        # head of the file
        @@@ garbage before anything
        2026-10-20 07:10:00 a begin P1
        2026-10-20 07:59:00 a noise

        @@@ garbage
        2026-10-20 08:00:10 a begin P2
        @@@ garbage
        @@@ garbage
        2026-10-20 07:30:00 a end P0 90
        2026-10-20 09:00:00 a noise
        torn"""})  # fmt: skip
    assert hours(plant, "a") == [("20 07:00", 9, 2, 4, 3), ("20 08:00", 3, 1, 0, 2)]
    assert counts(placed(plant)) == of_store(plant)


def test_a_line_counts_once_in_the_hour_of_its_earliest_event(tmp_path):
    plant = works(tmp_path, {"inbox/x.log": """
        2026-10-20 08:00:30 a end P1 90
        2026-10-20 08:10:00 a order O1 to 2026-10-25 10:00:00
        2026-10-25 09:00:00 a begin P2
    """})  # fmt: skip
    assert hours(plant, "a") == [("20 07:00", 1, 1, 0, 0), ("20 08:00", 1, 1, 0, 0), ("25 09:00", 1, 1, 0, 0)]
    assert counts(placed(plant)) == of_store(plant)


def test_hours_are_cut_at_the_edges_of_shifts_so_that_shifts_add_up_too(tmp_path):
    plant = works(tmp_path, {"inbox/x.log": """
        2026-10-20 06:10:00 a begin P1
        2026-10-20 06:40:00 a begin P2
        2026-10-20 14:05:00 a begin P3
        2026-10-20 14:20:00 a begin P4
    """})  # fmt: skip
    day = to_us(from_us(0).replace(year=2026, month=10, day=20))
    minute = 60_000_000
    whole, before, shift, after = trust(plant, "a", [
        Window("day", day + 360 * minute, day + 1800 * minute),
        Window("before", day + 360 * minute, day + 390 * minute),
        Window("shift", day + 390 * minute, day + 850 * minute),
        Window("after", day + 850 * minute, day + 1800 * minute),
    ])  # fmt: skip
    assert [t.sources["lines"].sum() for t in (whole, before, shift, after)] == [4, 1, 2, 1]


def test_a_source_without_a_limit_has_no_gaps_but_null(tmp_path):
    plant = works(tmp_path, {"inbox/x.log": "2026-10-20 08:00:00 a begin P1\n2026-10-20 18:00:00 a begin P2\n"})
    (told,) = trust(plant, "a", day_window(plant, plant.days("a")[0]))
    assert told.sources.select("source", "lines", "silence_s", "gaps", "gap_us").rows() == [
        ("log", 2, None, None, None)
    ]


def test_a_file_of_two_cells_is_shared_out(tmp_path):
    plant = works(tmp_path, {"inbox/x.log": """
        2026-10-20 08:00:00 a begin P1
        @@@ garbage
        2026-10-20 08:00:10 b begin Q1
        2026-10-20 08:00:20 b noise
        2026-10-20 08:00:30 a begin P2
    """})  # fmt: skip
    assert hours(plant, "a") == [("20 08:00", 3, 2, 0, 1)]
    assert hours(plant, "b") == [("20 08:00", 2, 1, 1, 0)]


def test_lines_of_a_cell_that_is_not_in_the_plant_are_nobody_elses(tmp_path):
    plant = works(tmp_path, {"inbox/x.log": """
        2026-10-20 08:00:00 a begin P1
        2026-10-20 08:00:10 zz begin Q1
        @@@ garbage
    """})  # fmt: skip
    assert hours(plant, "a") == [("20 08:00", 1, 1, 0, 0)]
    assert counts(placed(plant)) == of_store(plant)


def test_a_file_in_which_nothing_has_a_time_is_named_and_belongs_to_no_hour(tmp_path):
    plant = works(tmp_path, {
        "inbox/x.log": "2026-10-20 08:00:00 a begin P1\n",
        "inbox/y.log": "@@@ garbage\n2026-10-20 08:00:00 a noise\n@@@ garbage\n",
    })  # fmt: skip
    (told,) = trust(plant, "a", day_window(plant, plant.days("a")[0]))
    assert told.timeless.rows() == [("log", "inbox/y.log", 3, 0, 1, 2)]
    assert told.sources.select("source", *COUNTS).rows() == [("log", 1, 1, 0, 0)]
    assert counts(placed(plant)) == of_store(plant)


@pytest.mark.parametrize("seed", range(2))
def test_the_hours_of_a_log_full_of_garbage_add_up_to_its_counts(tmp_path, seed):
    """Random lines of all sorts, out of order, in three files, some of them twice."""
    rng = random.Random(seed)
    lines = []
    for n in range(400):
        at = from_us(to_us(from_us(0).replace(year=2026, month=10, day=20)) + rng.randrange(4 * 86_400) * 1_000_000)
        word = rng.choice(["begin", "end", "noise", "what"])
        whole = f"{at:%Y-%m-%d %H:%M:%S} {rng.choice('ab')} {word} P{n} {rng.randrange(600)}"
        order = f"{at:%Y-%m-%d %H:%M:%S} a order O{n} to {at + timedelta(hours=rng.randrange(90)):%Y-%m-%d %H:%M:%S}"
        lines.append(rng.choice([whole, whole, whole, order, "", "@@@", "# said", whole[: rng.randrange(1, 30)]]))
    some = rng.sample(lines, 40)
    logs = {f"inbox/{n}.log": "\n".join(lines[n::3] + some * (n == 1)) for n in range(3)}
    plant = works(tmp_path, logs)
    told = placed(plant)
    assert counts(told) == of_store(plant)
    assert told["from_us"].null_count() == 0
    assert told.select(pl.col(COUNTS).min() >= 0).row(0) == (True, True, True, True)
    assert sum(f[5] for f in of_store(plant)) > 20  # type: ignore[misc]


@settings(max_examples=60, deadline=None, derandomize=True)
@given(st.data())
def test_every_line_goes_where_the_last_event_before_it_went(data):
    """The same, line by line, in the plainest words that there are."""
    kinds = data.draw(st.lists(st.sampled_from(["event", "skip", "bad"]), min_size=1, max_size=40))
    hour_of = {n: data.draw(st.integers(0, 3)) for n, kind in enumerate(kinds, 1) if kind == "event"}
    expected: dict[int | None, list[int]] = {}
    at = hour_of[min(hour_of)] if hour_of else None
    for n, kind in enumerate(kinds, 1):
        at = hour_of.get(n, at)
        row = expected.setdefault(at, [0, 0, 0, 0])
        row[0] += 1
        row[1 + ["event", "skip", "bad"].index(kind)] += 1
    runs: list[tuple[object, ...]] = []
    for n, hour in hour_of.items():
        if runs and runs[-1][6] == n - 1 and runs[-1][3] == hour:
            runs[-1] = (*runs[-1][:6], n)
        else:
            runs.append(("a", "s", "f", hour, hour + 1, n, n))
    told = place(
        pl.DataFrame(runs, schema={"cell": pl.String, "source": pl.String, "file": pl.String, "from_us": pl.Int64,
                                   "to_us": pl.Int64, "first_line": pl.Int64, "last_line": pl.Int64}, orient="row"),
        pl.DataFrame([("s", "f", len(kinds), *(kinds.count(k) for k in ("event", "skip", "bad")))],
                     schema=["source", "file", *COUNTS], orient="row"),
        pl.DataFrame([("s", "f", n) for n, k in enumerate(kinds, 1) if k == "bad"],
                     schema={"source": pl.String, "file": pl.String, "line": pl.Int64}, orient="row"),
    )  # fmt: skip
    assert {hour: list(rest) for hour, *rest in told.select("from_us", *COUNTS).rows()} == expected
