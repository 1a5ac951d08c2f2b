"""Charging: each piece of the chain goes to a station, a line and a cause, in a fixed order, to the microsecond.

First what a record names (no data, safety stop, alarms, waits that a controller states), then a planned stop, at most
what the piece took too long; what still exceeds the usual length is a stop without alarm; the usual over the plan is
slow running; the rest is work.
"""

from __future__ import annotations

import polars as pl

from analytics.busy_clock import busy_clock
from analytics.cell import CELL, Cell
from analytics.gating.usual import MOVE
from analytics.intervals import cut, tile
from analytics.ledger import NO_ALARM
from analytics.plan import BUSY, PLANNED_STOP

STATED = 7
"""Claims up to this level (analytics.claims) are stated by records; those behind are conclusions from gaps."""
SUPPLY_US = 20_000_000
"""A feeder that stood held the entry up only if it came back at most so long, breaks left out, before that went on."""
LEAST_US = 1_000_000
AGAIN_US = 5_000_000
"""What exceeds the usual by less is no stop."""
WORK = "work"
LASTING = ("planned_stop", "changeover", "carrier_change", "waiting_people", "waiting_material", "no_order")
"""What holds until another record says otherwise: if that is lost, work of its usual length shows that it is over."""
BOOKED = {
    "piece": pl.Int64, "start_us": pl.Int64, "end_us": pl.Int64, "line": pl.String, "cause": pl.String,
    "station": pl.String, "log_file": pl.String, "log_line": pl.Int64, "log_end_file": pl.String,
    "log_end_line": pl.Int64, "plan": pl.String,
}  # fmt: skip
UNEXPLAINED = "nothing logged explains it"

Frame = pl.DataFrame


def charge(pieces: Frame, tiles: Frame, plans: Frame, cell: Cell) -> Frame:
    """Book the pieces of a chain.

    Takes    pieces: those columns of `usual` and start_us, end_us, without gap; tiles: of every lane, with level, line,
             cause, blamed, waits_for; plans: the plan of every lane.
    Returns  BOOKED: piece (row number of `pieces`), line, cause, station (null: the whole cell) and the log lines of
             the record that names the cause; its rows cover the pieces exactly.
    """
    rows = (
        pieces.filter(pl.col("start_us") < pl.col("end_us"))
        .with_row_index("piece")
        .with_columns(pl.col("piece").cast(pl.Int64))
    )
    if rows.is_empty():
        return pl.DataFrame(schema=BOOKED)
    length = pl.col("end_us") - pl.col("start_us")
    fence = pl.max_horizontal(pl.lit(LEAST_US), (pl.col("level_us") / 5).cast(pl.Int64), 6 * pl.col("spread_us"))
    rows = rows.with_columns(fence_us=fence, over_us=length - pl.col("level_us"))
    segments = _segments(rows, _claims(rows, tiles, plans, cell))
    cell_plan = plans.filter(pl.col("lane") == CELL)
    segments = cut(segments.with_columns(lane=pl.lit(CELL)), cell_plan, ["plan"]).drop("lane")
    return _split(rows.join(_from_outside(rows, tiles, cell), on="piece", how="left"), segments, cell)


def _claims(rows: Frame, tiles: Frame, plans: Frame, cell: Cell) -> Frame:
    """What records say of the stations that a piece is about: piece, start_us, end_us, level and the claim."""
    supply = _feeders(cell)
    feeding = (pl.col("line") == "run") & pl.col("lane").is_in(supply["lane"].unique().implode())
    own_plan = plans.filter((pl.col("lane") != CELL) & (pl.col("plan") == PLANNED_STOP)).select(
        "lane", "start_us", "end_us", level=pl.lit(STATED, pl.Int64), line=pl.lit("planned_stop"), cause="plan_cause"
    )
    stated = pl.concat([tiles.filter((pl.col("level") <= STATED) | feeding), own_plan], how="diagonal").sort(
        "start_us", "lane"
    )
    if stated.is_empty():
        return stated.with_columns(piece=pl.lit(0, pl.Int64)).clear()
    hits = _met(rows, stated)
    tile_station = pl.col("lane").str.split(".").list.first()
    hits = hits.join(supply, on=["station", "lane"], how="left", maintain_order="left")
    acts = pl.col("lane") == pl.col("actor")
    own = (pl.col("lane") == pl.col("charged")) | (acts & pl.col("own_wait"))
    whole = pl.col("blamed") == CELL
    too_long = pl.col("over_us") > pl.col("fence_us")
    there = (acts | (tile_station == pl.col("at"))) & too_long
    feeds = pl.col("line") == "run"
    busy = busy_clock(plans.filter(pl.col("lane") == CELL))
    since = pl.Series(busy.at(hits["piece_end"].to_numpy()) - busy.at(hits["end_us"].to_numpy()))
    came_back = since.abs() <= SUPPLY_US
    supplied = pl.col("supplies").fill_null(False) & too_long & (came_back | feeds)
    rank = (
        pl.when(supplied & feeds)
        .then(30)
        .when(feeds)
        .then(None)
        .when(pl.col("line").is_in(LASTING) & ~too_long & ~pl.col("own_wait") & ~pl.col("unknown"))
        .then(None)
        .when(own.fill_null(False))
        .then(0)
        .when(there.fill_null(False))
        .then(10)
        .when(supplied)
        .then(20)
    )
    payload = ["line", "cause", "blamed", "waits_for", "log_file", "log_line", "log_end_file", "log_end_line"]
    return (
        hits.with_columns(rank=rank)
        .filter(pl.col("rank").is_not_null())
        .with_columns(
            start_us=pl.max_horizontal("start_us", "piece_start"),
            end_us=pl.min_horizontal("end_us", "piece_end"),
            # A robot that says where it waits, an alarm that names another: that one is charged.
            by=pl.when(whole.fill_null(False) | pl.col("line").is_in(["changeover", "no_data"]))
            .then(None)
            .otherwise(pl.coalesce("blamed", "waits_for", tile_station)),
            level=pl.col("level") + pl.col("rank"),
            line=pl.when(feeds).then(pl.lit(WORK)).otherwise("line"),
        )
        .select("piece", "start_us", "end_us", "level", "by", *payload)
    )


def _met(rows: Frame, tiles: Frame) -> Frame:
    """Join each tile to the pieces that it overlaps; the pieces lie behind one another, so they are a run of rows."""
    order = rows.sort("start_us")
    starts, ends = order["start_us"].to_numpy(), order["end_us"].to_numpy()
    first = ends.searchsorted(tiles["start_us"].to_numpy(), side="right")
    last = starts.searchsorted(tiles["end_us"].to_numpy(), side="left")
    hits = (
        tiles.with_columns(n=pl.int_ranges(pl.Series(first), pl.Series(last)))
        .filter(pl.col("n").list.len() > 0)
        .explode("n")
    )
    near = order.select(
        "piece", "charged", "at", "own_wait", "over_us", "fence_us", "station", "thread", "step", "unknown",
        piece_start="start_us", piece_end="end_us", actor="lane",
    )[hits["n"].cast(pl.Int64)]  # fmt: skip
    return pl.concat([hits.drop("n"), near], how="horizontal")


def _from_outside(rows: Frame, tiles: Frame, cell: Cell) -> Frame:
    """Where an entry waits and no record says for what, its own interval does: piece, outside (starved, no_order)."""
    lanes = cell.lanes().filter(pl.col("station").is_in(cell.entries()))["lane"]
    told = tiles.filter(
        (pl.col("level") > STATED)
        & pl.col("line").is_in(["starved", "no_order"])
        & pl.col("lane").is_in(lanes.implode())
    ).sort("start_us", "lane")
    if told.is_empty():
        return pl.DataFrame(schema={"piece": pl.Int64, "outside": pl.String})
    length = pl.min_horizontal("end_us", "piece_end") - pl.max_horizontal("start_us", "piece_start")
    return (
        _met(rows, told)
        .filter((pl.col("lane") == pl.col("charged")) & (pl.col("step") == MOVE))
        .with_columns(length=length)
        .sort("piece", "length", "line", descending=[False, True, False])
        .group_by("piece", maintain_order=True)
        .agg(outside=pl.col("line").first())
    )


def _feeders(cell: Cell) -> Frame:
    """Stations that bring parts nobody has numbered yet: station (that takes from them), lane, supplies (true)."""
    rows = [
        (s.name, up) for s in cell.stations for up in s.feeds_from
        if cell.station(up).kind in ("feeder", "manual") and up not in cell.entries()
    ]  # fmt: skip
    schema = {"station": pl.String, "lane": pl.String}
    return pl.DataFrame(rows, schema=schema, orient="row").with_columns(supplies=pl.lit(True))


def _segments(rows: Frame, claims: Frame) -> Frame:
    """Cut the pieces at what is claimed of them; the claim of the lowest level has the instant."""
    payload = ["line", "cause", "by", "log_file", "log_line", "log_end_file", "log_end_line"]
    plain = rows.join(claims.select("piece").unique(), on="piece", how="anti").select("piece", "start_us", "end_us")
    if claims.is_empty():
        return plain.with_columns(
            pl.lit(None, pl.Int64 if c.endswith("line") and c != "line" else pl.String).alias(c) for c in payload
        )
    held = rows.join(claims.select("piece").unique(), on="piece", how="semi")
    named = held.select(lane=pl.col("piece").cast(pl.String), piece_start="start_us", piece_end="end_us")
    tiles = (
        tile(
            claims.drop("piece", "blamed", "waits_for").with_columns(lane=claims["piece"].cast(pl.String)),
            named.select("lane"),
            int(rows["start_us"].min()),  # type: ignore[arg-type]
            int(rows["end_us"].max()),  # type: ignore[arg-type]
        )
        .join(named, on="lane", maintain_order="left")
        .with_columns(
            start_us=pl.max_horizontal("start_us", "piece_start"), end_us=pl.min_horizontal("end_us", "piece_end")
        )
        .filter(pl.col("start_us") < pl.col("end_us"))
    )
    return pl.concat(
        [plain, tiles.select(pl.col("lane").cast(pl.Int64).alias("piece"), "start_us", "end_us", *payload)],
        how="diagonal",
    )


def _split(rows: Frame, segments: Frame, cell: Cell) -> Frame:
    """Split what no record names into work, slow running and stops without alarm; they stand in this order."""
    limit = round(cell.micro_stop_s * 1e6)
    length = pl.col("end_us") - pl.col("start_us")
    free, busy = pl.col("line").is_null(), pl.col("plan") == BUSY
    sums = segments.group_by("piece").agg(
        free_us=length.filter(free).sum(),
        idle_us=length.filter(free & ~busy).sum(),
        no_data=(pl.col("line") == "no_data").any(),
        stated=(~free).any(),
    )
    need = rows.select(
        "piece",
        "thread",
        "level_us",
        "plan_us",
        "fence_us",
        "unknown",
        "own_wait",
        "station",
        "step",
        "at",
        "outside",
    ).join(sums, on="piece", maintain_order="left")
    over = (pl.col("free_us") - pl.col("level_us")).clip(0, None)
    # After a stated stop, or a changeover, it takes a moment to get going again: a move that nobody logs.
    plain_move = pl.col("step") == MOVE
    restarts = plain_move & (pl.col("stated") | (pl.col("thread") == "release")) & (pl.col("over_us") < AGAIN_US)
    need = (
        need.with_columns(paused_us=pl.min_horizontal(over, "idle_us"))
        .with_columns(over_us=over - pl.col("paused_us"))
        .with_columns(
            stop_us=pl.when(((pl.col("over_us") > pl.col("fence_us")) & ~restarts) | pl.col("own_wait"))
            .then("over_us")
            .otherwise(0)
        )
        .with_columns(done_us=pl.col("free_us") - pl.col("paused_us") - pl.col("stop_us"))
        .with_columns(work_us=pl.min_horizontal("done_us", pl.coalesce("plan_us", "done_us")))
    )
    # Work that went on in a planned stop need not be done after it.
    kept = pl.col("idle_us") - pl.col("paused_us")
    need = need.with_columns(
        work_us=(pl.col("work_us") - kept).clip(0, None), done_us=(pl.col("done_us") - kept).clip(0, None)
    )
    silent = pl.when(pl.col("stop_us") < limit).then(pl.lit("micro_stop")).otherwise(pl.lit("breakdown"))
    doubtful = pl.col("unknown") | pl.col("own_wait") | plain_move
    need = need.with_columns(
        stop_line=pl.when("no_data")
        .then(pl.lit("no_data"))
        .when(doubtful)
        .then(pl.col("outside").fill_null("unexplained"))
        .otherwise(silent),
        stop_cause=pl.when("no_data")
        .then(pl.lit("around missing data"))
        .when(doubtful)
        .then(pl.when(pl.col("outside").is_null()).then(pl.lit(UNEXPLAINED)))
        .otherwise(pl.lit(NO_ALARM)),
        stop_by=pl.when("no_data").then(None).when("own_wait").then(pl.coalesce("at", "station")).otherwise("station"),
    )
    named = segments.filter(~free).select(
        "piece", "start_us", "end_us", "line", "cause", "plan", "log_file", "log_line", "log_end_file", "log_end_line",
        station="by",
    )  # fmt: skip
    idle = segments.filter(free & ~busy).select(
        "piece", "start_us", "end_us", "plan", line=pl.lit("planned_stop"), cause=pl.lit(None, pl.String)
    )
    open_ = (
        segments.filter(free & busy)
        .sort("piece", "start_us")
        .join(need, on="piece", maintain_order="left")
        .with_columns(before_us=length.cum_sum().over("piece") - length)
    )

    def part(low: pl.Expr, high: pl.Expr, line: pl.Expr, cause: pl.Expr, station: pl.Expr) -> Frame:
        a, b = pl.col("start_us"), pl.col("end_us")
        since = (low - pl.col("before_us")).clip(0, None)
        until = (high - pl.col("before_us")).clip(0, None)
        return open_.select(
            "piece", "plan", start_us=pl.min_horizontal(a + since, b), end_us=pl.min_horizontal(a + until, b),
            line=line, cause=cause, station=station,
        ).filter(pl.col("start_us") < pl.col("end_us"))  # fmt: skip

    zero, end = pl.lit(0, pl.Int64), pl.lit(2**62, pl.Int64)
    nothing = pl.lit(None, pl.String)
    by = pl.col("station")
    done = pl.concat(
        [
            named,
            idle,
            part(zero, pl.col("work_us"), pl.lit(WORK), nothing, by),
            part(pl.col("work_us"), pl.col("done_us"), pl.lit("slow_cycle"), nothing, by),
            part(pl.col("done_us"), end, pl.col("stop_line"), pl.col("stop_cause"), pl.col("stop_by")),
        ],
        how="diagonal",
    )
    return done.select(pl.col(name).cast(dtype) for name, dtype in BOOKED.items()).sort("start_us", "end_us")
