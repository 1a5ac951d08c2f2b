"""Cycles and steps with what disturbed them: only an undisturbed one tells how long the work itself takes."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from analytics.busy_clock import BusyClock, clock_of
from analytics.plan import BUSY

Ints = npt.NDArray[np.int64]
Clocks = dict[str, tuple[int, BusyClock]]
"""Of each lane since when anything is told, and a clock that goes while a condition is met."""

WAITS = ("starved", "blocked", "unexplained")
"""Lines of time in which a lane waits for others: no work, and nothing that makes a cycle unusual."""

FINISHED = ("both", "end_only")
"""How a cycle was paired when its length is known."""


@dataclass(frozen=True)
class Told:
    """What is told about the time of lanes: how long of it, up to any instant."""

    waits: Clocks  # they waited for others
    disturbed: Clocks  # a stop, an alarm, missing data or a time that no work belongs to
    busy: Clocks  # planned busy time

    def on(self, rows: pl.DataFrame) -> pl.DataFrame:
        """Add net_us and disturbed to rows with lane, start_us, end_us.

        Returns  net_us: the length less the waits for others that are logged within it; disturbed: what disturbs work
                 lies within it, or the edge of a planned stop does. Of a lane of which nothing is told: the length,
                 and false.
        """
        start, end = rows["start_us"].to_numpy(), rows["end_us"].to_numpy()
        net, disturbed = end - start, np.zeros(rows.height, dtype=bool)
        for lane, row in _places(rows, "lane"):
            net[row], disturbed[row] = self._on(lane, start[row], end[row])
        return rows.with_columns(pl.Series("net_us", net), pl.Series("disturbed", disturbed))

    def on_lane(self, rows: pl.DataFrame, lane: str) -> pl.DataFrame:
        """The same where all rows are of one lane."""
        net, disturbed = self._on(lane, rows["start_us"].to_numpy(), rows["end_us"].to_numpy())
        return rows.with_columns(pl.Series("net_us", net), pl.Series("disturbed", disturbed))

    def disturbed_there(self, rows: pl.DataFrame, there: str) -> pl.Series:
        """Whether the work of another lane, which a column names (null: none), was disturbed during each row."""
        start, end = rows["start_us"].to_numpy(), rows["end_us"].to_numpy()
        found = np.zeros(rows.height, dtype=bool)
        for lane, row in _places(rows, there):
            found[row] = _during(self.disturbed, lane, start[row], end[row]) > 0
        return pl.Series(found)

    def _on(self, lane: str, start: Ints, end: Ints) -> tuple[Ints, npt.NDArray[np.bool_]]:
        busy = _during(self.busy, lane, start, end)
        disturbed = (_during(self.disturbed, lane, start, end) > 0) | ((busy > 0) & (busy < end - start))
        return end - start - _during(self.waits, lane, start, end), disturbed


def told(tiles: pl.DataFrame, since: pl.DataFrame, plan: pl.DataFrame) -> Told:
    """Make it from what claimed the time of lanes.

    Takes    tiles: lane, start_us, end_us, waits, the stretches that are no work (see sql/lane_tiles.sql); since: lane,
             since_us; plan: lane, start_us, end_us, plan.
    """
    known = dict(since.select("lane", "since_us").iter_rows())
    return Told(
        waits=_clocks(tiles.filter("waits"), known),
        disturbed=_clocks(tiles.filter(~pl.col("waits")), known),
        busy=_clocks(
            plan.filter(pl.col("plan") == BUSY),
            dict(plan.group_by("lane").agg(pl.col("start_us").min()).iter_rows()),
        ),
    )


def undisturbed(rows: pl.DataFrame) -> pl.DataFrame:
    """Keep the rows whose length is that of the work, as a frame for analytics.pace: it ends when the work ended."""
    finished = pl.col("paired").is_in(FINISHED) if "paired" in rows.columns else pl.lit(True)
    return rows.filter(finished & ~pl.col("disturbed") & (pl.col("net_us") > 0)).with_columns(
        began_us="start_us", start_us=pl.col("end_us") - pl.col("net_us")
    )


def _clocks(spans: pl.DataFrame, known: dict[str, int]) -> Clocks:
    return {
        str(lane): (known[str(lane)], clock_of(own["start_us"].to_numpy(), own["end_us"].to_numpy()))
        for (lane,), own in spans.partition_by("lane", as_dict=True).items()
    }


def _places(rows: pl.DataFrame, name: str) -> Iterator[tuple[str, Ints]]:
    """Of each lane that a column names: in which rows."""
    found = rows.select(lane_=name, row_=pl.int_range(pl.len())).drop_nulls().group_by("lane_").agg("row_")
    for lane, row in found.iter_rows():
        yield str(lane), np.asarray(row, dtype=np.int64)


def _during(clocks: Clocks, lane: str, start: Ints, end: Ints) -> Ints:
    """Microseconds from start to end by the clock of a lane; 0 where nothing is told of the lane at the start."""
    if lane not in clocks:
        return np.zeros(len(start), dtype=np.int64)
    since, clock = clocks[lane]
    return np.where(start >= since, clock.at(end) - clock.at(start), 0)
