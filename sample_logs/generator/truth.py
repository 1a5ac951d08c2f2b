"""The truth as tables: what every lane really did, every part's fate, every stop, what each shift should come to."""

from __future__ import annotations

from bisect import bisect_left
from collections import Counter
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq

from sample_logs.generator import paint
from sample_logs.generator.calendar import Shift, Window
from sample_logs.generator.files import Written
from sample_logs.generator.gating import Gate
from sample_logs.generator.paint import Piece
from sample_logs.generator.records import Part
from sample_logs.generator.scenario import Lane
from sample_logs.generator.spoon import SpoonCell
from sample_logs.generator.timer import TimerCell

AnyCell = SpoonCell | TimerCell
Rows = list[dict[str, Any]]
LINES = (
    "run", "slow", "micro_stop", "breakdown", "safety_stop", "changeover", "carrier_change", "waiting_people",
    "waiting_material", "no_order", "starved", "blocked", "no_data", "off",
)  # fmt: skip
ROBOTS = ("robA", "robB")
TEXT, TIME, COUNT, FLAG = pa.string(), pa.int64(), pa.int64(), pa.bool_()

SCHEMAS: dict[str, pa.Schema] = {
    "intervals": pa.schema(
        [("cell", TEXT), ("station", TEXT), ("nest", TEXT), ("start_us", TIME), ("end_us", TIME), ("line", TEXT),
         ("cause", TEXT), ("part", TEXT), ("product", TEXT), ("quality", TEXT)]
    ),
    "cycles": pa.schema(
        [("cell", TEXT), ("station", TEXT), ("nest", TEXT), ("part", TEXT), ("product", TEXT), ("start_us", TIME),
         ("end_us", TIME), ("planned_us", TIME), ("quality", TEXT)]
    ),
    "parts": pa.schema(
        [("cell", TEXT), ("part", TEXT), ("product", TEXT), ("set", TEXT), ("fed_us", TIME), ("done_us", TIME),
         ("outcome", TEXT), ("station", TEXT), ("cause", TEXT), ("start_up", FLAG)]
    ),
    "stops": pa.schema(
        [("cell", TEXT), ("station", TEXT), ("nest", TEXT), ("start_us", TIME), ("end_us", TIME), ("line", TEXT),
         ("cause", TEXT), ("alarm", FLAG), ("cycle_start_us", TIME), ("cycle_end_us", TIME)]
    ),
    "reasons": pa.schema(
        [("cell", TEXT), ("station", TEXT), ("said_cause", TEXT), ("said_start_us", TIME), ("said_s", COUNT),
         ("entered_us", TIME), ("true_cause", TEXT), ("true_start_us", TIME), ("true_end_us", TIME)]
    ),
    "shifts": pa.schema(
        [("cell", TEXT), ("shift", TEXT), ("day", TEXT), ("start_us", TIME), ("end_us", TIME), ("station", TEXT),
         ("nest", TEXT), ("planned_busy_us", TIME), *((f"{line}_us", TIME) for line in LINES),
         ("run_good_us", TIME), ("run_reject_us", TIME), ("run_start_up_reject_us", TIME), ("fed", COUNT),
         ("good", COUNT), ("reject", COUNT), ("start_up_reject", COUNT), ("removed", COUNT)]
    ),
    "gating": pa.schema(
        [("cell", TEXT), ("start_us", TIME), ("end_us", TIME), ("station", TEXT), ("line", TEXT), ("cause", TEXT)]
    ),
    "logs": pa.schema(
        [("source", TEXT), ("file", TEXT), ("lines", COUNT), ("header_lines", COUNT), ("bad_lines", COUNT),
         ("duplicate_lines", COUNT), ("alive_lines", COUNT), ("events", COUNT), ("duplicate_events", COUNT)]
    ),
}  # fmt: skip


class Truth:
    """Gathers the tables of all cells and writes them."""

    def __init__(self, window: Window) -> None:
        self.window = window
        self.rows: dict[str, Rows] = {name: [] for name in SCHEMAS}
        self.tables: dict[str, list[pa.Table]] = {name: [] for name in SCHEMAS}

    def us(self, t: int | None) -> int | None:
        """Return UTC microseconds of a time of the model."""
        return None if t is None else (self.window.base + t) * 1000

    def add_cell(self, cell: AnyCell, lanes: Sequence[Lane]) -> None:
        """Add the tables of one cell."""
        shifts = [(shift, busy_spans(cell, shift), _counts(cell, shift)) for shift in cell.shifts]
        for lane in lanes:
            pieces = paint.lane_pieces(cell.rec, lane, self.window.end, lane[0] in ROBOTS)
            self._intervals(cell, lane, pieces)
            for shift, busy, counts in shifts:
                self._shift(cell, lane, shift, busy, pieces, counts)
            self._settle()
        self._cycles(cell)
        self._parts(cell)
        self._stops(cell)
        for r in sorted(cell.rec.reasons, key=lambda r: (r.true_start, r.true_end)):
            self.rows["reasons"].append(
                {"cell": cell.name, "station": r.station, "said_cause": r.cause, "said_start_us": self.us(r.start),
                 "said_s": r.seconds, "entered_us": self.us(r.entered), "true_cause": r.true_cause,
                 "true_start_us": self.us(r.true_start), "true_end_us": self.us(r.true_end)}
            )  # fmt: skip

    def add_logs(self, found: list[Written]) -> None:
        """Add what was written into the files."""
        self.rows["logs"] += [asdict(w) for w in found]

    def add_gating(self, cell: str, gates: Sequence[Gate]) -> None:
        """Add a cell's gating record."""
        self.rows["gating"] += [
            {"cell": cell, "start_us": self.us(g.start), "end_us": self.us(g.end), "station": g.station,
             "line": g.line, "cause": g.cause}
            for g in gates
        ]  # fmt: skip

    def _settle(self) -> None:
        """Turn the gathered rows into tables, which are smaller."""
        for name, rows in self.rows.items():
            if rows:
                self.tables[name].append(pa.Table.from_pylist(rows, schema=SCHEMAS[name]))
                rows.clear()

    def write(self, folder: Path) -> None:
        """Write one Parquet file per table."""
        folder.mkdir(parents=True, exist_ok=True)
        self._settle()
        for name, schema in SCHEMAS.items():
            if name == "gating" and not self.tables[name]:
                continue  # it was not asked for
            table = pa.concat_tables([schema.empty_table(), *self.tables[name]]).combine_chunks()
            numbers = {f.name: "DELTA_BINARY_PACKED" for f in schema if f.type == TIME}
            texts = [f.name for f in schema if f.type == TEXT]
            pq.write_table(
                table,
                folder / f"{name}.parquet",
                compression="zstd",
                compression_level=19,
                use_dictionary=texts,
                column_encoding=numbers,
                store_schema=False,
                row_group_size=1_000_000,
            )

    def _intervals(self, cell: AnyCell, lane: Lane, pieces: list[Piece]) -> None:
        for p in pieces:
            work = p.line in ("run", "slow")
            self.rows["intervals"].append(
                {"cell": cell.name, "station": lane[0], "nest": lane[1], "start_us": self.us(p.start),
                 "end_us": self.us(p.end), "line": p.line, "cause": p.cause, "part": p.part.name if p.part else None,
                 "product": p.part.product if p.part else None, "quality": p.part.quality if p.part and work else None}
            )  # fmt: skip

    def _cycles(self, cell: AnyCell) -> None:
        for c in sorted(cell.rec.cycles, key=lambda c: (c.lane[0], c.lane[1] or "", c.start)):
            part = c.part
            self.rows["cycles"].append(
                {"cell": cell.name, "station": c.lane[0], "nest": c.lane[1], "part": part.name if part else None,
                 "product": part.product if part else None, "start_us": self.us(c.start), "end_us": self.us(c.end),
                 "planned_us": c.planned * 1000, "quality": part.quality if part else None}
            )  # fmt: skip

    def _parts(self, cell: AnyCell) -> None:
        for p in cell.rec.parts:
            lost = p.outcome in ("reject", "removed")
            self.rows["parts"].append(
                {"cell": cell.name, "part": p.name, "product": p.product,
                 "set": p.set_id if p.outcome == "good" else None, "fed_us": self.us(p.fed),
                 "done_us": self.us(p.done), "outcome": p.outcome,
                 "station": p.bad_at if lost else None, "cause": p.cause if lost else None, "start_up": p.start_up}
            )  # fmt: skip

    def _stops(self, cell: AnyCell) -> None:
        starts: dict[Lane, list[tuple[int, int]]] = {}
        for c in sorted(cell.rec.cycles, key=lambda c: c.start):
            starts.setdefault(c.lane, []).append((c.start, c.end or self.window.end))
        told = [w for w in cell.rec.waits if w.line in ("carrier_change", "waiting_people", "waiting_material")]
        for s in sorted([*cell.rec.stops, *told, *cell.rec.whole], key=lambda s: (s.start, str(s.lane))):
            if s.line == "no_data" or s.start >= self.window.end:
                continue
            around: tuple[int | None, int | None] = (None, None)
            if s.lane and not s.alarm and s.line is None:
                spans = starts[s.lane]
                around = spans[bisect_left(spans, (s.start, s.start)) - 1]
            end = min(s.end, self.window.end)
            self.rows["stops"].append(
                {"cell": cell.name, "station": s.lane[0] if s.lane else None, "nest": s.lane[1] if s.lane else None,
                 "start_us": self.us(s.start), "end_us": self.us(end), "line": s.line or paint.stop_line(end - s.start),
                 "cause": s.cause, "alarm": s.alarm, "cycle_start_us": self.us(around[0]),
                 "cycle_end_us": self.us(around[1])}
            )  # fmt: skip

    def _shift(
        self,
        cell: AnyCell,
        lane: Lane,
        shift: Shift,
        busy: list[tuple[int, int]],
        pieces: list[Piece],
        counts: dict[str, int],
    ) -> None:
        sums = dict.fromkeys((f"{line}_us" for line in LINES), 0)
        runs = dict.fromkeys(("run_good_us", "run_reject_us", "run_start_up_reject_us"), 0)
        first = bisect_left(pieces, shift.start, key=lambda p: p.end)
        for p in pieces[first:]:
            if p.start >= shift.end:
                break
            ms = sum(max(0, min(p.end, b) - max(p.start, a)) for a, b in busy)
            sums[f"{p.line}_us"] += ms * 1000
            if p.line == "run" and p.part:
                runs[f"run_{p.part.quality}_us"] += ms * 1000
        self.rows["shifts"].append(
            {"cell": cell.name, "shift": shift.name, "day": shift.day.isoformat(), "start_us": self.us(shift.start),
             "end_us": self.us(shift.end), "station": lane[0], "nest": lane[1],
             "planned_busy_us": sum(b - a for a, b in busy) * 1000, **sums, **runs, **counts}
        )  # fmt: skip


def _fate(part: Part) -> str:
    return part.quality if part.outcome == "reject" else part.outcome


def _counts(cell: AnyCell, shift: Shift) -> dict[str, int]:
    """Count the cell's parts of a shift: fed then, and what became of those that were done then."""
    fates = Counter(_fate(p) for p in cell.rec.parts if p.done is not None and shift.start <= p.done < shift.end)
    fed = sum(shift.start <= p.fed < shift.end for p in cell.rec.parts)
    return {"fed": fed, **{fate: fates[fate] for fate in ("good", "reject", "start_up_reject", "removed")}}


def busy_spans(cell: AnyCell, shift: Shift) -> list[tuple[int, int]]:
    """Return the planned busy time of a shift: without breaks (hand-fed ones only under such an order) and stops."""
    cuts = list(cell.scenario.maintenance)
    for rest in shift.breaks:
        if not rest.hand_fed:
            cuts.append((rest.start, rest.end))
            continue
        for order in cell.rec.orders:
            if order.hand_fed:
                ended = cell.window.end if order.ended is None else order.ended
                cuts.append((max(rest.start, order.started), min(rest.end, ended)))
    spans = [(shift.start, shift.end)]
    for a, b in cuts:
        if a < b:
            spans = [(x, y) for s, e in spans for x, y in ((s, min(e, a)), (max(s, b), e)) if x < y]
    return spans
