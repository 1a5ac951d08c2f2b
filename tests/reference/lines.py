"""Small lines whose every instant follows from a formula, written as the logs they would leave. No test lives here.

Each writer returns a Made: cell model, plant, events. The recursion of the serial line with blocking after service is
the usual one (for instance Baccelli, Cohen, Olsder & Quadrat 1992): S_j(k) = max(D_{j-1}(k), D_j(k-1)), C = S + t,
D_j(k) = max(C_j(k), D_{j+1}(k-1-buffer)).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import numpy.typing as npt
import polars as pl

from analytics.account import Window
from analytics.cell import Cell
from analytics.plant import PlantFile
from ingest.events import SCHEMA
from tests.logs import DAY, MemoryPlant, at, book, cell, plant

Times = npt.NDArray[np.float64]
START_US = at("06:00:00")
S = 1_000_000


@dataclass(frozen=True)
class Stop:
    """A stop of a station at a given time, seconds since 06:00; work under way is held and goes on after it."""

    station: int
    at_s: float
    length_s: float
    code: str = "A1"


@dataclass(frozen=True)
class Made:
    """A cell and the log it left."""

    cell: Cell
    plant: PlantFile
    events: pl.DataFrame
    leave_s: Times  # when each part left the outlet, seconds since 06:00
    facts: dict[str, float] = field(default_factory=dict)

    def open(self, folder: Path) -> MemoryPlant:
        """Open it as a plant in memory; its facts are kept in `folder`."""
        return book(folder, self.events, self.plant, self.cell)

    def window(self, from_s: float = 0.0, to_s: float | None = None) -> Window:
        """A span of seconds since 06:00; without an end, to the last departure."""
        last = float(self.leave_s[-1]) if to_s is None else to_s
        return Window("run", START_US + round(from_s * S), START_US + round(last * S))

    def cycle_s(self, parts: int = 1) -> float:
        """Mean seconds between departures over the second half; `parts` leave per turn of the pattern."""
        half = len(self.leave_s) // 2 // parts * parts
        return float(self.leave_s[-1] - self.leave_s[-1 - half]) / half


def all_day() -> PlantFile:
    """A plant that runs around the clock."""
    return plant(shifts=[{"name": "all", "start": "06:00", "end": "06:00"}])


def names(n: int) -> list[str]:
    """Names of the stations of a line."""
    return [f"s{j + 1}" for j in range(n)]


def serial_line(
    times: Sequence[float] | Times,
    buffers: Sequence[int],
    parts: int | None = None,
    *,
    stops: Iterable[Stop] = (),
    takt_s: float | None = None,
    silent_stop_s: float = 5.0,
    start_s: float = 0.0,
) -> Made:
    """Write the log of a line that never lacks parts before its first station nor room behind its last.

    `times`: a time per station (then `parts` of them are made), or an array of parts x stations. `buffers`: places
    between each two stations. Every station logs part_in and cycle_start, cycle_end, part_out.
    """
    table = np.asarray(times, dtype=np.float64)
    if table.ndim == 1:
        assert parts is not None
        table = np.tile(table, (parts, 1))
    count, n = table.shape
    halts = list(stops)
    per_station = [sorted((h.at_s, h.at_s + h.length_s) for h in halts if h.station == j) for j in range(n)]
    come, done, leave = (np.zeros((count, n)) for _ in range(3))
    for k in range(count):
        for j in range(n):
            before = leave[k, j - 1] if j else start_s
            come[k, j] = max(before, leave[k - 1, j] if k else start_s)
            done[k, j] = finish(come[k, j], table[k, j], per_station[j])
            # The place behind is free when the part that stood `buffer + 1` places further has left the next station;
            # that part went before this one, so its departure is known.
            room = leave[k - 1 - buffers[j], j + 1] if j < n - 1 and k - 1 - buffers[j] >= 0 else 0.0
            leave[k, j] = max(done[k, j], room)
    # D_j(k) of a part waits for a departure further down of an earlier part: all known, row by row.
    said = [
        pl.DataFrame({"s": moment[:, j], "kind": kind, "station": name, "part": part_numbers(count)})
        for j, name in enumerate(names(n))
        for moment, kind in ((come, "part_in"), (come, "cycle_start"), (done, "cycle_end"), (leave, "part_out"))
    ]
    alarms = [
        {"s": float(when), "kind": kind, "station": names(n)[h.station], "code": h.code}
        for h in halts
        for when, kind in ((h.at_s, "alarm_on"), (h.at_s + h.length_s, "alarm_off"))
    ]
    planned = table.min(axis=0) if table.size else np.ones(n)
    return Made(
        line_model(planned, buffers, takt_s or float(planned.max()), silent_stop_s),
        all_day(),
        written([*said, pl.DataFrame(alarms)]),
        leave[:, -1],
    )


def finish(start: float, length: float, stops: Sequence[tuple[float, float]]) -> float:
    """When work of a given length is done that begins at `start` and rests during stops."""
    now = start
    for since, until in stops:
        if until <= now:
            continue
        if since >= now + length:
            break
        length -= max(since - now, 0.0)
        now = until
    return now + length


def line_model(cycles: Iterable[float], buffers: Sequence[int], takt_s: float, silent_stop_s: float) -> Cell:
    """The model of a serial line: stations s1, s2, …, and a buffer b1, b2, … where there are places between."""
    planned = dict(zip(names(len(buffers) + 1), (float(c) for c in cycles), strict=True))
    stations: list[dict[str, object]] = []
    before: list[str] = []
    for j, name in enumerate(planned):
        stations.append({"name": name, "kind": "machine", "from": before})
        before = [name]
        if j < len(buffers) and buffers[j]:
            stations.append({"name": f"b{j + 1}", "kind": "buffer", "capacity": buffers[j], "from": before})
            before = [f"b{j + 1}"]
    return cell(
        outlet=list(planned)[-1], silent_stop_s=silent_stop_s, stations=stations,
        products=[{"name": "dish", "takt_s": takt_s, "cycle_s": {k: max(v, 1e-3) for k, v in planned.items()}}],
    )  # fmt: skip


def part_numbers(count: int) -> list[str]:
    """P00000, P00001, …"""
    return [f"P{k:05d}" for k in range(count)]


def written(frames: Iterable[pl.DataFrame]) -> pl.DataFrame:
    """Put records into one log in order of time.

    Takes    s (seconds since 06:00) and any columns of events; at one instant the order of the kinds is kept as in a
             controller's log: ends, verdicts, departures, arrivals, starts.
    """
    rank = {kind: n for n, kind in enumerate(("alarm_off", "step_end", "cycle_end", "part_out", "state", "part_in"))}
    rows = (
        pl.concat([f for f in frames if f.height], how="diagonal")
        .with_columns(
            us=(pl.col("s") * S).round().cast(pl.Int64) + START_US,
            rank=pl.col("kind").replace_strict(rank, default=9, return_dtype=pl.Int64),
        )
        .sort("us", "rank", "station", maintain_order=True)
        .with_row_index("line", offset=1)
        .with_columns(
            ts_source=pl.col("us").cast(pl.Datetime("us", "UTC")),
            doubled=pl.lit(False),
            cell=pl.lit("a1"),
            source=pl.lit("plc"),
            seq=pl.col("line"),
            file=pl.lit("plc.log"),
        )
    )
    if "product" not in rows.columns:
        rows = rows.with_columns(product=pl.when(pl.col("part").is_not_null()).then(pl.lit("dish")))
    return rows.with_columns(
        pl.lit(None, dtype).alias(name) for name, dtype in SCHEMA.items() if name not in rows.columns
    ).select(pl.col(name).cast(dtype) for name, dtype in SCHEMA.items())


__all__ = ["DAY", "Made", "Stop", "all_day", "finish", "names", "part_numbers", "serial_line", "written"]
