"""One machine whose shift is written down as a log: stops first, then cycles one after the other."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import polars as pl

from analytics.account import Account, Window, account
from ingest.events import SCHEMA
from tests.logs import DAY, at, book, cell, plant

MINUTE = 60_000_000


def machine_shift(
    folder: Path,
    *,
    shift_min: float,
    ideal_min: float,
    actual_min: float,
    parts: int,
    rejects: int = 0,
    rework: int = 0,
    stops: dict[str, float] | None = None,
    short_stops: tuple[int, float] = (0, 0),
    break_min: float = 0,
    micro_stop_s: float = 60,
    convention: str = "tpm",
) -> Account:
    """Write the log of a shift and close the machine's account.

    A break, then `stops` (state word -> minutes), then `short_stops` (how many, of how many minutes each, as alarms),
    then `parts` cycles of `actual_min`, of which the last ones are rejected or sent to rework.
    """
    rows: list[dict[str, object]] = []
    start = at("06:00:00")

    def say(us: float, kind: str, **more: object) -> None:
        rows.append({"us": start + round(us), "kind": kind, **more})

    now = break_min * MINUTE  # microseconds since the start of the shift
    for state, minutes in (stops or {}).items():
        say(now, "state", state=state)
        now += minutes * MINUTE
    say(now, "state", state="running")
    for _ in range(short_stops[0]):
        now += 1  # a microsecond of running, so that each is a stop of its own
        say(now, "alarm_on", code="A1")
        now += short_stops[1] * MINUTE
        say(now, "alarm_off", code="A1")
    for n in range(parts):
        part = f"P{n:05d}"
        say(now, "cycle_start", part=part, product="dish")
        now += actual_min * MINUTE
        say(now, "cycle_end", part=part)
        if n >= parts - rejects:
            say(now, "result", part=part, result="reject", cause="defect")
        else:
            if n >= parts - rejects - rework:
                say(now, "result", part=part, result="rework")
            say(now, "part_out", part=part)
    frame = (
        pl.DataFrame(rows, infer_schema_length=None)
        .with_row_index("line", offset=1)
        .with_columns(
            ts_source=pl.from_epoch("us", "us").dt.replace_time_zone("UTC"),
            cell=pl.lit("a1"),
            source=pl.lit("plc"),
            station=pl.lit("press"),
            seq=pl.col("line"),
            file=pl.lit("machine.log"),
            doubled=pl.lit(False),
        )
    )
    events = frame.with_columns(
        pl.lit(None, dtype).alias(name) for name, dtype in SCHEMA.items() if name not in frame.columns
    ).select(pl.col(name).cast(dtype) for name, dtype in SCHEMA.items())

    def clock(minutes: float) -> str:
        return str(timedelta(hours=6, minutes=minutes)).zfill(8)

    long = shift_min > 24 * 60
    pause = [{"start": "06:00", "end": clock(break_min)}] if break_min else []
    shifts = [{"name": "all", "start": "06:00", "end": "06:00"}] if long else [
        {"name": "one", "start": "06:00", "end": clock(shift_min), "breaks": pause}
    ]  # fmt: skip
    model = cell(
        outlet="press", micro_stop_s=micro_stop_s, silent_stop_s=1e6, stations=[{"name": "press", "kind": "machine"}],
        products=[{"name": "dish", "takt_s": ideal_min * 60, "cycle_s": {"press": ideal_min * 60}}],
    )  # fmt: skip
    opened = book(folder, events, plant(shifts=shifts), model)
    window = Window(DAY, start, start + round(shift_min * MINUTE))
    (closed,) = account(opened, "a1", window, station="press", convention=convention)  # type: ignore[arg-type]
    assert closed.difference_us == 0
    return closed


def minutes(closed: Account, *lines: str) -> float:
    """Minutes on some lines of an account."""
    return closed.us(*lines) / MINUTE


def kpi(closed: Account, name: str) -> float:
    """A figure of an account."""
    value = closed.figures()[name]["value"]
    assert isinstance(value, float)
    return value
