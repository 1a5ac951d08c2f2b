"""The local hour that comes twice, resolved by hand-overs: an error of an hour shows against other sources."""

from __future__ import annotations

import polars as pl

from analytics.cell import Cell
from analytics.clocks.pairs import find_pairs
from analytics.links import links_of, reference_of

HOUR_US = 3_600_000_000
NEAR_US = HOUR_US // 4
AGREED = 0.9  # share of votes with which the order of a source's records stands


def resolve_by_links(events: pl.DataFrame, cell: Cell) -> pl.DataFrame:
    """Correct ts of doubled local times, resolved by the order of records, where hand-overs say otherwise.

    Takes    events with ts. A pair votes for the pass in which the source's offset is what it was before and after.
    Returns  the same rows in the same order. Where nine of ten votes of a source agree with its order, nothing changes;
             else each record goes to the pass of its own vote, or of the vote nearest to it in local time.
    """
    if not events["doubled"].any() or reference_of(cell) is None:
        return events
    twice = events.filter(pl.col("doubled").fill_null(False))
    reach = pl.col("ts").is_between(int(twice["ts"].min()) - 6 * HOUR_US, int(twice["ts"].max()) + 6 * HOUR_US)  # type: ignore[arg-type]
    series = find_pairs(events.filter(reach), links_of(cell), len(cell.links))
    sides = [
        pl.DataFrame(
            {"source": [mine] * len(own), "other": [theirs] * len(own), "ts": own, "theirs": other}
        ).with_columns(link=pl.lit(n), ahead=pl.col("ts") - pl.col("theirs"))
        for n, s in enumerate(series)
        for mine, theirs, own, other in (
            (s.cause, s.effect, s.cause_us, s.effect_us),
            (s.effect, s.cause, s.effect_us, s.cause_us),
        )
    ]
    if not sides:
        return events
    marks = twice.select("source", "ts").unique()
    pairs = (
        pl.concat(sides)
        .join(marks.with_columns(mine=True), on=["source", "ts"], how="left")
        .join(marks.select(other="source", theirs="ts").with_columns(their=True), on=["other", "theirs"], how="left")
        .filter(pl.col("their").is_null())  # what may itself be an hour off is no witness
    )
    usual = (
        pairs.filter(pl.col("mine").is_null()).group_by("source", "link", "other").agg(usual=pl.col("ahead").median())
    )
    off = pl.col("ahead") - pl.col("usual")
    votes = (
        pairs.filter(pl.col("mine"))
        .join(usual, on=["source", "link", "other"])
        .with_columns(
            move=pl.when(off.abs() < NEAR_US)
            .then(0)
            .when((off - HOUR_US).abs() < NEAR_US)
            .then(-HOUR_US)
            .when((off + HOUR_US).abs() < NEAR_US)
            .then(HOUR_US)
        )
        .drop_nulls("move")
        .group_by("source", "ts")
        .agg(move=pl.col("move").median().round().cast(pl.Int64))
    )
    wrong = votes.group_by("source").agg(((pl.col("move") == 0).mean() < AGREED).alias("wrong")).filter("wrong")
    if wrong.is_empty():
        return events
    local = pl.col("ts_source").cast(pl.Int64)
    told = twice.join(wrong, on="source", how="semi").with_columns(local=local)
    voted = told.join(votes, on=["source", "ts"]).with_columns(second=pl.col("ts") + pl.col("move") - pl.col("local"))
    passes = (
        voted.group_by("source", "local").agg(second=pl.col("second").median().round().cast(pl.Int64)).sort("local")
    )
    rows = events.with_row_index("row").with_columns(local=local)
    own = pl.col("doubled").fill_null(False) & pl.col("source").is_in(wrong["source"].to_list())
    moved = (
        rows.filter(own)
        .join(votes, on=["source", "ts"], how="left")
        .sort("local")
        .join_asof(passes, on="local", by="source", strategy="nearest", check_sortedness=False)
        .with_columns(
            ts=pl.when(pl.col("move").is_not_null())
            .then(pl.col("ts") + pl.col("move"))
            .otherwise(pl.col("local") + pl.col("second"))
        )
    )
    both = pl.concat([rows.filter(~own), moved.select(rows.columns)])
    return both.sort("row").drop("row", "local")
