"""Closed loops of pallets, written down as the logs they would leave. No test lives here.

Stations s1 … sn stand in a ring; each pallet brings a new part at s1 and gives it away at sn. Every record names its
pallet as carrier.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import polars as pl

from analytics.cell import Cell
from tests.logs import cell
from tests.reference.lines import Made, all_day, names, written


def roomy_loop(
    times: Sequence[float],
    transport: Sequence[float],
    pallets: int,
    rounds: int,
    recover: Sequence[float] | None = None,
) -> Made:
    """A loop with room everywhere: cycle = max(slowest station, loop time / pallets).

    `transport[j]`: seconds from station j to the next; `recover[j]`: seconds that a station needs after a departure
    before it can take the next one. As a max-plus system: A_jj = time + recover, A_ij = time of j + way from j to i.
    """
    n = len(times)
    rest = recover or [0.0] * n
    count = pallets * rounds
    come, leave = np.zeros((count, n)), np.zeros((count, n))
    for k in range(count):
        for j in range(n):
            if j:
                arrives = leave[k, j - 1] + transport[j - 1]
            else:
                arrives = leave[k - pallets, n - 1] + transport[n - 1] if k >= pallets else 0.0
            come[k, j] = max(arrives, leave[k - 1, j] + rest[j] if k else 0.0)
            leave[k, j] = come[k, j] + times[j]
    said = [
        visits(name, come[:, j], leave[:, j], leave[:, j], np.arange(count), np.arange(count) % pallets)
        for j, name in enumerate(names(n))
    ]
    return Made(_model(times), all_day(), written(said), leave[:, -1])


def tight_loop(times: Sequence[float], move: float, pallets: int, rounds: int) -> Made:
    """A loop in which a place must be free before a pallet sets out, and both places are held while it moves.

    Cycle = max((sum of times + n m) / N, longest time + 2 m, n m / (n - N)). A pallet has left a place, and is in the
    next, when its move is over.
    """
    n = len(times)
    assert pallets < n
    done: dict[int, float] = {j: times[j] for j in range(pallets)}  # station -> end of the work on the pallet there
    came = dict.fromkeys(range(pallets), 0.0)
    on = {j: pallets - 1 - j for j in range(pallets)}
    part = {j: pallets - 1 - j for j in range(pallets)}  # the foremost pallet has the first part
    free = {j: 0.0 for j in range(n) if j not in done}
    fed = pallets
    rows: list[tuple[int, float, float, float, int, int]] = []
    turns = 0
    while turns < rounds * pallets:
        ready = {j: max(end, free[(j + 1) % n]) for j, end in done.items() if (j + 1) % n in free}
        j = min(ready, key=lambda at: (ready[at], at))
        to, goes = (j + 1) % n, ready[j]
        rows.append((j, came[j], done[j], goes + move, part[j], on[j]))
        if j == n - 1:
            turns += 1
            part[to], fed = fed, fed + 1
        else:
            part[to] = part[j]
        on[to], came[to], done[to] = on[j], goes + move, goes + move + times[to]
        del free[to], done[j], came[j]
        free[j] = goes + move
    said = []
    for j, name in enumerate(names(n)):
        own = [r for r in rows if r[0] == j]
        if own:
            come, end, go, number, pallet = (np.asarray([r[c] for r in own]) for c in range(1, 6))
            said.append(visits(name, come, end, go, number, pallet))
    leave = np.asarray([r[3] for r in rows if r[0] == n - 1])
    return Made(_model(times), all_day(), written(said), leave)


def visits(
    name: str, come: np.ndarray, done: np.ndarray, leave: np.ndarray, part: np.ndarray, pallet: np.ndarray
) -> pl.DataFrame:
    """The records of one station: arrival with start, end, departure."""
    same = {"part": [f"P{p:05d}" for p in part], "carrier": [f"K{p + 1}" for p in pallet]}
    return pl.concat(
        pl.DataFrame({"s": moment.astype(float), "kind": [kind] * len(moment), "station": [name] * len(moment), **same})
        for moment, kind in ((come, "part_in"), (come, "cycle_start"), (done, "cycle_end"), (leave, "part_out"))
    )


def _model(times: Sequence[float]) -> Cell:
    own = names(len(times))
    return cell(
        outlet=own[-1], silent_stop_s=5,
        stations=[
            {"name": name, "kind": "machine", "from": own[j - 1 : j] if j else []} for j, name in enumerate(own)
        ],
        products=[{"name": "dish", "takt_s": max(times), "cycle_s": dict(zip(own, times, strict=True))}],
    )  # fmt: skip
