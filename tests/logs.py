"""Readable builders of events, cells and plants for tests. No test lives here."""

from __future__ import annotations

import hashlib
import shlex
from collections.abc import Iterable, Sequence
from datetime import date, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import polars as pl

from analytics.account import Window
from analytics.book import Plant
from analytics.cell import Cell
from analytics.plant import PlantFile, to_us
from ingest.events import SCHEMA
from ingest.manifest import read_manifest
from ingest.store import Store

DAY = "2026-10-20"
ZONE = "Europe/Berlin"

VERBS = {
    "starts": "cycle_start", "ends": "cycle_end", "in": "part_in", "out": "part_out", "alarm": "alarm_on",
    "clear": "alarm_off", "state": "state", "mode": "mode", "good": "result", "reject": "result", "rework": "result",
    "removed": "result", "order": "order_start", "order_end": "order_end", "measures": "measurement", "link": "link",
    "reason": "reason", "plan": "plan_start", "plan_end": "plan_end", "step": "step_end",
    "step_start": "step_start", "carrier": "carrier_start", "carrier_end": "carrier_end",
}  # fmt: skip


def log(
    text: str, *, cell: str = "a1", source: str = "plc", file: str = "plc.log", day: str = DAY, zone: str = ZONE
) -> pl.DataFrame:
    """Read lines such as `06:00:05 press starts P1 product=dish` into events.

    Time is local; `+1d` before it moves the day on. The third word is a verb of VERBS, the fourth the part (cycles,
    places, verdicts), the code (alarms) or the state; key=value sets any column; a station may be `press.2` for a
    nest and `*` for the cell.
    """
    rows = []
    for number, line in enumerate((raw.strip() for raw in text.strip().splitlines()), start=1):
        if not line or line.startswith("#"):
            continue
        words = shlex.split(line)
        calendar = datetime.fromisoformat(day)
        if words[0].startswith("+"):
            calendar += timedelta(days=int(words.pop(0)[1:-1]))
        clock = datetime.combine(
            calendar.date(), datetime.strptime(words[0], "%H:%M:%S.%f" if "." in words[0] else "%H:%M:%S").time()
        )
        station, _, nest = words[1].partition(".")
        kind = VERBS[words[2]]
        row = dict.fromkeys(SCHEMA.names())
        row |= {
            "ts_source": clock.replace(tzinfo=ZoneInfo(zone)).astimezone(ZoneInfo("UTC")),
            "doubled": False,
            "cell": cell,
            "source": source,
            "station": None if station == "*" else station,
            "nest": nest or None,
            "kind": kind,
            "seq": number,
            "file": file,
            "line": number,
        }
        plain = [w for w in words[3:] if "=" not in w]
        if words[2] in ("good", "reject", "rework", "removed"):
            row["result"] = words[2]
        if plain:
            target = {
                "alarm_on": "code",
                "alarm_off": "code",
                "state": "state",
                "mode": "state",
                "link": "state",
                "order_start": "order",
                "order_end": "order",
                "plan_start": "cause",
                "plan_end": "cause",
                "step_end": "step",
                "step_start": "step",
                "carrier_start": "carrier",
                "carrier_end": "carrier",
            }.get(kind, "part")
            row[target] = plain[0]
        for word in words[3:]:
            key, eq, value = word.partition("=")
            if eq:
                row[key] = float(value) if key == "value" else value
        rows.append(row)
    return pl.DataFrame(rows, schema=SCHEMA)


def plant(**changes: object) -> PlantFile:
    """A plant with one cell and an early shift from 06:00 to 14:00 without breaks, every day."""
    data: dict[str, object] = {
        "name": "test",
        "zone": ZONE,
        "day_start": "06:00",
        "cells": ["a1"],
        "shifts": [{"name": "early", "start": "06:00", "end": "14:00"}],
    }
    return PlantFile.model_validate(data | changes)


def cell(**changes: object) -> Cell:
    """A line of two stations, press and pack; product `dish`: planned cycles 10 s and 8 s, takt 10 s."""
    data: dict[str, object] = {
        "name": "a1",
        "outlet": "pack",
        "micro_stop_s": 60,
        "silent_stop_s": 5,
        "start_up_parts": 0,
        "stations": [{"name": "press", "kind": "machine"}, {"name": "pack", "kind": "machine", "from": ["press"]}],
        "products": [
            {"name": "dish", "takt_s": 10, "cycle_s": {"press": 10, "pack": 8}},
            {"name": "lid", "takt_s": 10, "cycle_s": {"press": 10, "pack": 8}},
        ],
        "causes": [
            {"code": "A1", "text": "door open", "line": "breakdown"},
            {"code": "E1", "text": "emergency stop", "line": "safety_stop"},
            {"code": "W1", "text": "warning", "line": "none"},
        ],
    }
    return Cell.model_validate(data | changes)


def at(clock: str, day: str = DAY, zone: str = ZONE) -> int:
    """UTC microseconds of a local time."""
    return to_us(datetime.fromisoformat(f"{day}T{clock}").replace(tzinfo=ZoneInfo(zone)))


class MemoryStore(Store):
    """A store whose events are given, and whose facts are kept in a folder as in a real one."""

    def __init__(self, folder: Path, plant_file: PlantFile, events: pl.DataFrame) -> None:
        super().__init__(folder, read_manifest(folder))
        day = [plant_file.production_day(us) for us in events["ts_source"].cast(pl.Int64).to_list()]
        self._events = events.with_columns(pl.Series("day", day, pl.Date))

    def days(self, cell: str) -> list[date]:
        return sorted(self._events.filter(pl.col("cell") == cell)["day"].unique().to_list())

    def events(self, cell: str, days: Iterable[date], columns: Sequence[str] | None = None) -> pl.DataFrame:
        own = self._events.filter((pl.col("cell") == cell) & pl.col("day").is_in(list(days))).drop("day")
        return own if columns is None else own.select(columns)

    def fingerprint(self, cell: str, day: date) -> str:
        return hashlib.sha256(self.events(cell, [day]).write_csv().encode()).hexdigest()


class MemoryPlant(Plant):
    """An open plant without files: plant file, one cell and its events are given."""

    def __init__(self, folder: Path, plant_file: PlantFile, cell_model: Cell, events: pl.DataFrame) -> None:
        super().__init__(folder, plant_file)
        self.__dict__["model"] = cell_model
        self.__dict__["store"] = MemoryStore(folder / "store", plant_file, events)

    def cell(self, name: str) -> Cell:
        assert name == self.__dict__["model"].name
        return self.__dict__["model"]


def book(
    folder: Path, events: pl.DataFrame, plant_file: PlantFile | None = None, cell_model: Cell | None = None
) -> MemoryPlant:
    """Open a plant in memory over some events; its facts are kept in `folder`."""
    return MemoryPlant(folder, plant_file or plant(), cell_model or cell(), events)


def shift(clock_from: str = "06:00:00", clock_to: str = "14:00:00", day: str = DAY) -> Window:
    """A window between two local times of one day."""
    return Window("shift", at(clock_from, day), at(clock_to, day))
