"""The study `restarts`: what the first minutes after each kind of restart cost, and the separate books."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from analytics.account import Window, _lanes, _products
from analytics.book import Plant, query
from analytics.busy_clock import busy_clock
from analytics.cell import Cell
from analytics.studies.changeovers.find import changes, feeds, set_up_spans
from analytics.studies.output_rate import STABLE_N, departures
from analytics.studies.restarts.after import FIRST_US, Extra, by_kind, extra, first_parts, usual_beyond, watch
from analytics.studies.restarts.books import BULK, HAND_FED, UNKNOWN, in_books, lines_of, of_products, totals
from analytics.studies.restarts.find import (
    SAFETY,
    changed_stands,
    planned_stands,
    restarts,
    shift_ends,
    stood,
    stopped_stands,
    waited_stands,
)
from analytics.studies.sentences import ENTRY, counted, length
from analytics.study import Study, facts_of

AROUND_US = 24 * 3600 * 1_000_000
WAITS = ["no_data", "no_order", "carrier_change", "waiting_material", "waiting_people"]
"""Lines of the cell's account on which running is not calm; restarts follow the first two."""
FIRST_PARTS = 10
"""First parts that are looked at where the model does not say how many are start-up parts."""
SAFETY_WORDS = (
    "What follows a safety stop is shown and never proposed to be shortened: the site's procedure decides how the cell "
    "is started again."
)


@dataclass(frozen=True)
class RestartFacts:
    """What restarts and books are told from."""

    good: pl.DataFrame  # us, product, file, line
    fed: pl.DataFrame  # us, product
    parts: pl.DataFrame  # part, product, fed_us, outcome
    marks: pl.DataFrame  # us, kind, station, lane, state, file, line
    stops: pl.DataFrame  # start_us, end_us, line, log_end_file, log_end_line
    waits: pl.DataFrame  # start_us, end_us, line: of the cell
    plan: pl.DataFrame  # start_us, end_us, plan, plan_cause, shift: of the cell
    left: pl.DataFrame  # us, product, good: parts that left within the window
    pieces: pl.DataFrame  # shift, line, product, us: the cell's account of the window


def after_restarts(
    plant: Plant, cell: str, window: Window, *, station: str | None = None, product: str | None = None
) -> Study:
    """Tell what the first minutes after restarts of a window cost, and how unmanned and hand-fed running compare.

    With `product`, only its parts and time are booked; restarts are those of the cell. Raises InputError for names
    that do not exist and periods without events.
    """
    model = plant.cell(cell)
    _lanes(model, station)
    chosen = _products(model, product)
    wide = Window(window.key, window.from_us - AROUND_US, window.to_us + AROUND_US)
    us = {"from_us": window.from_us, "to_us": window.to_us}
    with facts_of(plant, cell, wide) as con:
        facts = RestartFacts(
            good=con.sql("select us, product, file, line from moves where move = 'good'").pl(),
            fed=con.sql("select us, product from moves where move in ('fed', 'found')").pl(),
            parts=con.sql("select part, fed_us, max(product) as product, max(outcome) as outcome from parts "
                          "group by part, fed_us").pl(),
            marks=con.sql("select us, kind, station, lane, state, file, line from marks where kind in ('mode', 'state')"
                          ).pl(),
            stops=con.sql("select start_us, end_us, line, log_end_file, log_end_line from stops").pl(),
            waits=query(con, "cell_waits", from_us=wide.from_us, to_us=wide.to_us, lines=WAITS),
            plan=con.sql("select distinct start_us, end_us, plan, plan_cause, shift from plan where lane = '*'").pl(),
            left=con.sql("select us, product, move = 'good' as good from moves where move in ('good', 'reject', "
                         "'removed') and us >= $from_us and us < $to_us", params=us).pl(),
            pieces=query(con, "cell_books", **us),
        )  # fmt: skip
    own = [s for s in plant.file.shifts if s.cells is None or cell in s.cells]
    study = tell(facts, model, window, [s.name for s in own if s.unmanned], chosen)
    if station is not None:
        study.doubts.append(
            f"Restarts and books are those of the whole cell: --station {station} changes nothing here."
        )
    return study


def tell(
    facts: RestartFacts, cell: Cell, window: Window, unmanned: list[str], chosen: list[str] | None = None
) -> Study:
    """The study from its frames. `unmanned`: names of shifts; `chosen`: only these products are booked."""
    clock = busy_clock(facts.plan)
    rows = departures(facts.good, clock, cell.family())
    stands = _stands(facts, rows, cell)
    found = restarts(stands, shift_ends(facts.plan, unmanned))
    span = (window.from_us, window.to_us)
    watched = watch(found, rows, cell.takts(), clock).filter(pl.col("at_us").is_between(*span, closed="left"))
    n = cell.start_up_parts or FIRST_PARTS
    fed = facts.parts if chosen is None else facts.parts.filter(pl.col("product").is_in(chosen))
    firsts = first_parts(found, fed, n).filter(pl.col("fed_us").is_between(*span, closed="left"))
    restless = pl.concat([frame.select("start_us", "end_us") for frame in (stands, facts.waits)])
    usual = usual_beyond(watched, restless, rows, cell.takts(), clock, span)
    kinds = by_kind(watched, firsts, usual)
    books = of_products(cell)
    pieces = in_books(facts.pieces, books, unmanned)
    left = in_books(_with_shift(facts.left, facts.plan), books, unmanned)
    if chosen is not None:
        pieces, left = (frame.filter(pl.col("product").is_in(chosen)) for frame in (pieces, left))
    lines = lines_of(pieces)
    sums = totals(lines, left.group_by("feeding", "shifts", "good").agg(n=pl.len().cast(pl.Int64)))
    tables = {"kinds": kinds, "restarts": _shown(watched), "books": sums, "book_lines": lines}
    has_safety = (watched["kind"] == SAFETY).any()
    return Study(
        "restarts",
        [*_about_kinds(kinds, n, extra(watched, usual)), *_about_books(sums)],
        tables,
        _doubts(kinds, facts, unmanned, n, sums, window),
        [ENTRY, SAFETY_WORDS] if has_safety else [ENTRY] if watched.height else [],
    )


def _stands(facts: RestartFacts, rows: pl.DataFrame, cell: Cell) -> pl.DataFrame:
    name = pl.col("product").fill_null("?")
    fed = facts.fed.select("us", family=name.replace_strict(cell.family(), default=name, return_dtype=pl.String))
    changed = feeds(changes(rows)[0], fed)
    least = round(cell.micro_stop_s * 1e6)
    return stood(
        pl.concat(
            [
                planned_stands(facts.plan),
                stopped_stands(facts.stops),
                waited_stands(facts.waits, least),
                changed_stands(changed, set_up_spans(facts.marks)),
            ]
        )
    )


def _with_shift(left: pl.DataFrame, plan: pl.DataFrame) -> pl.DataFrame:
    tiles = plan.select("shift", "end_us", at="start_us").sort("at")
    return left.sort("us").join_asof(
        tiles, left_on="us", right_on="at", strategy="backward", check_sortedness=False
    )  # fmt: skip


def _shown(watched: pl.DataFrame) -> pl.DataFrame:
    return watched.select(
        "kind", stood_us=pl.col("at_us") - pl.col("start_us"), restart_at_us="at_us", first_good_us="first_good_us",
        stable_us="stable_us", watched_us="watched_us", good_n="good_n", beyond_us="beyond_us", log_file="log_file",
        log_line="log_line", first_file="first_file", first_line="first_line",
    ).sort("restart_at_us")  # fmt: skip


def _about_kinds(kinds: pl.DataFrame, n: int, cost: Extra | None) -> list[str]:
    if kinds.is_empty():
        return ["No restart in this period."]
    findings = []
    count = counted(int(kinds["restarts_n"].sum()), "restart")
    top = kinds.row(0, named=True)
    if cost is not None:
        known = cost.low_us is not None and cost.high_us is not None
        sure = f" (95 %: {length(cost.low_us or 0)} to {length(cost.high_us or 0)})" if known else ""
        findings.append(
            f"{count}: their first {FIRST_US // 60_000_000} minutes cost {length(cost.us)}{sure} more than calm "
            f"running; most after {top['kind']} ({length(top['extra_sum_us'])} in {top['restarts_n']})."
        )
    else:
        findings.append(f"{count}; no calm running to hold them against.")
    for row in kinds.iter_rows(named=True):
        told = f"After {row['kind']} ({row['restarts_n']}): "
        if row["first_good_us"] is None:
            findings.append(f"{told}no good part before the next stop.")
            continue
        told += f"first good part after {length(row['first_good_us'])}"
        if row["first_good_low_us"] is not None:
            told += f" (95 %: {length(row['first_good_low_us'])} to {length(row['first_good_high_us'])})"
        if row["stable_us"] is not None:
            told += f", stable rate after {length(row['stable_us'])}"
        if row["more_low_share"] is not None and row["more_low_share"] > 0:
            told += (
                f"; of the first {n} parts {row['bad_share'] * 100:.1f} % were bad, {row['more_share'] * 100:.1f} "
                f"points more than usual (95 %: {row['more_low_share'] * 100:.1f} to "
                f"{row['more_high_share'] * 100:.1f})"
            )
        findings.append(f"{told}.")
    return findings


def _about_books(sums: pl.DataFrame) -> list[str]:
    findings = []
    for (split,), own in sums.partition_by("split", as_dict=True, maintain_order=True).items():
        if own.height < 2:
            continue
        told = "; ".join(
            f"{r['book']} {length(r['busy_us'])} planned, {r['good_share'] * 100:.1f} % of it good parts"
            for r in own.iter_rows(named=True)
            if r["good_share"] is not None
        )
        findings.append(f"Books by {split}: {told}.")
    return findings


def _doubts(
    kinds: pl.DataFrame, facts: RestartFacts, unmanned: list[str], n: int, sums: pl.DataFrame, window: Window
) -> list[str]:
    doubts = []
    if not unmanned:
        doubts.append(
            "No shift of this cell is marked unmanned = true in plant.toml: there is no book of unmanned time."
        )
    doubts += [
        f"No {name} product ran in this period, or none is marked so in the cell's file."
        for name in (HAND_FED, BULK)
        if sums.height and not (sums["book"] == name).any()
    ]
    if facts.parts.is_empty():
        doubts.append("Parts have no numbers: rejects among the first parts after a restart cannot be told.")
    elif kinds.height:
        doubts.append(f"First parts are the first {n} fed after a restart (start_up_parts of the cell).")
    if (sums["book"] == UNKNOWN).any():
        doubts.append("Products that the model does not know count with the middle of the planned takts.")
    if kinds.height:
        doubts.append(
            "A restart at which something else still held the cell is not counted; the watch ends when the cell next "
            "stands. Calm running is all planned time that neither stood or waited nor lay in a watch."
        )
        if kinds.height > 1:
            doubts.append(
                f"{kinds.height} kinds are held against the usual share of bad parts: one interval in twenty misses by "
                "chance."
            )
        doubts.append(
            f"Stable: from the first of {STABLE_N} good parts in a row whose periods are usual for the product."
        )
    outside = (
        facts.left.height
        and not facts.plan.filter(
            (pl.col("plan") == "busy") & (pl.col("start_us") < window.to_us) & (pl.col("end_us") > window.from_us)
        ).height
    )
    if outside:
        doubts.append("Nothing was planned in this period: the books are empty, though parts left.")
    return doubts
