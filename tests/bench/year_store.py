"""A year of one cell in moments: the kept sums of a few weeks are dated back, week by week, until they fill a year.

What accounts and the next day ask for is there: for every day the manifest, the key of its facts, its sums and its
stock. The events of the added days are links to those of the day that they repeat: nobody reads them here.
"""

from __future__ import annotations

import json
import os
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import polars as pl

from analytics import sums
from analytics.book import open_plant
from analytics.keep import day_key, model_key
from ingest.manifest import Change, Part, write_change

WEEKS = 28  # days; fewer, where there are not so many
INSTANTS = ("start_us", "end_us", "last_us")


def stretch(folder: Path, cell: str, days: int) -> None:
    """Put days before the first one of a plant whose facts are built, so that it has so many."""
    plant = open_plant(folder)
    real = plant.days(cell)
    older = [real[0] - timedelta(days=n) for n in range(days - len(real), 0, -1)]
    donors = {day: _donor(day, real) for day in older}
    store = plant.store
    some = max(store.manifest.by_id.values(), key=lambda f: f.id)
    change = Change()
    for n, (day, donor) in enumerate(donors.items(), start=some.id + 1):
        log = replace(some, id=n, file=f"{day}.log", head="", digest=f"{n}", full_digest=f"{n}", mark_link=f"{n}")
        change.files[n] = log
        for file in store.event_files(cell, [donor]):
            path = Path("events") / cell / day.isoformat() / file.name
            (store.folder / path.parent).mkdir(parents=True, exist_ok=True)
            os.link(file, store.folder / path)
            change.parts.append(Part(n, cell, day, 1, path.as_posix(), store.generation + 1))
    write_change(store.folder, store.manifest, change, [], [], datetime.now(UTC))
    for day, donor in donors.items():
        shift_us = plant.file.day_bounds(day)[0] - plant.file.day_bounds(donor)[0]
        tables = {name: plant.store.read_facts(cell, [donor], name) for name in (sums.NAME, "stock")}
        dated = tables[sums.NAME]
        assert dated is not None
        of_moves = pl.when(pl.col("of") == "moves").then(pl.col("us") + shift_us).otherwise("us")
        dated = dated.with_columns(*(pl.col(c) + shift_us for c in INSTANTS), us=of_moves)
        store.write_facts(cell, day, "", {"stock": tables["stock"], sums.NAME: dated})
    _rekey(folder, cell)


def _donor(day: date, real: list[date]) -> date:
    period = min(WEEKS, len(real))
    return real[-(real[0] - day).days % period]


def _rekey(folder: Path, cell: str) -> None:
    """Give the facts of every day the key that tells that they are up to date."""
    plant = open_plant(folder)
    model = model_key(plant.file, plant.cell(cell))
    prints = {day: plant.store.fingerprint(cell, day) for day in plant.days(cell)}
    before, handed_on = None, ""
    for day in plant.days(cell):
        index = plant.store.folder / "facts" / cell / day.isoformat() / "facts.json"
        data = json.loads(index.read_text())
        _, kept_hash, content = f"{data['key']}::".split(":")[:3]
        data["key"] = f"{day_key(model, day, before, handed_on, prints)}:{kept_hash}:{content}"
        index.write_text(json.dumps(data))
        before, handed_on = day, kept_hash
