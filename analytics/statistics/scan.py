"""Scan statistic: is there a stretch of a sequence in which hits are denser than chance puts them anywhere?

Kulldorff (Communications in Statistics 26, 1997, 1481-1496), Bernoulli model, one dimension. Every stretch from one hit
to another is compared with the rest by its likelihood ratio; how large the largest of them gets where nothing is wrong
is found by placing the same number of hits at random, again and again, with a fixed seed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

LOOKS = 999
LEAST_HITS = 4
MOST_HITS = 120
"""Longer stretches are found in pieces, which are joined."""
PIECE_HITS = 2000
"""Sequences with more hits are scanned in pieces; the allowed chance is divided among them."""
BATCH = 37
"""Looks taken at a time: most searches find nothing, and are over after some of them."""
SURE_LOOKS = 10
"""Where so many random looks come as far, their share is the chance."""
TAIL = 50
"""Largest of the random looks from which chances below 1 / LOOKS are carried on (exponential tail)."""


@dataclass(frozen=True)
class Cluster:
    """A dense stretch: positions of its first and last hit, hits and items within, and the chance of such a one."""

    first: int
    last: int
    hits_n: int
    items_n: int
    chance: float


def clusters(hits: ArrayLike, *, chance: float = 0.01, at_most: int = 5, seed: int = 1997) -> list[Cluster]:
    """Find the stretches that are denser than chance allows, in order of position; near ones are one.

    Takes    hits: for each item in order, whether it is one.
    chance   of finding any where nothing is wrong: the largest stretch is compared with the largest of random ones.
    What was found is taken out before the next look, so a strong stretch does not hide a weak one. A stretch holds at
    least LEAST_HITS hits and at most half of the items.
    """
    flags = np.asarray(hits, dtype=bool)
    total = int(flags.sum())
    pieces = max(1, -(-total // PIECE_HITS))
    found: list[Cluster] = []
    for part in np.array_split(np.arange(flags.size), pieces):
        found += _in_piece(flags, part, chance / pieces, at_most, np.random.default_rng(seed))
    return _joined(sorted(found, key=lambda c: c.first), flags)


def _in_piece(
    flags: NDArray[np.bool_], items: Ints, chance: float, at_most: int, rng: np.random.Generator
) -> list[Cluster]:
    found: list[Cluster] = []
    while len(found) < at_most:
        at = np.flatnonzero(flags[items])
        if at.size < LEAST_HITS or items.size < 2 * LEAST_HITS:
            break
        ratio, first, last = _largest(at, items.size)
        if ratio <= 0:
            break
        random = _random_largest(at.size, items.size, rng, ratio, chance)
        if random is None or (likely := _chance(ratio, random)) > chance:
            break
        a, b = int(at[first]), int(at[last])
        found.append(Cluster(int(items[a]), int(items[b]), last - first + 1, b - a + 1, likely))
        items = np.delete(items, slice(a, b + 1))
    return found


def _joined(found: list[Cluster], flags: NDArray[np.bool_]) -> list[Cluster]:
    """Stretches that are nearer to each other than they are long, or lie around what was taken out first, are one."""
    joined: list[Cluster] = []
    for c in found:
        before = joined[-1] if joined else None
        if before is None or c.first - before.last > min(before.items_n, c.items_n):
            joined.append(c)
            continue
        first, last = before.first, max(before.last, c.last)
        inside = flags[first : last + 1]
        joined[-1] = Cluster(first, last, int(inside.sum()), inside.size, min(before.chance, c.chance))
    return joined


def _largest(at: Ints, items_n: int) -> tuple[float, int, int]:
    """Return the largest log likelihood ratio, and which hits begin and end that stretch."""
    best = (0.0, 0, 0)
    for c in range(LEAST_HITS, min(MOST_HITS, at.size) + 1):
        lengths = at[c - 1 :] - at[: at.size - c + 1] + 1
        start = int(np.argmin(lengths))  # for one number of hits the shortest stretch is the densest
        ratio = float(_ratio(c, lengths[start : start + 1], at.size, items_n)[0])
        if ratio > best[0]:
            best = (ratio, start, start + c - 1)
    return best


def _random_largest(hits_n: int, items_n: int, rng: np.random.Generator, ratio: float, chance: float) -> Floats | None:
    """Return the largest ratio of each of LOOKS random placements, in order of size.

    None as soon as so many of them come as far as `ratio` that it is certain to be no rarer than `chance`.
    """
    best = np.zeros(LOOKS)
    enough = max(SURE_LOOKS, int(chance * (LOOKS + 1)))
    for first in range(0, LOOKS, BATCH):
        n = min(BATCH, LOOKS - first)
        placed = np.empty((n, hits_n), dtype=np.int32)
        for row in placed:
            row[:] = rng.choice(items_n, hits_n, replace=False, shuffle=False)
        placed.sort(axis=1)
        own = best[first : first + n]
        room = np.empty_like(placed)
        numbers = np.arange(LEAST_HITS, min(MOST_HITS, hits_n) + 1)
        shortest = np.empty((len(numbers), n), dtype=np.int64)
        for k, c in enumerate(numbers.tolist()):
            lengths = np.subtract(placed[:, c - 1 :], placed[:, : hits_n - c + 1], out=room[:, : hits_n - c + 1])
            shortest[k] = lengths.min(axis=1)
        ratios = _ratio(numbers[:, None], shortest + 1, hits_n, items_n)
        np.maximum(own, ratios.max(axis=0), out=own)
        if int((best >= ratio).sum()) >= enough:
            return None
    best.sort()
    return best


def _ratio(c: int | Ints, n: Ints, hits_n: int, items_n: int) -> Floats:
    """Log likelihood ratio of c hits in n items against the same share everywhere; 0 where it is not denser."""
    length, hits = n.astype(np.float64), np.asarray(c, dtype=np.float64)
    rest_hits, rest = hits_n - hits, items_n - length

    def likelihood(k: Floats, of: Floats) -> Floats:
        with np.errstate(divide="ignore", invalid="ignore"):
            share = k / of
            value = np.where(k > 0, k * np.log(share), 0.0) + np.where(of > k, (of - k) * np.log1p(-share), 0.0)
        return np.asarray(value)

    even = likelihood(np.asarray(float(hits_n)), np.asarray(float(items_n)))
    ratio = likelihood(hits, length) + likelihood(rest_hits, rest) - even
    fits = (length <= items_n / 2) & (hits * rest > rest_hits * length)
    return np.where(fits, ratio, 0.0)


def _chance(ratio: float, random: Floats) -> float:
    """Share of random looks that come as far; beyond the largest of them the tail is carried on."""
    as_far = int((random >= ratio).sum())
    cut = random[-TAIL - 1]
    if as_far >= SURE_LOOKS or ratio <= cut:
        return (1 + as_far) / (random.size + 1)
    mean_beyond = float((random[-TAIL:] - cut).mean())
    if mean_beyond <= 0:
        return (1 + as_far) / (random.size + 1)
    return TAIL / random.size * float(np.exp(-(ratio - cut) / mean_beyond))
