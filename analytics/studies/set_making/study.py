"""The study `sets`: what a window tells of the sets that were made in it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import polars as pl

from analytics.account import Window, _lanes, _products
from analytics.book import Plant, query
from analytics.cell import Cell
from analytics.statistics.order_statistics import quantile
from analytics.studies.sentences import counted, interval, length, middle, share
from analytics.studies.set_making.follow import COMPLETE, OPEN, STRANDED, demand, fate_of_sets, follow
from analytics.studies.set_making.mix import feed_mix, first_tries, set_yields
from analytics.study import Study, facts_of

AROUND_US = 24 * 3600 * 1_000_000
"""Sets begin before a window and end after it: so much is read around it."""
SLOWEST = 20


@dataclass(frozen=True)
class SetFacts:
    """What the sets of a window are told from; frames as `follow`, `fate_of_sets` and `mix` take them."""

    members: pl.DataFrame
    visits: pl.DataFrame
    carriers_left: pl.DataFrame
    orders_ended: pl.DataFrame
    rejects: pl.DataFrame
    left: pl.DataFrame
    parts: pl.DataFrame


def set_making(
    plant: Plant, cell: str, window: Window, *, station: str | None = None, product: str | None = None
) -> Study:
    """Tell how long sets took, who was waited for, what was left without partners and what the feed should have been.

    `product` is a set or a member of one. Raises InputError for names that do not exist and periods without events.
    """
    model = plant.cell(cell)
    _lanes(model, station)
    chosen = _products(model, product)
    if not model.sets:
        return Study("sets", [], {}, [f"Cell {cell} makes no sets: cells/{cell}.toml lists none under [[sets]]."])
    need = demand(model)
    if chosen is not None:
        kits = need.filter(pl.col("member").is_in(chosen) | pl.col("kit").is_in(chosen))["kit"].unique()
        need = need.filter(pl.col("kit").is_in(kits.to_list()))
        if need.is_empty():
            return Study("sets", [], {}, [f"{product} belongs to no set of cell {cell}."])
    wide = Window(window.key, window.from_us - AROUND_US, window.to_us + AROUND_US)
    with facts_of(plant, cell, wide) as con:
        us = {"from_us": window.from_us, "to_us": window.to_us}
        marks = con.sql("select us, kind, carrier, \"order\", product from marks where kind like 'carrier_%' "
                        "or kind = 'order_end' order by us, file, line").pl()  # fmt: skip
        orders = con.sql('select "order", max(product) as told from orders group by "order"').pl()
        facts = SetFacts(
            members=query(con, "set_members"),
            visits=marks.filter(pl.col("kind") == "carrier_start").select("carrier", "us"),
            carriers_left=marks.filter(pl.col("kind") == "carrier_end").select("carrier", "us"),
            orders_ended=_of_kits(marks, orders, model),
            rejects=con.sql("select us, product as member, station, cause, file, line from moves "
                            "where move in ('reject', 'removed')").pl(),
            left=query(con, "fed_and_left", **us),
            parts=con.sql("select part, product, fed_us, outcome from parts where outcome is not null "
                          "and fed_us >= $from_us and fed_us < $to_us", params=us).pl(),
        )  # fmt: skip
    study = tell(facts, need, model.takts(), window)
    of_none = facts.members.join(demand(model), on="member", how="anti")
    of_none = of_none.filter(pl.col("us").is_between(window.from_us, window.to_us, closed="left"))
    if of_none.height:
        names = ", ".join(sorted({str(m) for m in of_none["member"].fill_null("no product known").to_list()})[:4])
        study.doubts.append(f"{counted(of_none.height, 'part')} in sets left out, of no set of the model: {names}.")
    if station is not None and station != model.outlet:
        study.doubts.append(f"Sets are made at {model.outlet}; --station {station} changes nothing here.")
    return study


def tell(facts: SetFacts, need: pl.DataFrame, takts: pl.DataFrame, window: Window) -> Study:
    """The study from its frames; need: see `demand`; takts: product, takt_us."""
    followed = follow(facts.members, facts.visits, need)
    sets = fate_of_sets(followed, facts.carriers_left, facts.orders_ended, facts.rejects, window.to_us)
    done = sets.filter((pl.col("status") == COMPLETE) & (pl.col("completed_us") >= window.from_us))
    stranded = sets.filter((pl.col("status") == STRANDED) & (pl.col("closed_us") >= window.from_us))
    opened = sets.filter(pl.col("status") == OPEN)
    complete = {str(k): int(n) for k, n in done.group_by("kit").len().rows()}
    mix = feed_mix(facts.left, need, complete)
    yields = set_yields(mix, first_tries(facts.parts, need), takts)
    last = last_members(done, need)
    tables = {
        "times": set_times(done),
        "last_member": last,
        "unfinished": _unfinished(pl.concat([stranded, opened])),
        "yields": yields,
        "feed_mix": mix,
        "slowest": _slowest(done),
    }
    findings = [_first(done, window), *_limits(last), _left_over(stranded, opened), *_lost(yields, mix)]
    return Study("sets", findings, tables, _doubts(done, sets, mix, facts))


def set_times(done: pl.DataFrame) -> pl.DataFrame:
    """Time to complete, per kit: from the first to the last member, and from the first feeding to the last member.

    Medians with distribution-free intervals (null where there are fewer than six sets).
    """
    rows = []
    for (kit,), own in done.partition_by("kit", as_dict=True).items():
        made = own.select(us=pl.col("completed_us") - pl.col("first_us"))["us"].to_numpy()
        fed = own.select(us=pl.col("completed_us") - pl.col("fed_us"))["us"].drop_nulls().to_numpy()
        mid, high, from_feed = quantile(made), quantile(made, 0.95), quantile(fed)
        assert mid is not None
        assert high is not None
        rows.append(
            {"kit": kit, "sets_n": own.height, "median_us": mid.value, "low_us": mid.low, "high_us": mid.high,
             "p95_us": high.value, "most_us": float(made.max()),
             "fed_median_us": from_feed and from_feed.value, "fed_low_us": from_feed and from_feed.low,
             "fed_high_us": from_feed and from_feed.high}
        )  # fmt: skip
    lengths = ("median_us", "low_us", "high_us", "p95_us", "most_us", "fed_median_us", "fed_low_us", "fed_high_us")
    schema = {"kit": pl.String, "sets_n": pl.Int64, **dict.fromkeys(lengths, pl.Float64)}
    return pl.DataFrame(rows, schema=schema).sort("kit")


def last_members(done: pl.DataFrame, need: pl.DataFrame) -> pl.DataFrame:
    """Which member came last: per kit and member, how often (Wilson interval) and how long the others had waited.

    Sets whose last two came at one instant are left out. even_share: if each member were as often last.
    """
    done = done.filter(pl.col("last_member").is_not_null())
    total = done.group_by("kit").agg(sets_n=pl.len().cast(pl.Int64))
    size = need.group_by("kit").agg(size=pl.col("need").sum())
    counted_ = (
        need.join(total, on="kit")
        .join(size, on="kit")
        .join(
            done.group_by("kit", member="last_member").agg(
                last_n=pl.len().cast(pl.Int64), waited_median_us=pl.col("waited_us").median()
            ),
            on=["kit", "member"],
            how="left",
        )
        .with_columns(pl.col("last_n").fill_null(0), even_share=pl.col("need") / pl.col("size"))
        .sort("kit", "member")
    )
    ends = [interval(k, n) for k, n in counted_.select("last_n", "sets_n").rows()]
    return counted_.with_columns(
        share=pl.col("last_n") / pl.col("sets_n"),
        low_share=pl.Series([e[0] for e in ends], dtype=pl.Float64),
        high_share=pl.Series([e[1] for e in ends], dtype=pl.Float64),
    ).select(
        "kit", "member", "last_n", "sets_n", last_share="share", low_share="low_share", high_share="high_share",
        even_share="even_share", waited_median_us="waited_median_us",
    )  # fmt: skip


def _of_kits(marks: pl.DataFrame, orders: pl.DataFrame, cell: Cell) -> pl.DataFrame:
    """Ends of orders as kit, us."""
    family = cell.family()
    ended = marks.filter(pl.col("kind") == "order_end").join(orders, on="order", how="left")
    name = pl.coalesce("product", "told")
    return ended.select(kit=name.replace_strict(family, default=name, return_dtype=pl.String), us="us")


def _unfinished(rows: pl.DataFrame) -> pl.DataFrame:
    return rows.sort("first_us", "set").select(
        "status", "set", "kit", "missing", "why", "lost_cause", placed_n="placed_n", first_at_us="first_us",
        last_at_us="last_us", closed_at_us="closed_us", completed_at_us="completed_us", log_file="log_file",
        log_line="log_line", log_end_file="log_end_file", log_end_line="log_end_line", lost_file="lost_file",
        lost_line="lost_line",
    )  # fmt: skip


def _slowest(done: pl.DataFrame) -> pl.DataFrame:
    return (
        done.with_columns(us=pl.col("completed_us") - pl.col("first_us"))
        .sort("us", "set", descending=[True, False])
        .head(SLOWEST)
        .select(
            "set", "kit", "us", "waited_us", "last_member", first_at_us="first_us", completed_at_us="completed_us",
            log_file="log_file", log_line="log_line", log_end_file="log_end_file", log_end_line="log_end_line",
        )
    )  # fmt: skip


def _first(done: pl.DataFrame, window: Window) -> str:
    if done.is_empty():
        return "No set was completed in this period."
    made = quantile(done.select(us=pl.col("completed_us") - pl.col("first_us"))["us"].to_numpy())
    assert made
    return f"{counted(done.height, 'set')} complete; from the first to the last member {middle(made)} in the middle."


def _limits(last: pl.DataFrame) -> list[str]:
    """A member is the limiting one where it comes last more often than an even share, beyond chance."""
    found = []
    for (kit,), own in last.partition_by("kit", as_dict=True, maintain_order=True).items():
        top = own.sort("last_n", "member", descending=[True, False]).row(0, named=True)
        if top["low_share"] > top["even_share"]:
            waited = top["waited_median_us"]
            after = f"; the others had then waited {length(waited)} for it, in the middle" if waited is not None else ""
            found.append(f"{kit}: {top['member']} came last in {share(top['last_n'], top['sets_n'])} sets{after}.")
        else:
            found.append(f"{kit}: no member came last more often than chance would have it.")
    return found


def _left_over(stranded: pl.DataFrame, opened: pl.DataFrame) -> str:
    if stranded.is_empty():
        told = "No member was left without its partners"
    else:
        whys = stranded.group_by("why").len().sort("len", "why", descending=[True, False]).rows()
        reasons = ", ".join(f"{why} ({n:,})" for why, n in whys[:4])
        members, sets = int(stranded["placed_n"].sum()), counted(stranded.height, "set")
        told = f"{counted(members, 'member')} stranded in {sets} that can no longer be completed: {reasons}"
    return f"{told}; {counted(opened.height, 'set')} open at the end of the period."


def _lost(yields: pl.DataFrame, mix: pl.DataFrame) -> list[str]:
    found = []
    for row in yields.iter_rows(named=True):
        if row["members_yield_share"] is None or not row["rejected_n"]:
            continue
        told = (
            f"{row['kit']}: the members' yields multiply to {row['members_yield_share'] * 100:.1f} % for a set; "
            f"of nominal sets {share(row['whole_tries_n'], row['tries_n'])} were whole at the first try"
        )
        if row["rejects_worth_sets"] is not None:
            worth = f"{row['rejects_worth_sets']:.1f} sets"
            told += f"{_together(row)}. {counted(row['rejected_n'], 'reject')} cost the planned time of {worth}"
        off = mix.filter((pl.col("kit") == row["kit"]) & pl.col("verdict").is_in(["too many", "too few"]))
        wrong = "; ".join(
            f"{m['member']} {m['verdict']} ({m['fed_per_set']:.3f} fed per set, needed {m['needed_low']:.3f} to "
            f"{m['needed_high']:.3f})"
            for m in off.iter_rows(named=True)
        )
        found.append(f"{told}. Feed: {wrong or 'matched what the sets needed'}.")
    return found


def _together(row: dict[str, Any]) -> str:
    """Whether rejects of the members fall together: more sets whole than the yields multiply to, or fewer."""
    if row["tries_low_share"] is None or row["members_yield_share"] >= row["tries_low_share"]:
        return ""
    return ": rejects of the members come together"


def _doubts(done: pl.DataFrame, sets: pl.DataFrame, mix: pl.DataFrame, facts: SetFacts) -> list[str]:
    doubts = []
    if facts.members.is_empty():
        doubts.append("No record names the set that a part was put into: sets cannot be followed in this period.")
    if done["fed_us"].null_count():
        doubts.append("Parts without a number: their feeding is not known, so times from feeding leave them out.")
    if facts.carriers_left.is_empty() and done.height:
        doubts.append("No carrier is logged as leaving: a set counts as closed when its order ends or another begins.")
    tied = done.height - done["last_member"].count()
    if tied:
        doubts.append(f"In {counted(tied, 'set')} two members came at one instant: which was last is not known.")
    extra = int(sets["surplus_n"].sum())
    if extra:
        doubts.append(f"{counted(extra, 'member')} lay in sets that already had enough of them.")
    if done.height:
        doubts.append(
            "Members that are fed in a fixed order come last in that order: a limiting member is one for which the "
            "others wait long."
        )
    if mix.height:
        doubts.append("Feeds per set count what was fed against what was completed: parts on their way at both ends of "
                      "the period count on one side only.")  # fmt: skip
    return doubts
