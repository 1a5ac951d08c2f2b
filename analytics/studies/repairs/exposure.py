"""Clocks that a station's failures are counted by: the time it worked, and the time that was planned."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from analytics.cell import CELL, Cell
from analytics.plan import BUSY
from analytics.statistics.time_in_bins import covered

Ints = npt.NDArray[np.int64]


@dataclass(frozen=True)
class Clock:
    """Spans in order that do not overlap; it runs within them."""

    starts: Ints
    ends: Ints

    def at(self, us: npt.ArrayLike) -> Ints:
        """What the clock shows at some instants."""
        return covered(self.starts, self.ends, np.asarray(us, dtype=np.int64))

    @property
    def total_us(self) -> int:
        """How long it ran."""
        return int((self.ends - self.starts).sum())


NEVER = Clock(np.empty(0, np.int64), np.empty(0, np.int64))


@dataclass(frozen=True)
class Exposure:
    """The clocks of each station. `works`: while any nest of it works; the cell as a whole runs by its plan."""

    works: Mapping[str, Clock]
    planned: Mapping[str, Clock]


def exposure(stretches: pl.DataFrame, plan: pl.DataFrame, cell: Cell, from_us: int, to_us: int) -> Exposure:
    """Make the clocks of all stations and of the cell (CELL) within [from_us, to_us)."""
    lanes = pl.concat([cell.lanes().select("lane", "station"), pl.DataFrame({"lane": [CELL], "station": [CELL]})])
    works = stretches.filter(pl.col("line") == "run").select("lane", "start_us", "end_us")
    coded = lanes.with_columns(pl.col("lane").cast(stretches.schema["lane"]), pl.col("station").cast(pl.Categorical))
    busy = plan.filter(pl.col("plan") == BUSY)
    planned = _clocks(busy.join(lanes, on="lane"), from_us, to_us)
    return Exposure(_clocks(works.join(coded, on="lane"), from_us, to_us) | {CELL: planned.get(CELL, NEVER)}, planned)


def _clocks(spans: pl.DataFrame, from_us: int, to_us: int) -> dict[str, Clock]:
    rows = (
        spans.select("station", pl.col("start_us").clip(from_us, to_us), pl.col("end_us").clip(from_us, to_us))
        .filter(pl.col("start_us") < pl.col("end_us"))
        .sort("station", "start_us", "end_us")
        .with_columns(reached=pl.col("end_us").cum_max().shift(1).over("station"))
        .with_columns(apart=(pl.col("start_us") > pl.col("reached")).fill_null(value=True))
        .with_columns(run=pl.col("apart").cast(pl.Int64).cum_sum())
        .group_by("station", "run", maintain_order=True)
        .agg(pl.col("start_us").min(), pl.col("end_us").max())
    )
    return {
        str(key[0]): Clock(own["start_us"].to_numpy(), own["end_us"].to_numpy())
        for key, own in rows.partition_by("station", as_dict=True, maintain_order=True).items()
    }
