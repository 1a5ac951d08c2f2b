"""Tiling: overlapping claims on a lane's time -> intervals without gap and without overlap."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import polars as pl

Ints = npt.NDArray[np.int64]

NO_CLAIM = -1


def disjoint(claims: pl.DataFrame, by: list[str]) -> pl.DataFrame:
    """Cut claims of one group so that they no longer overlap: the one that began first keeps its time.

    Takes    `by` columns, start_us, end_us and any payload.
    Returns  the same columns; claims that are wholly covered by earlier ones are gone.
    """
    if claims.is_empty():
        return claims
    return (
        claims.sort(
            *by, "start_us", "end_us", descending=[False] * (len(by) + 1) + [True], nulls_last=True, maintain_order=True
        )
        .with_columns(
            pl.max_horizontal(
                "start_us", pl.col("end_us").cum_max().shift(1).over(by).fill_null(pl.col("start_us"))
            ).alias("start_us")
        )
        .filter(pl.col("start_us") < pl.col("end_us"))
    )


def tile(claims: pl.DataFrame, lanes: pl.DataFrame, start_us: int, end_us: int) -> pl.DataFrame:
    """Give every instant of every lane to the claim of the lowest level that covers it.

    Takes    claims: lane, start_us, end_us, level (0 wins over 1 …) and any payload columns; lanes: lane.
    Returns  lane, start_us, end_us, level and the payload (null where nothing claims), sorted by lane and time. Per
             lane the rows cover [start_us, end_us) exactly once; neighbours that are the same claim are one row.
    """
    payload = [c for c in claims.columns if c not in ("lane", "start_us", "end_us", "level")]
    claims = (
        claims.with_columns(pl.col("start_us").clip(start_us, end_us), pl.col("end_us").clip(start_us, end_us))
        .filter(pl.col("start_us") < pl.col("end_us"))
        .join(lanes.select("lane"), on="lane", how="semi", maintain_order="left")
    )
    claims = disjoint(claims, ["lane", "level"])
    names, span_us = lanes["lane"].unique().sort(), end_us - start_us
    begins, ends = (_places(claims, column, names, start_us, span_us) for column in ("start_us", "end_us"))
    # An end at the end of the window is the beginning of the next lane.
    at = np.concatenate([np.arange(len(names)) * span_us, begins, ends[ends % span_us > 0]])
    at.sort(kind="stable")  # they come in runs, and numpy's unique does not use that
    at = at[np.r_[True, at[1:] != at[:-1]][: len(at)]]
    first, behind = np.searchsorted(at, begins), np.searchsorted(at, ends)
    claim = np.full(len(at), NO_CLAIM)
    level = claims["level"].to_numpy()
    for n in sorted(set(level.tolist()), reverse=True):  # painted one over the other, the lowest level last
        own = np.flatnonzero(level == n)
        claim[_ranges(first[own], behind[own])] = np.repeat(own, behind[own] - first[own])
    lane, into_us = at // span_us, at % span_us
    new = np.flatnonzero(np.r_[True, (claim[1:] != claim[:-1]) | (lane[1:] != lane[:-1])][: len(at)])
    until = np.r_[at[new][1:], len(names) * span_us][: len(new)] - lane[new] * span_us
    of = pl.Series(claim[new])
    of = of.set(of == NO_CLAIM, None)
    return pl.DataFrame(
        {"lane": names.gather(lane[new]), "start_us": into_us[new] + start_us, "end_us": until + start_us}
    ).with_columns(claims[c].gather(of) for c in ("level", *payload))


def cut(pieces: pl.DataFrame, tiles: pl.DataFrame, carry: list[str]) -> pl.DataFrame:
    """Cut pieces at the edges of a tiling of the same lanes and take columns over from it.

    Takes    pieces: lane, start_us, end_us, …; tiles: lane, start_us, end_us and the columns `carry`, tiling each lane.
    Returns  the columns of pieces and `carry`, sorted by lane and time, what has no length first; lengths are kept
             exactly, a piece of no length stays whole. A piece before the first tile of its lane is not cut.
    """
    if pieces.is_empty():
        return pieces.with_columns(pl.lit(None, tiles.schema[c]).alias(c) for c in carry)
    start_us = min(int(f["start_us"].min()) for f in (pieces, tiles))  # type: ignore[arg-type]
    span_us = max(int(f["end_us"].max()) for f in (pieces, tiles)) - start_us + 1  # type: ignore[arg-type]
    names = pl.concat([pieces["lane"], tiles["lane"]]).unique().sort()
    begins, ends = (_places(pieces, column, names, start_us, span_us) for column in ("start_us", "end_us"))
    tiles_at = _places(tiles, "start_us", names, start_us, span_us)
    tiles = tiles[np.argsort(tiles_at, kind="stable")]
    tiles_at.sort()
    first = np.searchsorted(tiles_at, begins, side="right") - 1
    known = (first >= 0) & (tiles_at[first] // span_us == begins // span_us)
    last = np.where(known & (ends > begins), np.searchsorted(tiles_at, ends) - 1, first)
    row, tile_ = np.repeat(np.arange(len(first)), last - first + 1), _ranges(first, last + 1)
    later, sooner = tile_ > first[row], tile_ < last[row]
    starts = np.where(later, tiles_at[tile_], begins[row])
    order = np.argsort(2 * starts + (ends > begins)[row], kind="stable")
    row, tile_, starts, later, sooner = row[order], tile_[order], starts[order], later[order], sooner[order]
    tile_of = pl.Series(tile_).set(pl.Series(~known[row]), None)
    return pieces[row].with_columns(
        pl.Series("start_us", starts % span_us + start_us),
        end_us=pl.when(pl.Series(sooner)).then(tiles["end_us"].gather(tile_of)).otherwise("end_us"),
        **{c: tiles[c].gather(tile_of) for c in carry},
    )


def _places(frame: pl.DataFrame, column: str, names: pl.Series, start_us: int, span_us: int) -> Ints:
    """Put the times of all lanes on one line, lane behind lane, so that one search finds a place in any of them."""
    first = {name: n * span_us for n, name in enumerate(names)}
    lane = pl.col("lane").replace_strict(first, return_dtype=pl.Int64)
    return np.array(frame.select(pl.col(column) - start_us + lane).to_series().to_numpy())


def _ranges(first: Ints, behind: Ints) -> Ints:
    """All numbers from each first to the one before each behind, range after range."""
    n = behind - first
    return np.asarray(np.arange(int(n.sum())) + np.repeat(first - (np.cumsum(n) - n), n))
