"""Sets: which are complete, when they became so, and which member came last."""

from __future__ import annotations

import polars as pl

from analytics.cell import Cell

SET_SCHEMA = {
    "set": pl.String,
    "product": pl.String,
    "first_us": pl.Int64,
    "last_us": pl.Int64,
    "placed": pl.Int64,
    "complete": pl.Boolean,
    "last_member": pl.String,
}


def sets(events: pl.DataFrame, cell: Cell, start_us: int, end_us: int) -> pl.DataFrame:
    """Follow the sets whose latest member was placed at the outlet within [start_us, end_us).

    Returns  one row per set, SET_SCHEMA. Complete means that every member of the set's composition is there in its
             number.
    """
    if not cell.sets:
        return pl.DataFrame(schema=SET_SCHEMA)
    need = pl.DataFrame(
        [(s.name, member, n) for s in cell.sets for member, n in s.members.items()],
        schema={"kit": pl.String, "member": pl.String, "need": pl.Int64},
        orient="row",
    )
    product = (
        events.filter(pl.col("product").is_not_null() & pl.col("part").is_not_null())
        .select("part", known="product")
        .unique("part", keep="last")
    )
    placed = (
        events.filter(
            (pl.col("kind") == "part_out")
            & (pl.col("station") == cell.outlet)
            & pl.col("set").is_not_null()
            & (pl.col("ts") < end_us)
        )
        .join(product, on="part", how="left", maintain_order="left")
        .with_columns(member=pl.coalesce("product", "known"))
        .join(need.select("member", "kit").unique("member"), on="member", how="left", maintain_order="left")
    )
    count = placed.group_by("set", "member").agg(n=pl.len().cast(pl.Int64))
    full = (
        placed.select("set", "kit")
        .unique()
        .join(need, on="kit")
        .join(count, on=["set", "member"], how="left")
        .group_by("set")
        .agg(complete=(pl.col("n").fill_null(0) >= pl.col("need")).all())
    )
    return (
        placed.sort("no")
        .group_by("set", maintain_order=True)
        .agg(
            product=pl.col("kit").first(), first_us=pl.col("ts").first(), last_us=pl.col("ts").last(),
            placed=pl.len().cast(pl.Int64), last_member=pl.col("member").last(),
        )
        .join(full, on="set", how="left", maintain_order="left")
        .with_columns(pl.col("complete").fill_null(False))
        .filter(pl.col("last_us") >= start_us)
        .select(pl.col(name).cast(dtype) for name, dtype in SET_SCHEMA.items())
    )  # fmt: skip
