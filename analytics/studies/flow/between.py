"""What lies between the stations, and whether work in process, throughput and time inside fit together."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from analytics.cell import PLACES, Cell

STAY = ("part", "left", "next", "start_us", "end_us")
LATE_US = 100_000
"""By so much the clocks of two stations may differ."""


def all_passages(logged: pl.DataFrame | None, visits: pl.DataFrame) -> tuple[pl.DataFrame, list[str]]:
    """Complete what the log says of arrivals and departures by the work on the parts.

    Takes    logged: us, kind (part_in, part_out), station, part; None where none are kept. visits: part, station,
             start_us, end_us; one row per cycle.
    Returns  passages like `logged`: where a station logs no arrivals (departures), its cycles' starts (ends) stand for
             them; and the stations whose finished parts therefore count as gone while they may still be there.
    """
    own = visits.filter(_named())
    known = own.clear().select(us="start_us", kind=pl.lit("part_in"), station="station", part="part")
    if logged is not None:
        known = logged.select(known.columns).filter(_named())
    filled = [known]
    for kind, column in (("part_in", "start_us"), ("part_out", "end_us")):
        silent = own.join(known.filter(pl.col("kind") == kind), on="station", how="anti")
        filled.append(silent.select("station", "part", us=column, kind=pl.lit(kind, dtype=known.schema["kind"])))
    passages = pl.concat([f.select(known.columns) for f in filled])
    return passages, sorted(filled[2]["station"].unique().to_list())


def stays_between(passages: pl.DataFrame, done: pl.DataFrame, cell: Cell) -> pl.DataFrame:
    """Pair each departure of a part with its next arrival.

    Takes    passages: us, kind (part_in, part_out), station, part; done: part, done_us (left the cell).
    Returns  STAY, one row per part between two stations: end null while it has not arrived, start null where only its
             arrival is known. Departures of parts that are done have no stay. Two clocks may put an arrival a little
             before the departure: up to LATE_US it still is the arrival after it.
    """
    out, part, late = pl.col("kind") == "part_out", pl.col("number"), pl.lit(LATE_US)
    rows = passages.select("us", "station", "part", out=out, number=numbers(pl.col("part")))
    rows = rows.with_columns(order=pl.col("us") - pl.when("out").then(late).otherwise(0))
    rows = rows.sort("number", "order", "out", "us", "station", descending=[False, False, True, False, False])
    goes_on = part == part.shift(-1)
    rows = rows.with_columns(
        out_=pl.when(goes_on).then(pl.col("out").shift(-1)), station_=pl.col("station").shift(-1),
        us_=pl.col("us").shift(-1), first=(part != part.shift(1)).fill_null(True),
    )  # fmt: skip
    moved = rows.filter("out", ~pl.col("out_"), pl.col("station") != pl.col("station_")).select(
        "part", left="station", next="station_", start_us=pl.min_horizontal("us", "us_"), end_us="us_"
    )
    usual_next = moved.group_by("left").agg(next=pl.col("next").mode().sort().first())
    usual_left = moved.group_by("next").agg(left=pl.col("left").mode().sort().first())
    on_the_way = (
        rows.filter("out", pl.col("out_").is_null(), pl.col("station") != cell.outlet)
        .join(done.select(pl.col("part").cast(rows.schema["part"])).unique(), on="part", how="anti")
        .join(usual_next, left_on="station", right_on="left")
        .select("part", "next", left="station", start_us="us", end_us=pl.lit(None, pl.Int64))
    )
    unseen = (
        rows.filter(~pl.col("out"), "first", ~pl.col("station").is_in(cell.entries()))
        .join(usual_left, left_on="station", right_on="next")
        .select("part", "left", next="station", start_us=pl.lit(None, pl.Int64), end_us="us")
    )
    stays = pl.concat([f.select(STAY) for f in (moved, on_the_way, unseen)])
    return stays.sort("left", "next", "start_us", "end_us", "part", nulls_last=True)


def numbers(names: pl.Expr) -> pl.Expr:
    """A number per name: quicker to sort by than the names, in whatever order."""
    return names.cast(pl.Categorical).to_physical()


def _named() -> pl.Expr:
    return pl.col("part").is_not_null() & pl.col("station").is_not_null()


def places_between(cell: Cell, left: str, after: str) -> int | None:
    """Places of the buffers between two stations; None where no capacity is given or no buffer lies there."""
    on_way: set[str] = set()
    todo = [name for name in cell.station(after).feeds_from if cell.station(name).kind in PLACES and name != left]
    while todo:
        name = todo.pop()
        if name not in on_way:
            on_way.add(name)
            todo += [n for n in cell.station(name).feeds_from if cell.station(n).kind in PLACES and n != left]
    reaches = {n for name in (after, *on_way) for n in cell.station(name).feeds_from}
    capacity = [cell.station(name).capacity for name in on_way]
    if not on_way or left not in reaches or None in capacity:
        return None
    return sum(c for c in capacity if c is not None)


@dataclass(frozen=True)
class Little:
    """Work in process against throughput times stay, over one window. All by counting, none assumed."""

    mean_wip: float  # time average of the number inside
    throughput_per_us: float
    mean_stay_us: float | None  # of the parts that left in the window, from first to last record
    out: int
    edges: float  # what parts that were inside at the window's edges add to the mean number
    rest: float  # what remains: parts that were counted but not followed

    @property
    def by_little(self) -> float | None:
        """Throughput x mean stay."""
        return None if self.mean_stay_us is None else self.throughput_per_us * self.mean_stay_us


def little(stays: pl.DataFrame, moves: pl.DataFrame, opening: int, from_us: int, to_us: int) -> Little | None:
    """Hold the number of parts inside against Little's law: mean number = throughput x mean stay.

    Takes    stays: fed_us, done_us (null while inside); moves: us, step (+1 in, -1 out) within the window; opening:
             parts inside at its start. Number and throughput come from the moves, the stay from the parts.
    Returns  None for an empty window. On a window that begins and ends empty, edges is 0.
    """
    length = to_us - from_us
    if length <= 0:
        return None
    inside = moves.filter((pl.col("us") >= from_us) & (pl.col("us") < to_us))
    lasting = int((inside["step"] * (to_us - inside["us"])).sum())
    mean = opening + lasting / length
    left = stays.filter((pl.col("done_us") >= from_us) & (pl.col("done_us") < to_us))
    out = int((inside["step"] < 0).sum())
    start, end = pl.col("fed_us").clip(from_us, to_us), pl.col("done_us").fill_null(to_us).clip(from_us, to_us)
    within = int(stays.select((end - start).clip(0).sum()).item())
    whole = int((left["done_us"] - left["fed_us"]).sum())
    edges = (within - whole) / length
    mean_stay = whole / left.height if left.height else None
    by_little = 0.0 if mean_stay is None else out / length * mean_stay
    return Little(mean, out / length, mean_stay, out, edges, mean - by_little - edges)
