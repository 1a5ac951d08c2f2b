"""Separate books: hand-fed against bulk products, unmanned against manned shifts; each closes to its planned time."""

from __future__ import annotations

import polars as pl

from analytics.cell import Cell
from analytics.lines import LINES
from analytics.studies.sentences import interval

HAND_FED, BULK, NO_PRODUCT, UNKNOWN = "hand-fed", "bulk", "no product known", "products not in the model"
UNMANNED, MANNED, NO_SHIFT = "unmanned", "manned", "outside the plan"
ORDER = {line.name: n for n, line in enumerate(LINES)}
TOTALS = {
    "split": pl.String, "book": pl.String, "busy_us": pl.Int64, "good_us": pl.Int64, "good_share": pl.Float64,
    "good_n": pl.Int64, "bad_n": pl.Int64, "good_parts_share": pl.Float64, "good_low_share": pl.Float64,
    "good_high_share": pl.Float64, "good_per_hour": pl.Float64,
}  # fmt: skip


def of_products(cell: Cell) -> dict[str, str]:
    """Product or set -> its book: hand-fed or bulk. A set is hand-fed if one of its members is."""
    books: dict[str, str] = {}
    for p in cell.products:
        for name in (p.name, p.set):
            if name is not None and books.get(name) != HAND_FED:
                books[name] = HAND_FED if p.hand_fed else BULK
    return books


def of_shifts(unmanned: list[str]) -> pl.Expr:
    """The book of a shift."""
    shift = pl.col("shift")
    return (
        pl.when(shift.is_null())
        .then(pl.lit(NO_SHIFT))
        .when(shift.is_in(unmanned))
        .then(pl.lit(UNMANNED))
        .otherwise(pl.lit(MANNED))
    )


def in_books(rows: pl.DataFrame, books: dict[str, str], unmanned: list[str]) -> pl.DataFrame:
    """Add `feeding` and `shifts`, the books that a row belongs to. Takes product and shift (either may be null)."""
    product = pl.col("product")
    named = product.replace_strict(books, default=UNKNOWN, return_dtype=pl.String)
    feeding = pl.when(product.is_null()).then(pl.lit(NO_PRODUCT)).otherwise(named)
    return rows.with_columns(feeding=feeding, shifts=of_shifts(unmanned))


def lines_of(pieces: pl.DataFrame) -> pl.DataFrame:
    """The accounts, one row per split, book and line: split, book, line, us, line_share (of the book's planned time).

    Takes    pieces: feeding, shifts, line, us (planned busy time of the cell's own account).
    """
    split = pl.concat([pieces.select("line", "us", split=pl.lit(s), book=s) for s in ("feeding", "shifts")])
    return (
        split.group_by("split", "book", "line")
        .agg(pl.col("us").sum())
        .with_columns(total=pl.col("us").sum().over("split", "book"))
        .with_columns(line_share=pl.when(pl.col("total") > 0).then(pl.col("us") / pl.col("total")))
        .sort("split", "book", pl.col("line").replace_strict(ORDER, default=len(ORDER), return_dtype=pl.Int64), "line")
        .drop("total")
    )


def totals(lines: pl.DataFrame, parts: pl.DataFrame) -> pl.DataFrame:
    """Each book in one row (TOTALS): planned busy time, good (planned time of good parts), and parts.

    Takes    lines: see `lines_of`; parts: feeding, shifts, good (bool), n.
    good_share is good / planned busy time; good_parts_share good of good and bad parts (Wilson interval).
    """
    made = pl.concat([parts.select("good", "n", split=pl.lit(s), book=s) for s in ("feeding", "shifts")])
    sums = made.group_by("split", "book").agg(
        good_n=pl.col("n").filter(pl.col("good")).sum().cast(pl.Int64),
        bad_n=pl.col("n").filter(~pl.col("good")).sum().cast(pl.Int64),
    )
    own = (
        lines.group_by("split", "book")
        .agg(busy_us=pl.col("us").sum(), good_us=pl.col("us").filter(pl.col("line") == "good").sum())
        .join(sums, on=["split", "book"], how="left")
        .with_columns(pl.col("good_n", "bad_n").fill_null(0))
        .sort("split", "book")
    )
    rows = []
    for row in own.iter_rows(named=True):
        busy, n = row["busy_us"], row["good_n"] + row["bad_n"]
        low, high = interval(row["good_n"], n)
        rows.append(
            (row["split"], row["book"], busy, row["good_us"], row["good_us"] / busy if busy else None, row["good_n"],
             row["bad_n"], row["good_n"] / n if n else None, low, high,
             row["good_n"] * 3.6e9 / busy if busy else None)
        )  # fmt: skip
    return pl.DataFrame(rows, schema=TOTALS, orient="row")
