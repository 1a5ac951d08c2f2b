"""Two machines with a buffer in slots of equal length, written down as the logs they would leave. No test lives here.

A machine that works in a slot takes a part at its start and gives it away at its end; one that is down says so by an
alarm; the first says when it is blocked (before it takes a part); the second is empty when there is no part.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import polars as pl

from tests.reference.lines import Made, all_day, line_model, written

SLOT_S = 3.0
WORK, DOWN, BLOCKED, STARVED = range(4)
States = npt.NDArray[np.int8]


def bernoulli_line(p1: float, p2: float, n: int, slots: int, seed: int) -> Made:
    """Machines that are up in each slot by chance; the first is blocked when the buffer is full and none is taken."""
    rng = np.random.default_rng(seed)
    up1, up2 = rng.random(slots) < p1, rng.random(slots) < p2
    did = np.full((slots, 2), DOWN, dtype=np.int8)
    held = 0
    for t in range(slots):
        takes = up2[t] and held > 0
        makes = up1[t] and (held < n or takes)
        did[t] = (WORK if makes else BLOCKED if up1[t] else DOWN), (WORK if takes else STARVED if up2[t] else DOWN)
        held += int(makes) - int(takes)
    return _written(did, n)


def unreliable_line(r1: float, p1: float, r2: float, p2: float, n: int, slots: int, seed: int) -> Made:
    """Machines that fail only while they work; their states change at the start of a slot, then the buffer does."""
    rng = np.random.default_rng(seed)
    chance = rng.random((slots, 2))
    did = np.full((slots, 2), DOWN, dtype=np.int8)
    up1 = up2 = True
    held = n // 2
    for t in range(slots):
        up1 = chance[t, 0] < r1 if not up1 else held == n or chance[t, 0] >= p1
        up2 = chance[t, 1] < r2 if not up2 else held == 0 or chance[t, 1] >= p2
        makes, takes = up1 and held < n, up2 and held > 0
        did[t] = (WORK if makes else BLOCKED if up1 else DOWN), (WORK if takes else STARVED if up2 else DOWN)
        held += int(makes) - int(takes)
    return _written(did, n, first=n // 2)


def _written(did: States, n: int, first: int = 0) -> Made:
    """`first`: parts in the buffer at the start."""
    frames = []
    leave = np.zeros(0)
    for machine, name in enumerate(("s1", "s2")):
        own = did[:, machine]
        start = np.flatnonzero(own == WORK) * SLOT_S
        number = np.arange(len(start)) + (first if machine == 0 else 0)
        part = [f"P{k:05d}" for k in number]
        frames += [
            pl.DataFrame({"s": moment, "kind": kind, "station": name, "part": part})
            for moment, kind in (
                (start, "part_in"), (start, "cycle_start"), (start + SLOT_S, "cycle_end"), (start + SLOT_S, "part_out"),
            )
        ]  # fmt: skip
        leave = start + SLOT_S
        for what, began, ended in ((DOWN, "alarm_on", "alarm_off"), (BLOCKED, "state", "state")):
            edges = np.diff(np.concatenate([[0], (own == what).astype(np.int8), [0]]))
            for moment, kind, state in (
                (np.flatnonzero(edges > 0), began, "blocked"),
                (np.flatnonzero(edges < 0), ended, "running"),
            ):
                frames.append(
                    pl.DataFrame({"s": moment * SLOT_S, "kind": [kind] * len(moment), "station": [name] * len(moment)})
                    .with_columns(pl.lit(state if kind == "state" else None, pl.String).alias("state"))
                    .with_columns(pl.lit("A1" if kind != "state" else None, pl.String).alias("code"))
                )
    return Made(line_model([SLOT_S, SLOT_S], [n], SLOT_S, 5.0), all_day(), written(frames), leave)
