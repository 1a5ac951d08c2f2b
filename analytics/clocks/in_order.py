"""Pairing without part numbers: which record of one source belongs to which of the other, told by their rhythm.

The differences between all times of two sources within reach pile up at their common offset: two records of one thing
differ by it each time, others by anything. What is steady can pile up at the wrong place, too, a cycle off; then the
highest pile is little higher than the next, and nothing is paired.
"""

from __future__ import annotations

from typing import Any

import numpy as np

Times = np.ndarray[Any, np.dtype[np.int64]]

CHUNK_US = 600_000_000
LEAST_PILE = 12  # differences that agree, within a chunk and half a chunk on both sides
CLEARLY = 1.3  # so much higher than the next pile
BIN_US = 50_000
REACH_US = 150_000_000
NEAR_US = 300_000  # a pair's difference from its chunk's offset
HOURS = (0, 1, -1)  # a wrong zone, or summer time: looked for where nothing is found close by
HOUR_US = 3_600_000_000


def pair_in_order(cause_us: Times, effect_us: Times) -> tuple[Times, Times]:
    """Pair two sorted lists of times; what has no partner is left out. No record is in two pairs."""
    nothing = (cause_us[:0], effect_us[:0])
    if len(cause_us) < LEAST_PILE or len(effect_us) < LEAST_PILE:
        return nothing
    first, last = int(cause_us[0]) // CHUNK_US, int(cause_us[-1]) // CHUNK_US
    coarse = np.array([_pile(cause_us, effect_us, k) for k in range(first - 1, last + 2)])
    if np.isnan(coarse).all():
        return nothing
    # The chunk's own offset, and those of its neighbours, which near a step may hold for a part of it.
    own = (cause_us // CHUNK_US - (first - 1)).astype(np.int64)
    best = np.full(len(cause_us), np.iinfo(np.int64).max)
    partner = np.zeros(len(cause_us), dtype=np.int64)
    for k in (0, -1, 1):
        guess = coarse[np.clip(own + k, 0, len(coarse) - 1)]
        known = ~np.isnan(guess)
        want = cause_us + np.where(known, guess, 0).astype(np.int64)
        right = np.clip(np.searchsorted(effect_us, want), 1, len(effect_us) - 1)
        near = np.where(want - effect_us[right - 1] <= effect_us[right] - want, right - 1, right)
        miss = np.abs(effect_us[near] - want)
        better = known & (miss < best)
        best[better], partner[better] = miss[better], near[better]
    order = np.lexsort((cause_us, best))  # the best fit first: it has its partner
    order = order[best[order] <= NEAR_US]
    _, mine = np.unique(partner[order], return_index=True)
    chosen = np.sort(order[mine])
    return cause_us[chosen], effect_us[partner[chosen]]


def _pile(cause_us: Times, effect_us: Times, chunk: int) -> float:
    """Effect minus cause at which the differences around a chunk pile up, NaN where no pile stands out."""
    lo, hi = np.searchsorted(cause_us, [chunk * CHUNK_US - CHUNK_US // 2, (chunk + 1) * CHUNK_US + CHUNK_US // 2])
    own = cause_us[lo:hi]
    if len(own) < LEAST_PILE:
        return float("nan")
    for hour in HOURS:
        found = _highest(own, effect_us, hour * HOUR_US)
        if not np.isnan(found):
            return found
    return float("nan")


def _highest(own: Times, effect_us: Times, middle: int) -> float:
    first = np.searchsorted(effect_us, own + middle - REACH_US)
    count = np.searchsorted(effect_us, own + middle + REACH_US) - first
    total = int(count.sum())
    if total < LEAST_PILE:
        return float("nan")
    which = np.repeat(np.arange(len(own)), count)
    at = np.arange(total) - np.repeat(np.cumsum(count) - count, count) + np.repeat(first, count)
    apart = effect_us[at] - own[which]
    piles = np.bincount((apart - middle + REACH_US) // BIN_US, minlength=2 * REACH_US // BIN_US + 2)
    both = piles[:-1] + piles[1:]
    top = int(both.argmax())
    rest = both.copy()
    rest[max(0, top - 3) : top + 4] = 0
    if both[top] < max(LEAST_PILE, 0.3 * len(own)) or both[top] < CLEARLY * rest.max():
        return float("nan")
    low = middle - REACH_US + top * BIN_US
    return float(np.median(apart[(apart >= low) & (apart < low + 2 * BIN_US)]))
