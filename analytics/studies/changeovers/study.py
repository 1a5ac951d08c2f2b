"""The study `changeovers`: changes of product and of carriers in a window."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from analytics.account import Window, _lanes, _products
from analytics.book import Plant, query
from analytics.busy_clock import BusyClock, busy_clock
from analytics.statistics.order_statistics import quantile
from analytics.studies.changeovers.carriers import carrier_changes, per_carrier
from analytics.studies.changeovers.find import COLUMNS, changes, feeds, in_busy_time, matrix, pieces, set_up_spans
from analytics.studies.output_rate import STABLE_N, departures, first_after
from analytics.studies.sentences import ENTRY, counted, length, middle, share
from analytics.study import Study, facts_of

AROUND_US = 24 * 3600 * 1_000_000
"""A changeover is told in the period in which its first good part came; it may have begun so long before."""
CELL_LINES = ["no_order", "no_data", "safety_stop", "waiting_people", "waiting_material", "carrier_change"]
"""What holds up a change besides stopped stations, by the cell's own account."""
SEEN_US = 50_000
"""A piece shorter than this in sum is not worth a word."""
NAMES = {
    "planned_stop": "planned stops", "safety_stop": "safety stop", "waiting_people": "waiting for people",
    "no_order": "no order", "set_up": "set-up mode", "stopped": "stopped stations", "carrier_change": "no carrier",
    "waiting_material": "no material", "no_data": "no data", "filling": "filling the cell",
    "before_set_up": "before set-up began", "other": "nothing logged",
}  # fmt: skip


@dataclass(frozen=True)
class ChangeFacts:
    """What changes are told from; frames as the functions of `find` and `carriers` take them."""

    good: pl.DataFrame  # us, product, file, line
    fed: pl.DataFrame  # us, product
    rejects: pl.DataFrame  # us, product
    marks: pl.DataFrame
    stops: pl.DataFrame  # start_us, end_us, line
    plan: pl.DataFrame  # start_us, end_us, plan: of the cell
    waits: pl.DataFrame  # start_us, end_us: the cell waited for a carrier
    visits: pl.DataFrame  # carrier, parts_n, sets_n


def changeovers(
    plant: Plant, cell: str, window: Window, *, station: str | None = None, product: str | None = None
) -> Study:
    """Tell the changes of product and of carriers of a window: how long, made of what, the best seen.

    With `product`, only changes to or from it. Raises InputError for names that do not exist and periods without
    events.
    """
    model = plant.cell(cell)
    _lanes(model, station)
    chosen = _products(model, product)
    family = model.family()
    wide = Window(window.key, window.from_us - AROUND_US, window.to_us + AROUND_US)
    with facts_of(plant, cell, wide) as con:
        facts = ChangeFacts(
            good=con.sql("select us, product, file, line from moves where move = 'good'").pl(),
            fed=con.sql("select us, product from moves where move in ('fed', 'found')").pl(),
            rejects=con.sql("select us, product from moves where move = 'reject'").pl(),
            marks=con.sql("select us, kind, station, lane, state, carrier, file, line from marks").pl(),
            stops=pl.concat(
                [
                    con.sql("select start_us, end_us, line from stops").pl(),
                    query(con, "cell_waits", from_us=wide.from_us, to_us=wide.to_us, lines=CELL_LINES).select(
                        "start_us", "end_us", "line"
                    ),
                ]
            ),
            plan=con.sql("select distinct start_us, end_us, plan from plan where lane = '*'").pl(),
            waits=query(
                con, "cell_waits", from_us=window.from_us, to_us=window.to_us, lines=["carrier_change"]
            ).select("start_us", "end_us"),
            visits=con.sql(
                "select carrier, count(*) as parts_n, count(distinct set) as sets_n from parts "
                "where outcome = 'good' and carrier is not null and done_us >= $a and done_us < $b "
                "group by carrier order by carrier", params={"a": window.from_us, "b": window.to_us},
            ).pl(),
        )  # fmt: skip
    study = tell(facts, family, window, {family.get(p, p) for p in chosen} if chosen is not None else None)
    if station is not None and station != model.outlet:
        study.doubts.append(f"Changes are told of the whole cell at {model.outlet}; --station changes nothing here.")
    return study


def tell(facts: ChangeFacts, family: dict[str, str], window: Window, only: set[str] | None = None) -> Study:
    """The study from its frames. `family`: product -> what a changeover is between; `only`: families asked for."""
    clock = busy_clock(facts.plan)
    rows = departures(facts.good, clock, family)
    table, strays = change_table(facts, rows, clock, family)
    table = table.filter((pl.col("end_us") >= window.from_us) & (pl.col("end_us") < window.to_us))
    set_up = set_up_spans(facts.marks).select("start_us", "end_us")
    pauses = pl.concat([table.select("start_us", "end_us"), _not_busy(facts.plan), set_up])
    if only is not None:
        table = table.filter(pl.col("old").is_in(sorted(only)) | pl.col("new").is_in(sorted(only)))
    trays = carrier_changes(facts.marks, facts.waits, pauses.drop_nulls())
    trays = trays.filter((pl.col("start_us") < window.to_us) & (pl.col("end_us") >= window.from_us).fill_null(True))
    trays = trays.filter(pl.col("start_us") >= window.from_us - AROUND_US)
    tables = {
        "matrix": matrix(table),
        "changeovers": _shown(table),
        "made_of": _made_of(table),
        "carrier_changes": _shown_carriers(trays),
        "carriers": per_carrier(trays, facts.visits),
    }
    findings = [*_about_changes(table), *_about_carriers(trays, facts)]
    doubts = _doubts(table, strays, facts, trays)
    return Study("changeovers", findings, tables, doubts, [ENTRY] if table.height or trays.height else [])


def change_table(
    facts: ChangeFacts, rows: pl.DataFrame, clock: BusyClock, family: dict[str, str]
) -> tuple[pl.DataFrame, int]:
    """One row per change of product: what `changes`, `feeds`, `pieces` and `in_busy_time` say, rejects_n among its
    first parts (before the first good one), set_up_start_us. And the number of good parts left out as strays.
    """
    found, strays = changes(rows)
    name = pl.col("product").fill_null("?")
    of_family = name.replace_strict(family, default=name, return_dtype=pl.String)
    found = feeds(found, facts.fed.select("us", family=of_family))
    made_of = pieces(found, set_up_spans(facts.marks), facts.stops, _not_busy(facts.plan))
    next_us = pl.col("start_us").shift(-1)
    stable = first_after(found.select("id", from_us="end_us", until_us=next_us), rows).select(
        "id", stable_at_us="stable_us"
    )
    bad = facts.rejects.select("us", bad_of=of_family)
    lost = (
        found.select("id", "new", "start_us", "end_us")
        .join(bad, left_on="new", right_on="bad_of")
        .filter((pl.col("us") > pl.col("start_us")) & (pl.col("us") <= pl.col("end_us")))
        .group_by("id")
        .agg(rejects_n=pl.len().cast(pl.Int64))
    )
    whole = found
    for more in (made_of, stable, lost):
        whole = whole.join(more, on="id", how="left", maintain_order="left")
    return in_busy_time(whole.with_columns(pl.col("rejects_n").fill_null(0)), clock), strays


def _not_busy(plan: pl.DataFrame) -> pl.DataFrame:
    return plan.filter(pl.col("plan") != "busy").select("start_us", "end_us")


def _shown(table: pl.DataFrame) -> pl.DataFrame:
    return table.sort("start_us").select(
        "old", "new", "start_us", "end_us", "us", "busy_us", "set_up_us", "drain_us", "stable_us", "rejects_n",
        "log_file", "log_line", "log_end_file", "log_end_line", set_up_at_us="set_up_start_us",
    )  # fmt: skip


def _made_of(table: pl.DataFrame) -> pl.DataFrame:
    """The pieces of each change; those that none has are left out."""
    there = [f"{c}_us" for c in COLUMNS if table[f"{c}_us"].sum()]
    return table.sort("start_us").select("old", "new", "start_us", "us", *there)


def _shown_carriers(trays: pl.DataFrame) -> pl.DataFrame:
    return trays.sort("waited_us", "us", "start_us", descending=[True, True, False], nulls_last=True)


def _about_changes(table: pl.DataFrame) -> list[str]:
    if table.is_empty():
        return ["No change of product in this period."]
    found = quantile(table["busy_us"].to_numpy())
    assert found is not None
    each = f"; one took {middle(found)} in the middle" if table.height > 1 else ""
    findings = [
        f"{counted(table.height, 'changeover')} took {length(int(table['busy_us'].sum()))} of planned time{each}, from "
        "the last good part of the old to the first of the new."
    ]
    sums = {NAMES[c]: int(table[f"{c}_us"].sum()) for c in COLUMNS}
    told = [
        f"{name} {length(us)}" for name, us in sorted(sums.items(), key=lambda kv: (-kv[1], kv[0])) if us >= SEEN_US
    ]
    findings.append("Made of: " + ", ".join(told) + ".")
    if table.height == 1:
        return [*findings, *_until_stable(table)]
    longest = table.sort("busy_us", "start_us", descending=[True, False]).row(0, named=True)
    most = max((c for c in COLUMNS if c != "planned_stop"), key=lambda c: (longest[f"{c}_us"], c))
    findings.append(
        f"The longest was {longest['old']} → {longest['new']} with {length(longest['busy_us'])}, of which "
        f"{NAMES[most]} {length(longest[f'{most}_us'])}."
    )
    over = matrix(table).filter(pl.col("over_best_us") > 0).sort("over_best_us", "old", descending=[True, False])
    if over.height:
        first = over.row(0, named=True)
        findings.append(
            f"Beyond the best seen of each pair: {length(int(over['over_best_us'].sum()))} in all, most on "
            f"{first['old']} → {first['new']} ({length(first['over_best_us'])} in {first['count_n']} changes, best "
            f"seen {length(first['least_us'])})."
        )
    return [*findings, *_until_stable(table)]


def _until_stable(table: pl.DataFrame) -> list[str]:
    later = quantile(table.select(us=pl.col("stable_us") - pl.col("busy_us"))["us"].drop_nulls().to_numpy())
    if later is None:
        return []
    told = f"{middle(later)} in the middle" if table.height > 1 else length(later.value)
    return [f"From the first good part to the stable rate it took another {told}."]


def _about_carriers(trays: pl.DataFrame, facts: ChangeFacts) -> list[str]:
    own = trays.filter(pl.col("how").is_in(["hidden", "waited"]))
    lost = int(facts.waits.select(us=pl.col("end_us") - pl.col("start_us"))["us"].sum())
    if trays.is_empty():
        return [f"The cell waited {length(lost)} for carriers; no carrier is logged."] if lost else []
    hidden, late = own.filter(pl.col("how") == "hidden").height, own.filter(pl.col("late").fill_null(False))
    usual = own["us"].median()
    told = f"Carriers: {share(hidden, own.height)} changes while running were hidden behind it" if own.height else (
        "Carriers: no change while running"
    )  # fmt: skip
    told += f"; the cell waited {length(lost)} for carriers in planned time."
    if late.height and isinstance(usual, int | float):
        told += (
            f" {counted(late.height, 'time')} no carrier stood ready (the change took longer than usual, "
            f"{length(usual)} in the middle): {length(int(late['waited_us'].sum()))} of the waiting."
        )
    return [told]


def _doubts(table: pl.DataFrame, strays: int, facts: ChangeFacts, trays: pl.DataFrame) -> list[str]:
    doubts = []
    if table.height:
        doubts.append("The model plans no set-up times: the best seen of each pair of products stands in for a plan.")
        doubts.append(
            f"Stable is the rate from the first of {STABLE_N} good parts in a row whose periods are usual for the "
            "product: at most the third quartile + 1.5 interquartile ranges of its periods."
        )
        missing = table["stable_us"].null_count()
        if missing:
            doubts.append(f"After {counted(missing, 'changeover')} no stable rate was reached, or too few parts were "
                          "made to know the usual one.")  # fmt: skip
        if table["set_up_start_us"].null_count() == table.height:
            doubts.append("No set-up mode is logged: set-up, waiting and preparing cannot be told apart.")
        if table["first_fed_us"].null_count():
            doubts.append("Where no feed of the new product is logged, filling cannot be told apart.")
        doubts.append("Which set-up work could be done while the cell runs, no log tells (SMED: internal, external).")
    if strays:
        doubts.append(f"{counted(strays, 'good part')} between runs of other products left out as strays.")
    if trays.filter(pl.col("how") == "none came").height:
        doubts.append("Carriers after which none came are neither hidden nor waited for; what the cell waited counts.")
    return doubts
