"""Starts without their end, and ends without their start: cycles, steps, alarms, orders, carriers.

Each is found once: at the record that shows that the other will not come, whatever day that is.
"""

from __future__ import annotations

import polars as pl

from analytics.carry import MARGIN_US
from analytics.trust.base import Heard, as_faults

WORK = ("cycle_start", "cycle_end", "step_end")


def unpaired(heard: Heard) -> pl.DataFrame:
    """Return one fault per record without its other half: since_us and log_* are the record, us is when that showed.

    The last start of all is work under way, and no fault; nor is an end before which nothing was ever recorded.
    """
    found = [*_work(heard, "cycle", []), *_work(heard, "step", ["step"]), *_alarms(heard), _orders(heard)]
    found.append(_carriers(heard))
    return pl.concat([as_faults(heard.inside(rows), "unpaired") for rows in found])


def _around(rows: pl.DataFrame, by: list[str]) -> pl.DataFrame:
    """Add what was said before and after by the same: before_*, after_* of kind, part, ts, file and line.

    Takes rows in the order of `no`, as prepared events are; columns that nobody asks for here are left out.
    """
    names = ("kind", "part", "ts", "file", "line")
    kept = dict.fromkeys(("no", "source", "station", "nest", "order", *by, *names))
    return rows.select(*kept).with_columns(
        *(pl.col(c).shift(1).over(by).alias(f"before_{c}") for c in names),
        *(pl.col(c).shift(-1).over(by).alias(f"after_{c}") for c in names),
    )


def _starts(rows: pl.DataFrame, name: str, us: pl.Expr | str = "after_ts", detail: str = "part") -> pl.DataFrame:
    shown = {"us": us, "since_us": "ts", "detail": detail, "log_file": "file", "log_line": "line"}
    return rows.select(
        "source", "station", "nest", name=pl.lit(f"{name} without end"), **shown,
        log_end_file="after_file", log_end_line="after_line",
    )  # fmt: skip


def _ends(rows: pl.DataFrame, name: str, detail: str = "part") -> pl.DataFrame:
    return rows.select(
        "source", "station", "nest", name=pl.lit(f"{name} without start"), us="ts", since_us="ts", detail=detail,
        log_file="file", log_line="line", log_end_file=pl.lit(None, pl.String), log_end_line=pl.lit(None, pl.Int64),
    )  # fmt: skip


def _work(heard: Heard, name: str, more: list[str]) -> list[pl.DataFrame]:
    """Cycles and steps, of those lanes that log both ends."""
    start, end = f"{name}_start", f"{name}_end"
    by = ["lane", *more]
    rows = heard.events.filter(pl.col("kind").is_in([start, end]) & pl.col("lane").is_not_null())
    both = rows.filter((pl.col("kind") == start).any().over(by) & (pl.col("kind") == end).any().over("lane"))
    rows = _around(both, by)
    kind, part = pl.col("kind"), pl.col("part")

    def same(other: str) -> pl.Expr:
        return part.is_null() | pl.col(other).is_null() | (part == pl.col(other))

    no_end = (
        (kind == start) & pl.col("after_kind").is_not_null() & ~((pl.col("after_kind") == end) & same("after_part"))
    )
    no_start = (
        (kind == end) & pl.col("before_kind").is_not_null() & ~((pl.col("before_kind") == start) & same("before_part"))
    )
    # Cycles may overlap by their stamps: what matters is that the same part's other half is there.
    part_of = [*by, "part"]
    doubtful = rows.filter(no_end | no_start).select(part_of).unique()
    own = rows.join(doubtful, on=part_of, how="semi", maintain_order="left")
    paired = own.filter(
        part.is_not_null()
        & (
            ((kind == start) & (kind.shift(-1).over(part_of) == end))
            | ((kind == end) & (kind.shift(1).over(part_of) == start))
        ).fill_null(False)
    )
    rows = rows.join(paired, on="no", how="anti", maintain_order="left")
    return [_starts(rows.filter(no_end), name), _ends(rows.filter(no_start), name)]


def _alarms(heard: Heard) -> list[pl.DataFrame]:
    """An alarm that rises again, or that stops something and was followed by two hours in which work went on.

    Messages that stop nothing and of which no end was ever logged need none.
    """
    by = ["station", "nest", "code"]
    rows = heard.events.filter(pl.col("kind").is_in(["alarm_on", "alarm_off"]))
    line = heard.cell.catalogue().select("code", book="line", to_blame="blamed")
    rows = _around(rows, by).join(line, on="code", how="left", maintain_order="left")
    on = pl.col("kind") == "alarm_on"
    stops = pl.col("book").fill_null("breakdown") != "none"
    ended = rows.filter(pl.col("kind") == "alarm_off").select("code").unique()["code"].to_list()
    starts = _work_after(heard, rows.filter(on & (stops | pl.col("code").is_in(ended))))
    after, works = pl.col("after_ts"), pl.col("work_ts")
    worked_on = (stops & works.is_not_null() & (after.is_null() | (after > works + MARGIN_US))).fill_null(False)
    again = pl.col("after_kind") == "alarm_on"
    no_start = ((pl.col("before_kind") == "alarm_off") | pl.lit(not heard.is_first)) & (
        pl.col("before_kind") != "alarm_on"
    ).fill_null(True)
    return [
        _starts(starts.filter(worked_on).with_columns(after_file="work_file", after_line="work_line"), "alarm",
                us="work_ts", detail="code"),
        _starts(starts.filter(~worked_on & again.fill_null(False)), "alarm", detail="code"),
        _ends(rows.filter(~on & no_start), "alarm", detail="code"),
    ]  # fmt: skip


def _work_after(heard: Heard, alarms: pl.DataFrame) -> pl.DataFrame:
    """Add the first work after each alarm: of its nest, its station, or, for an alarm of the cell, of anyone."""
    work = (
        heard.events.filter(pl.col("kind").is_in(WORK) & pl.col("lane").is_not_null())
        .select(
            "nest",
            where="station",
            work_ts="ts",
            work_file="file",
            work_line="line",
        )
        .sort("work_ts")
    )
    alarms = alarms.with_columns(where=pl.coalesce("station", "to_blame")).sort("ts")
    told: list[pl.DataFrame] = []
    for rows, by in (
        (alarms.filter(pl.col("where").is_null()), []),
        (alarms.filter(pl.col("where").is_not_null() & pl.col("nest").is_null()), ["where"]),
        (alarms.filter(pl.col("where").is_not_null() & pl.col("nest").is_not_null()), ["where", "nest"]),
    ):
        of = work if "nest" in by else work.drop("nest")
        of = of if by else of.drop("where")
        told.append(
            rows.join_asof(
                of, left_on="ts", right_on="work_ts", by=by or None, strategy="forward", allow_exact_matches=False,
                check_sortedness=False,
            )
        )  # fmt: skip
    return pl.concat(told, how="diagonal")


def _orders(heard: Heard) -> pl.DataFrame:
    """An order that was not ended when the next one began, nor later; where the source logs ends of orders at all."""
    rows = heard.events.filter(pl.col("kind").is_in(["order_start", "order_end"]) & pl.col("order").is_not_null())
    ends = rows.filter(pl.col("kind") == "order_end")
    starts = _around(rows.filter(pl.col("kind") == "order_start"), ["source"])
    open_ = starts.join(ends.select("order").unique(), on="order", how="anti", maintain_order="left").join(
        ends.select("source").unique(), on="source", how="semi", maintain_order="left"
    )
    return _starts(open_.filter(pl.col("after_ts").is_not_null()), "order", detail="order")


def _carriers(heard: Heard) -> pl.DataFrame:
    """A carrier that was not taken away when one that came later was, nor after that."""
    rows = heard.events.filter(pl.col("kind").is_in(["carrier_start", "carrier_end"]) & pl.col("carrier").is_not_null())
    by = ["station", "carrier"]
    starts = _around(rows, by).filter(pl.col("kind") == "carrier_start")
    ended = starts.filter(pl.col("after_kind") == "carrier_end").select(
        "station", came="ts", after_ts="after_ts", after_file="after_file", after_line="after_line"
    )
    # For each time of coming, the first leaving of all that came then or later.
    overtook = (
        ended.sort("station", "came", descending=[False, True], nulls_last=True)
        .with_columns(first=pl.col("after_ts").cum_min().over("station"))
        .join(ended.select("station", "after_ts", "after_file", "after_line").unique(["station", "after_ts"]),
              left_on=["station", "first"], right_on=["station", "after_ts"], how="left", nulls_equal=True)
        .select("station", "came", over_ts="first", over_file="after_file_right", over_line="after_line_right")
        .sort("came")
    )  # fmt: skip
    open_ = (
        starts.filter(pl.col("after_kind").is_null() | (pl.col("after_kind") == "carrier_start"))
        .sort("ts")
        .join_asof(
            overtook, left_on="ts", right_on="came", by="station", strategy="forward", allow_exact_matches=False,
            check_sortedness=False,
        )
        .with_columns(
            after_file=pl.coalesce("after_file", "over_file"),
            after_line=pl.coalesce("after_line", "over_line"),
            after_ts=pl.coalesce("after_ts", "over_ts"),
        )
        .filter(pl.col("after_ts").is_not_null())
    )  # fmt: skip
    return _starts(open_, "carrier", detail="carrier")
