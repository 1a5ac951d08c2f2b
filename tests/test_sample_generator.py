"""The sample plant's generator: equal bytes for equal seeds, a truth that closes, and the committed data."""

from __future__ import annotations

import gzip
import sqlite3
from collections import Counter
from itertools import pairwise
from pathlib import Path

import polars as pl
import pytest
import zstandard

from sample_logs.generator.calendar import Frozen, Window, shifts
from sample_logs.generator.chances import SHORT_SILENT, Loss, Run
from sample_logs.generator.gating import gating_record
from sample_logs.generator.make import SEED, make, run, run_cell

SAMPLE = Path(__file__).resolve().parents[1] / "sample_logs"
HOUR_US = 3_600_000_000
FATES = ("good", "reject", "removed", "inside")


def content(path: Path) -> bytes:
    data = path.read_bytes()
    if path.suffix == ".gz":
        return gzip.decompress(data)
    return zstandard.ZstdDecompressor().decompressobj().decompress(data) if path.suffix == ".zst" else data


def contents(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


@pytest.fixture(scope="module")
def one_day(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("sample")
    make(out, days=1, cells=2, seed=SEED, level=1)
    return out


@pytest.fixture(scope="module")
def truth() -> dict[str, pl.DataFrame]:
    return {path.stem: pl.read_parquet(path) for path in sorted((SAMPLE / "truth").glob("*.parquet"))}


def test_equal_seeds_give_equal_bytes(one_day: Path, tmp_path: Path) -> None:
    make(tmp_path, days=1, cells=2, seed=SEED, level=1)
    assert contents(tmp_path) == contents(one_day)


def test_another_seed_gives_another_day() -> None:
    window = Window(1)
    assert run_cell(window, 1, seed=1).rec.lines != run_cell(window, 1, seed=2).rec.lines


def test_the_committed_first_day_is_what_the_generator_makes(one_day: Path) -> None:
    made = {p.name.split(".")[0]: p for p in (one_day / "plant" / "inbox").rglob("*-2026-10-23.*")}
    committed = {p.name.split(".")[0]: p for p in (SAMPLE / "plant" / "inbox").rglob("*-2026-10-23.*")}
    assert sorted(made) == sorted(committed)
    assert len(made) == 6
    for name in made:
        assert content(made[name]) == content(committed[name]), name


def test_the_committed_sample_stays_below_ten_megabytes() -> None:
    parts = [p for p in SAMPLE.rglob("*") if p.is_file() and "__pycache__" not in p.parts]
    assert sum(p.stat().st_size for p in parts) < 10_000_000


def test_the_truth_tiles_every_lane_of_the_73_hours(truth: dict[str, pl.DataFrame]) -> None:
    spans = truth["intervals"].sort("cell", "station", "nest", "start_us")
    lanes = spans.partition_by("cell", "station", "nest")
    assert len(lanes) == 19
    for lane in lanes:
        assert (lane["end_us"] > lane["start_us"]).all()
        assert (lane["start_us"][1:] == lane["end_us"][:-1]).all()
        assert lane["end_us"][-1] - lane["start_us"][0] == 73 * HOUR_US


def test_every_part_has_one_fate_and_the_sums_agree(truth: dict[str, pl.DataFrame]) -> None:
    parts, by_shift = truth["parts"], truth["shifts"]
    assert parts["outcome"].is_in(FATES).all()
    assert parts.select("cell", "part").is_unique().all()
    assert parts.filter(pl.col("done_us") < pl.col("fed_us")).is_empty()
    assert parts.filter(pl.col("outcome") == "inside")["done_us"].is_null().all()
    counts = by_shift.unique(["cell", "day", "shift"])
    for (cell,), own in parts.group_by("cell"):
        of_shifts = counts.filter(pl.col("cell") == cell)
        after_work = own.filter(  # a cycle under way is finished when the shift is over
            ~pl.any_horizontal(
                pl.lit(False),
                *(pl.col("done_us").is_between(a, b, closed="left") for a, b in of_shifts["start_us", "end_us"].rows()),
            )
        )
        assert after_work.height <= 10
        assert of_shifts["fed"].sum() == own.height
        for fate in ("good", "removed"):
            late = (after_work["outcome"] == fate).sum()
            assert of_shifts[fate].sum() + late == (own["outcome"] == fate).sum()
        rejects = of_shifts["reject"].sum() + of_shifts["start_up_reject"].sum()
        assert rejects + (after_work["outcome"] == "reject").sum() == (own["outcome"] == "reject").sum()


def test_sets_are_whole_but_for_the_last(truth: dict[str, pl.DataFrame]) -> None:
    good = truth["parts"].filter((pl.col("cell") == "spoon") & (pl.col("outcome") == "good"))
    sets = good.group_by("set").agg(pl.len(), pl.col("product").n_unique().alias("members"))
    assert (sets["len"] == sets["members"]).all()
    assert (sets["len"] < 3).sum() <= 3  # those under way when the window ends


def test_the_lines_of_each_shift_sum_to_its_planned_busy_time(truth: dict[str, pl.DataFrame]) -> None:
    by_shift = truth["shifts"]
    lines = truth["intervals"]["line"].unique().to_list()
    total = by_shift.select(pl.sum_horizontal([f"{line}_us" for line in lines]))
    assert (total.to_series() == by_shift["planned_busy_us"]).all()


def test_everything_that_makes_real_cells_hard_was_planted(truth: dict[str, pl.DataFrame]) -> None:
    lines = set(truth["intervals"]["line"].unique())
    assert lines == {
        "run", "slow", "micro_stop", "breakdown", "safety_stop", "changeover", "carrier_change", "waiting_people",
        "waiting_material", "no_order", "starved", "blocked", "no_data", "off",
    }  # fmt: skip
    rejects = truth["parts"].filter(pl.col("outcome") == "reject")
    assert set(rejects["station"].unique()) == {"cam", "press", "gauge", "gear", "test"}
    assert rejects["start_up"].any()
    assert (truth["parts"]["outcome"] == "removed").any()
    silent = truth["stops"].filter(pl.col("cause") == "silent")
    assert silent.height > 200
    assert silent["cycle_end_us"].is_not_null().all()


def test_the_counted_lines_are_in_the_files(truth: dict[str, pl.DataFrame]) -> None:
    for row in truth["logs"].iter_rows(named=True):
        if row["source"] == "host":
            path, table = row["file"].split(":")
            with sqlite3.connect(SAMPLE / "plant" / path) as host:
                (count,) = host.execute(f"select count(*) from {table}").fetchone()
        else:
            data = content(SAMPLE / "plant" / row["file"])
            count = data.count(b"\n") + (not data.endswith(b"\n"))
        assert count == row["lines"], row["file"]


def test_a_repeated_local_hour_is_in_the_robots_log() -> None:
    text = content(SAMPLE / "plant" / "inbox" / "robots" / "robots-2026-10-25.log.zst").decode()
    hours = [line[11:13] for line in text.splitlines() if line.startswith("25.10.2026")]
    turns = [(a, b) for a, b in pairwise(hours) if b < a]
    assert ("02", "02") not in turns
    minutes = [line[11:16] for line in text.splitlines() if line[11:13] == "02"]
    assert sum(b < a for a, b in pairwise(minutes)) == 1


def test_sunday_has_twenty_five_hours_and_its_own_shifts() -> None:
    window = Window(3)
    assert window.at(3, "06:00") - window.at(1, "06:00") == 49 * 3_600_000
    sunday = [s.name for s in shifts(window, "spoon") if s.day.isoformat() == "2026-10-25"]
    assert sunday == ["late", "night"]


def test_work_does_not_go_on_in_frozen_time() -> None:
    frozen = Frozen([(10, 20), (20, 25), (40, 50)])
    assert frozen.advance(5, 5) == 10
    assert frozen.advance(5, 6) == 26
    assert frozen.advance(12, 20) == 55
    assert frozen.until(45) == 50
    assert frozen.until(50) == 50


def test_the_gating_record_tiles_the_73_hours_and_knows_a_reason_for_each(truth: dict[str, pl.DataFrame]) -> None:
    for (_,), own in truth["gating"].sort("cell", "start_us").group_by("cell", maintain_order=True):
        assert (own["end_us"] > own["start_us"]).all()
        assert (own["start_us"][1:] == own["end_us"][:-1]).all()
        assert own["end_us"][-1] - own["start_us"][0] == 73 * HOUR_US
        assert set(own["line"].unique()) <= {
            "work", "slow_cycle", "micro_stop", "breakdown", "safety_stop", "changeover", "carrier_change",
            "waiting_people", "waiting_material", "no_order", "no_data", "planned_stop",
        }  # fmt: skip


def test_no_station_is_charged_with_a_stop_that_it_did_not_have(truth: dict[str, pl.DataFrame]) -> None:
    stops = truth["stops"].filter(pl.col("line").is_in(["micro_stop", "breakdown"]))
    stops = stops.select("cell", "station", "line", from_us="start_us", to_us="end_us")
    charged = truth["gating"].filter(pl.col("line").is_in(["micro_stop", "breakdown"])).with_row_index()
    within = charged.join(stops, on=["cell", "station", "line"]).filter(
        (pl.col("start_us") >= pl.col("from_us")) & (pl.col("end_us") <= pl.col("to_us"))
    )
    assert charged.height > 300
    assert within["index"].n_unique() == charged.height


def test_the_gating_record_charges_the_bottleneck_of_a_line_with_most_of_its_work() -> None:
    cell = run(Window(1), 1, Run(SEED, watched=True))
    begin, end = cell.window.at(0, "10:00"), cell.window.at(0, "14:00")  # the dial is slow from 09:30 to 14:30
    worked = Counter[str | None]()
    for gate in gating_record(cell):
        if gate.line in ("work", "slow_cycle") and begin <= gate.start < end:
            worked[gate.station] += gate.end - gate.start
    assert worked.most_common(1)[0][0] == "dial"
    assert worked["dial"] > 0.8 * worked.total()


def test_a_run_without_a_loss_does_not_have_it_and_has_all_others() -> None:
    def stops(loss: Loss | None, station: str, alarm: bool) -> list[tuple[int, str | None]]:
        ran = run(Window(1), 1, Run(7, apart=True, without=(loss,) if loss else ())).rec.stops
        return [(s.end - s.start, s.cause) for s in ran if s.lane and s.lane[0] == station and s.alarm == alarm]

    loss = Loss(SHORT_SILENT, "gear")
    assert stops(None, "gear", False)
    assert stops(loss, "gear", False) == []
    both = zip(stops(None, "gear", True), stops(loss, "gear", True), strict=False)
    assert sum(a == b for a, b in both) >= 10  # the same short stops with alarm, in the same cycles
