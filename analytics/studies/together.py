"""Several analyses of one window: two at a time, of which only one reads long tables."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor

from analytics.account import Window
from analytics.book import Plant
from analytics.study import Study

LONG = ("flow", "rejects", "repairs", "short-stops", "cycles")
"""Analyses that read every cycle, step or stretch of the window: side by side they would take too much memory. Those
come last that share the work of the lanes (analytics.work), which stays in memory."""


def together(plant: Plant, cell: str, window: Window, studies: Mapping[str, Callable[..., Study]]) -> dict[str, Study]:
    """Do some analyses, by their names, and return them in the order in which they were asked for.

    The results are those that each gives alone. Raises what the first of them, in that order, raises.
    """
    plant.build(cell)
    in_turn = sorted(studies, key=lambda name: LONG.index(name) if name in LONG else -1)
    with ThreadPoolExecutor(1) as one, ThreadPoolExecutor(1) as other:
        done = {n: (one if n in LONG else other).submit(studies[n], plant, cell, window) for n in in_turn}
        return {name: done[name].result() for name in studies}
