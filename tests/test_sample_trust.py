"""How far the sample plant can be trusted: what was planted in its logs is found, and nothing else."""

from __future__ import annotations

import random
import shutil
from functools import cache

import polars as pl
import pytest
import zstandard

from analytics.account import Window, account
from analytics.book import Plant, open_plant
from analytics.trust.place import COUNTS, FILE, placed_lines
from analytics.trust.report import FOUND, Trust, trust
from analytics.windows import day_window, hours_of
from ingest.load import load
from tests.logs import at
from tests.sample import CELLS, all_windows, copy_plant, sample_plant, shuffled_plant, truth

CONTROLLERS = {"spoon": ["robots", "press", "cellplc", "gauge"], "timer": ["line", "tester"]}


@cache
def trusted(cell: str) -> dict[str, Trust]:
    """Every shift and day, and all three days as "all"."""
    plant = sample_plant()
    return {t.window.key: t for t in trust(plant, cell, all_windows(plant, cell))}


def total(cell: str, column: str) -> dict[str, int]:
    return dict(trusted(cell)["all"].sources.select("source", column).rows())


def test_the_hours_of_each_file_add_up_to_its_counts_in_the_store():
    plant = sample_plant()
    ends = (day_window(plant, plant.days("spoon")[0]).from_us, day_window(plant, plant.days("spoon")[-1]).to_us)
    rows = pl.concat([placed_lines(plant, cell, *ends)[0] for cell in CELLS]).unique()
    assert rows["from_us"].null_count() == 0
    assert rows.group_by(FILE).agg(pl.col(COUNTS).sum()).sort(FILE).rows() == [
        (f.source, f.file, f.lines, f.with_events, f.skipped, f.quarantined) for f in plant.store.sources()
    ]


@pytest.mark.parametrize("cell", CELLS)
def test_the_known_share_is_that_of_the_account_and_what_hides_the_rest_adds_up_to_it(cell):
    plant = sample_plant()
    for closed in account(plant, cell, all_windows(plant, cell)):
        told = trusted(cell)[closed.window.key]
        assert told.known_share == closed.known_share
        assert told.hidden["us"].sum() == closed.us("no_data", "unexplained")


@pytest.mark.parametrize("cell", CELLS)
def test_hours_add_up_to_days_and_days_to_all_of_them(cell):
    plant = sample_plant()
    sums = ["source", *COUNTS, "gap_us", "missing", "restarts", "repeated_lines", "repeated_events", "unpaired"]
    days = [trusted(cell)[str(day)] for day in plant.days(cell)]

    def added(told: list[Trust]) -> list[tuple[object, ...]]:
        return pl.concat(t.sources.select(sums) for t in told).group_by("source").sum().sort("source").rows()

    assert added(days) == added([trusted(cell)["all"]])
    assert added(trust(plant, cell, hours_of(plant, days[1].window))) == added([days[1]])


def test_in_the_hour_that_comes_twice_both_hours_have_their_lines():
    """Robots write local time without offset: from 02:00 to 03:00 on 25 October there are two such hours."""
    plant = sample_plant()
    (night,) = (w for w in all_windows(plant, "spoon") if w.key == "2026-10-24 night")
    both = trust(plant, "spoon", [h for h in hours_of(plant, night) if "T02:00" in h.key])
    lines = [t.sources.filter(pl.col("source") == "robots")["lines"].item() for t in both]
    assert len(lines) == 2
    assert min(lines) > 1000


# ---- what was planted, see sample_logs/README.md and DIALECTS.md


@pytest.mark.parametrize("cell", CELLS)
def test_repeated_and_damaged_lines_are_as_many_as_were_planted(cell):
    planted = truth("logs").group_by("source").agg(pl.col("bad_lines", "duplicate_lines", "duplicate_events").sum())
    mine = planted.filter(pl.col("source").is_in(CONTROLLERS[cell]))
    for ours, theirs in (
        ("quarantined", "bad_lines"),
        ("repeated_lines", "duplicate_lines"),
        ("repeated_events", "duplicate_events"),
    ):
        told = {source: n for source, n in total(cell, ours).items() if source != "host"}
        assert told == dict(mine.select("source", theirs).rows()), ours


def test_the_power_cut_is_the_only_silence_and_all_controllers_share_it():
    """Saturday 16:10 for 22 minutes; the limit of each source is 150 s."""
    gaps = trusted("spoon")["all"].faults.filter(pl.col("what") == "gap")
    assert sorted(gaps["source"].to_list()) == sorted(CONTROLLERS["spoon"])
    cut = at("16:10:00", "2026-10-24")
    for row in gaps.iter_rows(named=True):
        assert abs(row["since_us"] - cut) < 60_000_000
        assert row["us"] == row["since_us"] + 150_000_000
        assert abs(row["until_us"] - cut - 22 * 60_000_000) < 60_000_000
    (late,) = (t for key, t in trusted("spoon").items() if key == "2026-10-24 late")
    first = late.hidden.row(0, named=True)
    assert first["reason"] == "all sources silent at the same time"
    assert sorted(first["sources"]) == sorted(CONTROLLERS["spoon"])
    assert first["us"] > 0.85 * (22 * 60 - 150) * 1e6
    assert trusted("timer")["all"].faults.filter(pl.col("what") == "gap").is_empty()


def test_the_press_that_counts_from_1_again_after_the_power_cut_has_no_holes():
    restarts = trusted("spoon")["all"].faults.filter(pl.col("what") == "restart")
    (row,) = restarts.iter_rows(named=True)
    assert (row["source"], row["name"]) == ("press", "restart")
    assert row["detail"].endswith("→ 1")
    assert abs(row["us"] - at("16:32:00", "2026-10-24")) < 60_000_000


@pytest.mark.parametrize("cell", CELLS)
def test_nothing_is_found_that_was_not_planted(cell):
    assert set(trusted(cell)["all"].faults["what"].to_list()) <= {"gap", "repeat", "restart"}
    assert trusted(cell)["all"].parts.is_empty()
    assert trusted(cell)["all"].timeless.is_empty()


def test_the_outage_of_the_host_leaves_no_trace_and_it_is_said_that_its_silence_goes_unseen():
    """Its rows are numbered without a hole, and it says nothing for hours when all is well."""
    for cell in CELLS:
        host = trusted(cell)["all"].sources.filter(pl.col("source") == "host").to_dicts()[0]
        assert host["lines"] > 0
        assert host["silence_s"] is None
        assert host["gaps"] is None


# ---- order of arrival


def findings(plant: Plant, cell: str, windows: list[Window]) -> list[tuple[object, ...]]:
    """All but files, lines and repeats."""
    told = []
    for t in trust(plant, cell, windows):
        seen = t.sources.select("source", *(name for name in FOUND if not name.startswith("repeated"))).rows()
        hidden = t.hidden.select("line", "cause", "stations", "us", "share", "parts", "from_us", "to_us", "do").rows()
        faults = t.faults.filter(pl.col("what") != "repeat")
        names = [name for name in faults.columns if not name.startswith("log_")]
        told.append(
            (t.window.key, t.known_share, seen, hidden, faults.select(names).sort(names).rows(), t.parts.rows())
        )
    return told


def test_shuffled_split_and_repeated_logs_are_trusted_alike_but_for_the_repeats(tmp_path):
    plant = sample_plant()
    folder = shuffled_plant(tmp_path / "plant", seed=11, pieces=3)
    load(folder)
    other = open_plant(folder)
    for cell in CELLS:
        windows = all_windows(plant, cell)
        assert findings(other, cell, windows) == findings(plant, cell, windows)
    # A third of the lines is there twice.
    ours, theirs = (
        trust(p, "timer", all_windows(plant, "timer")[-1])[0].sources["repeated_lines"].sum() for p in (plant, other)
    )
    assert theirs > ours + 10_000


# ---- lines lost, doubled, damaged and late


@pytest.mark.parametrize("late", [0.0, 0.05], ids=["in order", "5 % late"])
def test_a_log_that_lost_doubled_and_damaged_lines_is_told_the_number_of_each(tmp_path, late):
    """1 % of the lines of a day of the timer line lost, 2 % doubled, 0.1 % cut off; numbers run through the file."""
    rng = random.Random(5)
    folder = copy_plant(tmp_path / "plant")
    (path,) = (folder / "inbox" / "line").glob("line-2026-10-24*")
    lines = zstandard.ZstdDecompressor().stream_reader(path.read_bytes()).read().splitlines(keepends=True)[:-1]
    shutil.rmtree(folder / "inbox")
    once = [n for n, line in enumerate(lines) if line not in lines[n - 1 : n] and 100 < n < len(lines) - 100]
    picked = rng.sample(once, len(once) * 31 // 1000)
    cut = len(picked) // 31
    lost, doubled, damaged = set(picked[: 10 * cut]), set(picked[10 * cut : 30 * cut]), set(picked[30 * cut :])
    kept: list[tuple[float, bytes]] = []
    for n, line in enumerate(lines):
        if n not in lost:
            text = line[:10] + b"\n" if n in damaged else line
            at = n + rng.randrange(2, 60) if rng.random() < late else n
            kept += [(at, text)] + [(at + 0.5, text)] * (n in doubled)
    path = folder / "inbox" / "line" / "line-2026-10-24.tsv"
    path.parent.mkdir(parents=True)
    path.write_bytes(b"".join(text for _, text in sorted(kept, key=lambda item: item[0])))
    load(folder)
    plant = open_plant(folder)
    days = [day_window(plant, day) for day in plant.days("timer")]
    (told,) = trust(plant, "timer", Window("all", days[0].from_us, days[-1].to_us))
    row = told.sources.filter(pl.col("source") == "line").to_dicts()[0]
    assert row["repeated_lines"] == len(doubled)
    assert row["quarantined"] == len(damaged)
    assert row["missing"] + row["unread"] == len(lost) + len(damaged)
    if late:
        assert row["unread"] <= len(damaged)  # a damaged line among late ones cannot be told from a lost one
    else:
        assert row["unread"] == len(damaged)
    assert row["restarts"] == 0
    assert row["lines"] == len(kept)
