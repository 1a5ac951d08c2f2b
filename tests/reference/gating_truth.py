"""The gating chain of an account, held against the generator's own gating record. No test lives here.

    python -m tests.reference.gating_truth --seeds 11-18 --days 3 [--disturb | --lost 0.002] [--cells spoon,timer]

simulates each seed, loads its logs, and prints the wrong share (half the sum of the differences over station x line, as
a share of planned busy time) per run and in the worst shift, the quarters of an hour with the right gate, whether the
five largest causes come in the true order, and where the two differ most.
"""

from __future__ import annotations

import argparse
import shutil
from collections.abc import Iterable
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from tempfile import mkdtemp
from typing import TYPE_CHECKING

import polars as pl

from analytics.account import Window
from analytics.book import Plant, open_plant
from analytics.windows import shifts_of
from ingest.load import load
from sample_logs.generator import calendar
from sample_logs.generator.disturb import Clock, Disturbance, disturbance
from sample_logs.generator.make import SOURCES, make

if TYPE_CHECKING:
    from collections.abc import Iterator

WHOLE = "*"  # charged to no station
PRODUCTION = ("work", "good", "fast_cycle", "reject", "start_up_reject", "rework", "plan_gap")  # one line here: work
REFERENCE = {"spoon": "robots", "timer": "line"}  # source by whose clock the cell's account goes
QUARTER_US = 900_000_000
FIRST = 5
CHARGED = ["station", "line"]


@dataclass(frozen=True)
class Judged:
    """How far an account's gating chain is from the truth, for one cell and run."""

    cell: str
    busy_us: int
    wrong_share: float
    shifts: dict[str, float]  # wrong share of each
    quarters_right_share: float
    quarters: int
    causes: list[tuple[str, str, str]]  # station, line, cause: the first by the chain
    true_causes: list[tuple[str, str, str]]
    differences: pl.DataFrame = field(repr=False)  # station, line, true_us, chain_us; the largest first

    @property
    def worst_shift_share(self) -> float:
        """Wrong share of the worst shift."""
        return max(self.shifts.values())


def judge(plant: Plant, cell: str, chain: pl.DataFrame, true: pl.DataFrame) -> Judged:
    """Compare two books of a cell's time (start_us, end_us, station, line, cause) over its planned busy time.

    What the truth calls a planned stop is cut out of both: it is not charged to anybody.
    """
    plan = plant.fact(cell, "plan").filter((pl.col("lane") == WHOLE) & (pl.col("plan") == "busy"))
    run = true.select(pl.col("start_us").min(), pl.col("end_us").max())
    busy = in_spans(plan.select("start_us", "end_us").sort("start_us"), run)
    charged = in_spans(true.filter(pl.col("line") != "planned_stop").select("start_us", "end_us"), busy)
    found, want = (in_spans(same_words(book), charged) for book in (chain, true))
    busy_us, charged_us = (int((spans["end_us"] - spans["start_us"]).sum()) for spans in (busy, charged))
    for name, book in (("the chain", found), ("the truth", want)):
        booked = int((book["end_us"] - book["start_us"]).sum())
        if booked != charged_us:
            raise AssertionError(f"{cell}: {name} books {booked} us of {charged_us} us of planned busy time")
    first_us, last_us = busy.select(pl.col("start_us").min(), pl.col("end_us").max()).row(0)
    shifts = {
        f"{day} {window.key}": _wrong(found, want, window, busy)
        for day in plant.days(cell)
        for window in shifts_of(plant, cell, day)
        if window.from_us < last_us and window.to_us > first_us
    }
    gates = _gates(want).join(_gates(found), on="quarter_us", how="full", suffix="_found")
    return Judged(
        cell,
        busy_us,
        _half_difference(found, want)["us"].sum() / busy_us,
        shifts,
        float((gates["station"] == gates["station_found"]).fill_null(False).mean() or 0.0),  # type: ignore[arg-type]
        gates.height,
        _causes(found),
        _causes(want),
        _half_difference(found, want),
    )


def same_words(book: pl.DataFrame) -> pl.DataFrame:
    """Work of all kinds is one line; what no station is charged with is charged to the whole cell."""
    return book.select(
        "start_us",
        "end_us",
        pl.col("station").fill_null(WHOLE),
        line=pl.when(pl.col("line").is_in(PRODUCTION)).then(pl.lit("work")).otherwise("line"),
        cause=pl.col("cause").fill_null(""),
    )


def in_spans(book: pl.DataFrame, spans: pl.DataFrame) -> pl.DataFrame:
    """Cut the rows to spans, which do not overlap."""
    other = spans.select(from_us="start_us", to_us="end_us")
    cut = book.join_where(other, pl.col("start_us") < pl.col("to_us"), pl.col("end_us") > pl.col("from_us"))
    return cut.with_columns(
        start_us=pl.max_horizontal("start_us", "from_us"), end_us=pl.min_horizontal("end_us", "to_us")
    ).select(book.columns)


def _half_difference(found: pl.DataFrame, want: pl.DataFrame) -> pl.DataFrame:
    """Per station and line: true_us, chain_us, and half of how much they differ."""
    us = (pl.col("end_us") - pl.col("start_us")).sum()
    both = (
        want.group_by(CHARGED)
        .agg(true_us=us)
        .join(found.group_by(CHARGED).agg(chain_us=us), on=CHARGED, how="full", coalesce=True)
    )
    return (
        both.with_columns(pl.col("true_us", "chain_us").fill_null(0))
        .with_columns(us=(pl.col("true_us") - pl.col("chain_us")).abs() / 2)
        .sort("us", "station", "line", descending=[True, False, False])
    )


def _wrong(found: pl.DataFrame, want: pl.DataFrame, window: Window, busy: pl.DataFrame) -> float:
    """Wrong share of one window."""
    span = pl.DataFrame({"start_us": [window.from_us], "end_us": [window.to_us]})
    base = in_spans(busy, span)
    differ = _half_difference(in_spans(found, span), in_spans(want, span))
    return float(differ["us"].sum() / max(1, (base["end_us"] - base["start_us"]).sum()))


def _gates(book: pl.DataFrame) -> pl.DataFrame:
    """The station that is charged with most of each quarter of an hour."""
    first, last = book["start_us"].min(), book["end_us"].max()
    assert isinstance(first, int)
    assert isinstance(last, int)
    edges = pl.int_range(first // QUARTER_US * QUARTER_US, last, QUARTER_US, eager=True).alias("quarter_us").to_frame()
    rows = book.with_columns(
        quarter_us=pl.int_ranges(pl.col("start_us") // QUARTER_US * QUARTER_US, pl.col("end_us"), QUARTER_US)
    ).explode("quarter_us")
    length = pl.min_horizontal("end_us", pl.col("quarter_us") + QUARTER_US) - pl.max_horizontal(
        "start_us", "quarter_us"
    )
    sums = rows.group_by("quarter_us", "station").agg(us=length.sum())
    top = sums.sort("quarter_us", "us", "station", descending=[False, True, False]).unique("quarter_us", keep="first")
    return edges.join(top, on="quarter_us").select("quarter_us", "station").sort("quarter_us")


def _causes(book: pl.DataFrame) -> list[tuple[str, str, str]]:
    """The largest losses. Only stops have a cause that is the same in both books: a code, or that there is none."""
    book = book.with_columns(
        cause=pl.when(pl.col("line").is_in(["micro_stop", "breakdown"])).then("cause").otherwise(pl.lit(""))
    )
    lost = book.filter(~pl.col("line").is_in(["work", "planned_stop", "unexplained"]))
    sums = lost.group_by("station", "line", "cause").agg(us=(pl.col("end_us") - pl.col("start_us")).sum())
    top = sums.sort("us", "station", "line", "cause", descending=[True, False, False, False]).head(FIRST)
    return [(str(s), str(line), str(c)) for s, line, c in top.select("station", "line", "cause").rows()]


@contextmanager
def simulated(
    seed: int, days: int, cells: Iterable[str], disturb: Disturbance | None = None, apart: bool = False
) -> Iterator[tuple[Plant, pl.DataFrame]]:
    """Simulate, load and open a plant in a temporary folder: the plant and the true gating record of its cells."""
    out = Path(mkdtemp(prefix="taktbook-gating-"))
    try:
        make(out, days=days, seed=seed, level=1, disturb=disturb, apart=apart, gating=True)
        load(out / "plant")
        plant = open_plant(out / "plant")
        for cell in cells:
            plant.build(cell)
        true = pl.read_parquet(out / "truth" / "gating.parquet")
        yield plant, pl.concat([_on_its_clock(own, disturb) for own in true.partition_by("cell")])
    finally:
        shutil.rmtree(out, ignore_errors=True)


def _on_its_clock(true: pl.DataFrame, disturb: Disturbance | None) -> pl.DataFrame:
    """The record of one cell by the clock that its account goes by: that of its reference, which may be wrong too."""
    clock = disturb.clock(REFERENCE[true["cell"][0]]) if disturb else Clock()
    edges = true.select(pl.col("start_us").min(), pl.col("end_us").max()).row(0)
    base_us = calendar.Window(1).base * 1000
    drift = (pl.col("start_us", "end_us") - base_us) * clock.drift_ppm * 1e-6
    moved = true.sort("start_us").with_columns(
        (pl.col("start_us", "end_us") + clock.offset_ms * 1000 + drift.round().cast(pl.Int64)).clip(*edges)
    )
    first, last = pl.int_range(pl.len()) == 0, pl.int_range(pl.len()) == pl.len() - 1
    return moved.with_columns(
        start_us=pl.when(first).then(edges[0]).otherwise("start_us"),
        end_us=pl.when(last).then(edges[1]).otherwise("end_us"),
    )


def damage(days: int, seed: int, clocks: bool, lost: float) -> Disturbance | None:
    """Wrong clocks with no line lost, or a share of the lines lost with right clocks, or both, or nothing."""
    window, sources = calendar.Window(days), [s for names in SOURCES.values() for s in names]
    if not clocks and not lost:
        return None
    drawn = disturbance(window, sources, seed, {"press": window.at(0, "16:10")} if clocks else {}).clocks
    return Disturbance(drawn if clocks else {}, seed, lost=lost, doubled=0.0, moved=0.0, garbled=0.0)


def _numbers(text: str) -> list[int]:
    first, _, last = text.partition("-")
    return list(range(int(first), int(last or first) + 1))


def _print(seed: int, j: Judged, rows: int) -> None:
    worst = max(j.shifts, key=lambda key: j.shifts[key])
    order = "yes" if j.causes == j.true_causes else "no"
    print(
        f"seed {seed} {j.cell}: wrong {j.wrong_share:.2%}, worst shift {j.worst_shift_share:.2%} ({worst}), "
        f"gate right in {j.quarters_right_share:.1%} of {j.quarters} quarters, first {FIRST} causes in order: {order}"
    )
    if order == "no":
        print(f"    true  {j.true_causes}\n    chain {j.causes}")
    for row in j.differences.head(rows).iter_rows(named=True):
        true_s, chain_s = row["true_us"] / 1e6, row["chain_us"] / 1e6
        print(f"    {row['station']:<12} {row['line']:<16} true {true_s:>9.1f} s   chain {chain_s:>9.1f} s")


def main() -> None:
    """Read the arguments, simulate and compare."""
    parser = argparse.ArgumentParser(prog="python -m tests.reference.gating_truth", description=__doc__)
    parser.add_argument("--seeds", default="11-18", help="one seed, or first-last")
    parser.add_argument("--days", type=int, default=3)
    parser.add_argument("--cells", default="spoon,timer")
    parser.add_argument("--disturb", action="store_true", help="wrong clocks; no line is lost")
    parser.add_argument("--lost", type=float, default=0.0, help="share of the lines that are lost, e.g. 0.002")
    parser.add_argument("--rows", type=int, default=6, help="how many of the largest differences to print")
    args = parser.parse_args()
    cells = args.cells.split(",")
    for seed in _numbers(args.seeds):
        disturb = damage(args.days, seed, args.disturb, args.lost)
        with simulated(seed, args.days, cells, disturb) as (plant, true):
            for cell in cells:
                judged = judge(plant, cell, plant.fact(cell, "chain"), true.filter(pl.col("cell") == cell))
                _print(seed, judged, args.rows)


if __name__ == "__main__":
    main()
