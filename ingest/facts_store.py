"""How derived tables (facts) lie in the store: new names, and facts.json last; a reader never sees half of them.

store/facts/<cell>/<day>/facts.json           key, table -> file
store/facts/<cell>/<day>/<table>-<id>.parquet
"""

from __future__ import annotations

import json
import secrets
from collections.abc import Iterable, Mapping
from concurrent.futures import ThreadPoolExecutor
from datetime import date
from pathlib import Path
from typing import Any

import polars as pl

from ingest.durable import remove, sync_files, sync_folders, told_when_full, write_frame, write_whole
from ingest.errors import StoreError


def _folder(store: Path, cell: str, day: date) -> Path:
    return store / "facts" / cell / day.isoformat()


def _index(store: Path, cell: str, day: date) -> dict[str, Any]:
    try:
        found: dict[str, Any] = json.loads((_folder(store, cell, day) / "facts.json").read_bytes())
        return found
    except (FileNotFoundError, ValueError):
        return {}


def facts_key(store: Path, cell: str, day: date) -> str | None:
    """Return the key of the day's tables, None when there are none."""
    return _index(store, cell, day).get("key")


def fact_path(store: Path, cell: str, day: date, table: str) -> Path:
    """Return the Parquet file of a table. Raises StoreError when it was not written."""
    tables = _index(store, cell, day).get("tables", {})
    if table not in tables:
        raise StoreError(
            "These facts have not been written.",
            where=f"{cell} {day}", found=table,
            allowed=", ".join(tables) or "none", fix="Derive the day's facts first.",
        )  # fmt: skip
    return _folder(store, cell, day) / str(tables[table])


def write_facts(store: Path, cell: str, day: date, key: str, tables: Mapping[str, pl.DataFrame]) -> None:
    """Write the tables of a day, then the index that makes them count; tables of the index before last are removed."""
    folder = _folder(store, cell, day)
    with told_when_full(store):
        folder.mkdir(parents=True, exist_ok=True)
        before = _index(store, cell, day)
        mark = secrets.token_hex(6)
        names = {table: f"{table}-{mark}.parquet" for table in tables}
        with ThreadPoolExecutor(2) as threads:
            list(threads.map(lambda table: write_frame(tables[table], folder / names[table]), tables))
        sync_files([folder / name for name in names.values()])
        sync_folders([folder])
        write_whole(folder / "facts.json", json.dumps({"key": key, "tables": names}))
    kept = {*names.values(), *before.get("tables", {}).values()}
    for old in folder.glob("*.parquet"):
        if old.name not in kept:
            remove(old)


def rekey_facts(store: Path, cell: str, day: date, key: str) -> None:
    """Let the tables that are there count under another key."""
    index = _index(store, cell, day)
    with told_when_full(store):
        write_whole(_folder(store, cell, day) / "facts.json", json.dumps({**index, "key": key}))


def read_facts(
    store: Path, cell: str, days: Iterable[date], table: str, where: pl.Expr | None = None
) -> pl.DataFrame | None:
    """Return a table of some days, or its rows of a kind, one below the other; None when none of the days has it."""
    files = [
        _folder(store, cell, day) / names[table]
        for day in sorted(set(days))
        if table in (names := _index(store, cell, day).get("tables", {}))
    ]
    if not files:
        return None
    rows = pl.scan_parquet(files)
    return (rows if where is None else rows.filter(where)).collect()
