"""Many small parts of a day -> few larger ones, and parts without the rows of a log that was mapped anew.

A part that holds rows of several logs has one column more, LOG: the id of the log that each row is of.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import date
from pathlib import Path
from typing import Final

import polars as pl

from ingest.event_file import read_events, write_events
from ingest.manifest import Part

LOG: Final = "log"
MANY: Final = 16  # parts of about the same size are put together when there are so many
GROWTH: Final = 8  # "about the same size": within this factor
LARGEST: Final = 250_000  # rows; parts beyond half of it are left alone, such as a large file gives


def merged(
    store: Path, parts: pl.DataFrame, days: Iterable[tuple[str, date]], temp: Path
) -> Iterator[tuple[pl.DataFrame, list[Part], Path]]:
    """Put small parts of some days together, level by level of size.

    Yields (rows of `parts` that were merged, the rows for the new part, the file written below `temp`).
    """
    for cell, day in sorted(days):
        of_day = parts.filter((pl.col("cell") == cell) & (pl.col("day") == day) & ~pl.col("torn").any().over("path"))
        while True:
            sizes = of_day.group_by("path").agg(pl.col("rows").sum()).filter(pl.col("rows") <= LARGEST // 2)
            sizes = sizes.with_columns(level=pl.col("rows").clip(1).log(GROWTH).floor()).sort("rows", "path")
            crowded = sizes.filter(pl.len().over("level") >= MANY)
            if crowded.is_empty():
                break
            level = crowded.filter(pl.col("level") == pl.col("level").min())
            level = level.filter(pl.col("rows").cum_sum() <= LARGEST)
            old = of_day.join(level, on="path", how="semi", maintain_order="left")
            new, path = _written(store, old, temp)
            yield old, new, path
            of_day = pl.concat(
                [of_day.join(level, on="path", how="anti"), pl.DataFrame(list(new), schema=parts.schema)]
            )


def without(
    store: Path, parts: pl.DataFrame, dropped: set[tuple[int, str]], temp: Path
) -> Iterator[tuple[list[Part], Path]]:
    """Write shared parts anew without the rows of the logs that are dropped.

    Takes    parts: the rows of the manifest's parts for the paths that are concerned.
    Yields   (the rows for the new part, the file written below `temp`); nothing for a path of which nothing is left.
    """
    gone = pl.DataFrame(sorted(dropped), schema={"id": pl.Int64, "path": pl.String}, orient="row")
    left = parts.join(gone, on=["id", "path"], how="anti", maintain_order="left")
    for of_path in left.partition_by("path", maintain_order=True):
        yield _written(store, of_path, temp)


def _written(store: Path, parts: pl.DataFrame, temp: Path) -> tuple[list[Part], Path]:
    """Write the rows of some logs from their parts into one part; the order of time is kept."""
    rows = pl.concat([_rows(store, of_path) for of_path in parts.partition_by("path", maintain_order=True)])
    first = parts.row(0, named=True)
    name = f"merged-{temp.name}-{Path(first['path']).stem[-60:]}"
    temp.mkdir(parents=True, exist_ok=True)
    path = temp / f"{name}.parquet"
    write_events([rows.sort("ts_source", maintain_order=True)], path, (LOG,))
    shown = f"events/{first['cell']}/{first['day']}/{name}.parquet"
    new = [Part(p["id"], p["cell"], p["day"], p["rows"], shown, p["added"]) for p in parts.iter_rows(named=True)]
    return new, path


def _rows(store: Path, of_path: pl.DataFrame) -> pl.DataFrame:
    ids = of_path["id"].unique()
    path = store / of_path["path"][0]
    rows = read_events([path])
    if LOG in pl.read_parquet_schema(path):
        of = pl.read_parquet(path, columns=[LOG])[LOG]
        return rows.with_columns(of).filter(of.is_in(ids.to_list()))
    return rows.with_columns(pl.lit(ids.item(), pl.Int64).alias(LOG))
