"""Tiling: overlapping claims on a lane's time -> intervals without gap and without overlap."""

from __future__ import annotations

import polars as pl

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
        .join(lanes.select("lane"), on="lane", how="semi")
    )
    claims = disjoint(claims, ["lane", "level"]).with_row_index("claim")
    claims = claims.with_columns(pl.col("claim").cast(pl.Int64))
    levels = sorted(claims["level"].unique().to_list())
    column = {level: f"level_{level}" for level in levels}

    edges = pl.concat(
        [
            claims.select("lane", t="start_us", level="level", claim="claim"),
            claims.select("lane", t="end_us", level="level", claim=pl.lit(NO_CLAIM, pl.Int64)),
        ]
    ).filter(pl.col("t") < end_us)
    # At a common instant an end (-1) and a start (claim >= 0) of one level may meet: the start holds, hence max.
    steps = edges.group_by("lane", "t").agg(
        pl.col("claim").filter(pl.col("level") == level).max().alias(name) for level, name in column.items()
    )
    first = lanes.select(
        "lane", t=pl.lit(start_us, pl.Int64), **{name: pl.lit(NO_CLAIM, pl.Int64) for name in column.values()}
    )
    pieces = (
        pl.concat([first, steps], how="vertical")
        .group_by("lane", "t")
        .agg(pl.col(name).max() for name in column.values())
        .sort("lane", "t")
        .with_columns(pl.col(name).forward_fill().over("lane") for name in column.values())
        .select(
            "lane",
            "t",
            pl.coalesce(
                *(pl.when(pl.col(name) >= 0).then(pl.col(name)) for name in column.values()),
                pl.lit(NO_CLAIM, pl.Int64),
            ).alias("claim"),
        )
        .filter((pl.col("claim") != pl.col("claim").shift(1).over("lane")).fill_null(True))
        .with_columns(end_us=pl.col("t").shift(-1).over("lane").fill_null(end_us))
    )
    return pieces.join(claims.select("claim", "level", *payload), on="claim", how="left", maintain_order="left").select(
        "lane", start_us="t", end_us="end_us", level="level", **{c: pl.col(c) for c in payload}
    )


def cut(pieces: pl.DataFrame, tiles: pl.DataFrame, carry: list[str]) -> pl.DataFrame:
    """Cut pieces at the edges of a tiling of the same lanes and take columns over from it.

    Takes    pieces: lane, start_us, end_us, …; tiles: lane, start_us, end_us and the columns `carry`, tiling each lane.
    Returns  the columns of pieces and `carry`; lengths are kept exactly, a piece of no length stays whole.
    """
    tiles = tiles.sort("start_us").select(
        "lane", tile_start="start_us", tile_end="end_us", **{c: pl.col(c) for c in carry}
    )
    columns = pieces.columns
    instants = pieces.filter(pl.col("start_us") == pl.col("end_us"))
    instants = instants.sort("start_us").join_asof(
        tiles, left_on="start_us", right_on="tile_start", by="lane", strategy="backward", check_sortedness=False
    )
    # Few tiles, many pieces: find the first tile of each piece, then follow on while the piece reaches into the next.
    rest = pieces.filter(pl.col("start_us") < pl.col("end_us"))
    done = []
    while not rest.is_empty():
        found = rest.sort("start_us").join_asof(
            tiles, left_on="start_us", right_on="tile_start", by="lane", strategy="backward", check_sortedness=False
        )
        done.append(found.with_columns(end_us=pl.min_horizontal("end_us", "tile_end")))
        rest = found.filter(pl.col("end_us") > pl.col("tile_end")).with_columns(start_us="tile_end").select(columns)
    return pl.concat([instants, *done]).select(*columns, *carry).sort("lane", "start_us", maintain_order=True)
