"""OEE at a glance: straight from the events, without facts. For a first look at logs that were loaded this minute.

It counts and adds up, and that is all: no stop gets a cause, no clock is aligned, no lost record is inferred, and what
happens to a part on another day is not known. The closed account (`analytics.account`) does all this, and takes some
twenty times as long.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta

import numpy as np
import polars as pl

from analytics.book import Plant
from analytics.cell import CELL, Cell
from analytics.plan import BUSY, plan
from analytics.planned_in_logs import hand_fed_spans, orders_told, stops_told
from analytics.prepare import KIND_RANK, prepare, resolve_doubled_hour

CONTENT = ("source", "station", "nest", "kind", "part", "product", "order", "result", "seq")
LANE = ("station", "nest")
WORK = ("cycle_start", "cycle_end")
OF_THE_PLAN = ("order_start", "order_end", "plan_start", "plan_end")
COUNTED = (*WORK, "result")
THROWN_OUT = ("reject", "removed")
AT_A_TIME = 10  # days; more only costs memory
SCHEMA = pl.Schema({
    "day": pl.Date, "station": pl.String, "planned_busy_us": pl.Int64, "run_us": pl.Int64, "good_n": pl.Int64,
    "reject_n": pl.Int64, "no_plan_n": pl.Int64, "availability": pl.Float64, "effectiveness": pl.Float64,
    "quality_ratio": pl.Float64, "oee": pl.Float64,
})  # fmt: skip


def glance(plant: Plant, cell_name: str, days: Sequence[date] | None = None) -> pl.DataFrame:
    """Count what each station of a cell made on each production day.

    Returns  SCHEMA: one row per day and station that logs cycles, in order of days and of the cell file. run_us: net
             time of cycles that ended in planned busy time, without a logged start at most the planned cycle;
             no_plan_n: cycles of products without a planned cycle there, which no share can hold. Shares have the
             formulas of ISO 22400-2 with APT = run_us (see analytics.kpis) and are null where their base is zero.
    Raises   InputError for a cell that does not exist.
    """
    cell = plant.cell(cell_name)
    wanted = [d for d in plant.store.days(cell_name) if days is None or d in days]
    rows = [_seen(plant, cell, wanted[n : n + AT_A_TIME]) for n in range(0, len(wanted), AT_A_TIME)]
    return pl.concat(rows) if rows else pl.DataFrame(schema=SCHEMA)


def _seen(plant: Plant, cell: Cell, days: list[date]) -> pl.DataFrame:
    bounds = [plant.file.day_bounds(day) for day in days]
    of_day = pl.DataFrame({"day": days, "from_us": [a for a, _ in bounds], "to_us": [b for _, b in bounds]})
    events = _ordered(plant, cell, days)
    named = events.filter(pl.col("kind") == "cycle_end")["product"].null_count() == 0
    told = _told(plant, cell, days) if not named or events["kind"].is_in(OF_THE_PLAN).any() else None
    busy = _busy(plant, cell, days, told)
    done = _cycles(events, told, cell).filter(_within(busy.filter(pl.col("lane") == CELL)))
    done = done.sort("end_us").join_asof(of_day, left_on="end_us", right_on="from_us", allow_exact_matches=False)
    good, ideal = ~pl.col("bad"), pl.col("planned_us")
    counted = done.group_by("day", "station").agg(
        run_us=pl.when("paired").then("us").otherwise(pl.min_horizontal("us", ideal)).sum(),
        good_n=good.sum().cast(pl.Int64),
        reject_n=pl.col("bad").sum().cast(pl.Int64),
        no_plan_n=ideal.is_null().sum().cast(pl.Int64),
        ideal=ideal.sum(),
        ideal_good=ideal.filter(good).sum(),
    )
    lengths = (
        busy.join(of_day, how="cross")
        .with_columns(us=pl.min_horizontal("end_us", "to_us") - pl.max_horizontal("start_us", "from_us"))
        .filter(pl.col("us") > 0)
        .join(cell.lanes(), on="lane")
        .group_by("day", "station")
        .agg(planned_busy_us=pl.col("us").sum())
    )
    by = ["day", "station"]
    return (
        of_day.select("day")
        .join(pl.DataFrame({"station": [s.name for s in cell.stations]}), how="cross")
        .join(counted, on=by, maintain_order="left")
        .join(lengths, on=by, how="left", maintain_order="left")
        .with_columns(pl.col("planned_busy_us").fill_null(0))
        .with_columns(
            availability=_share("run_us", "planned_busy_us"),
            effectiveness=_share("ideal", "run_us"),
            quality_ratio=_share("ideal_good", "ideal"),
            oee=_share("ideal_good", "planned_busy_us"),
        )
        .select(SCHEMA.names())
    )


def _share(top: str, bottom: str) -> pl.Expr:
    return pl.when(pl.col(bottom) != 0).then(pl.col(top) / pl.col(bottom))


def _ordered(plant: Plant, cell: Cell, days: list[date]) -> pl.DataFrame:
    """Work, verdicts and orders of some days, in order, repeats dropped, with ts."""
    kinds = pl.col("kind").is_in([*COUNTED, *OF_THE_PLAN])
    events = plant.store.events(cell.name, days, ["ts_source", "doubled", *CONTENT]).filter(kinds)
    if events["doubled"].any():
        events = resolve_doubled_hour(plant.store.events(cell.name, days).filter(kinds))
    else:
        events = events.with_columns(ts=pl.col("ts_source").cast(pl.Int64))
    rank = pl.col("kind").replace_strict(KIND_RANK, default=99, return_dtype=pl.Int8)
    return _once(_sorted(events.with_columns(rank=rank), [*LANE, "ts", "seq", "rank"]))


def _sorted(events: pl.DataFrame, by: list[str]) -> pl.DataFrame:
    """Sort, unless it is in order: to look costs a tenth of sorting."""
    in_order = pl.lit(value=True)
    for key in reversed(by):
        value, before = pl.col(key), pl.col(key).shift()
        in_order = ((value > before) | (value.eq_missing(before) & in_order)).fill_null(before.is_null())
    return events if events.select(in_order.all()).item() else events.sort(by, maintain_order=True)


def _once(events: pl.DataFrame) -> pl.DataFrame:
    """Drop repeats from sorted events: a look at neighbours tells whether there can be any."""
    alike = [pl.col(key).eq_missing(pl.col(key).shift()) for key in ("ts", "kind", *LANE)]
    if not events.select(pl.all_horizontal(alike).any()).item():
        return events
    return events.unique(["ts", *CONTENT], keep="first", maintain_order=True)


def _told(plant: Plant, cell: Cell, days: list[date]) -> pl.DataFrame:
    """What the logs tell of orders and planned stops, those of the day before included, which may still run."""
    near = plant.store.events(cell.name, [days[0] - timedelta(days=1), *days])
    return prepare(near.filter(pl.col("kind").is_in(OF_THE_PLAN)), cell)


def _busy(plant: Plant, cell: Cell, days: list[date], told: pl.DataFrame | None) -> pl.DataFrame:
    """Planned busy time of each lane."""
    begin, end = plant.file.day_bounds(days[0])[0], plant.file.day_bounds(days[-1])[1]
    if told is None:
        return plan(plant.file, cell, begin, end).filter(pl.col("plan") == BUSY)
    orders = orders_told(told, end)
    tiles = plan(plant.file, cell, begin, end, stops_told(told, end), hand_fed_spans(orders, cell))
    return tiles.filter(pl.col("plan") == BUSY)


def _cycles(events: pl.DataFrame, told: pl.DataFrame | None, cell: Cell) -> pl.DataFrame:
    """One row per end of work: station, end_us, us, paired (its start was logged), planned_us, bad.

    The product is that of the record, of its part, of the order at the time, in this order.
    """
    started = pl.col("kind") == "cycle_start"
    follows = pl.all_horizontal(pl.col(key).eq_missing(pl.col(key).shift()) for key in LANE)
    paired = started.shift() & follows
    ends = (
        events.lazy()
        .filter(pl.col("kind").is_in(WORK) & pl.col("station").is_in([s.name for s in cell.stations]))
        .select(
            "station", "part", "result", "ts",
            ended=~started,
            paired=paired,
            us=pl.when(follows).then(pl.col("ts") - pl.col("ts").shift()),
            product=pl.coalesce("product", pl.when(paired).then(pl.col("product").shift())),
        )
        .filter("ended")
        .collect()
    )  # fmt: skip
    if told is not None:
        named = events.select("part", of_part="product").drop_nulls()
        of_parts = named.unique("part", keep="first", maintain_order=True)
        ordered = told.filter(pl.col("kind") == "order_start").select("ts", of_order="product").drop_nulls()
        ends = (
            ends.sort("ts")
            .join_asof(ordered.sort("ts"), on="ts")
            .join(of_parts, on="part", how="left")
            .with_columns(product=pl.coalesce("product", "of_part", "of_order"))
        )
    bad = events.filter(pl.col("result").is_in(THROWN_OUT))["part"].unique().implode()
    return ends.join(cell.planned(), on=["station", "product"], how="left").select(
        "station", "us", "paired", "planned_us", end_us="ts",
        bad=pl.col("part").is_in(bad).fill_null(False) | pl.col("result").is_in(THROWN_OUT).fill_null(False),
    )  # fmt: skip


def _within(busy: pl.DataFrame) -> pl.Expr:
    """Whether a cycle ended within planned busy time of the cell."""
    spans = busy.sort("start_us")
    starts, ends = spans["start_us"].to_numpy(), spans["end_us"].to_numpy()

    def inside(end_us: pl.Series) -> pl.Series:
        at = np.searchsorted(starts, end_us.to_numpy(), side="left") - 1
        if not len(ends):
            return pl.Series(np.zeros(len(at), dtype=bool))
        return pl.Series((at >= 0) & (end_us.to_numpy() <= ends[np.maximum(at, 0)]))

    return pl.col("end_us").map_batches(inside, return_dtype=pl.Boolean)
