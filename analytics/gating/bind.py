"""Binding: which of its candidates each moment waited for, with lags that the log itself shows.

A link has a least lag of its own: a move that nobody logs, a controller's scan, the length of a step stamped at its end
only. No case of a link is shorter than its lag, so the shortest case tells it. Where a link never binds this is too
long by its least slack, which can tie with the true link in those few cases only; a middle of the cases would be wrong
in all of them, and a stamp that lies makes a lag too short, which at worst loses a tie. Binding is the latest end plus
lag among the candidates.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from analytics.gating.moments import LATE_US, Moments

Ints = npt.NDArray[np.int64]

NOISE_US = 60_000
"""Two candidates whose ends plus lags differ by less are a tie: clocks, scans and jitter of steps."""
SCAN_US = 15_000
"""The same where all stands in one log: one clock, so only the scans of one controller."""
STEADY_US = 30_000
"""Times of a link that lie so close together are one time."""
GO_NOISE_US = 300_000
"""A robot goes on at once: what ends longer before is not what it waited for."""
SELF = ("carrier_change", "waiting_people", "waiting_material", "no_order", "off", "safety", "stopped")
"""Waits that no work of another station ends: they are charged for themselves, from when the one who waits began."""
LOOKED_FOR_THREADS = ("release", "demand")
UNEXPLAINED_US = 1_500_000
"""So much time without a cause is worth looking for an unusual one."""
NONE = -1
NEVER, TOO_LATE, UNLIKELY, OWN_WAIT, PLAIN, WOKE, LOOKED_FOR, BEGUN = range(-2, 6)
"""How far a candidate is to be believed; of a moment's candidates only those of its highest rank are compared."""


@dataclass(frozen=True)
class Binding:
    """What each moment waited for.

    table    m, p (null: bound to nothing), thread, kind, lag_us, over_us (what it took beyond the lag), margin_us (how
             much earlier the next candidate would have let it go; null: there is none), rival (m of that one), late
             (bool: even the best candidate came too late for its lag)
    lags     row (of the candidates), m, kind, lag_us of every candidate that can be one
    kinds    kind of link: kind, thread, lane, what, from_lane, from_what, lag_us
    """

    table: pl.DataFrame
    lags: pl.DataFrame
    kinds: pl.DataFrame


def bind(seen: Moments, found: pl.DataFrame) -> Binding:
    """Choose the binding candidate of every moment (see above)."""
    edges = _with_kinds(seen, found)
    ts = seen.table["ts"].to_numpy()
    m, p = edges["m"].to_numpy(), edges["p"].to_numpy()
    gap = ts[m] - ts[p]
    lag, spread = _lags(edges, gap)
    score = ts[p] + lag
    over = score - ts[m]  # how much too late for its lag
    go = edges["go"].to_numpy()
    allowed = np.where(go, GO_NOISE_US, np.maximum(NOISE_US, lag // 10))
    rank = _ranks(edges, score, over, allowed, ts, seen.n)

    best_rank = _largest(m, rank, seen.n)
    running = (rank == best_rank[m]) & (rank >= UNLIKELY)
    # None was in time: the one that is least too late.
    late = best_rank[m] < UNLIKELY
    looked_for = edges["thread"].is_in(LOOKED_FOR_THREADS).to_numpy()
    least = _smallest(m, np.where(looked_for, np.iinfo(np.int64).max, over), seen.n)
    running |= late & ~looked_for & (over == least[m])
    best = _largest(m, np.where(running, score, np.iinfo(np.int64).min), seen.n)
    alone = edges["one_log"].to_numpy() | ~(running & (score == best[m]))
    noise = np.where(
        edges["one_log"].to_numpy() & (_smallest(m, alone.astype(np.int64), seen.n)[m] == 1), SCAN_US, NOISE_US
    )
    near = running & (score >= best[m] - np.where(go, 0, noise))
    # Among equals the one that holds most steadily; then the latest end is the nearer witness; then the threads' order.
    steadiest = _smallest(m, np.where(near, spread, np.iinfo(np.int64).max), seen.n)[m]
    loose = spread > 2 * steadiest + STEADY_US
    order = np.lexsort((edges["rank"].to_numpy(), -ts[p], loose, ~near, m))
    chosen = np.zeros(len(m), dtype=bool)
    chosen[order[_firsts(m[order])]] = True
    chosen &= near
    other = ~chosen & (over <= allowed) & (rank >= UNLIKELY)
    rival_score = _largest(m, np.where(other, score, np.iinfo(np.int64).min), seen.n)
    rival = np.full(seen.n, NONE)
    is_rival = other & (score == rival_score[m])
    rival[m[is_rival]] = p[is_rival]

    bound = edges.filter(chosen).select("m", "p", "thread", "kind")
    at = np.flatnonzero(chosen)
    table = (
        seen.table.select("m")
        .join(
            bound.with_columns(
                lag_us=pl.Series(lag[at]),
                over_us=pl.Series(gap[at] - lag[at]),
                score=pl.Series(score[at]),
                late=pl.Series(late[at]),
            ),
            on="m", how="left", maintain_order="left",
        )
        .with_columns(rival=pl.Series(rival), rival_score=pl.Series(rival_score))
        .with_columns(
            rival=pl.when(pl.col("rival") >= 0).then("rival"),
            margin_us=pl.when(pl.col("rival") >= 0).then(
                (pl.min_horizontal("score", pl.Series(ts)) - pl.col("rival_score")).clip(0, None)
            ),
        )
        .select("m", "p", "thread", "kind", "lag_us", "over_us", "margin_us", "rival", "late")
    )  # fmt: skip
    lags = edges.select("row", "m", "kind", lag_us=pl.Series(lag))
    kinds = (
        edges.with_columns(lag_us=pl.Series(lag))
        .group_by("kind")
        .agg(pl.col("thread", "lane", "what", "from_lane", "from_what", "lag_us").first())
        .with_columns(pl.col("thread").cast(pl.String))
        .sort("lane", "what", "thread", "from_lane", "from_what", nulls_last=True)
    )
    return Binding(table, lags, kinds)


def _ranks(edges: pl.DataFrame, score: Ints, over: Ints, allowed: Ints, ts: Ints, n: int) -> Ints:
    """Say of each candidate how far it is to be believed; of those of the highest rank the latest binds."""
    m, go = edges["m"].to_numpy(), edges["go"].to_numpy()
    own = edges["thread"].eq("own").to_numpy()
    in_time = over <= allowed
    rank = np.where(in_time, PLAIN, TOO_LATE)
    # A robot that waited goes on because of another, if one ended just then; its own record is what is left.
    woke = go & ~own & ~edges["selfish"].to_numpy() & in_time & (over >= -allowed)
    rank = np.where(go & in_time, np.where(woke, WOKE, UNLIKELY), rank)
    rank = np.where(go & own, OWN_WAIT, rank)
    # The end of a station's cycle waits for nothing but its start, whatever a robot said in between.
    rank = np.where(edges["begins"].to_numpy(), BEGUN, rank)
    # A changeover's end or a part thrown out is looked for only where the rest leaves time unexplained.
    looked_for = edges["thread"].is_in(LOOKED_FOR_THREADS).to_numpy()
    plain = _largest(m, np.where(~go & ~looked_for & in_time, score, np.iinfo(np.int64).min), n)
    unexplained = plain[m] < ts[m] - np.maximum(4 * allowed, UNEXPLAINED_US)
    fits = edges["thread"].eq("release").to_numpy() | (over >= -np.maximum(allowed, GO_NOISE_US))
    found = unexplained & in_time & fits & (score > plain[m])
    ranks: Ints = np.where(looked_for, np.where(found, LOOKED_FOR, NEVER), rank)
    return ranks


def _with_kinds(seen: Moments, found: pl.DataFrame) -> pl.DataFrame:
    """Add to each candidate the kind of its link, and how the waiting of a robot is to be understood."""
    lanes, words = (pl.Enum(seen.table[name].drop_nulls().unique().sort()) for name in ("lane", "what"))
    coded = seen.table.select(
        "m", "ts", "lane", "what", "source",
        lane_no=pl.col("lane").cast(lanes).to_physical().cast(pl.Int64).fill_null(-1) + 1,
        what_no=pl.col("what").cast(words).to_physical().cast(pl.Int64) + 1,
        robot=pl.col("lane").is_in(seen.robots).fill_null(False),
        go=pl.col("what") == "go",
        state="state",
    )  # fmt: skip
    at_m, at_p = found["m"], found["p"]
    own = pl.col("thread") == "own"
    edges = pl.concat(
        [
            found.with_row_index("row"),
            coded.select("ts", "lane", "what", "lane_no", "what_no", "robot", "go", "source")[at_m],
            coded.select(
                robot_from="robot",
                p_us="ts",
                from_lane="lane",
                from_what="what",
                from_lane_no="lane_no",
                from_no="what_no",
                state="state",
                from_source="source",
            )[at_p],
        ],
        how="horizontal",
    ).filter(pl.col("p_us") <= pl.col("ts") + LATE_US)
    # Whatever a robot did before, its step takes its own time; from where it waited it has no way to go any more.
    anything = own & pl.col("robot") & (pl.col("from_what") != "go")
    ends = seen.rows.filter(pl.col("kind") == "cycle_end").select("m", from_lane="lane", ends=pl.lit(True)).unique()
    edges = edges.join(ends, on=["m", "from_lane"], how="left", maintain_order="left")
    begins = pl.col("ends").fill_null(False) & (pl.col("from_what") == "start") & ~pl.col("robot_from")
    selfish = edges.filter(own & pl.col("go") & pl.col("state").is_in(SELF).fill_null(False))["m"]
    n, w = len(lanes.categories) + 2, len(words.categories) + 2
    target = pl.col("lane_no") * w + pl.col("what_no")
    return edges.with_columns(
        target=target,
        kind=((pl.col("rank").cast(pl.Int64) * n * w + target) * n + pl.col("from_lane_no")) * w
        + pl.when(anything).then(0).otherwise("from_no"),
        from_what=pl.when(anything).then(pl.lit("")).otherwise("from_what"),
        begins=begins,
        one_log=(pl.col("source") == pl.col("from_source")).fill_null(False),
        selfish=pl.col("go") & pl.col("m").is_in(selfish.implode()),
    ).sort("m", "rank", "p")


def _lags(edges: pl.DataFrame, gap: Ints) -> tuple[Ints, Ints]:
    """Least lag of each candidate's kind of link, and how widely its times scatter, in microseconds.

    What is looked for only where nothing else explains a wait has what the moment's other links usually take.
    """
    kinds = (
        edges.select("kind", "target", "go", second=pl.col("thread").is_in(["release", "demand"]))
        .with_columns(gap=pl.Series(gap))
        .group_by("kind")
        .agg(
            pl.col("target", "go", "second").first(),
            low_us=pl.col("gap").min(),
            middle_us=pl.col("gap").median(),
            spread=pl.col("gap").quantile(0.75, "nearest") - pl.col("gap").quantile(0.25, "nearest"),
        )
    )
    plain = pl.when(~pl.col("second")).then("middle_us").min().over("target")
    lag = pl.when("go").then(0).when("second").then(pl.coalesce(plain, "middle_us")).otherwise("low_us")
    return _looked_up(edges, kinds, lag), _looked_up(edges, kinds, pl.col("spread"))


def _looked_up(edges: pl.DataFrame, kinds: pl.DataFrame, value: pl.Expr) -> Ints:
    told = edges.select("kind").join(
        kinds.select("kind", value=value.round().cast(pl.Int64)), on="kind", how="left", maintain_order="left"
    )
    found: Ints = told["value"].to_numpy()
    return found


def _largest(group: Ints, values: Ints, n: int) -> Ints:
    """Largest value per group; the groups stand in order. Groups without values get the least integer."""
    out = np.full(n, np.iinfo(np.int64).min)
    if len(group):
        starts = np.flatnonzero(_firsts(group))
        out[group[starts]] = np.maximum.reduceat(values, starts)
    return out


def _smallest(group: Ints, values: Ints, n: int) -> Ints:
    return -_largest(group, -np.maximum(values, np.iinfo(np.int64).min + 1), n)


def _firsts(group: Ints) -> npt.NDArray[np.bool_]:
    first = np.ones(len(group), dtype=bool)
    first[1:] = group[1:] != group[:-1]
    return first
