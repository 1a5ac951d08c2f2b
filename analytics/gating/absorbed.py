"""What buffers absorbed: the part of a stop on the chain during which the cell went on producing behind it.

The chain runs through the whole of a stop, also where a buffer kept the next station busy for a while. Where two ways
meet, the other way shows how much later the chain came: if that is less than what the chain lost since the two ways
parted, and the other way lost nothing itself, the rest was absorbed. So

    charged on the way since they parted  <=  margin where they meet + what the other way lost meanwhile

and what exceeds it is given back, the first loss after the parting first: that is the one that the buffer met full.
Only ways that parted at a full buffer count. Places served in turn (two nests, a hand-over) absorb as well, but there a
shorter stop would have changed the turns, and a limit that keeps them would understate what the stop cost.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import polars as pl

from analytics.busy_clock import BusyClock, busy_clock
from analytics.gating.bind import Binding

Ints = npt.NDArray[np.int64]

GIVES_BACK = ("breakdown", "micro_stop", "carrier_change", "waiting_people", "waiting_material", "unexplained")
"""Lines that a buffer can absorb; a stop of the whole cell stops what is behind the buffer, too."""
LEAST_US = 500_000
"""Less than this is jitter of the steps on both ways."""


def absorbed(
    way: Ints, binding: Binding, links: pl.DataFrame, ts: Ints, booked: pl.DataFrame, plans: pl.DataFrame
) -> Ints:
    """Tell for every booked piece how much of it a buffer absorbed.

    Takes    way: the chain, latest first; links: of `usual`; ts of every moment; booked: start_us, end_us, line,
             station, in order of time; plans: the plan of the cell's lane.
    Returns  microseconds per row of booked, at most its length.
    """
    given = np.zeros(booked.height, dtype=np.int64)
    table = binding.table
    before = table["p"].fill_null(-1).to_numpy()
    rival = table["rival"].fill_null(-1).to_numpy()
    margin = table["margin_us"].fill_null(0).to_numpy()
    busy = busy_clock(plans)
    lost = _lost(links, ts, busy)
    parting, since = _back_to(way, before, lost)
    place = np.full(len(ts), -1)
    place[way] = np.arange(len(way))

    # What the chain has lost from each of its moments back to its end, and where its rivals left it.
    along = np.append(np.cumsum(lost[way][::-1])[::-1], 0)
    meets = way[(rival[way] >= 0) & (place[way] + 1 < len(way))]
    meets = meets[parting[rival[meets]] >= 0]
    if not len(meets):
        return given
    at, parted = place[meets] + 1, place[parting[rival[meets]]]
    is_room = (table["thread"] == "room").fill_null(False).to_numpy()[way]
    rooms = np.append(0, np.cumsum(is_room))
    through = rooms[np.maximum(parted, at)] > rooms[at - 1]
    meets, at, parted = meets[through], at[through], parted[through]
    if not len(meets):
        return given
    ours = along[at] - along[np.maximum(parted, at)]
    score_us = busy.at(ts[meets])
    room = score_us - busy.at(ts[meets] - margin[meets])
    over = ours - room - since[rival[meets]]
    can = booked["line"].is_in(GIVES_BACK).to_numpy() & booked["station"].is_not_null().to_numpy()
    length = np.where(can, (booked["end_us"] - booked["start_us"]).to_numpy(), 0)
    starts, ends = booked["start_us"].to_numpy(), booked["end_us"].to_numpy()
    some = np.flatnonzero(over > LEAST_US)
    # The nearest meeting first; one that reaches further back counts what nearer ones gave back.
    for n in some[np.lexsort((ts[meets[some]], parted[some] - at[some]))]:
        first = int(np.searchsorted(ends, ts[way[parted[n]]], side="right"))
        last = int(np.searchsorted(starts, ts[way[at[n]]], side="left"))
        left = (length - given)[first:last]
        back = int(over[n]) - int(given[first:last].sum())
        if back > 0 and last > first:
            given[first:last] += np.diff(np.minimum(np.cumsum(left), back), prepend=0)
    return given


def _lost(links: pl.DataFrame, ts: Ints, busy: BusyClock) -> Ints:
    """What each bound moment took longer than usual, beyond jitter, in planned busy time; 0 for the others."""
    lost = np.zeros(len(ts), dtype=np.int64)
    took = busy.at(links["ts"].to_numpy()) - busy.at(links["p_us"].to_numpy())
    over = np.maximum(took - links["level_us"].to_numpy(), 0)
    fence = np.maximum(1_000_000, np.maximum(links["level_us"].to_numpy() // 5, 6 * links["spread_us"].to_numpy()))
    # A robot that waits for another has lost nothing of its own: the other has.
    own = ~links["waits"].to_numpy() | links["own_wait"].to_numpy()
    lost[links["m"].to_numpy()] = np.where(own & (over > fence), over, 0)
    return lost


def _back_to(way: Ints, before: Ints, lost: Ints) -> tuple[Ints, Ints]:
    """For every moment the nearest on the chain that it came from (-1: none), and what was lost on the way there."""
    n = len(before)
    nowhere = n
    on = np.zeros(n + 1, dtype=bool)
    on[way] = True
    on[nowhere] = True
    jump = np.append(np.where(before < 0, nowhere, before), nowhere)
    jump = np.where(on, np.arange(n + 1), jump)
    cost = np.append(lost, 0)
    cost[on] = 0
    for _ in range(int(np.ceil(np.log2(n + 1))) + 1):
        cost = cost + cost[jump]
        jump = jump[jump]
    found = np.where((jump == nowhere) | ~on[jump], -1, jump)
    return found[:n], cost[:n]
