"""Changes of carriers: one leaves, another comes. Did the cell wait, or did it run on beside the change?"""

from __future__ import annotations

import numpy as np
import polars as pl

LEAST = 8
"""Changes that are needed to say what a usual one is."""


def carrier_changes(marks: pl.DataFrame, waits: pl.DataFrame, pauses: pl.DataFrame) -> pl.DataFrame:
    """Pair each carrier that left with the one that took its place, and say what the change cost the cell.

    Takes    marks: us, kind (carrier_start, carrier_end), station, lane, carrier, file, line; waits: start_us, end_us:
             time that the cell waited for a carrier; pauses: start_us, end_us: changes of product, planned stops,
             unplanned time.
    Returns  one row per carrier that left: lane, carrier, next_carrier (null: none came), start_us, end_us, us,
             waited_us, how ("hidden": the cell did not wait during it; "waited"; "apart": in a change of product or a
             planned stop; "none came"), late (bool: longer than usual, so no carrier stood ready), and the log lines.
    With several places the first that left pairs with the first that came. A wait belongs to the change whose carrier
    ended it first.
    """
    rows = marks.filter(pl.col("kind").is_in(["carrier_start", "carrier_end"])).sort(
        "station", "lane", "us", "kind", "file", "line", nulls_last=True
    )
    # At one instant the carrier that leaves (carrier_end sorts first) makes room for the one that comes.
    place = ["station", "lane"]
    left = pl.col("kind") == "carrier_end"
    rows = rows.with_columns(
        round=(left & ~left.shift(1).over(place).fill_null(False)).cast(pl.Int64).cum_sum().over(place)
    ).with_columns(nth=pl.int_range(pl.len()).over(*place, "round", "kind"))
    came = rows.filter(~left).select(
        *place, "round", "nth", next_carrier="carrier", end_us="us", log_end_file="file", log_end_line="line"
    )
    paired = rows.filter(left).join(came, on=[*place, "round", "nth"], how="left", nulls_equal=True)
    paired = paired.select(
        "lane", "carrier", "next_carrier", "end_us", "log_end_file", "log_end_line", start_us="us", log_file="file",
        log_line="line",
    ).sort("start_us", "lane", "carrier", nulls_last=True).with_row_index("id")  # fmt: skip
    paired = paired.join(_waited(paired, waits), on="id", how="left").with_columns(
        pl.col("waited_us").fill_null(0), us=pl.col("end_us") - pl.col("start_us")
    )
    for name, spans in (("apart", pauses), ("shared", waits)):
        paired = paired.join(_within(paired, spans, name), on="id", how="left")
    how = (
        pl.when(pl.col("end_us").is_null())
        .then(pl.lit("none came"))
        .when(pl.col("shared").fill_null(False))
        .then(pl.lit("waited"))
        .when(pl.col("apart").fill_null(False))
        .then(pl.lit("apart"))
        .otherwise(pl.lit("hidden"))
    )
    paired = paired.with_columns(how=how).sort("id")
    return paired.with_columns(late=pl.col("us") > pl.lit(usual_limit(paired), pl.Float64)).select(
        "lane", "carrier", "next_carrier", "start_us", "end_us", "us", "waited_us", "how", "late", "log_file",
        "log_line", "log_end_file", "log_end_line",
    )  # fmt: skip


def usual_limit(changes: pl.DataFrame) -> float | None:
    """The longest usual change: third quartile + 1.5 interquartile ranges (Tukey 1977), at least twice the median."""
    own = changes.filter(pl.col("how").is_in(["hidden", "waited"]))["us"].drop_nulls().to_numpy()
    if len(own) < LEAST:
        return None
    low, middle, high = np.quantile(own, [0.25, 0.5, 0.75])
    return float(max(high + 1.5 * (high - low), 2 * middle))


def _within(paired: pl.DataFrame, spans: pl.DataFrame, name: str) -> pl.DataFrame:
    """Mark the changes that overlap one of some spans: id, and a column of that name, true."""
    return (
        paired.select("id", "start_us", "end_us")
        .join(spans.select(a="start_us", b="end_us"), how="cross")
        .filter((pl.col("a") < pl.col("end_us")) & (pl.col("b") > pl.col("start_us")))
        .select("id")
        .unique()
        .with_columns(pl.lit(True).alias(name))
    )


def _waited(paired: pl.DataFrame, waits: pl.DataFrame) -> pl.DataFrame:
    """Sum the waits per change whose carrier ended them: id, waited_us."""
    ended = paired.filter(pl.col("end_us").is_not_null()).select("id", at="end_us").sort("at", "id")
    return (
        waits.filter(pl.col("start_us") < pl.col("end_us"))
        .sort("start_us", "end_us")
        .join_asof(
            ended.unique("at", keep="first", maintain_order=True),
            left_on="start_us", right_on="at", strategy="forward", check_sortedness=False,
        )
        .filter(pl.col("id").is_not_null())
        .group_by("id")
        .agg(waited_us=(pl.col("end_us") - pl.col("start_us")).sum())
    )  # fmt: skip


def per_carrier(changes: pl.DataFrame, visits: pl.DataFrame) -> pl.DataFrame:
    """One row per carrier: how often it was there, what it took, and what the change after it cost.

    Takes    changes: see `carrier_changes`; visits: carrier, parts_n, sets_n.
    Returns  carrier, changes_n, parts_n, change_median_us, waited_us, late_n; most waited first.
    """
    return (
        changes.filter(pl.col("carrier").is_not_null())
        .group_by("carrier")
        .agg(
            changes_n=pl.len().cast(pl.Int64),
            change_median_us=pl.col("us").median(),
            waited_us=pl.col("waited_us").sum(),
            late_n=pl.col("late").fill_null(False).sum().cast(pl.Int64),
        )
        .join(visits, on="carrier", how="left")
        .with_columns(pl.col("parts_n", "sets_n").fill_null(0))
        .select("carrier", "changes_n", "parts_n", "sets_n", "change_median_us", "waited_us", "late_n")
        .sort("waited_us", "carrier", descending=[True, False])
    )
