"""The host's tables as an SQLite file: orders, carriers, reasons, planned stops. All times are UTC text."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Sequence
from datetime import timedelta
from pathlib import Path
from typing import Any

from sample_logs.generator import scenario as sc
from sample_logs.generator.calendar import EPOCH, Window
from sample_logs.generator.files import Written
from sample_logs.generator.kit import Cell

TABLES = """
create table orders (order_no text primary key, cell text, product text, quantity integer, unit text,
                     started_utc text, ended_utc text);
create table carriers (id integer primary key, cell text, carrier text, order_no text,
                       put_in_utc text, taken_out_utc text);
create table reasons (id integer primary key, cell text, station text, cause text, text text,
                      from_utc text, seconds integer, operator text, entered_utc text);
create table planned_stops (id integer primary key, cell text, station text, cause text,
                            start_utc text, end_utc text);
"""


def write_host(path: Path, window: Window, cells: Sequence[Cell]) -> list[Written]:
    """Write the host's file and return what each table holds."""

    def text(t: int | None) -> str | None:
        if t is None or t >= window.end:
            return None
        at = EPOCH + timedelta(milliseconds=window.base + t)
        return at.strftime("%Y-%m-%d %H:%M:%S.") + f"{at.microsecond // 1000:03d}"

    down = sc.host_outage(window)

    def up(t: int) -> bool:
        return not any(a <= t < b for a, b in down) and t < window.end

    orders, carriers, reasons, stops = [], [], [], []
    for cell in cells:
        orders += [
            (o.number, o.cell, o.product, o.quantity, cell.unit, text(o.started), text(o.ended))
            for o in cell.rec.orders
        ]
        carriers += [c for c in cell.rec.carriers if up(c.put_in) and (c.taken is None or up(c.taken))]
        reasons += [r for r in cell.rec.reasons if up(r.entered)]
        if cell.kind == "spoon":
            stops += [(cell.name, None, "planned maintenance", *map(text, s)) for s in cell.scenario.maintenance]
    carriers.sort(key=lambda c: (c.put_in, c.cell))
    reasons.sort(key=lambda r: (r.entered, r.cell, r.start))
    rows: dict[str, list[tuple[Any, ...]]] = {
        "orders": sorted(orders, key=lambda row: (row[5], row[0])),
        "carriers": _numbered((c.cell, c.name, c.order, text(c.put_in), text(c.taken)) for c in carriers),
        "reasons": _numbered(
            (r.cell, r.station, r.cause, r.text, text(r.start), r.seconds, r.operator, text(r.entered)) for r in reasons
        ),
        "planned_stops": _numbered(stops),
    }
    _write(path, rows)
    events = {
        "orders": sum(1 + (row[6] is not None) for row in rows["orders"]),
        "carriers": sum(1 + (row[5] is not None) for row in rows["carriers"]),
        "reasons": len(rows["reasons"]),
        "planned_stops": 2 * len(rows["planned_stops"]),
    }
    return [Written("host", f"inbox/host/host.sqlite:{t}", len(r), 0, 0, 0, 0, events[t], 0) for t, r in rows.items()]


def _numbered(rows: Iterable[tuple[Any, ...]]) -> list[tuple[Any, ...]]:
    return [(i, *row) for i, row in enumerate(rows, start=1)]


def _write(path: Path, rows: dict[str, list[tuple[Any, ...]]]) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.unlink(missing_ok=True)
    connection = sqlite3.connect(path)
    connection.executescript(TABLES)
    for table, values in rows.items():
        if values:
            marks = ", ".join("?" * len(values[0]))
            connection.executemany(f"insert into {table} values ({marks})", values)
    connection.commit()
    connection.close()
    data = bytearray(path.read_bytes())
    data[92:100] = bytes(8)  # the library's version and its change counter: the same bytes everywhere
    path.write_bytes(bytes(data))
