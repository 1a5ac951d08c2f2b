"""Events of cells that the plant does not list: nothing is made of them, and nobody would see it."""

from __future__ import annotations

import polars as pl

from analytics.book import Plant
from analytics.check import FINDINGS


def strays(plant: Plant) -> pl.DataFrame:
    """Find cells that have events but do not stand in plant.toml.

    Returns  one row per such cell, `cell` and FINDINGS: what ("unknown cell"), name, n (its events), file, line of one
             of them, fix.
    """
    fix = "write one of plant.toml's cells in `cell` of the source, or add this one to `cells` in plant.toml"
    rows = []
    for name in plant.store.cells():
        if name in plant.file.cells:
            continue
        files = plant.store.event_files(name, plant.store.days(name))
        found = pl.scan_parquet(files, extra_columns="ignore", missing_columns="insert").select("file", "line")
        first = found.head(1).collect()
        n = found.select(pl.len()).collect().item()
        rows.append((name, "unknown cell", name, n, str(first["file"][0]), int(first["line"][0]), fix))
    return pl.DataFrame(rows, schema={"cell": pl.String, **FINDINGS}, orient="row")
