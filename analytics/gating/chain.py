"""The gating chain of a cell over a span of time: one walk, charged. What `facts` keeps as the table `chain`."""

from __future__ import annotations

import numpy as np
import polars as pl

from analytics.cell import CELL, Cell
from analytics.gating.absorbed import absorbed
from analytics.gating.bind import Binding, bind
from analytics.gating.candidates import candidates, departures
from analytics.gating.charge import charge
from analytics.gating.moments import Moments, moments
from analytics.gating.usual import usual
from analytics.gating.walk import walk

CHAIN_SCHEMA = {
    "start_us": pl.Int64, "end_us": pl.Int64, "us": pl.Int64, "line": pl.String, "cause": pl.String,
    "station": pl.String, "lane": pl.String, "step": pl.String, "part": pl.String, "product": pl.String,
    "thread": pl.String, "slack_us": pl.Int64, "runner_up": pl.String, "log_file": pl.String, "log_line": pl.Int64,
    "log_end_file": pl.String, "log_end_line": pl.Int64, "plan": pl.String, "absorbed_us": pl.Int64,
}  # fmt: skip
"""One row per piece of the cell's time, in order, without gap or overlap between its first and last moment.

`line` "work" is what the stations along the way did within their plan. `thread` is why the moment at the end of the
piece waited for the one at its start; `slack_us` by how much sooner that one could have been before another would have
held it up (null: nothing else is known), `runner_up` the lane of that other. `absorbed_us` of it a buffer absorbed:
the cell's account charges us - absorbed_us.
"""


def chain(
    events: pl.DataFrame, fates: pl.DataFrame, tiles: pl.DataFrame, plans: pl.DataFrame, cell: Cell
) -> pl.DataFrame:
    """Walk back once from the last good departure and charge what lies between. Returns CHAIN_SCHEMA.

    Empty where the log has no moments to tie together (states only) or nothing ever left the cell.
    """
    seen = moments(events, fates, cell)
    if not seen.n:
        return pl.DataFrame(schema=CHAIN_SCHEMA)
    left = departures(seen, fates).filter(pl.col("outcome") == "good")
    if left.is_empty():
        return pl.DataFrame(schema=CHAIN_SCHEMA)
    binding = bind(seen, candidates(seen, events, fates, cell))
    before = binding.table["p"].fill_null(-1).to_numpy()
    return _booked(seen, binding, walk(before, int(left["m"][-1])), tiles, plans, cell)


def _booked(
    seen: Moments, binding: Binding, way: np.ndarray, tiles: pl.DataFrame, plans: pl.DataFrame, cell: Cell
) -> pl.DataFrame:
    # Residues of clocks may put a cause a little behind its effect: time along the walk only runs back.
    times = np.minimum.accumulate(seen.table["ts"].to_numpy()[way])
    links = usual(seen, binding, cell)
    pieces = pl.DataFrame({"m": way[:-1], "start_us": times[1:], "end_us": times[:-1]}).join(
        links, on="m", how="left", maintain_order="left"
    )
    rows = pieces.filter(pl.col("start_us") < pl.col("end_us")).sort("start_us")
    booked = charge(rows, tiles, plans, cell)
    ts = seen.table["ts"].to_numpy()
    given = absorbed(way, binding, links, ts, booked, plans.filter(pl.col("lane") == CELL))
    rows = rows.with_row_index("piece").with_columns(pl.col("piece").cast(pl.Int64))
    rivals = binding.table.select("m", "rival", slack_us="margin_us").join(
        seen.table.select(rival="m", runner_up="lane"), on="rival", how="left"
    )
    records = seen.table.select("m", "file", "line")
    told = (
        rows.select("piece", "m", "p", "charged", "step", "part", "product", "thread")
        .join(rivals.drop("rival"), on="m", how="left", maintain_order="left")
        .join(records.rename({"file": "end_file", "line": "end_line"}), on="m", how="left", maintain_order="left")
        .join(records.select(p="m", from_file="file", from_line="line"), on="p", how="left", maintain_order="left")
    )
    own = pl.col("log_file").is_null()
    return (
        booked.join(told, on="piece", how="left", maintain_order="left")
        .with_columns(
            us=pl.col("end_us") - pl.col("start_us"),
            absorbed_us=pl.Series(given),
            lane="charged",
            log_file=pl.coalesce("log_file", "from_file"),
            log_line=pl.when(own).then("from_line").otherwise("log_line"),
            log_end_file=pl.when(own).then("end_file").otherwise("log_end_file"),
            log_end_line=pl.when(own).then("end_line").otherwise("log_end_line"),
        )
        .select(pl.col(name).cast(dtype) for name, dtype in CHAIN_SCHEMA.items())
    )
