"""What the cell lost to each cause, in time and in parts: from its own account, so that nothing counts twice."""

from __future__ import annotations

from collections.abc import Sequence

import duckdb
import polars as pl

from analytics.account import Window
from analytics.book import query

LOSSES = {
    "line": pl.String,
    "station": pl.String,  # charged; "*": the cell as a whole
    "cause": pl.String,
    "lost_us": pl.Int64,
    "lost_parts": pl.Float64,  # null where no planned time per part is known
}


def cell_losses(con: duckdb.DuckDBPyConnection, window: Window, members: Sequence[str] | None = None) -> pl.DataFrame:
    """List the cell's losses in a window: LOSSES, one row per line, station and cause; `members`: these products."""
    rows = query(
        con,
        "cell_losses",
        from_us=window.from_us,
        to_us=window.to_us,
        members=None if members is None else list(members),
    )
    return in_parts(rows)


def in_parts(rows: pl.DataFrame) -> pl.DataFrame:
    """Add up rows of sql/cell_losses.sql: lost time over planned time of a part is lost parts."""
    return (
        rows.sort("line", "station", "cause", "unit_us", nulls_last=True)
        .group_by("line", "station", "cause", maintain_order=True)
        .agg(
            lost_us=pl.col("us").sum(),
            lost_parts=pl.when(pl.col("unit_us").is_not_null().any()).then((pl.col("us") / pl.col("unit_us")).sum()),
        )
        .select(pl.col(name).cast(dtype) for name, dtype in LOSSES.items())
    )
