"""What the claims on a lane's time are made from, and their common shape."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import polars as pl

from analytics.cell import Cell

CLAIM_SCHEMA = {
    "lane": pl.String,
    "start_us": pl.Int64,
    "end_us": pl.Int64,
    "line": pl.String,  # line of the account; `run` for work, which the ledger splits further
    "cause": pl.String,  # code of the catalogue, or words
    "blamed": pl.String,  # station to blame where it is another one; CELL when the record speaks of the whole cell
    "waits_for": pl.String,  # station that a waiting lane waits for, where the log says so
    "cycle": pl.Int64,  # row of the cycles table, for work
    "log_file": pl.String,
    "log_line": pl.Int64,
    "log_end_file": pl.String,
    "log_end_line": pl.Int64,
}
"""One row per claim: this lane, from then to then, on that line of the account, because of these two log lines."""


@dataclass(frozen=True)
class Seen:
    """All that is known of one cell in [start_us, end_us): prepared events and paired cycles."""

    cell: Cell
    events: pl.DataFrame
    cycles: pl.DataFrame  # CYCLE_SCHEMA with `cycle` (row number)
    start_us: int
    end_us: int

    @cached_property
    def lanes(self) -> pl.DataFrame:
        """Lanes of the cell: lane, station, nest, kind."""
        return self.cell.lanes()

    @cached_property
    def work_done(self) -> pl.DataFrame:
        """Instants at which a lane demonstrably worked: lane, ts, file, line; sorted by ts."""
        return (
            self.events.filter(
                pl.col("kind").is_in(["cycle_end", "step_end", "cycle_start"]) & pl.col("lane").is_not_null()
            )
            .select("lane", "ts", "file", "line")
            .sort("ts")
        )

    def spread(self, frame: pl.DataFrame) -> pl.DataFrame:
        """Give rows that speak of a station or of the whole cell (station null) to each of its lanes.

        Takes station, nest and any columns; returns them with lane instead of station and nest.
        """
        lanes = self.lanes.select("lane", "station", "nest")
        everywhere = (
            frame.filter(pl.col("station").is_null()).drop("station", "nest").join(lanes.select("lane"), how="cross")
        )
        of_station = frame.filter(pl.col("station").is_not_null() & pl.col("nest").is_null())
        of_nest = frame.filter(pl.col("station").is_not_null() & pl.col("nest").is_not_null())
        return pl.concat(
            [
                everywhere,
                of_station.drop("nest").join(lanes.drop("nest"), on="station").drop("station"),
                of_nest.join(lanes, on=["station", "nest"]).drop("station", "nest"),
            ],
            how="diagonal",
        )


def as_claims(frame: pl.DataFrame) -> pl.DataFrame:
    """Bring a frame into the claims' shape: missing columns become null, empty spans go."""
    return (
        frame.with_columns(
            pl.lit(None, dtype).alias(name) for name, dtype in CLAIM_SCHEMA.items() if name not in frame.columns
        )
        .select(pl.col(name).cast(dtype) for name, dtype in CLAIM_SCHEMA.items())
        .filter(pl.col("start_us") < pl.col("end_us"))
    )
