"""Candidates: for every moment the moments that it may have waited for.

Threads: `own` the actor's moment before; `place` the moment before at another place that the moment is about; `part`
the part's moment before; `carrier` that of its pallet; `room` the one that freed a place behind; `release` the end of a
changeover; `demand` a part that was thrown out and calls for another.
"""

from __future__ import annotations

import numpy as np
import polars as pl

from analytics.cell import PLACES, Cell
from analytics.gating.moments import LATE_US, MANY_PLACES, Moments

THREADS = pl.Enum(["own", "place", "part", "carrier", "room", "release", "demand"])
SCHEMA = pl.Schema({"m": pl.Int64(), "p": pl.Int64(), "thread": THREADS})
MOST = 2**32
"""No day has so many moments, parts or lanes."""
TAKEN_AWAY_US = 600_000_000
"""A part judged bad is taken away within this time."""
FAR_US = 24 * 3600 * 1_000_000
"""Part numbers come again; a thread of a part does not reach further than this."""


def candidates(seen: Moments, events: pl.DataFrame, fates: pl.DataFrame, cell: Cell) -> pl.DataFrame:
    """List the candidates: m (the moment), p (which it may have waited for), thread. Each m, p once."""
    found = pl.concat(
        [
            _lanes(seen, cell),
            _followed(seen, "part"),
            _followed(seen, "carrier"),
            *_rooms(seen, cell),
            _releases(seen, events, fates, cell),
            _demands(seen, fates, cell),
        ]
    )
    found = found.filter(pl.col("p").is_not_null() & (pl.col("p") != pl.col("m"))).with_columns(
        rank=pl.col("thread").to_physical().cast(pl.Int8)
    )
    found = _in_order(found).filter(_pair().is_first_distinct())
    return _in_order(_from_steps_to_starts(seen, found))


def _pair() -> pl.Expr:
    """One number for m and p: quicker to tell apart than two."""
    return pl.col("m") * MOST + pl.col("p")


def _in_order(found: pl.DataFrame) -> pl.DataFrame:
    """Sort by m, rank, p: as one number, which takes a third of the time."""
    key = (pl.col("m") * 8 + pl.col("rank").cast(pl.Int64)) * MOST + pl.col("p")
    return found[found.select(key.arg_sort()).to_series()]


def _lanes(seen: Moments, cell: Cell) -> pl.DataFrame:
    many = cell.lanes().filter(pl.col("kind").is_in(MANY_PLACES))["lane"]
    on = _on_thread(seen, "lane")
    mine = (pl.col("lane") == pl.col("actor")).fill_null(False)
    on = on.filter(mine | ~pl.col("lane").is_in(many.implode()))
    own = pl.when(mine).then(pl.lit("own", THREADS)).otherwise(pl.lit("place", THREADS))
    same = pl.col("lane_no") == pl.col("lane_no").shift(1)
    return _along(on, "lane_no").select("m", p=pl.when(same).then(pl.col("m").shift(1)), thread=own)


def _followed(seen: Moments, what: str) -> pl.DataFrame:
    """What a part, or a pallet, did before."""
    on = _along(_on_thread(seen, what), f"{what}_no")
    same = (pl.col(f"{what}_no") == pl.col(f"{what}_no").shift(1)) & (pl.col("ts") - pl.col("ts").shift(1) < FAR_US)
    return on.select("m", p=pl.when(same).then(pl.col("m").shift(1)), thread=pl.lit(what, THREADS))


def _on_thread(seen: Moments, what: str) -> pl.DataFrame:
    """Which moments lie on the threads of lanes, parts or carriers: m, ts, the name and its number, actor, order."""
    rows = seen.rows.filter(pl.col(what).is_not_null()).select("m", "ts", what, f"{what}_no")
    repeats = (pl.col("m") == pl.col("m").shift(1)) & (pl.col(f"{what}_no") == pl.col(f"{what}_no").shift(1))
    once = (pl.col("m") * MOST + pl.col(f"{what}_no")).is_first_distinct()
    rows = rows.filter(~repeats.fill_null(False)).filter(once)
    actors = seen.table.select(what_="what", actor="lane")[rows["m"]]
    late = (pl.col("what_") == "start") & ~pl.col("actor").is_in(seen.robots)
    return pl.concat([rows, actors], how="horizontal").with_columns(
        order=pl.col("ts") + pl.when(late).then(LATE_US).otherwise(0)
    )


def _along(on: pl.DataFrame, number: str) -> pl.DataFrame:
    """Sort by number, order and m. Rows come by m, whose order is nearly that of time: few steps are left to do."""
    by_time = np.argsort(on["order"].to_numpy(), kind="stable")
    numbers = on[number].to_numpy()[by_time]
    short = numbers.astype(np.uint16) if len(numbers) == 0 or numbers.max() < 2**16 else numbers
    return on[by_time[np.argsort(short, kind="stable")]]


def _rooms(seen: Moments, cell: Cell) -> list[pl.DataFrame]:
    """A part leaves when there is room: with a buffer of B places, when the B-th part before it has left that."""
    outs = seen.rows.filter((pl.col("kind") == "part_out") & pl.col("part").is_not_null())
    came = seen.rows.filter(pl.col("kind").is_in(["part_in", "cycle_start"]) & pl.col("part").is_not_null())
    found = []
    for buffer in cell.stations:
        below = [s.name for s in cell.stations if buffer.name in s.feeds_from]
        if buffer.kind == "buffer":
            entered = _passages(outs, came, list(buffer.feeds_from), below)
            if buffer.capacity and not entered.is_empty():
                found.append(
                    entered.sort("out_us", "m").select(
                        "m", p=pl.col("in_m").shift(buffer.capacity), thread=pl.lit("room")
                    )
                )
        elif buffer.kind not in (*PLACES, "robot", "feeder", "manual"):
            direct = [
                s for s in buffer.feeds_from if cell.station(s).kind not in ("buffer", "robot", "feeder", "manual")
            ]
            passed = _passages(outs, came, direct, [buffer.name])
            if not passed.is_empty():
                lanes = max(1, len(buffer.nests))
                left = (
                    outs.filter(pl.col("station") == buffer.name)
                    .select("part", left_m="m")
                    .unique("part", keep="first")
                )
                order = passed.join(left, on="part", how="left", maintain_order="left").sort("in_us", "m")
                found.append(order.select("m", p=pl.col("left_m").shift(lanes), thread=pl.lit("room")))
    return [f.cast(SCHEMA) for f in found]


def _passages(outs: pl.DataFrame, came: pl.DataFrame, above: list[str], below: list[str]) -> pl.DataFrame:
    """Parts that went from a station above to one below: part, m, out_us, in_m, in_us. Rejects never arrive."""
    first = (
        came.filter(pl.col("station").is_in(below))
        .sort("m")
        .unique("part", keep="first", maintain_order=True)
        .select("part", in_m="m", in_us="ts")
    )
    return (
        outs.filter(pl.col("station").is_in(above))
        .select("part", "m", out_us="ts")
        .join(first, on="part")
        .filter((pl.col("in_us") >= pl.col("out_us") - LATE_US) & (pl.col("in_m") != pl.col("m")))
        .unique("m", keep="first", maintain_order=True)
    )


def departures(seen: Moments, fates: pl.DataFrame) -> pl.DataFrame:
    """Moments at which a part left the cell, good or not: m, ts, outcome; in order of time.

    A part that was judged bad leaves with its last record, when somebody has taken it away.
    """
    gone = fates.filter(pl.col("done_us").is_not_null()).select("part", "outcome", "done_us")
    rows = seen.rows.filter(pl.col("part").is_not_null()).select("m", "ts", "part")
    good = pl.col("outcome") == "good"
    after = pl.col("ts") - pl.col("done_us")
    return (
        rows.join(gone, on="part")
        .filter((good & (after == 0)) | (~good & (after >= 0) & (after < TAKEN_AWAY_US)))
        .group_by("part", "done_us", "outcome", maintain_order=True)
        .agg(pl.col("m", "ts").max())
        .select("m", "ts", "outcome")
        .sort("ts", "m")
    )


def _entries(seen: Moments, cell: Cell) -> pl.DataFrame:
    return seen.table.filter(
        pl.col("station").is_in(cell.entries()) & pl.col("what").is_in(["start", "in"])
    ).select("m", "ts")  # fmt: skip


def _releases(seen: Moments, events: pl.DataFrame, fates: pl.DataFrame, cell: Cell) -> pl.DataFrame:
    """After a changeover the first part waits for its end, and the changeover began when the last part had left.

    The changeover itself is no moment of anybody: the entry is tied to the departure, the modes between tell the rest.
    Where a mode is missing, the end of one order and the start of the next say the same, if less sharply.
    """
    setups = pl.concat([_mode_changes(events), _order_changes(events)]).sort("ready_us", "setup_us")
    if setups.is_empty():
        return pl.DataFrame(schema=SCHEMA)
    left = departures(seen, fates).select(p="m", left_us="ts")
    setups = setups.sort("setup_us").join_asof(
        left.with_columns(early_us=pl.col("left_us") - LATE_US).sort("early_us"),
        left_on="setup_us", right_on="early_us", strategy="backward",
    )  # fmt: skip
    entries = _entries(seen, cell).sort("ts")
    first = setups.sort("ready_us").join_asof(
        entries.select(first_us="ts"), left_on="ready_us", right_on="first_us", strategy="forward", coalesce=False
    )
    # A part comes in and its cycle starts at one instant, in two records: either may be the one that waited.
    return (
        first.drop_nulls(["first_us", "p"])
        .unique("first_us", keep="last", maintain_order=True)
        .join(entries, left_on="first_us", right_on="ts")
        .select("m", "p", thread=pl.lit("release"))
        .cast(SCHEMA)
    )


def _mode_changes(events: pl.DataFrame) -> pl.DataFrame:
    """Runs of modes from setup to automatic: setup_us, ready_us."""
    mode = events.filter((pl.col("kind") == "mode") & pl.col("station").is_null()).sort("no")
    run = (pl.col("state") == "automatic").cast(pl.Int64).cum_sum().shift(1, fill_value=0)
    return (
        mode.select("ts", "state", run=run)
        .group_by("run", maintain_order=True)
        .agg(
            setup_us=pl.col("ts").filter(pl.col("state") == "setup").min(),
            ready_us=pl.col("ts").filter(pl.col("state") == "automatic").max(),
        )
        .select("setup_us", "ready_us")
        .drop_nulls()
    )


def _order_changes(events: pl.DataFrame) -> pl.DataFrame:
    """From the end of an order to the next start of one: setup_us, ready_us."""
    rows = events.filter(pl.col("order").is_not_null())
    ends = rows.filter(pl.col("kind") == "order_end").select(setup_us="ts").sort("setup_us")
    starts = rows.filter(pl.col("kind") == "order_start").select(ready_us="ts").sort("ready_us")
    return ends.join_asof(
        starts, left_on="setup_us", right_on="ready_us", strategy="forward", coalesce=False
    ).drop_nulls()


def _demands(seen: Moments, fates: pl.DataFrame, cell: Cell) -> pl.DataFrame:
    """A part thrown out calls for another: the last one before each entry."""
    lost = departures(seen, fates).filter(pl.col("outcome") != "good").select("ts", p="m")
    if lost.is_empty():
        return pl.DataFrame(schema=SCHEMA)
    return (
        _entries(seen, cell)
        .sort("ts")
        .join_asof(lost.sort("ts"), on="ts", strategy="backward")
        .select("m", "p", thread=pl.lit("demand"))
        .cast(SCHEMA)
    )


def _from_steps_to_starts(seen: Moments, found: pl.DataFrame) -> pl.DataFrame:
    """Where a robot says that it goes on, it goes on because of what its next step needs; the step itself then follows.

    What others contributed to a step is moved to all `go` and `start` moments since the robot's step before.
    """
    own = (
        seen.table.filter(pl.col("lane").is_in(seen.robots))
        .select("m", "lane", "what", "ts")
        .sort("lane", "m")
        .with_columns(
            is_start=pl.col("what").is_in(["go", "start"]), is_step=~pl.col("what").is_in(["go", "start", "wait"])
        )
        .with_columns(step_m=pl.when("is_step").then("m").backward_fill().over("lane"))
    )
    starts = own.filter(pl.col("is_start") & pl.col("step_m").is_not_null()).select(
        "step_m", start_m="m", start_us="ts"
    )
    others = pl.col("thread") != "own"
    times = seen.table.select(p="m", p_us="ts")
    moved = (
        found.filter(others)
        .join(starts, left_on="m", right_on="step_m")
        .join(times, on="p")
        .filter((pl.col("p_us") <= pl.col("start_us") + LATE_US) & (pl.col("p") != pl.col("start_m")))
        .select("p", "thread", "rank", m="start_m")
        .select(found.columns)
    )
    begun = starts.select(m="step_m").unique()
    return pl.concat(
        [found.join(begun, on="m", how="anti"), found.filter(~others).join(begun, on="m", how="semi"), moved]
    ).filter(_pair().is_first_distinct())
