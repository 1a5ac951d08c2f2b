"""The gating chain of a cell over a span of time: one walk, charged, and what else the task graph tells."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from analytics.cell import CELL, Cell
from analytics.gating.absorbed import absorbed
from analytics.gating.bind import NOISE_US, Binding, bind
from analytics.gating.candidates import candidates, departures
from analytics.gating.charge import charge
from analytics.gating.moments import Moments, moments
from analytics.gating.slack import slack
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
MEETINGS_SCHEMA = {
    "at_us": pl.Int64, "lane": pl.String, "step": pl.String, "rival_lane": pl.String, "rival_step": pl.String,
    "margin_us": pl.Int64, "tie": pl.Boolean,
}  # fmt: skip
"""One row per moment of the chain that could have waited for another: who came last, who would have been next."""
SLACK_SCHEMA = {"at_us": pl.Int64, "lane": pl.String, "step": pl.String, "slack_us": pl.Int64, "us": pl.Int64}
"""One row per step or cycle: how much later its end could have been without the cell being later (at most an hour)."""
KINDS_SCHEMA = {
    "thread": pl.String, "lane": pl.String, "what": pl.String, "from_lane": pl.String, "from_what": pl.String,
    "lag_us": pl.Int64, "cases_n": pl.Int64, "bound_n": pl.Int64, "chain_n": pl.Int64,
}  # fmt: skip
"""One row per kind of link of the task graph: its least lag, how often it was a candidate, bound, and on the chain."""
QUALITY_SCHEMA = {
    "basis": pl.String, "moments_n": pl.Int64, "unbound_n": pl.Int64, "late_n": pl.Int64, "ties_n": pl.Int64,
    "reached_us": pl.Int64,
}  # fmt: skip
"""One row: what the chain had to go on (STEPS, CYCLES, STATES), and how well it was bound. `reached_us`: how far beyond
the end of the span the walk began; below zero it began before, and what follows is charged instant by instant."""

STEPS, CYCLES, STATES = "robot steps", "station cycles", "states only"


@dataclass(frozen=True)
class Gating:
    """The chain and what the task graph tells beside it."""

    pieces: pl.DataFrame
    meetings: pl.DataFrame
    slack: pl.DataFrame
    kinds: pl.DataFrame
    quality: pl.DataFrame


def gating(
    events: pl.DataFrame,
    fates: pl.DataFrame,
    tiles: pl.DataFrame,
    plans: pl.DataFrame,
    cell: Cell,
    start_us: int,
    end_us: int,
) -> Gating:
    """Walk back once from the last good departure and charge what lies between.

    Takes    prepared events and what was derived from them, also beyond [start_us, end_us), to which all but `pieces`
             are cut. The frames are empty where the log has no moments to tie together (states only) or nothing ever
             left the cell.
    """
    seen = moments(events, fates, cell)
    left = departures(seen, fates).filter(pl.col("outcome") == "good")
    if left.is_empty():
        return _nothing(seen)
    found = candidates(seen, events, fates, cell)
    if found.is_empty():
        return _nothing(seen)
    binding = bind(seen, found)
    before = binding.table["p"].fill_null(-1).to_numpy()
    root = int(left["m"][-1])
    way = walk(before, root)
    links = usual(seen, binding, cell)
    named = links.select("m", "p", "charged", step=pl.when("waits").then(pl.lit("wait")).otherwise("step"))
    of_day = seen.table.filter((pl.col("ts") >= start_us) & (pl.col("ts") < end_us)).select("m")
    meetings = _meetings(seen, binding, named, way).join(of_day, on="m", how="semi")
    return Gating(
        _booked(seen, binding, links, way, tiles, plans, cell),
        meetings.select(pl.col(name).cast(dtype) for name, dtype in MEETINGS_SCHEMA.items()),
        _slacks(seen, links, slack(seen, found, binding, way), of_day),
        _kinds(binding, way, of_day),
        _quality(seen, binding, of_day, int(seen.table["ts"][root]) - end_us, int(meetings["tie"].sum())),
    )


def _nothing(seen: Moments) -> Gating:
    quality = {"basis": STATES, "moments_n": seen.n, "unbound_n": 0, "late_n": 0, "ties_n": 0, "reached_us": None}
    return Gating(
        pl.DataFrame(schema=CHAIN_SCHEMA),
        pl.DataFrame(schema=MEETINGS_SCHEMA),
        pl.DataFrame(schema=SLACK_SCHEMA),
        pl.DataFrame(schema=KINDS_SCHEMA),
        pl.DataFrame([quality], schema=QUALITY_SCHEMA),
    )


def _booked(
    seen: Moments,
    binding: Binding,
    links: pl.DataFrame,
    way: npt.NDArray[np.int64],
    tiles: pl.DataFrame,
    plans: pl.DataFrame,
    cell: Cell,
) -> pl.DataFrame:
    # Residues of clocks may put a cause a little behind its effect: time along the walk only runs back.
    ts = seen.table["ts"].to_numpy()
    times = np.minimum.accumulate(ts[way])
    pieces = pl.DataFrame({"m": way[:-1], "start_us": times[1:], "end_us": times[:-1]}).join(
        links, on="m", how="left", maintain_order="left"
    )
    rows = pieces.filter(pl.col("start_us") < pl.col("end_us")).sort("start_us")
    booked = charge(rows, tiles, plans, cell)
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
        booked.with_columns(absorbed_us=pl.Series(given))
        .join(told, on="piece", how="left", maintain_order="left")
        .with_columns(
            us=pl.col("end_us") - pl.col("start_us"),
            lane="charged",
            log_file=pl.coalesce("log_file", "from_file"),
            log_line=pl.when(own).then("from_line").otherwise("log_line"),
            log_end_file=pl.when(own).then("end_file").otherwise("log_end_file"),
            log_end_line=pl.when(own).then("end_line").otherwise("log_end_line"),
        )
        .select(pl.col(name).cast(dtype) for name, dtype in CHAIN_SCHEMA.items())
    )


def _meetings(seen: Moments, binding: Binding, named: pl.DataFrame, way: npt.NDArray[np.int64]) -> pl.DataFrame:
    """Where the chain met another way: m and MEETINGS_SCHEMA. Who came last is the one who worked until then."""
    did = named.select(p="m", by_lane="charged", by_step="step")
    on = binding.table.filter(pl.col("rival").is_not_null()).join(pl.DataFrame({"m": way[:-1]}), on="m", how="semi")
    return (
        on.select("m", "p", "rival", "margin_us")
        .join(did, on="p", how="left")
        .join(did.rename({"p": "rival", "by_lane": "rival_lane", "by_step": "rival_step"}), on="rival", how="left")
        .join(seen.table.select("m", at_us="ts"), on="m")
        .filter(pl.col("rival_lane").ne_missing(pl.col("by_lane")))
        .select(
            "m", "at_us", "rival_lane", "rival_step", "margin_us", lane="by_lane", step="by_step",
            tie=pl.col("margin_us") <= NOISE_US,
        )
        .sort("at_us", "m")
    )  # fmt: skip


def _slacks(seen: Moments, links: pl.DataFrame, slack_us: npt.NDArray[np.int64], of_day: pl.DataFrame) -> pl.DataFrame:
    work = links.filter(~pl.col("waits") & (pl.col("step") != "move"))
    return (
        work.join(of_day, on="m", how="semi")
        .with_columns(slack_us=pl.Series(slack_us)[pl.Series(work.join(of_day, on="m", how="semi")["m"])])
        .filter(pl.col("slack_us") >= 0)
        .select(at_us="ts", lane="charged", step="step", slack_us="slack_us", us=pl.col("ts") - pl.col("p_us"))
        .select(pl.col(name).cast(dtype) for name, dtype in SLACK_SCHEMA.items())
        .sort("at_us", "lane", "step")
    )


def _kinds(binding: Binding, way: npt.NDArray[np.int64], of_day: pl.DataFrame) -> pl.DataFrame:
    cases = binding.lags.join(of_day, on="m", how="semi").group_by("kind").agg(cases_n=pl.len())
    bound = binding.table.select("m", "kind").drop_nulls().join(of_day, on="m", how="semi")
    on_chain = bound.join(pl.DataFrame({"m": way[:-1]}), on="m", how="semi")
    return (
        binding.kinds.join(cases, on="kind", how="inner", maintain_order="left")
        .join(bound.group_by("kind").agg(bound_n=pl.len()), on="kind", how="left", maintain_order="left")
        .join(on_chain.group_by("kind").agg(chain_n=pl.len()), on="kind", how="left", maintain_order="left")
        .with_columns(pl.col("bound_n", "chain_n").fill_null(0))
        .select(pl.col(name).cast(dtype) for name, dtype in KINDS_SCHEMA.items())
    )


def _quality(seen: Moments, binding: Binding, of_day: pl.DataFrame, reached_us: int, ties: int) -> pl.DataFrame:
    here = binding.table.join(of_day, on="m", how="semi")
    row = {
        "basis": STEPS if seen.robots else CYCLES,
        "moments_n": here.height,
        "unbound_n": here["p"].null_count(),
        "late_n": int(here["late"].fill_null(False).sum()),
        "ties_n": ties,
        "reached_us": reached_us,
    }
    return pl.DataFrame([row], schema=QUALITY_SCHEMA)
