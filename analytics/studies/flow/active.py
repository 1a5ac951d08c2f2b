"""Active periods: how long stations go without waiting, and the bottleneck that shifts among them.

A station is active while it works, is stopped, set up or changes its carrier, and not while it waits for another
(Roser, Nakano & Tanaka, Winter Simulation Conference 2001 and 2002).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import polars as pl

from analytics.ledger import STOP_LINES
from analytics.roots import WORK
from analytics.statistics.time_in_bins import instants

OUTSIDE = ("waiting_people", "waiting_material", "no_order")
ACTIVE = (*WORK, *(line for line in STOP_LINES if line not in OUTSIDE))
"""Lines on which a station is active. Waiting for people, material or an order is waiting, for somebody outside."""
BOOKS = ("active", "starved", "blocked", "outside", "unknown")
FEW_GAPS = 20
"""Lanes with fewer waits tell nothing of how long a hand-over takes."""
NOISE_US = 100_000
"""Shorter waits are within what the stamps of two records are worth."""

Ints = npt.NDArray[np.int64]


def books(line: pl.Expr) -> pl.Expr:
    """What a line of the account is to the flow: active, starved, blocked, outside or unknown."""
    return (
        pl.when(line.is_in(ACTIVE)).then(_book("active"))
        .when(line == "starved").then(_book("starved"))
        .when(line == "blocked").then(_book("blocked"))
        .when(line.is_in(OUTSIDE)).then(_book("outside"))
        .otherwise(_book("unknown"))
    )  # fmt: skip


def _book(name: str) -> pl.Expr:
    return pl.lit(name, dtype=pl.Enum(BOOKS))


def merged(spans: pl.DataFrame, bridge_us: int = 0) -> pl.DataFrame:
    """Join the spans of a lane that touch, or lie no further apart than bridge_us: lane, start_us, end_us."""
    some = spans.select("lane", "start_us", "end_us").filter(pl.col("start_us") < pl.col("end_us"))
    parts = []
    for own in some.sort("lane", maintain_order=True).partition_by("lane", maintain_order=True):
        start, end = own["start_us"].to_numpy(), own["end_us"].to_numpy()
        if (np.diff(start) < 0).any():
            order = np.argsort(start, kind="stable")
            start, end = start[order], end[order]
        reach = np.maximum.accumulate(end)
        fresh = np.flatnonzero(np.append(True, start[1:] - reach[:-1] > bridge_us))
        last = np.append(fresh[1:], len(start)) - 1
        parts.append(own[: len(fresh)].with_columns(start_us=pl.Series(start[fresh]), end_us=pl.Series(reach[last])))
    return pl.concat(parts) if parts else some


def handover_us(pieces: pl.DataFrame, most_us: int) -> int:
    """How long a wait may be and still be the hand-over between two works, not a wait.

    Takes    pieces: lane, start_us, end_us, book. The tenth percentile of a lane's waits is its usual hand-over or
             more; the lane with the least of them shows it best.
    Returns  one and a half times that, `most_us` at most and NOISE_US at least.
    """
    waits = merged(pieces.filter(pl.col("book").is_in(["starved", "blocked"])))
    usual = (
        waits.group_by("lane")
        .agg(n=pl.len(), us=(pl.col("end_us") - pl.col("start_us")).quantile(0.1))
        .filter(pl.col("n") >= FEW_GAPS)["us"]
        .min()
    )
    found = 0 if usual is None else min(round(1.5 * float(usual)), most_us)  # type: ignore[arg-type]
    return max(found, NOISE_US)


def active_periods(pieces: pl.DataFrame, edges: pl.DataFrame, bridge_us: int = 0) -> pl.DataFrame:
    """Merge active time into uninterrupted periods.

    Takes    pieces: lane, start_us, end_us, book; edges: lane, start_us, end_us of the time that is looked at.
    Returns  lane, start_us, end_us, cut (it may have gone on beyond an edge), in order of lane and time.
    """
    periods = merged(pieces.filter(pl.col("book") == "active"), bridge_us)
    looked_at = merged(edges)
    begins = looked_at.select("lane", "start_us", from_edge=pl.lit(True))
    ends = looked_at.select("lane", "end_us", to_edge=pl.lit(True))
    return (
        periods.join(begins, on=["lane", "start_us"], how="left", maintain_order="left")
        .join(ends, on=["lane", "end_us"], how="left", maintain_order="left")
        .select(
            "lane", "start_us", "end_us", cut=pl.col("from_edge").fill_null(False) | pl.col("to_edge").fill_null(False)
        )
    )


def momentary(periods: pl.DataFrame) -> pl.DataFrame:
    """Follow the bottleneck from one longest active period to the next.

    Takes    periods: lane, start_us, end_us; those of a lane do not overlap.
    Returns  the chosen periods: lane, start_us, end_us, tie (another lane's was as long: both are kept), in order of
             time. One stays until its end; then comes the longest that is under way, else the next to begin.
    """
    if periods.is_empty():
        return periods.clear().select("lane", "start_us", "end_us", tie=pl.lit(False))
    rows = _not_within_longer(periods).sort("start_us", "end_us", "lane")
    start, end = rows["start_us"].to_numpy(), rows["end_us"].to_numpy()
    by_lane = rows.select("lane", row=pl.int_range(pl.len())).group_by("lane").agg("row").sort("lane")
    own = [at.to_numpy() for at in by_lane["row"]]
    # What covers the end of each period, lane by lane; the first instant of all is one more question.
    asked = np.concatenate([[start[0]], end])
    found = np.full((len(asked), len(own)), -1, dtype=np.int32)
    longest = np.full(len(asked), -1, dtype=np.int64)  # of what covers the instant: how long, which ends last, how many
    answer = np.full(len(asked), -1, dtype=np.int64)
    ties = np.zeros(len(asked), dtype=np.int64)
    for n, at in enumerate(own):
        last = np.searchsorted(start[at], asked, side="right") - 1
        covers = (last >= 0) & (end[at][np.maximum(last, 0)] > asked)
        this = np.where(covers, at[np.maximum(last, 0)], -1)
        found[:, n] = this
        length = np.where(covers, end[this] - start[this], -1)
        ties = np.where(length > longest, 1, ties + (covers & (length == longest)))
        better = (length > longest) | (covers & (length == longest) & (end[this] > end[answer]))
        answer = np.where(better, this, answer)
        longest = np.maximum(longest, length)
    # Where nothing is under way: all that begin next, at one instant.
    upcoming = np.searchsorted(start, asked, side="left").tolist()
    ready, many = answer.tolist(), (ties > 1).tolist()
    chosen: dict[int, bool] = {}
    question = 0
    while True:
        period = ready[question]
        if period >= 0 and not many[question]:
            chosen.setdefault(period, False)
            question = 1 + period
            continue
        some = found[question][found[question] >= 0]
        if not len(some):
            first = upcoming[question]
            if first >= len(start):
                break
            some = np.flatnonzero(start == start[first])
        lengths = end[some] - start[some]
        equal = some[lengths == lengths.max()]
        for one in equal:
            chosen[int(one)] = chosen.get(int(one), False) or len(equal) > 1
        question = 1 + int(equal[np.argmax(end[equal])])
    kept = sorted(chosen)
    return rows[kept].select("lane", "start_us", "end_us", tie=pl.Series([chosen[k] for k in kept], dtype=pl.Boolean))


def _not_within_longer(periods: pl.DataFrame) -> pl.DataFrame:
    """Leave out the periods that lie within a longer one: whenever they are under way or begin, so does that one."""
    start, end = periods["start_us"].to_numpy(), periods["end_us"].to_numpy()
    order = np.lexsort((-end, start))
    reach = np.maximum.accumulate(end[order])
    return periods[np.sort(order[end[order] == reach])]


def roles(chain: pl.DataFrame) -> pl.DataFrame:
    """Cut the chosen periods where they overlap: lane, start_us, end_us, role (sole, or shifting while two overlap)."""
    edges = instants(chain["start_us"].to_numpy(), chain["end_us"].to_numpy())
    lanes = sorted(chain["lane"].unique().to_list())
    under_way = (
        np.stack([_covers(chain.filter(pl.col("lane") == lane), edges[:-1]) for lane in lanes], axis=1)
        if lanes
        else np.zeros((0, 0), dtype=bool)
    )
    piece, lane = np.nonzero(under_way)
    many = under_way.sum(axis=1)[piece] > 1
    frame = pl.DataFrame(
        {
            "lane": pl.Series([lanes[n] for n in lane], dtype=pl.String),
            "start_us": pl.Series(edges[piece], dtype=pl.Int64),
            "end_us": pl.Series(edges[piece + 1] if len(piece) else [], dtype=pl.Int64),
            "role": pl.Series(np.where(many, "shifting", "sole"), dtype=pl.String),
        }
    )
    joined = [
        merged(frame.filter(pl.col("role") == role)).with_columns(role=pl.lit(role)) for role in ("sole", "shifting")
    ]
    return pl.concat(joined).sort("start_us", "lane")


def _covers(spans: pl.DataFrame, at: Ints) -> npt.NDArray[np.bool_]:
    """Tell for each instant whether one of a lane's spans covers it; spans do not overlap."""
    if spans.is_empty():
        return np.zeros(len(at), dtype=np.bool_)
    start, end = spans["start_us"].to_numpy(), spans["end_us"].to_numpy()
    order = np.argsort(start)
    start, end = start[order], end[order]
    last = np.searchsorted(start, at, side="right") - 1
    result: npt.NDArray[np.bool_] = (last >= 0) & (end[np.maximum(last, 0)] > at)
    return result


def average_active(periods: pl.DataFrame, confidence: float = 0.95) -> pl.DataFrame:
    """Mean length of the active periods of each lane with its interval (Student's t; null for a single period).

    Returns  lane, periods_n, cut_n, mean_us, low_us, high_us; the longest mean first.
    """
    from scipy.special import stdtrit

    length = (pl.col("end_us") - pl.col("start_us")).cast(pl.Float64)
    rows = periods.group_by("lane").agg(
        periods_n=pl.len().cast(pl.Int64),
        cut_n=pl.col("cut").sum().cast(pl.Int64),
        mean_us=length.mean(),
        spread=length.std() / pl.len().sqrt(),
    )
    n = rows["periods_n"].to_numpy()
    reach = pl.Series("reach", stdtrit(np.maximum(n - 1, 1), (1 + confidence) / 2), dtype=pl.Float64)
    half = pl.col("spread") * pl.col("reach")
    return (
        rows.with_columns(reach)
        .with_columns(low_us=(pl.col("mean_us") - half).clip(0), high_us=pl.col("mean_us") + half)
        .with_columns(pl.col("mean_us", "low_us", "high_us").round().cast(pl.Int64))
        .select("lane", "periods_n", "cut_n", "mean_us", "low_us", "high_us")
        .sort("mean_us", "lane", descending=[True, False])
    )


def overlap(gate: pl.DataFrame, role: pl.DataFrame) -> pl.DataFrame:
    """Lay the gating chain beside the momentary bottleneck.

    Takes    gate: station, start_us, end_us (without overlap); role: station, start_us, end_us (may overlap).
    Returns  start_us, end_us, station (that gates), agrees (the momentary bottleneck is there, too; null: none is).
    """
    gate, role = gate.filter(pl.col("start_us") < pl.col("end_us")), role.filter(pl.col("start_us") < pl.col("end_us"))
    none = pl.DataFrame(schema={"start_us": pl.Int64, "end_us": pl.Int64, "station": pl.String, "agrees": pl.Boolean})
    if gate.is_empty():
        return none
    edges = instants(*(frame[c].to_numpy() for frame in (gate, role) for c in ("start_us", "end_us")))
    stations = sorted(set(gate["station"].drop_nulls().to_list()) | set(role["station"].to_list()))
    covers = np.zeros((len(edges) - 1, len(stations)), dtype=bool)
    gates = np.zeros_like(covers)
    for n, name in enumerate(stations):
        spans = merged(role.filter(pl.col("station") == name).rename({"station": "lane"}))
        covers[:, n] = _covers(spans, edges[:-1])
        gates[:, n] = _covers(gate.filter(pl.col("station") == name), edges[:-1])
    piece, station = np.nonzero(gates)
    some = covers[piece].any(axis=1)
    return pl.DataFrame(
        {
            "start_us": pl.Series(edges[:-1][piece], dtype=pl.Int64),
            "end_us": pl.Series(edges[1:][piece], dtype=pl.Int64),
            "station": pl.Series([stations[n] for n in station], dtype=pl.String),
            "agrees": pl.Series(covers[piece, station], dtype=pl.Boolean).set(pl.Series(~some, dtype=pl.Boolean), None),
        }
    )
