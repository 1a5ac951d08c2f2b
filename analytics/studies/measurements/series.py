"""Measured values with what they belong to: product, limits, and the nests that the part came through."""

from __future__ import annotations

import numpy as np
import polars as pl

HOUR_US = 3_600_000_000
BEFORE_US = 4 * HOUR_US
"""A part's cycle this long before its measurement still is of the same part; numbers may be used again."""
ALL = "all products"

VALUES = ["station", "nest", "characteristic", "product", "at_us", "part", "value", "low", "high", "target", "share"]


def values(measured: pl.DataFrame, cycles: pl.DataFrame, limits: pl.DataFrame) -> pl.DataFrame:
    """Bring measurements together with their product and its limits.

    Takes    measured: at_us, station, nest, part, product, characteristic, value, unit; any order.
             cycles: station, nest, part, product, end_us. limits: product, characteristic, low, high, target, unit.
    Returns  one row per measurement with a finite value, in order of series and time: row, VALUES, unit, unit_fits
             (bool). product: as the measurement says, else of the part's nearest cycle at most BEFORE_US away; null
             when nobody says. low, high, target: null where the cell file has none or in another unit. share:
             deviation from the middle in half widths (−1 and 1 are the limits); null without two limits.
    """
    known = cycles.filter(pl.col("product").is_not_null()).select("end_us", part_="part", told="product")
    known = known.sort("end_us", "told")
    named = (
        measured.filter(pl.col("value").is_finite())
        .with_columns(part_=pl.col("part").cast(cycles.schema["part"]))
        .sort("at_us")
        .join_asof(
            known, left_on="at_us", right_on="end_us", by="part_", strategy="nearest", tolerance=BEFORE_US,
            check_sortedness=False,
        )
        .with_columns(product=pl.coalesce("product", pl.col("told").cast(pl.String)))
        .join(limits.rename({"unit": "limit_unit"}), on=["product", "characteristic"], how="left")
    )  # fmt: skip
    fits = pl.col("unit").is_null() | pl.col("limit_unit").is_null() | (pl.col("unit") == pl.col("limit_unit"))
    cut = named.with_columns(pl.when(fits).then(c).alias(c) for c in ("low", "high", "target"))
    half = (pl.col("high") - pl.col("low")) / 2
    return (
        cut.with_columns(unit_fits=fits, share=(pl.col("value") - (pl.col("high") + pl.col("low")) / 2) / half)
        .select(*VALUES, "unit", "unit_fits")
        .sort("station", "nest", "characteristic", "product", "at_us", "part", "value", nulls_last=True)
        .with_row_index("row")
    )


def through_nests(frame: pl.DataFrame, cycles: pl.DataFrame) -> pl.DataFrame:
    """Return one row per measurement and nest that its part came through before: VALUES, and through (`press.1`)."""
    rows = []
    named = cycles.filter(pl.col("nest").is_not_null())
    for (station,), own in named.group_by("station", maintain_order=True):
        if own["nest"].n_unique() < 2:
            continue
        through = f"{station}." + pl.col("nest").cast(pl.String)
        came = own.select(part_="part", came_us="end_us", through=through).sort("came_us", "through")
        rows.append(
            frame.filter(pl.col("station") != station)
            .with_columns(part_=pl.col("part").cast(cycles.schema["part"]))
            .sort("at_us")
            .join_asof(
                came, left_on="at_us", right_on="came_us", by="part_", strategy="backward", tolerance=BEFORE_US,
                check_sortedness=False,
            )
            .filter(pl.col("through").is_not_null())
            .drop("came_us")
        )  # fmt: skip
    empty = frame.clear().with_columns(through=pl.lit(None, pl.String))
    return pl.concat(rows).select(empty.columns) if rows else empty


def series_of(frame: pl.DataFrame) -> list[tuple[dict[str, str | None], pl.DataFrame]]:
    """Split values into series: one per station, nest of it, characteristic and product, in order of time.

    Where at least two products have limits on both sides, one more comes before theirs and holds them all (product
    ALL), its value being the deviation in half widths: a gauge that drifts does so for all.
    """
    keys = ["station", "nest", "characteristic"]
    found: list[tuple[dict[str, str | None], pl.DataFrame]] = []
    for key, place in frame.group_by(keys, maintain_order=True):
        names: dict[str, str | None] = dict(zip(keys, key, strict=True))
        limited = place.filter(pl.col("share").is_not_null())
        if limited["product"].n_unique() > 1:
            both = limited.with_columns(value=pl.col("share"), low=pl.lit(-1.0), high=pl.lit(1.0), target=pl.lit(0.0))
            found.append(({**names, "product": ALL}, both.sort("at_us", "part", "value", nulls_last=True)))
        for (product,), own in place.group_by("product", maintain_order=True):
            found.append(({**names, "product": product}, own))
    return found


def beyond_all(own: pl.DataFrame, everyone: pl.DataFrame, levels: np.ndarray) -> pl.DataFrame:
    """Take off a product's values what all products do at that time, as if all had stood where they stand at the end.

    Takes    own: values of one product; everyone: those of the series ALL; levels: its level at each of them.
    Returns  own with other values, so that what still drifts or steps is the product's own doing.
    """
    told = everyone.select("row", moved=pl.Series(levels - levels[-1]))
    half = (pl.col("high") - pl.col("low")) / 2
    return (
        own.join(told, on="row", how="left", maintain_order="left")
        .with_columns(value=pl.col("value") - (pl.col("moved") * half).fill_null(0.0))
        .drop("moved")
    )
