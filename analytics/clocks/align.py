"""The clocks of a cell's sources as pieces of time: by how much each is ahead of the reference, and why we think so."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from itertools import pairwise

import polars as pl

from analytics.cell import Cell
from analytics.clocks.fit import KNOT_US, LEAST, track
from analytics.clocks.graph import NEAR_KNOTS, Graph
from analytics.clocks.pairs import Series, Times, find_pairs
from analytics.links import Pin, links_of, reference_of
from analytics.plant import PlantFile, to_us

AGREE_US = 20_000
"""Clocks that agree within this (or within what the pairs can tell) are left as they are."""

EDGE_US = 3 * 3_600_000_000
"""So far beyond a day's edges its clocks are told."""

AROUND_US = 13 * 3_600_000_000
"""So far beyond a day's edges its events are looked at for pairs: EDGE_US, a knot's reach, a pair's reach twice."""

_HOPS_US = NEAR_KNOTS * KNOT_US  # tracks are told so much further, for sources whose own time is another

PIECES = {
    "source": pl.String,
    "from_us": pl.Int64,
    "until_us": pl.Int64,
    "ahead_us": pl.Int64,
    "ahead_until_us": pl.Int64,
    "state": pl.String,
    "why": pl.String,
    "step": pl.Boolean,
    "raw_us": pl.Float64,
    "raw_until_us": pl.Float64,
    "drift_ppm": pl.Float64,
    "spread_us": pl.Float64,
    "sigma_us": pl.Float64,
    "low_us": pl.Float64,
    "high_us": pl.Float64,
    "pairs_n": pl.Int64,
    "links": pl.String,
}
"""One row per source and piece, half-open by the source's own clock; from ahead_us the offset that is taken off its
times runs in a line to ahead_until_us. raw_us: what was estimated (also where it is too small to be applied)."""


@dataclass(frozen=True, slots=True)
class Known:
    """What is known of a source at a knot."""

    ahead_us: float
    drift: float = 0.0
    spread_us: float = 0.0
    sigma_us: float = 0.0
    low_us: float = -math.inf
    high_us: float = math.inf
    pairs_n: int = 0
    links: str = ""
    slack: bool = False

    def applied(self, ahead_us: float) -> int:
        """Return what is taken off: nothing, where the clocks agree as far as anyone can tell."""
        if self.slack and self.low_us <= 0 <= self.high_us:
            return 0
        return 0 if abs(ahead_us) <= max(AGREE_US, 3 * self.sigma_us) else round(ahead_us)


def told_clocks(
    plant: PlantFile, cell: Cell, events: pl.DataFrame, start_us: int, end_us: int, handed: pl.DataFrame | None = None
) -> pl.DataFrame:
    """Tell the clocks of a cell's sources from a day's events.

    Takes    events with ts (the source's own time) of the day and AROUND_US beyond its edges; `handed`: PIECES of the
             days before, by which a clock goes on where nothing is paired.
    Returns  PIECES from EDGE_US before the day to EDGE_US after it.
    """
    reference = reference_of(cell)
    off = {s.name for s in cell.sources if s.clock == "off"}
    pins = {s.name: _pinned(plant, s.pins) for s in cell.sources if s.pins}
    links = links_of(cell)
    heard = events.filter(~pl.col("source").is_in(list(off))) if off else events
    series = find_pairs(heard, links, len(cell.links)) if reference else []
    series = [s for s in series if len(s.cause_us) >= LEAST]
    records = _records(events)
    first, last = (start_us - EDGE_US) // KNOT_US, -(-(end_us + EDGE_US) // KNOT_US)
    tracks = [track(s, records, first * KNOT_US - _HOPS_US, last * KNOT_US + _HOPS_US) for s in series]
    anchors: dict[str, Callable[[float], float]] = dict(pins)
    if reference:
        anchors[reference] = lambda us: 0.0
    graph = Graph(tracks, anchors)
    rows: list[tuple[object, ...]] = []
    for source in sorted({*events["source"].unique().to_list(), *(s.name for s in cell.sources)}):
        if source == reference:
            rows += _flat(source, first, last, "reference", None)
        elif source in off:
            rows += _flat(source, first, last, "off", "switched off in the cell file")
        else:
            why = _why_not(source, reference, series)
            rows += _pieces(source, graph, first, last, why, _last(handed, source, first * KNOT_US), pins.get(source))
    return pl.DataFrame(rows, schema=PIECES, orient="row")


def _records(events: pl.DataFrame) -> Callable[[str], Times]:
    """All times of a source, sorted, each once; looked up only when asked for, since most clocks are never set."""

    @cache
    def of(source: str) -> Times:
        found: Times = events.filter(pl.col("source") == source)["ts"].unique().sort().to_numpy()
        return found

    return of


def handed_on_clocks(pieces: pl.DataFrame, end_us: int) -> pl.DataFrame:
    """Return what the day after may go by: the last told piece of each source before that day's own pieces begin."""
    before_us = (end_us - EDGE_US) // KNOT_US * KNOT_US
    told = pieces.filter((pl.col("until_us") <= before_us) & pl.col("state").is_in(["aligned", "held"]))
    return told.sort("source", "from_us").group_by("source", maintain_order=True).last()


def align(events: pl.DataFrame, pieces: pl.DataFrame) -> pl.DataFrame:
    """Take off the times of each source what its clock is ahead: ts, whole microseconds. The order of rows stays."""
    moved = pieces.filter((pl.col("ahead_us") != 0) | (pl.col("ahead_until_us") != 0))
    if moved.is_empty():
        return events
    steps = pieces.select("source", "from_us", "until_us", "ahead_us", "ahead_until_us").sort("from_us")
    into = pl.min_horizontal("ts", "until_us") - pl.col("from_us")
    rise = (pl.col("ahead_until_us") - pl.col("ahead_us")) * into // (pl.col("until_us") - pl.col("from_us"))
    return (
        events.with_row_index("row")
        .sort("ts")
        .join_asof(steps, left_on="ts", right_on="from_us", by="source", strategy="backward", check_sortedness=False,
                   coalesce=False)
        .with_columns(ts=pl.col("ts") - (pl.col("ahead_us") + rise).fill_null(0))
        .sort("row")
        .drop("row", "from_us", "until_us", "ahead_us", "ahead_until_us")
    )  # fmt: skip


def _pinned(plant: PlantFile, pins: tuple[Pin, ...]) -> Callable[[float], float]:
    def instant(pin: Pin, end: str) -> float | None:
        t = pin.since if end == "since" else pin.until
        return None if t is None else float(to_us(t.replace(tzinfo=t.tzinfo or plant.tz)))

    spans = [(instant(p, "since"), instant(p, "until"), p.offset_s * 1e6, p.drift_ppm * 1e-6) for p in pins]

    def ahead(us: float) -> float:
        for since, until, offset, drift in spans:
            if (since is None or since <= us) and (until is None or us < until):
                return offset + (drift * (us - since) if since is not None else 0.0)
        return math.nan

    return ahead


def _why_not(source: str, reference: str | None, series: list[Series]) -> str:
    if reference is None:
        return "no reference: name the sources of the stations, or a reference under [clocks]"
    n = sum(len(s.cause_us) for s in series if source in (s.cause, s.effect))
    return "its pairs lead to no aligned source" if n else "no hand-over pairs it with another source, or too few"


Row = tuple[object, ...]


def _flat(source: str, first: int, last: int, state: str, why: str | None) -> list[Row]:
    return [
        (source, k * KNOT_US, (k + 1) * KNOT_US, 0, 0, state, why, False, 0.0, 0.0, 0.0, *[None] * 6)
        for k in range(first, last)
    ]


Held = tuple[float, float, float, Known]
"""Time, offset and drift at which a clock was told last, and what was known of it."""


def _last(handed: pl.DataFrame | None, source: str, before_us: int) -> Held | None:
    """What is handed on by the last piece before an instant."""
    if handed is None:
        return None
    own = handed_on_clocks(handed, before_us + EDGE_US).filter(pl.col("source") == source)
    if own.is_empty():
        return None
    row = own.row(-1, named=True)
    ahead, drift = row["raw_until_us"], row["drift_ppm"] * 1e-6
    low, high = row["low_us"], row["high_us"]
    of = Known(
        ahead,
        drift,
        row["spread_us"] or 0.0,
        row["sigma_us"] or 0.0,
        -math.inf if low is None else low,
        math.inf if high is None else high,
        row["pairs_n"] or 0,
        row["links"] or "",
        slack=row["ahead_until_us"] == 0,  # what was left alone stays so while causality allows it
    )
    return row["until_us"], ahead, drift, of


def _known(source: str, graph: Graph, k: int, pin: Callable[[float], float] | None) -> Known | None:
    us = float(k * KNOT_US)
    if pin is not None and not math.isnan(pin(us)):
        return Known(pin(us), pin(us + 1e6) / 1e6 - pin(us) / 1e6 if not math.isnan(pin(us + 1e6)) else 0.0)
    path = graph.path(source, us, k)
    ahead = graph.ahead(source, us, k)
    if not path or math.isnan(ahead):
        return None
    fits = [(hop, fit) for hop, at in path if (fit := hop.fit(at)) is not None]
    low, high = graph.bounds(source, us, k)
    return Known(
        ahead,
        sum(fit.drift if hop.forward else -fit.drift for hop, fit in fits),
        math.hypot(*(fit.spread_us for _, fit in fits)),
        math.hypot(*(fit.sigma_us for _, fit in fits)),
        low,
        high,
        min((fit.pairs_n for _, fit in fits), default=0),
        "; ".join(dict.fromkeys(hop.track.series.link.title for hop, _ in path)),
        any(not hop.track.series.sharp for hop, _ in path),
    )


def _pieces(
    source: str,
    graph: Graph,
    first: int,
    last: int,
    why: str,
    held: Held | None,
    pin: Callable[[float], float] | None,
) -> list[Row]:
    known = {k: _known(source, graph, k, pin) for k in range(first, last + 1)}
    rows: list[Row] = []
    if held is None:  # nothing before: as it is when it is told first
        held = next(((float(k * KNOT_US), of.ahead_us, 0.0, of) for k, of in sorted(known.items()) if of), None)
    for k in range(first, last):
        here, then = known[k], known[k + 1]
        start, end = k * KNOT_US, (k + 1) * KNOT_US
        if here is None:
            if held is None:
                rows += _flat(source, k, k + 1, "unaligned", why)
                continue
            a, b = (held[1] + held[2] * (us - held[0]) for us in (start, end))
            rows.append(_row(source, start, end, a, b, held[3], held[3], "held", "no pairs near", False))
            continue
        state = "pinned" if pin is not None and not math.isnan(pin(start)) else "aligned"
        cuts = [start, *([] if state == "pinned" or then is None else graph.steps(source, k)), end]
        for i, (p, q) in enumerate(pairwise(cuts)):
            a = here.ahead_us if p == start else graph.ahead(source, p, k)
            b = graph.ahead(source, q - 1000, k) if q != end else then.ahead_us if then else math.nan
            a = here.ahead_us if math.isnan(a) else a
            b = a + here.drift * (q - p) if math.isnan(b) else b
            of = here if p == start else then or here
            rows.append(_row(source, p, q, a, b, here if p == start else of, then if q == end and then else here,
                             state, None, i > 0))  # fmt: skip
            held = (float(q), b, of.drift, of)
    return rows


def _row(
    source: str, p: int, q: int, a: float, b: float, at_p: Known, at_q: Known, state: str, why: str | None, step: bool
) -> Row:
    return (
        source, p, q, at_p.applied(a), at_q.applied(b), state, why, step, a, b, round(at_p.drift * 1e6, 3),
        at_p.spread_us, at_p.sigma_us, _finite(at_p.low_us), _finite(at_p.high_us), at_p.pairs_n, at_p.links or None,
    )  # fmt: skip


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None
