"""From pairs of clocks to one: by which hand-overs each source is led back to the reference, and its offset then."""

from __future__ import annotations

import heapq
import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

from analytics.clocks.fit import KNOT_US, Fit, Track

SLACK_COST_US = 2_000_000.0  # a lag that is not known is taken only where there is nothing better
NEAR_KNOTS = 3
DEFAULT_COST_US = 20_000.0  # what the cell file says goes before what is assumed


@dataclass(frozen=True, slots=True)
class Hop:
    """A way from a source to its neighbour, by one series."""

    track: Track
    forward: bool  # the source is the cause

    @property
    def to(self) -> str:
        """The neighbour."""
        return self.track.series.effect if self.forward else self.track.series.cause

    def ahead(self, us: float) -> float:
        """By how much the source is ahead of the neighbour when its clock says `us`."""
        return self.track.from_cause(us) if self.forward else self.track.from_effect(us)

    def fit(self, us: float) -> Fit | None:
        """The fit near `us`, seen from the cause."""
        return self.track.fit_near(us if self.forward else us - self.track.from_effect(us))

    def steps(self) -> list[int]:
        """Steps by the source's own clock."""
        return [int(s) for s in (self.track.steps if self.forward else self.track.steps_effect)]


@dataclass
class Graph:
    """Sources and the tracks between them. An anchor's clock is known: (us) -> by how much it is ahead, NaN: not then.

    The reference is the anchor that is never ahead.
    """

    tracks: list[Track]
    anchors: dict[str, Callable[[float], float]]
    _ways: dict[int, dict[str, Hop]] = field(default_factory=dict)

    def neighbours(self) -> dict[str, list[Hop]]:
        """Return all hops from each source."""
        found: dict[str, list[Hop]] = {}
        for t in self.tracks:
            found.setdefault(t.series.cause, []).append(Hop(t, True))
            found.setdefault(t.series.effect, []).append(Hop(t, False))
        return found

    def ways(self, knot: int) -> dict[str, Hop]:
        """Return the next hop of each source on its surest way to an anchor, near a knot."""
        if knot in self._ways:
            return self._ways[knot]
        us = knot * KNOT_US
        todo = [(0.0, name, "", None) for name, ahead in sorted(self.anchors.items()) if not math.isnan(ahead(us))]
        hops = self.neighbours()
        done: dict[str, Hop] = {}
        seen: set[str] = set()
        serial = 0
        queue: list[tuple[float, int, str, Hop | None]] = [(c, i, n, None) for i, (c, n, _, _) in enumerate(todo)]
        heapq.heapify(queue)
        while queue:
            cost, _, name, hop = heapq.heappop(queue)
            if name in seen:
                continue
            seen.add(name)
            if hop is not None:
                done[name] = hop
            for way in hops.get(name, ()):
                back = Hop(way.track, not way.forward)
                fit = back.fit(us)
                usable = fit is not None and not math.isnan(back.ahead(us)) and not self._outdone(way, knot)
                if way.to not in seen and fit is not None and usable:
                    serial += 1
                    heapq.heappush(queue, (cost + self.cost(way.track, fit), len(todo) + serial, way.to, back))
        self._ways[knot] = done
        return done

    def _outdone(self, hop: Hop, knot: int) -> bool:
        """Tell whether a lag that is not known stands beside one that is, told shortly before or after."""
        series = hop.track.series
        return not series.sharp and any(
            other.series.sharp
            and {other.series.cause, other.series.effect} == {series.cause, series.effect}
            and any(k in other.fits for k in range(knot - NEAR_KNOTS, knot + NEAR_KNOTS + 1))
            for other in self.tracks
        )

    def cost(self, t: Track, fit: Fit) -> float:
        """How unsure an offset by this track is, in microseconds."""
        if not t.series.sharp:
            return SLACK_COST_US + fit.spread_us
        return fit.spread_us + fit.sigma_us + (0.0 if t.series.told else DEFAULT_COST_US)

    def path(self, source: str, us: float, knot: int) -> list[tuple[Hop, float]] | None:
        """Return the hops from a source to an anchor with the time by the clock of each hop's start."""
        found = []
        ways = self.ways(knot)
        while math.isnan(self.anchors[source](us) if source in self.anchors else math.nan):
            if source not in ways:
                return None
            hop = ways[source]
            found.append((hop, us))
            us -= hop.ahead(us)
            if math.isnan(us):
                return None
            source = hop.to
        return found

    def ahead(self, source: str, us: float, knot: int) -> float:
        """By how much a source is ahead of the reference when its clock says `us`; NaN: nobody can tell."""
        found = self.path(source, us, knot)
        if found is None:
            return math.nan
        end, at = (found[-1][0].to, found[-1][1] - found[-1][0].ahead(found[-1][1])) if found else (source, us)
        return us - (at - self.anchors[end](at))

    def steps(self, source: str, knot: int) -> list[int]:
        """Return the steps on a source's way, by its own clock, between a knot and the next."""
        found: set[int] = set()
        lead = 0.0
        us = float(knot * KNOT_US)
        for hop, at in self.path(source, us, knot) or ():
            found |= {round(step + lead) for step in hop.steps()}
            lead += hop.ahead(at)
        return sorted(s for s in found if knot * KNOT_US < s < (knot + 1) * KNOT_US)

    def bounds(self, source: str, us: float, knot: int) -> tuple[float, float]:
        """Return between which offsets causality alone leaves a source's clock."""
        low = high = 0.0
        for hop, at in self.path(source, us, knot) or ():
            here = hop.track.series.cause if hop.forward else hop.track.series.effect
            a, b = self._hop_bounds(here, hop.to, at)
            low, high = low + a, high + b
        return low, high

    def _hop_bounds(self, here: str, there: str, us: float) -> tuple[float, float]:
        low, high = -math.inf, math.inf
        for hop in self._between(here, there):
            fit = hop.fit(us) if not math.isnan(hop.ahead(us)) else None
            if fit is None or not hop.track.series.ordered:
                continue
            if hop.forward:
                low = max(low, fit.bound_us)
            else:
                high = min(high, -fit.bound_us)
        return low, high

    def _between(self, here: str, there: str) -> Iterable[Hop]:
        return (hop for hop in self.neighbours().get(here, ()) if hop.to == there)
