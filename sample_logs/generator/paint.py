"""One lane's time, painted: layer over layer, as the account's precedence says. The result tiles the window."""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from sample_logs.generator.records import Cycle, Hold, Part, Records, Span
from sample_logs.generator.scenario import Lane

MICRO_STOP_MS = 60_000

# Layers, lowest first.
STARVED, BLOCKED, CHANGE_GAP, CYCLE, SILENT, WAIT, OFF, SETUP, ALARM, SAFETY, NO_DATA = range(11)
OFF_COVERS = (STARVED, BLOCKED, CHANGE_GAP, WAIT)  # work under way is finished when a pause begins
WHOLE_LAYER = {"safety_stop": SAFETY, "no_data": NO_DATA}  # other spans of the whole cell are messages: ALARM


@dataclass(frozen=True, slots=True)
class Piece:
    """A stretch of a lane's time on one line; part where it is run, slow or blocked."""

    start: int
    end: int
    line: str
    cause: str | None
    part: Part | None


@dataclass(frozen=True, slots=True)
class _Stroke:
    layer: int
    start: int
    end: int
    line: str
    cause: str | None = None
    part: Part | None = None
    planned: int = 0


def stop_line(ms: int) -> str:
    """Return the line of a stop of a lane's own, by its length."""
    return "micro_stop" if ms < MICRO_STOP_MS else "breakdown"


def lane_pieces(rec: Records, lane: Lane, end: int, end_only: bool) -> list[Piece]:
    """Return the pieces of a lane from 0 to `end`, without gap or overlap.

    `end_only`: the lane's cycles follow each other without a gap (a robot), so there is no time between them.
    """
    cycles = sorted((c for c in rec.cycles if c.lane == lane), key=lambda c: c.start)
    holds = sorted((h for h in rec.holds if h.lane == lane), key=lambda h: h.start)
    strokes = [_Stroke(STARVED, 0, end, "starved")]
    strokes += [_Stroke(BLOCKED, h.start, h.end, "blocked", None, h.part) for h in holds]
    if not end_only:
        strokes += _change_gaps(cycles, holds)
    strokes += [_Stroke(CYCLE, c.start, c.end or end, "run", None, c.part, c.planned) for c in cycles]
    for s in rec.stops:
        if s.lane == lane:
            strokes.append(_Stroke(ALARM if s.alarm else SILENT, s.start, s.end, stop_line(s.end - s.start), s.cause))
    for s in rec.waits:
        if s.lane == lane:
            strokes.append(_Stroke(WAIT, s.start, s.end, s.line or "", _told(s)))
    strokes += _modes(rec, end)
    for s in rec.whole:
        line = s.line or ""
        strokes.append(_Stroke(WHOLE_LAYER.get(line, ALARM), s.start, s.end, line, s.cause))
    return _paint([s for s in strokes if s.start < min(s.end, end)], end)


def _told(span: Span) -> str | None:
    return span.cause if span.line in ("waiting_material", "waiting_people", "carrier_change") else None


def _change_gaps(cycles: list[Cycle], holds: list[Hold]) -> list[_Stroke]:
    """Return the gaps between the last work on one product and the first on the next; without cycles: of holds."""
    spans = [(c.start, c.end, c.part) for c in cycles if c.end is not None and c.part]
    spans += [(c.start, c.start, c.part) for c in cycles if c.end is None and c.part]
    if not cycles:
        spans = [(h.start, h.end, h.part) for h in holds]
    gaps = []
    for (_, a, old), (b, _, new) in pairwise(spans):
        if old.of != new.of and b > a:
            gaps.append(_Stroke(CHANGE_GAP, a, b, "changeover"))
    return gaps


def _modes(rec: Records, end: int) -> list[_Stroke]:
    strokes = []
    ends = [t for t, _ in rec.modes[1:]] + [end]
    for (start, mode), until in zip(rec.modes, ends, strict=True):
        if mode in ("PAUSE", "OFF"):
            strokes.append(_Stroke(OFF, start, until, "off"))
        elif mode == "SETUP":
            strokes.append(_Stroke(SETUP, start, until, "changeover"))
    return strokes


def _paint(strokes: list[_Stroke], end: int) -> list[Piece]:
    strokes.sort(key=lambda s: (s.layer, s.start))
    edges = np.unique(np.array([0, end, *(s.start for s in strokes), *(min(s.end, end) for s in strokes)]))
    marks = edges.tolist()
    owner = np.zeros(len(marks) - 1, dtype=np.int64)
    layers = np.array([s.layer for s in strokes])
    for i, s in enumerate(strokes):
        a, b = bisect_left(marks, s.start), bisect_left(marks, min(s.end, end))
        if s.layer == OFF:
            held = owner[a:b]
            owner[a:b] = np.where(np.isin(layers[held], OFF_COVERS), i, held)
        else:
            owner[a:b] = i
    return _pieces(strokes, marks, owner.tolist())


def _pieces(strokes: list[_Stroke], marks: list[int], owner: list[int]) -> list[Piece]:
    """Join what belongs together; cut a cycle's net time where the plan is used up."""
    pieces: list[Piece] = []
    used: dict[int, int] = {}
    for k, (a, b) in enumerate(pairwise(marks)):
        s = strokes[owner[k]]
        if s.layer != CYCLE:
            _add(pieces, Piece(a, b, s.line, s.cause, s.part))
            continue
        left = s.planned - used.get(owner[k], 0)
        used[owner[k]] = used.get(owner[k], 0) + b - a
        cut = max(a, min(b, a + left))
        if cut > a:
            _add(pieces, Piece(a, cut, "run", None, s.part))
        if cut < b:
            _add(pieces, Piece(cut, b, "slow", None, s.part))
    return pieces


def _add(pieces: list[Piece], new: Piece) -> None:
    last = pieces[-1] if pieces else None
    if last and (last.line, last.cause, last.part) == (new.line, new.cause, new.part) and last.end == new.start:
        pieces[-1] = Piece(last.start, new.end, new.line, new.cause, new.part)
    else:
        pieces.append(new)
