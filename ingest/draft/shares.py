"""How much of a column is true: the one figure that every guess rests on."""

from __future__ import annotations

import polars as pl


def share_of(truth: pl.Series) -> float:
    """Return the share of rows that are true; 0 for an empty column, null counts as no row."""
    mean = truth.mean()
    return float(mean) if isinstance(mean, int | float) else 0.0
