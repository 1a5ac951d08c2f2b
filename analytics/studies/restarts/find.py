"""Restarts: the instants at which a cell goes on after it stood, by what it stood for."""

from __future__ import annotations

import polars as pl

CHANGEOVER, UNMANNED, OUTSIDE, NO_DATA = (
    "changeover",
    "unmanned shift",
    "time outside the plan",
    "silence (power, network)",
)
BREAKDOWN, SAFETY, NO_ORDER = "breakdown", "safety stop", "no order"
SPANS = {
    "kind": pl.String, "start_us": pl.Int64, "end_us": pl.Int64, "log_file": pl.String, "log_line": pl.Int64,
}  # fmt: skip
JOIN_US = 60_000_000
"""Spans of one kind that follow each other within this are one: both nests of a press, sources that fall silent."""


def stood(spans: pl.DataFrame) -> pl.DataFrame:
    """Join spans of one kind that overlap or follow each other within JOIN_US.

    Takes    SPANS: kind, start_us, end_us, and the log line that ended it (null: none).
    Returns  the same columns, one row per time that the cell stood, in order.
    """
    own = spans.filter(pl.col("start_us") < pl.col("end_us")).sort(
        "kind", "start_us", "end_us", "log_file", "log_line", nulls_last=True
    )
    reach = pl.col("end_us").cum_max().shift(1).over("kind")
    new = (pl.col("start_us") > reach + JOIN_US).fill_null(True)
    return (
        own.with_columns(group=new.cast(pl.Int64).cum_sum().over("kind"))
        .group_by("kind", "group")
        .agg(
            pl.col("start_us").min(),
            pl.col("end_us").max(),
            pl.col("log_file", "log_line").sort_by("end_us", maintain_order=True).last(),
        )
        .sort("end_us", "start_us", "kind")
        .select(SPANS.keys())
    )


def restarts(stands: pl.DataFrame, shift_ends: pl.DataFrame) -> pl.DataFrame:
    """Find the instants at which the cell goes on.

    Takes    stands: see `stood`; shift_ends: kind, us: instants at which people come back though the cell ran on.
    Returns  one row per restart in order of time: id, kind, start_us (since when it stood; null for a shift's end),
             at_us, until_us (when it next stands or restarts; null: not any more), log_file, log_line. An end at which
             something else still holds the cell is none.
    """
    ends = stands.with_columns(at_us="end_us")
    held = (
        ends.select("kind", "start_us", "at_us")
        .join(stands.select(other="kind", a="start_us", b="end_us"), how="cross")
        .filter((pl.col("a") <= pl.col("at_us")) & (pl.col("b") > pl.col("at_us")))
        .select("kind", "start_us", "at_us")
        .unique()
    )
    free = ends.join(held, on=["kind", "start_us", "at_us"], how="anti").select(
        "kind", "start_us", "at_us", "log_file", "log_line"
    )
    inside = (
        shift_ends.join(stands.select(a="start_us", b="end_us"), how="cross")
        .filter((pl.col("a") <= pl.col("us")) & (pl.col("b") >= pl.col("us")))
        .select("us")
    )
    back = shift_ends.join(inside, on="us", how="anti").select("kind", at_us="us")
    own = pl.concat([free, back], how="diagonal").sort("at_us", "kind")
    # Two things that end together are one restart, told by what began last: that is what it waited for.
    own = (
        own.sort("at_us", "start_us", "kind", nulls_last=False)
        .group_by("at_us", maintain_order=True)
        .agg(pl.all().last())
        .with_row_index("id")
        .with_columns(next_us=pl.col("at_us").shift(-1))
    )
    begins = stands.select(stand_us="start_us").unique().sort("stand_us")
    return (
        own.join_asof(
            begins, left_on="at_us", right_on="stand_us", strategy="forward", check_sortedness=False, coalesce=False
        )
        .with_columns(until_us=pl.min_horizontal("next_us", "stand_us"))
        .select("id", "kind", "start_us", "at_us", "until_us", "log_file", "log_line")
    )


def planned_stands(plan: pl.DataFrame) -> pl.DataFrame:
    """Planned stops (kind: their cause) and time outside the plan as SPANS.

    Takes    plan: start_us, end_us, plan, plan_cause.
    """
    own = plan.filter(pl.col("plan") != "busy")
    kind = pl.when(pl.col("plan") == "not_planned").then(pl.lit(OUTSIDE)).otherwise(pl.col("plan_cause").fill_null("?"))
    return _spans(own.select("start_us", "end_us", kind=kind))


def stopped_stands(stops: pl.DataFrame) -> pl.DataFrame:
    """Breakdowns and safety stops as SPANS, ended by the record that ended them.

    Takes    stops: start_us, end_us, line, log_end_file, log_end_line.
    """
    kinds = {"breakdown": BREAKDOWN, "safety_stop": SAFETY}
    own = stops.filter(pl.col("line").is_in(list(kinds)))
    return _spans(
        own.select(
            "start_us", "end_us", kind=pl.col("line").replace_strict(kinds, return_dtype=pl.String),
            log_file="log_end_file", log_line="log_end_line",
        )
    )  # fmt: skip


def waited_stands(waits: pl.DataFrame, least_us: int) -> pl.DataFrame:
    """Times of at least `least_us` without data or order, by the cell's account. waits: start_us, end_us, line."""
    kinds = {"no_data": NO_DATA, "no_order": NO_ORDER}
    own = waits.filter(pl.col("line").is_in(list(kinds)))
    joined = stood(
        _spans(own.select("start_us", "end_us", kind=pl.col("line").replace_strict(kinds, return_dtype=pl.String)))
    )
    return joined.filter(pl.col("end_us") - pl.col("start_us") >= least_us)


def changed_stands(changed: pl.DataFrame, set_up: pl.DataFrame) -> pl.DataFrame:
    """Changes of product as SPANS: they end with set-up mode; without one, with the first feed or good part of the new.

    Takes    changed: id, start_us, end_us, first_fed_us; set_up: see changeovers.find.set_up_spans.
    """
    ended = (
        changed.select("id", a="start_us", b="end_us")
        .join(set_up.select("end_us", "end_file", "end_line"), how="cross")
        .filter((pl.col("end_us") > pl.col("a")) & (pl.col("end_us") <= pl.col("b")))
        .sort("id", "end_us")
        .group_by("id", maintain_order=True)
        .agg(
            set_up_end_us=pl.col("end_us").last(),
            log_file=pl.col("end_file").last(),
            log_line=pl.col("end_line").last(),
        )
    )
    rows = changed.select("id", "start_us", "end_us", "first_fed_us").join(ended, on="id", how="left")
    end = pl.coalesce("set_up_end_us", pl.max_horizontal("first_fed_us", "start_us"), "end_us")
    return _spans(rows.select("start_us", end.alias("end_us"), "log_file", "log_line", kind=pl.lit(CHANGEOVER)))


def shift_ends(plan: pl.DataFrame, unmanned: list[str]) -> pl.DataFrame:
    """Ends of unmanned shifts that a manned one follows at once: kind, us. plan: start_us, end_us, shift."""
    own = plan.filter(pl.col("shift").is_not_null()).sort("start_us")
    without = pl.col("shift").is_in(unmanned)
    follows = (pl.col("start_us").shift(-1) == pl.col("end_us")) & ~pl.col("shift").shift(-1).is_in(unmanned)
    return own.filter(without & follows.fill_null(False)).select(kind=pl.lit(UNMANNED), us="end_us")


def _spans(frame: pl.DataFrame) -> pl.DataFrame:
    missing = [pl.lit(None, dtype).alias(name) for name, dtype in SPANS.items() if name not in frame.columns]
    return frame.with_columns(missing).select(pl.col(name).cast(dtype) for name, dtype in SPANS.items())
