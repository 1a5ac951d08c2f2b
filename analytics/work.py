"""The work of a cell: every cycle and step of some days, what disturbed it, and at what pace the undisturbed ones ran.

Several analyses and pages ask for the same days one after the other, and judging a month takes seconds: what was asked
for last is kept, as long as the facts that it rests on are the same.
"""

from __future__ import annotations

from dataclasses import dataclass
from threading import Lock

import duckdb
import polars as pl

from analytics.account import Window
from analytics.book import Plant, query
from analytics.pace import judge, local_level
from analytics.study import Names, facts_key
from analytics.undisturbed import WAITS, Told, told, undisturbed

NAMES = ("lane", "station", "product", "step", "at")
"""Columns of names; see analytics.study.Names."""
PAIRED = pl.Enum(["both", "end_only", "no_end", "no_start", "open"])
KEPT_ROWS = 6_000_000
"""So many cycles and steps are kept at most, about 100 bytes each: a month of a busy cell is half of it."""


@dataclass(frozen=True)
class Lane:
    """The cycles of a lane, and the steps where it is a robot's, that ended in whole production days; in order of time.

    Names are Categorical, see analytics.study.Names; they are the same for all lanes of a cell.
    """

    name: str
    cycles: pl.DataFrame  # lane, station, product, start_us, end_us, paired, planned_us, net_us, disturbed
    steps: pl.DataFrame  # lane, station, at, step, product, start_us, end_us, net_us, disturbed
    judged: pl.DataFrame
    """Those undisturbed, of both (step and at null for cycles; planned_us of a step is that of the robot's cycle):
    NAMES, start_us (end_us less net_us), end_us, began_us (when it began), net_us, planned_us, and what analytics.pace
    adds: level_us, spread_us, excess_us, fence_us, pace, stop_us."""

    @property
    def paced(self) -> pl.DataFrame:
        """The judged rows that tell the pace: steps where there are any, else cycles.

        A robot's cycle is mostly waiting and walking on; where its steps are logged they tell its pace.
        """
        return self.judged if self.steps.is_empty() else self.judged.filter(pl.col("step").is_not_null())


@dataclass(frozen=True)
class Work:
    """The work of a cell, by lane in order of their names, and what disturbs it."""

    lanes: list[Lane]
    time: Told

    @property
    def cycles(self) -> pl.DataFrame:
        """The cycles of all lanes."""
        return pl.concat([lane.cycles for lane in self.lanes])

    @property
    def paced(self) -> pl.DataFrame:
        """The judged rows of all lanes that tell the pace."""
        return pl.concat([lane.paced for lane in self.lanes])


def work_of(plant: Plant, cell: str, window: Window, con: duckdb.DuckDBPyConnection) -> Work:
    """Return the work of all days of a window; `con` is that of analytics.study.facts_of."""
    first, last = plant.file.production_day(window.from_us), plant.file.production_day(window.to_us - 1)
    key = facts_key(plant, cell, plant.days_between(cell, first, last))
    with _LOCK:  # who asks for the same meanwhile waits for it
        found = _KEPT.get(key)
        if found is None:
            _KEPT.clear()
            found = read_work(con)
            if sum(lane.cycles.height + lane.steps.height for lane in found.lanes) <= KEPT_ROWS:
                _KEPT[key] = found
    return found


_KEPT: dict[tuple[object, ...], Work] = {}
_LOCK = Lock()


def read_work(con: duckdb.DuckDBPyConnection) -> Work:
    """Read and judge the cycles and steps of the days that a connection has views of."""
    time = told(query(con, "lane_tiles", waits=list(WAITS)), query(con, "lane_since"), query(con, "lane_plan"))
    names = Names()
    cycles = names.read(con, "work_cycles").with_columns(pl.col("paired").cast(PAIRED))
    steps = names.read(con, "work_steps")
    cycle_parts, step_parts = _lanes(cycles), _lanes(steps)
    no_cycles, no_steps = cycles.clear(), steps.clear()
    del cycles, steps
    lanes = []
    # A lane at a time: frames of all lanes and all columns would take several times the memory.
    for name in sorted({*cycle_parts, *step_parts}) or [""]:
        own = time.on_lane(cycle_parts.pop(name, no_cycles), name)
        done = _with_there(time.on_lane(step_parts.pop(name, no_steps), name), time)
        lanes.append(Lane(name, own, done.drop("nest"), judged(own, done)))
    return Work(lanes, time)


def judged(cycles: pl.DataFrame, steps: pl.DataFrame) -> pl.DataFrame:
    """Judge the undisturbed cycles and steps of a lane: see Lane.judged."""
    planned = cycles.group_by("product").agg(pl.col("planned_us").max())
    steps = steps.join(planned, on="product", how="left", nulls_equal=True, maintain_order="left")
    rows = pl.concat([undisturbed(cycles), undisturbed(steps)], how="diagonal")
    return judge(local_level(rows.select(*NAMES, "start_us", "end_us", "began_us", "net_us", "planned_us")))


def with_records(rows: pl.DataFrame, con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """Add nest, start_file, start_line, file and line to some judged rows; names are words again."""
    key = ["lane", "step", "start_us", "end_us"]
    nth = pl.int_range(pl.len()).over(key)  # two of one lane may have the same times
    rows = rows.with_columns(pl.col(*NAMES).cast(pl.String))
    rows = rows.rename({"start_us": "net_start_us", "began_us": "start_us"})
    con.register("asked", rows.select(key).unique().to_arrow())
    found = query(con, "work_records").with_columns(nth_=nth)
    con.unregister("asked")
    return (
        rows.with_columns(nth_=nth)
        .join(found, on=[*key, "nth_"], how="left", nulls_equal=True, maintain_order="left")
        .drop("nth_")
        .rename({"start_us": "began_us", "net_start_us": "start_us"})
    )


def cut(frame: pl.DataFrame, condition: pl.Expr) -> pl.DataFrame:
    """Return the rows that meet a condition; they are not copied when they follow one another."""
    rows = frame.with_columns(met_=condition.fill_null(False))["met_"].arg_true()
    if rows.is_empty():
        return frame.clear()
    first, n = int(rows[0]), rows.len()
    return frame.slice(first, n) if int(rows[-1]) - first + 1 == n else frame[rows]


def _with_there(steps: pl.DataFrame, time: Told) -> pl.DataFrame:
    """A step at a station is disturbed by a stop of that station, too."""
    at, nest = pl.col("at").cast(pl.String), pl.col("nest").cast(pl.String)
    there = pl.when(nest.is_null()).then(at).otherwise(pl.concat_str(at, nest, separator="."))
    also = time.disturbed_there(steps.select("start_us", "end_us", there=there), "there")
    return steps.with_columns(disturbed=pl.col("disturbed") | also)


def _lanes(rows: pl.DataFrame) -> dict[str, pl.DataFrame]:
    """The rows of each lane in order of time."""
    parts = rows.partition_by("lane", as_dict=True, maintain_order=True)
    return {str(lane): own.sort("start_us", "end_us", maintain_order=True) for (lane,), own in parts.items()}
