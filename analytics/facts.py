"""Facts of one cell and production day.

Derived from its events, kept as Parquet, rebuilt only when an input changed.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from datetime import timedelta

import polars as pl

from analytics.carry import MARGIN_US, carry
from analytics.cell import CELL, Cell
from analytics.cell_book import cell_rows, fill, made_rows
from analytics.claims import Seen
from analytics.clocks.align import AROUND_US, align, told_clocks
from analytics.clocks.doubled import resolve_by_links
from analytics.cycles import cycles, steps
from analytics.gating.chain import gating
from analytics.intervals import cut
from analytics.ledger import intervals, split_work
from analytics.marks import alarms, marks, passages
from analytics.moves import moves, stock
from analytics.parts import fates, join_through_time, mark_start_up
from analytics.plan import BUSY, plan, shift_spans
from analytics.planned_in_logs import hand_fed_spans, orders_told, stops_told
from analytics.plant import PlantFile
from analytics.prepare import prepare, resolve_doubled_hour
from analytics.sets import sets
from analytics.stop_facts import stop_facts
from analytics.trust.base import RAW, Heard
from analytics.trust.found import trust_tables
from ingest.events import SCHEMA

VERSION = "39"
"""Raise it when facts change their meaning: all kept ones are then rebuilt."""

TABLES = (
    "ledger",
    "chain",
    "meetings",
    "slack",
    "gate_links",
    "gating",
    "intervals",
    "cycles",
    "steps",
    "stops",
    "alarms",
    "marks",
    "passages",
    "moves",
    "parts",
    "stock",
    "rejects",
    "measurements",
    "sets",
    "plan",
    "orders",
    "clocks",
    "carry",
    "faults",
    "log_lines",
)


@dataclass(frozen=True, slots=True)
class Day:
    """The events that a day's facts are made from, and the window."""

    start_us: int
    end_us: int
    since_us: int  # end of the last day before it that was derived: start_us, but for a gap
    carried: pl.DataFrame  # SCHEMA, and ts as it was aligned on the day before
    events: pl.DataFrame  # SCHEMA; the day and AROUND_US before and after it
    clocks: pl.DataFrame | None = None  # PIECES of the day before


@dataclass(frozen=True, slots=True)
class Known:
    """A day's records put in order, and what became of its parts: all that the day after it waits for."""

    day: Day  # without its events: they need much room, and what of them counts is in `events`
    begin_us: int
    end_us: int
    near: pl.DataFrame  # the records around the day on one clock, as trust looks at them (RAW)
    recorded: pl.DataFrame  # with what was carried, prepared
    events: pl.DataFrame  # the same, with parts joined through time
    fates: pl.DataFrame
    clocks: pl.DataFrame  # the fact tables `clocks` and `carry`
    carry: pl.DataFrame


def derive(plant: PlantFile, cell: Cell, day: Day) -> dict[str, pl.DataFrame]:
    """Derive every fact table of one cell and day. Pure: the same events in any order give the same tables.

    Returns a frame per name in TABLES; times are UTC microseconds, clipped to the day where a row can reach over it.
    """
    return tell(plant, cell, know(plant, cell, day))


def know(plant: PlantFile, cell: Cell, day: Day) -> Known:
    """Do of a day's facts what the next day needs; `tell` does the rest, if need be beside the next day."""
    begin, end = day.start_us - MARGIN_US, _reach(plant, cell, day.end_us)
    heard, clocks = on_one_clock(plant, cell, day)
    near = heard.filter((pl.col("ts") >= begin - MARGIN_US // 2) & (pl.col("ts") < end + MARGIN_US // 2))
    recorded = prepare(pl.concat([day.carried, near], how="diagonal"), cell).filter(pl.col("ts") < end)
    events = join_through_time(recorded)
    fate = mark_start_up(fates(events, cell), events, cell, is_first=day.carried.is_empty())
    handed_on = recorded.join(carry(events, fate, cell, day.end_us - MARGIN_US), on="no", how="semi")
    return Known(
        replace(day, events=day.events.clear()), begin, end, near.select(RAW), recorded, events, fate,
        clocks.filter((pl.col("until_us") > day.start_us) & (pl.col("from_us") < day.end_us)),
        handed_on.select(*SCHEMA.names(), "ts"),
    )  # fmt: skip


def tell(plant: PlantFile, cell: Cell, known: Known) -> dict[str, pl.DataFrame]:
    """Derive every fact table of a day from what `know` has found."""
    day, events = known.day, known.events
    move = moves(known.fates, events, cell, day.start_us, day.end_us, day.since_us)
    with ThreadPoolExecutor(1) as aside:  # what the logs are worth is a question of its own
        trust = aside.submit(lambda: trust_tables(_heard(plant, cell, known), move, events))
        tables = _booked(plant, cell, known, move)
        return tables | trust.result()


def _booked(plant: PlantFile, cell: Cell, known: Known, move: pl.DataFrame) -> dict[str, pl.DataFrame]:
    day, begin, end, events, fate = known.day, known.begin_us, known.end_us, known.events, known.fates
    cycle = cycles(events, cell, fate, end).with_row_index("cycle").with_columns(pl.col("cycle").cast(pl.Int64))
    tiles = intervals(Seen(cell, events, cycle, begin, end))
    orders = orders_told(events, end)
    plans = plan(plant, cell, begin, end, stops_told(events, end), hand_fed_spans(orders, cell))
    pieces = split_work(cut(tiles, plans, ["plan"]), cycle, fate, cell)
    inside = Window(day.start_us, day.end_us)
    gate = gating(events, fate, tiles, plans, cell, day.start_us, day.end_us)
    gated = fill(gate.pieces, inside.clip(pieces), cell, day.start_us, day.end_us)
    lanes_of = pieces.schema
    booked = pl.concat([inside.clip(pieces), cell_rows(gated, lanes_of), made_rows(move, cell, lanes_of)])
    ledger = inside.clip(cut(booked.drop("plan"), plans, ["plan", "plan_cause", "shift", "shift_day"]))
    lanes = pl.concat([cell.lanes(), pl.DataFrame({"lane": [CELL]})], how="diagonal")
    return {
        "ledger": _with_units(ledger.join(lanes, on="lane", how="left", maintain_order="left"), cell),
        "chain": gated,
        "meetings": gate.meetings,
        "slack": gate.slack,
        "gate_links": gate.kinds,
        "gating": gate.quality,
        "intervals": inside.clip(tiles),
        "cycles": inside.ending(cycle.join(_outcome(fate), on="part", how="left", maintain_order="left")),
        "steps": inside.ending(steps(events)),
        "stops": inside.starting(stop_facts(pieces, events, cell)),
        "alarms": inside.starting(alarms(events, cell)),
        "marks": marks(events, day.start_us, day.end_us),
        "passages": passages(events, day.start_us, day.end_us),
        "moves": move,
        "parts": _parts(fate, day.start_us, day.end_us),
        "stock": stock(fate, cell, day.end_us),
        "rejects": move.filter(pl.col("move") == "reject"),
        "measurements": _measurements(events, day.start_us, day.end_us),
        "sets": sets(events, cell, day.start_us, day.end_us),
        "plan": inside.clip(plans),
        "orders": inside.clip(orders),
        "clocks": known.clocks,
        "carry": known.carry,
    }


def _reach(plant: PlantFile, cell: Cell, end_us: int) -> int:
    """How far beyond a day its facts look: MARGIN_US, of planned busy time if that comes soon enough.

    Walks back from two departures meet within an hour of work; a night in which nobody works brings them no nearer.
    """
    last = end_us + AROUND_US - MARGIN_US // 2
    rows = plan(plant, cell, end_us, last).filter((pl.col("lane") == CELL) & (pl.col("plan") == BUSY)).sort("start_us")
    length = pl.col("end_us") - pl.col("start_us")
    done = rows.with_columns(before_us=length.cum_sum() - length).filter(
        (pl.col("before_us") < MARGIN_US) & (pl.col("before_us") + length >= MARGIN_US)
    )
    if done.is_empty():
        return max(end_us + MARGIN_US, last if rows.height else 0)
    start_us, before_us = done.select("start_us", "before_us").row(0)
    return max(end_us + MARGIN_US, int(start_us) + MARGIN_US - int(before_us))


def on_one_clock(plant: PlantFile, cell: Cell, day: Day) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Return a day's events with ts by the reference's clock, and the pieces of time (PIECES) by which it was found."""
    events = resolve_by_links(resolve_doubled_hour(day.events), cell)
    clocks = told_clocks(plant, cell, events, day.start_us, day.end_us, day.clocks)
    return align(events, clocks), clocks


def _heard(plant: PlantFile, cell: Cell, known: Known) -> Heard:
    """The day's records as trust looks at them: cut at full hours and at the edges of shifts."""
    day = known.day
    date = plant.production_day(day.start_us)
    spans = shift_spans(plant, cell.name, date - timedelta(days=1), date)
    cuts = {us for s in spans for us in (s.start_us, s.end_us) if day.start_us < us < day.end_us}
    edges = sorted({day.start_us, day.end_us, *plant.full_hours(day.start_us, day.end_us), *cuts})
    is_first = day.carried.is_empty()
    return Heard(cell, known.recorded, known.near, day.start_us, day.end_us, is_first, edges)


@dataclass(frozen=True, slots=True)
class Window:
    """Half-open span of time, and what of a table lies in it."""

    start_us: int
    end_us: int

    def clip(self, frame: pl.DataFrame) -> pl.DataFrame:
        """Cut rows at the edges; a row of no length stays when it lies inside. `us` follows the cut."""
        s, e = pl.col("start_us"), pl.col("end_us")
        instant = (s == e) & (s >= self.start_us) & (s < self.end_us)
        frame = frame.filter(instant | ((s < self.end_us) & (e > self.start_us) & (s < e)))
        clipped = frame.with_columns(s.clip(self.start_us, self.end_us), e.clip(self.start_us, self.end_us))
        if "us" in frame.columns:
            clipped = clipped.with_columns(us=pl.when(s < e).then(e - s).otherwise("us"))
        return clipped

    def ending(self, frame: pl.DataFrame) -> pl.DataFrame:
        """Rows that end inside, whole; what ends at the very end has been done inside."""
        return frame.filter((pl.col("end_us") > self.start_us) & (pl.col("end_us") <= self.end_us))

    def starting(self, frame: pl.DataFrame) -> pl.DataFrame:
        """Rows that start inside, whole."""
        return frame.filter((pl.col("start_us") >= self.start_us) & (pl.col("start_us") < self.end_us))


def _with_units(ledger: pl.DataFrame, cell: Cell) -> pl.DataFrame:
    """Add unit_us, the planned time per part by which seconds become parts: the takt, or the station's cycle."""
    ledger = ledger.join(cell.takts(), on="product", how="left", maintain_order="left").join(
        cell.planned(), on=["station", "product"], how="left", maintain_order="left"
    )
    takt = pl.col("takt_us").fill_null(cell.takts()["takt_us"].median()).cast(pl.Int64)
    unit = pl.when(pl.col("lane") == CELL).then(takt).otherwise("planned_us")
    return ledger.with_columns(unit_us=unit).drop("takt_us", "planned_us", "kind")


def _parts(fate: pl.DataFrame, start_us: int, end_us: int) -> pl.DataFrame:
    """Parts that left within the day, and those that were inside at its end (outcome null)."""
    done = pl.col("done_us")
    left = (done >= start_us) & (done < end_us)
    inside = (pl.col("fed_us") < end_us) & (done.is_null() | (done >= end_us))
    gone = ["done_us", "outcome", "station", "cause"]
    return fate.filter(left.fill_null(False) | inside).with_columns(
        pl.when(left).then(pl.col(name)).alias(name) for name in gone
    )


def _outcome(fate: pl.DataFrame) -> pl.DataFrame:
    return fate.select(
        "part", "outcome", "start_up", "rework", outcome_station="station", outcome_cause="cause"
    ).unique("part", keep="last", maintain_order=True)


def _measurements(events: pl.DataFrame, start_us: int, end_us: int) -> pl.DataFrame:
    return events.filter(
        (pl.col("kind") == "measurement") & (pl.col("ts") >= start_us) & (pl.col("ts") < end_us)
    ).select("ts", "station", "nest", "part", "product", "characteristic", "value", "unit", "result", "file", "line")
