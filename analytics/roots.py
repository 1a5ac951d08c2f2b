"""For whom the cell waited at one instant: walk the flow graph from the outlet to the root of the waiting.

What stands in where the gating chain cannot reach: logs that tell only states, and the time before the first and after
the last part. It cannot see that a buffer has absorbed a stop a while ago. Where a robot's log says what it waits for,
the walk goes there; else it goes against the flow.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import polars as pl

from analytics.cell import PLACES, Cell

Ints = npt.NDArray[np.int64]

WORK = ("good", "reject", "start_up_reject", "rework", "slow_cycle")
SOFT = ("unexplained", "no_order")
# What a lane does at an instant, in the order in which a waiting neighbour would blame it.
STOPPED, WORKING, STARVED, BLOCKED, SOFTLY = range(5)


def roots(pieces: pl.DataFrame, cell: Cell) -> pl.DataFrame:
    """Charge every instant of the cell to one lane.

    Takes    pieces of the ledger that tile every lane over the same time (rows of no length are left out).
    Returns  start_us, end_us and the columns of the piece that is charged (lane is the one that is charged), in order
             of time, without gap or overlap. A stopped lane before the waiting one is charged before one that works,
             that one before one that waits itself; a finished part that nobody takes is charged as work of the one
             that should take it.
    """
    rows = pieces.filter(pl.col("start_us") < pl.col("end_us")).sort("lane", "start_us").with_row_index("piece")
    lanes = cell.lanes()
    names: list[str] = lanes["lane"].to_list()
    stations: list[str] = lanes["station"].to_list()
    starts: Ints = np.unique(rows["start_us"].to_numpy())
    end_us = rows["end_us"].max()

    category = rows.select(
        pl.when(pl.col("line").is_in(WORK)).then(WORKING)
        .when(pl.col("line") == "starved").then(STARVED)
        .when(pl.col("line") == "blocked").then(BLOCKED)
        .when(pl.col("line").is_in(SOFT)).then(SOFTLY)
        .otherwise(STOPPED)
    ).to_series().to_numpy().astype(np.int8)  # fmt: skip
    station_no = {s.name: i for i, s in enumerate(cell.stations)}
    wants = rows["waits_for"].replace_strict(station_no, default=-1, return_dtype=pl.Int64).fill_null(-1).to_numpy()

    piece_at = np.empty((len(starts), len(names)), dtype=np.int64)
    state = np.empty((len(starts), len(names)), dtype=np.int8)
    is_place = [kind in PLACES for kind in lanes["kind"].to_list()]
    for n, name in enumerate(names):
        own = rows.filter(pl.col("lane") == name)
        at = np.searchsorted(own["start_us"].to_numpy(), starts, side="right") - 1
        piece_at[:, n] = own["piece"].to_numpy()[at]
        state[:, n] = category[piece_at[:, n]]
        if is_place[n]:  # a place that only waits passes the question on to whoever brings the parts
            state[:, n] = np.where(state[:, n] <= WORKING, state[:, n], STARVED)

    lanes_of = {s: [n for n, name in enumerate(stations) if name == s] for s in station_no}
    before = {n: [m for up in cell.station(s).feeds_from for m in lanes_of[up]] for n, s in enumerate(stations)}
    targets = [lanes_of[s.name] for s in cell.stations]

    here = _choose(state, np.arange(len(starts)), lanes_of[cell.outlet])
    root = here.copy()
    walking = np.ones(len(starts), dtype=bool)
    handing = np.zeros(len(starts), dtype=bool)
    for _ in range(len(names) + 1):
        for n in range(len(names)):
            at = np.flatnonzero(walking & (here == n))
            if not len(at):
                continue
            now = state[at, n]
            root[at] = n
            waits_for = wants[piece_at[at, n]]
            goes_on = (now == STARVED) | ((now == BLOCKED) & (waits_for >= 0))
            walking[at[~goes_on]] = False
            for target in np.unique(waits_for[goes_on]):
                to = targets[target] if target >= 0 else before[n]
                some = at[goes_on & (waits_for == target)]
                if not to:
                    walking[some] = False
                    continue
                chosen = _choose(state, some, to)
                # The neighbour has finished and waits, too: what is missing is the hand-over, work of this lane.
                handed = (state[some, chosen] == BLOCKED) & (wants[piece_at[some, chosen]] < 0)
                here[some] = np.where(handed, n, chosen)
                walking[some[handed]] = False
                handing[some[handed]] = True
    chosen_rows = pl.DataFrame(
        {"piece": piece_at[np.arange(len(starts)), root], "start_us": starts, "handing": handing}
    )
    changed = (pl.col("piece") != pl.col("piece").shift(1)) | (pl.col("handing") != pl.col("handing").shift(1))
    return (
        chosen_rows.with_columns(
            pl.col("piece").cast(rows["piece"].dtype), end_us=pl.col("start_us").shift(-1).fill_null(end_us)
        )
        .with_columns(run=changed.fill_null(True).cast(pl.Int64).cum_sum())
        .group_by("run", "piece", "handing", maintain_order=True)
        .agg(pl.col("start_us").first(), pl.col("end_us").last())
        .join(rows.drop("start_us", "end_us", "us"), on="piece", how="left", maintain_order="left")
        .with_columns(
            us=pl.col("end_us") - pl.col("start_us"), line=pl.when("handing").then(pl.lit("good")).otherwise("line")
        )
        .select([*pieces.columns])
    )


def _choose(state: npt.NDArray[np.int8], at: Ints, among: list[int]) -> Ints:
    """Of several lanes, the one to blame at each instant: the lowest state, the first named on a tie."""
    chosen: Ints = np.asarray(among, dtype=np.int64)[np.argmin(state[at][:, among], axis=1)]
    return chosen
