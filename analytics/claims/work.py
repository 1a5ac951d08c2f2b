"""Claims of work: inside a cycle, or running as far as a source without cycles says."""

from __future__ import annotations

import polars as pl

from analytics.claims.base import Seen, as_claims


def in_cycle(seen: Seen) -> pl.DataFrame:
    """Claim the time of every cycle as `run`; the ledger splits it into planned, slow and silently stopped."""
    return as_claims(
        seen.cycles.select(
            "lane", "start_us", "end_us", "cycle", line=pl.lit("run"), log_file=pl.coalesce("start_file", "file"),
            log_line=pl.when(pl.col("start_file").is_not_null()).then("start_line").otherwise("line"),
            log_end_file="file", log_end_line="line",
        )
    )  # fmt: skip


def running(seen: Seen, held: pl.DataFrame) -> pl.DataFrame:
    """Claim the state `running` of lanes that log no cycles at all: the account degrades to what states support."""
    with_cycles = seen.cycles.select("lane").unique()
    return held.filter(pl.col("line") == "run").join(with_cycles, on="lane", how="anti")
