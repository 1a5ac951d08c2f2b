"""Limits of what is measured on a part: [products.characteristics] of a cell file, and what can be wrong in them."""

from __future__ import annotations

from collections.abc import Iterator
from math import isfinite
from typing import TYPE_CHECKING

import polars as pl

from ingest.toml_file import Strict

if TYPE_CHECKING:
    from analytics.cell import Cell, Finding


class Characteristic(Strict):
    """What a measured value of a product may be. One limit is enough; a value on a limit is within it."""

    low: float | None = None
    high: float | None = None
    target: float | None = None
    """Where values should lie; default: the middle between two limits."""
    unit: str = ""


def limits(cell: Cell) -> pl.DataFrame:
    """One row per product and characteristic that has limits: product, characteristic, low, high, target, unit."""
    rows = [
        (p.name, name, c.low, c.high, c.target if c.target is not None else _middle(c), c.unit or None)
        for p in cell.products
        for name, c in p.characteristics.items()
    ]
    numbers = dict.fromkeys(("low", "high", "target"), pl.Float64)
    schema = {"product": pl.String, "characteristic": pl.String, **numbers, "unit": pl.String}
    return pl.DataFrame(rows, schema=schema, orient="row")


def _middle(c: Characteristic) -> float | None:
    return (c.low + c.high) / 2 if c.low is not None and c.high is not None else None


def wrong_limits(cell: Cell) -> Iterator[Finding]:
    """Tell what is wrong in the characteristics of the products."""
    for i, product in enumerate(cell.products):
        for name, c in product.characteristics.items():
            at = ("products", i, "characteristics", name)
            given = {k: v for k in ("low", "high", "target") if (v := getattr(c, k)) is not None}
            odd = [k for k, v in given.items() if not isfinite(v)]
            if odd:
                yield (*at, odd[0]), "a limit must be a number", str(given[odd[0]]), None, "leave out what has no limit"
            elif c.low is None and c.high is None:
                yield at, "this characteristic has no limit", None, None, "give `low`, `high` or both"
            elif c.low is not None and c.high is not None and c.low >= c.high:
                yield (*at, "high"), "not above low", f"{c.high:g}", f"> {c.low:g}", "exchange the two, or correct one"
            elif c.target is not None and not (given.get("low", c.target) <= c.target <= given.get("high", c.target)):
                span = " to ".join(f"{given[k]:g}" if k in given else "…" for k in ("low", "high"))
                message = "the target lies outside its limits"
                yield (*at, "target"), message, f"{c.target:g}", span, "correct one of them"
