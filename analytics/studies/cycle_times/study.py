"""Cycle times of a cell: the public analysis."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from analytics.account import Window, _lanes, _products
from analytics.book import Plant
from analytics.cell import Cell
from analytics.pace import STOP
from analytics.pace_changes import pace_changes
from analytics.statistics.order_statistics import Quantile, quantile
from analytics.studies.cycle_times.distribution import histogram, two_modes
from analytics.studies.cycle_times.tables import (
    BEST,
    KEY,
    SPREAD,
    gap_split,
    net_times,
    period_figures,
    periods,
    spread,
)
from analytics.studies.sentences import counted, length
from analytics.study import Study, facts_of
from analytics.undisturbed import FINISHED
from analytics.work import cut, work_of

SPEED = (
    "A shorter cycle that needs a higher speed of a robot or machine, or a nearer stop, is a question for the "
    "machine's responsible person and its risk assessment (ISO 12100, ISO 10218-2, ISO 13855); this table does not ask "
    "for it."
)
FEW = 30
"""Groups of fewer cycles are not spoken of in sentences."""


@dataclass(frozen=True)
class Read:
    """What the analysis rests on, cut at the window."""

    lanes: list[Lane]
    cycles: pl.DataFrame  # of all lanes, with the disturbed ones
    periods: pl.DataFrame  # undisturbed
    disturbed_n: int  # cycles and steps

    @property
    def stepped(self) -> set[str]:
        """Lanes of which steps tell the pace."""
        return {lane.name for lane in self.lanes if lane.stepped}

    @property
    def empty(self) -> bool:
        """There is no undisturbed work."""
        return all(lane.work.is_empty() for lane in self.lanes)


@dataclass(frozen=True)
class Lane:
    """The work of one lane."""

    name: str
    work: pl.DataFrame  # undisturbed cycles and steps, judged
    finished: pl.DataFrame  # lane, step, product of the same and of the disturbed ones

    @property
    def stepped(self) -> bool:
        """There are steps, so they tell the pace: a robot's whole cycle holds its unlogged waits."""
        return self.work["step"].count() > 0

    @property
    def paced(self) -> pl.DataFrame:
        """What tells the pace."""
        return self.work.filter(pl.col("step").is_not_null()) if self.stepped else self.work


def cycle_times(
    plant: Plant, cell: str, window: Window, *, station: str | None = None, product: str | None = None
) -> Study:
    """Tell how long cycles and steps take, how that compares with plan and takt, and where it changed.

    Raises   InputError for a name that does not exist or a period without events.
    """
    model = plant.cell(cell)
    _lanes(model, station)
    read = _read(plant, cell, window, station, _products(model, product))
    slow_us, short_us = round(model.silent_stop_s * 1e6), round(model.micro_stop_s * 1e6)
    net = pl.concat([net_times(_own_plan(lane.work), lane.finished) for lane in read.lanes])
    period = period_figures(read.periods, model.takts())
    tables = {
        "net_times": net.drop(SPREAD),
        "periods": period.drop(SPREAD),
        "changes": pace_changes(*(lane.paced for lane in read.lanes)).drop("station"),
        "two_modes": two_modes(*(lane.paced.filter(pl.col("pace") != STOP) for lane in read.lanes)),
        "beyond_plan": pl.concat(
            [gap_split(lane.work.filter(pl.col("step").is_null()), slow_us, short_us) for lane in read.lanes]
        ),
        "net_quantiles": spread(net, "cycles_n"),
        "period_quantiles": spread(period, "periods_n"),
        "histogram": pl.concat([histogram(lane.work) for lane in read.lanes]),
    }
    return Study("cycles", _findings(plant, read, tables), tables, _doubts(model, read, station), [SPEED])


def _own_plan(work: pl.DataFrame) -> pl.DataFrame:
    """No step has a plan of its own."""
    return work.with_columns(planned_us=pl.when(pl.col("step").is_null()).then("planned_us"))


def _read(plant: Plant, cell: str, window: Window, station: str | None, products: list[str] | None) -> Read:
    inside = (pl.col("start_us") >= window.from_us) & (pl.col("start_us") < window.to_us)
    chosen = pl.lit(True) if station is None else pl.col("station") == station
    if products is not None:
        chosen = chosen & pl.col("product").is_in(products)
    with facts_of(plant, cell, window) as con:
        every = work_of(plant, cell, window, con)
    lanes, cycles, disturbed_n = [], [], 0
    for lane in every.lanes:
        own, steps = (cut(frame, inside & chosen) for frame in (lane.cycles, lane.steps))
        finished = pl.concat([own.select("lane", "product"), steps.select("lane", "product", "step")], how="diagonal")
        lanes.append(Lane(lane.name, cut(lane.judged, inside & chosen), finished.select(KEY)))
        cycles.append(own.select("lane", "station", "product", "start_us", "end_us", "paired", "planned_us"))
        disturbed_n += int(own["disturbed"].sum()) + int(steps["disturbed"].sum())
    between = every.time.on(periods(every.cycles))
    return Read(lanes, pl.concat(cycles), between.filter(inside & chosen & ~pl.col("disturbed")), disturbed_n)


def _findings(plant: Plant, read: Read, tables: dict[str, pl.DataFrame]) -> list[str]:
    if read.empty:
        return ["No undisturbed cycle in this period."]
    found = []
    lasting = pl.col("size_share").abs() * pl.min_horizontal("before_n", "after_n")
    changes = tables["changes"].sort(-lasting, "at_us", "lane", "step")
    for row in changes.head(3).rows(named=True):
        grew = row["size_us"] > 0
        low, high = (row["low_us"], row["high_us"]) if grew else (-row["high_us"], -row["low_us"])
        found.append(
            f"{_name(row)} {'grew' if grew else 'fell'} by {abs(row['size_us']) / 1e6:.2f} s (95 %: {low / 1e6:.2f} to "
            f"{high / 1e6:.2f}; {abs(row['size_share']) * 100:.1f} %) on "
            f"{plant.file.local(row['at_us']):%a %d %b %H:%M}."
        )
    if not found:
        found.append("No lasting change of any cycle time in this period.")
    net = tables["net_times"].filter((pl.col("cycles_n") >= FEW) & pl.col("planned_us").is_not_null())
    # Of a robot with steps the whole cycle is no measure of its pace.
    net = net.filter(~pl.col("lane").is_in(read.stepped))
    far = net.with_columns(share=pl.col("gap_us") / pl.col("planned_us")).sort("share", *("lane", "product"))
    if not far.is_empty():
        row = far.row(0, named=True)
        (lane,) = (lane for lane in read.lanes if lane.name == row["lane"])
        own = lane.work.filter(pl.col("step").is_null() & (pl.col("product") == row["product"]))
        typical = quantile(own["net_us"].to_numpy())
        side = "over" if row["gap_us"] < 0 else "under"
        if typical is not None:
            found.append(
                f"Furthest from its plan: {row['lane']} with {row['product']} typically takes {_middle(typical)}, "
                f"{_fine(abs(row['gap_us']))} {side} the planned {_fine(row['planned_us'])}; best demonstrated "
                f"{_fine(row['best_us'])}."
            )
    two = tables["two_modes"].filter("two")
    if not two.is_empty():
        row = two.sort("cycles_n", descending=True).row(0, named=True)
        found.append(
            f"{counted(two.height, 'group')} of cycles with two modes; the largest: {_name(row)} with {row['product']} "
            f"around {row['low_us'] / 1e6:.2f} s and {row['high_us'] / 1e6:.2f} s ({row['high_share'] * 100:.0f} % at "
            "the longer one). A lasting change makes two modes too: see changes."
        )
    return found


def _name(row: dict[str, object]) -> str:
    return f"{row['lane']} cycles" if row["step"] is None else f"{row['lane']} {row['step']}"


def _doubts(model: Cell, read: Read, station: str | None) -> list[str]:
    doubts = []
    asked = [s for s in model.working() if station in (None, s)]
    heard = set(read.cycles["station"].unique())
    silent = [s for s in asked if s not in heard]
    if silent:
        doubts.append(f"No cycles are logged here for {', '.join(silent)}: nothing can be told of them.")
    if read.disturbed_n:
        doubts.append(
            f"{counted(read.disturbed_n, 'cycle or step', 'cycles and steps')} around an alarm, a planned stop or "
            "missing data were left out: their length is not that of the work."
        )
    lost = read.cycles.filter(~pl.col("paired").is_in(FINISHED)).height
    if lost:
        doubts.append(f"{counted(lost, 'cycle')} without a start or an end in the log left out.")
    paired = read.cycles.filter(pl.col("paired").is_in(FINISHED))
    twice = paired.sort("lane", "start_us", "end_us").filter(
        pl.col("start_us") < pl.col("end_us").cum_max().shift(1).over("lane")
    )
    if not twice.is_empty():
        doubts.append(
            f"{counted(twice.height, 'cycle')} began before the one before it on the same lane had ended "
            f"({', '.join(sorted(set(twice['lane'])))}): their lengths overlap. Does it have nests that the model does "
            "not know?"
        )
    known = {p.name for p in model.products} | {s.name for s in model.sets}
    strange = read.cycles.filter(pl.col("product").is_null() | ~pl.col("product").is_in(list(known)))
    if not strange.is_empty():
        doubts.append(f"{counted(strange.height, 'cycle')} of a product unknown to the model: a group of its own.")
    unplanned = read.cycles.filter(pl.col("planned_us").is_null())
    if not unplanned.is_empty():
        lanes = ", ".join(sorted(set(unplanned["lane"])))
        doubts.append(f"No planned cycle for {counted(unplanned.height, 'cycle')} of {lanes}: no gap to a plan.")
    if read.stepped:
        doubts.append("A robot's whole cycle holds waits that no record names; its steps tell its pace.")
    doubts.append(
        f"Best demonstrated is the length that {BEST * 100:.0f} % of undisturbed cycles do not exceed; it moves with "
        "the data."
    )
    return doubts


def _fine(us: float) -> str:
    """Write a length that is compared with others of its kind: to the hundredth below ten seconds."""
    return f"{us / 1e6:.2f} s" if us < 10e6 else length(us)


def _middle(found: Quantile) -> str:
    if found.low is None or found.high is None:
        return f"{_fine(found.value)} (of {found.n}: too few for an interval)"
    return f"{_fine(found.value)} (95 %: {_fine(found.low)} to {_fine(found.high)})"
