"""Paired observations: what two sources said about one hand-over."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl

from analytics.clocks.in_order import pair_in_order
from analytics.links import Link, Selector

PAIR_REACH_US = 2 * 3_600_000_000
"""Two records further apart than this are no pair. A clock may be off by less than this, a wrong zone included."""

Times = np.ndarray[Any, np.dtype[np.int64]]

_SIDE = ["link", "source", "part", "ts"]


@dataclass(frozen=True, slots=True)
class Series:
    """All pairs of one link between two sources, in order: times by the clocks of cause and effect (microseconds)."""

    link: Link
    told: bool
    """The link stands in the cell file; else it is a default one."""
    cause: str
    effect: str
    cause_us: Times
    effect_us: Times

    @property
    def sharp(self) -> bool:
        """Tell whether the lag is known, so that a pair gives the offset and not only a bound of it."""
        return self.link.typical_s is not None

    @property
    def ordered(self) -> bool:
        """Tell whether cause and effect are two things; one thing said twice has no order."""
        return self.told or self.link.cause.kind != self.link.effect.kind

    def ahead_us(self) -> Times:
        """By how much the clock of the cause is ahead of that of the effect, were each lag the usual (or least) one."""
        lag_s = self.link.least_s if self.link.typical_s is None else self.link.typical_s
        return self.cause_us - self.effect_us + round(lag_s * 1e6)

    def at_least_us(self) -> Times:
        """By how much it is ahead at least, since no effect is before its cause."""
        return self.cause_us - self.effect_us + round(self.link.least_s * 1e6)


def find_pairs(events: pl.DataFrame, links: list[Link], told: int) -> list[Series]:
    """Pair the records of different sources.

    Takes    events with ts (Int64, as the source's clock says it), source, station, nest, at, kind, step, part;
             repeated ones do no harm. The first `told` of the links stand in the cell file.
    Returns  a series per link and two sources, in order of links and sources. A part is paired when cause and effect
             are said once each within PAIR_REACH_US of each other: what happens twice says nothing of the clock.
    """
    sides = {(side.station, side.kind) for link in links for side in (link.cause, link.effect)}
    kinds, stations = sorted({k for _, k in sides}), sorted({s for s, _ in sides})
    talk = events.filter(pl.col("kind").is_in(kinds) & pl.col("station").is_in(stations)).select(
        "source", "station", "nest", "at", "kind", "step", "part", "ts"
    )
    many = talk.group_by("station", "kind").agg(pl.col("source").unique())
    sources = {(s, k): set(names) for s, k, names in many.rows()}
    able = [
        (i, link)
        for i, link in enumerate(links)
        if len(_said(sources, link.cause) | _said(sources, link.effect)) > 1
        and _said(sources, link.cause)
        and _said(sources, link.effect)
    ]
    if not able:
        return []
    by_kind = talk.partition_by("station", "kind", as_dict=True)
    causes = pl.concat([_side(by_kind, i, link.cause) for i, link in able])
    effects = pl.concat([_side(by_kind, i, link.effect) for i, link in able])
    found = _by_part(causes, effects, [i for i, link in able if link.match != "order"])
    series = [
        Series(links[i], i < told, a, b, *_sorted(own["cause_us"].to_numpy(), own["effect_us"].to_numpy()))
        for (i, a, b), own in found.partition_by("link", "cause", "effect", as_dict=True).items()
        if links[i].cause.kind != links[i].effect.kind or i < told or a < b
    ]
    for i, link in able:
        series += _by_order(i, link, i < told, causes, effects)
    return sorted(series, key=lambda s: (links.index(s.link), s.cause, s.effect))


def _said(sources: dict[tuple[str, str], set[str]], side: Selector) -> set[str]:
    found = sources.get((side.station, side.kind), set())
    return found & {side.source} if side.source else found


def _side(by_kind: dict[tuple[Any, ...], pl.DataFrame], i: int, side: Selector) -> pl.DataFrame:
    rows = by_kind[side.station, side.kind]
    wanted = {k: v for k in ("source", "at", "step", "nest") if (v := getattr(side, k)) is not None}
    rows = rows.filter(**wanted) if wanted else rows
    return rows.with_columns(link=pl.lit(i, pl.Int64)).select(_SIDE).unique(maintain_order=False)


def _by_part(causes: pl.DataFrame, effects: pl.DataFrame, links: list[int]) -> pl.DataFrame:
    """Join by link and part: link, cause, effect (sources), cause_us, effect_us."""
    named = pl.col("part").is_not_null() & pl.col("link").is_in(links)
    both = causes.filter(named).join(effects.filter(named), on=["link", "part"], suffix="_e")
    near = both.filter(
        (pl.col("source") != pl.col("source_e")) & ((pl.col("ts") - pl.col("ts_e")).abs() <= PAIR_REACH_US)
    )
    one = ["link", "source", "source_e", "part"]
    once = near.filter((pl.len().over([*one, "ts"]) == 1) & (pl.len().over([*one, "ts_e"]) == 1))
    return once.select("link", cause="source", effect="source_e", cause_us="ts", effect_us="ts_e")


def _by_order(i: int, link: Link, told: bool, causes: pl.DataFrame, effects: pl.DataFrame) -> list[Series]:
    """Pair by order in time where a side knows no part numbers, or the file says so; only where the lag is known."""
    if link.match == "part" or link.typical_s is None:
        return []
    own = pl.col("link") == i
    sides = []
    for frame in (causes, effects):
        groups = frame.filter(own).group_by("source").agg(ts=pl.col("ts").sort(), blind=pl.col("part").is_null().all())
        rows = groups.select("source", "ts", "blind").iter_rows()
        sides.append({source: (np.array(ts, np.int64), blind) for source, ts, blind in rows})
    found = []
    for a, (cause_us, blind_a) in sorted(sides[0].items()):
        for b, (effect_us, blind_b) in sorted(sides[1].items()):
            twice = link.cause == link.effect and not told and a > b
            if a != b and not twice and (blind_a or blind_b or link.match == "order"):
                c, e = pair_in_order(cause_us, effect_us)
                if len(c):
                    found.append(Series(link, told, a, b, c, e))
    return found


def _sorted(cause_us: Times, effect_us: Times) -> tuple[Times, Times]:
    order = np.lexsort((effect_us, cause_us))
    return cause_us[order], effect_us[order]
