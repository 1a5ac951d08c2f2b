"""What the logs themselves tell of the plan: orders, hand-fed running, planned stops. From prepared events."""

from __future__ import annotations

import polars as pl

from analytics.cell import Cell
from analytics.plan import Stop


def orders_told(events: pl.DataFrame, end_us: int) -> pl.DataFrame:
    """Orders as intervals: order, product, quantity, start_us, end_us (the end of the window while open)."""
    rows = events.filter(pl.col("kind").is_in(["order_start", "order_end"]) & pl.col("order").is_not_null())
    return (
        rows.group_by("order", maintain_order=True)
        .agg(
            product=pl.col("product").drop_nulls().first(),
            quantity=pl.col("value").filter(pl.col("kind") == "order_start").first(),
            start_us=pl.col("ts").filter(pl.col("kind") == "order_start").min(),
            end_us=pl.col("ts").filter(pl.col("kind") == "order_end").max(),
        )
        .filter(pl.col("start_us").is_not_null())
        .with_columns(pl.col("end_us").fill_null(end_us))
        .sort("start_us")
    )


def hand_fed_spans(orders: pl.DataFrame, cell: Cell) -> list[tuple[int, int]]:
    """Times in which an order of a hand-fed product, or of its set, runs."""
    names = {p.name for p in cell.products if p.hand_fed} | {p.set for p in cell.products if p.hand_fed and p.set}
    rows = orders.filter(pl.col("product").is_in(list(names))).select("start_us", "end_us")
    return [(int(a), int(b)) for a, b in rows.rows()]


def stops_told(events: pl.DataFrame, end_us: int) -> list[Stop]:
    """Planned stops that a source tells of (a host's table)."""
    rows = events.filter(pl.col("kind").is_in(["plan_start", "plan_end"])).sort("station", "no")
    rows = rows.with_columns(until=pl.col("ts").shift(-1).over("station").fill_null(end_us)).filter(
        pl.col("kind") == "plan_start"
    )
    return [
        Stop(int(a), int(b), s, c or "planned stop")
        for a, b, s, c in rows.select("ts", "until", "station", "cause").rows()
    ]
