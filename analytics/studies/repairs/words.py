"""What a window says about breakdowns, in sentences."""

from __future__ import annotations

from typing import Any

import polars as pl

from analytics.cell import CELL
from analytics.studies.first_out import NOT_KNOWN, SURE, TIE
from analytics.studies.repairs.failures import BREAKDOWNS
from analytics.studies.repairs.patterns import SHAPE_WORDS
from analytics.studies.sentences import counted, length

Tables = dict[str, pl.DataFrame]


def findings(rows: pl.DataFrame, tables: Tables) -> list[str]:
    """The findings: what cost most, how often something breaks down, what shows a pattern, what came first."""
    lines = _costliest(tables) + _rate(tables)
    lines += [
        f"{row['station']} ({row['failures']}): {row['says']} (q = {row['q']:.3f}, {row['failures_n']} failures)."
        for row in tables["trends"].filter((pl.col("q") <= 0.05).fill_null(value=False)).to_dicts()
    ]
    told = [SHAPE_WORDS["wear-out"], SHAPE_WORDS["early"]]
    lines += [
        f"{row['station']} ({row['failures']}) {row['says']} (shape {row['shape']:.2f}, "
        f"95 %: {row['shape_low']:.2f} to {row['shape_high']:.2f})."
        for row in tables["shapes"].filter(pl.col("says").is_in(told)).to_dicts()
    ]
    return lines + _first(tables["first_out"])


def doubts(rows: pl.DataFrame, tables: Tables, station: str | None, chosen: bool) -> list[str]:
    """What the figures do not know."""
    where = "" if station is None else f" at {station}"
    told = []
    if rows.is_empty():
        told.append(f"No breakdown and no short stop with an alarm{where} in this period: only lower bounds are told.")
    told.append(
        "Times between failures count the time that a station worked, not the clock; the first one of the window is "
        "left out of shapes and curves, the one still running at its end is censored. The bounds hold for a constant "
        "rate of failures."
    )
    idle = tables["between_failures"].filter(pl.col("working_us") == 0)["station"].unique(maintain_order=True).to_list()
    if idle:
        told.append(
            f"The log tells no work of {', '.join(idle)} in this period: no time between failures can be given."
        )
    unseen = int(rows["open"].sum())
    if unseen:
        told.append(
            f"The end of {counted(unseen, 'failure')} was not seen (the period ended, or the log fell silent): their "
            "time counts, their end does not."
        )
    if rows.height:
        told.append("Waiting for a person and the repair itself are one time here, unless the log tells them apart.")
        told.append(
            "Shapes and trends are told where chance is excluded over all stations together (Benjamini-Hochberg)."
        )
    if chosen:
        told.append(
            "Times between failures are told for all products: a product's own working time is not one stretch."
        )
    return told


def _costliest(tables: Tables) -> list[str]:
    ranked = tables["pareto"]
    if ranked.is_empty():
        return ["No stop of a station's own cost the cell time."] if tables["between_failures"].height else []
    first = ranked.row(0, named=True)
    if not first["lost_us"]:
        return [
            f"{counted(int(ranked['stops_n'].sum()), 'stop')}, none of which cost the cell time: buffers bore them."
        ]
    own = tables["causes"].filter((pl.col("station") == first["station"]) & pl.col("cause").eq_missing(first["cause"]))
    more = ""
    if own.height:
        row = own.row(0, named=True)
        more = f"; {_every(row, 'mtbf', 'worked')}, {_takes(row)}"
    return [
        f"{_name(first)} cost the cell most: {first['lost_parts']:.0f} parts ({length(first['lost_us'])}, "
        f"{first['lost_share'] * 100:.0f} % of what own stops cost) in {counted(first['stops_n'], 'stop')}{more}."
    ]


def _rate(tables: Tables) -> list[str]:
    rows = tables["between_failures"]
    told = rows.filter((pl.col("station") == CELL) & (pl.col("failures") == BREAKDOWNS))
    who = "The cell"
    if told.is_empty():
        told = rows.filter(pl.col("failures") == BREAKDOWNS)
        who = str(told["station"][0]) if told.height else ""
    if told.is_empty():
        return []
    row = told.row(0, named=True)
    if not row["working_us"]:
        return []
    of = "planned time" if row["station"] == CELL else "time worked"
    if row["failures_n"] == 0:
        return [
            f"{who} had no breakdown in {length(row['working_us'])} of {of}: at 95 %, they are at least "
            f"{length(row['mtbf_low_us'])} apart on average."
        ]
    return [
        f"{who} had {counted(row['failures_n'], 'breakdown')} in {length(row['working_us'])} of {of}: "
        f"{_every(row, 'mtbf', 'planned' if row['station'] == CELL else 'worked')}."
    ]


def _every(row: dict[str, Any], name: str, of: str) -> str:
    value, low, high = (row[f"{name}{end}"] for end in ("_us", "_low_us", "_high_us"))
    if value is None:
        return "how often is not known"
    return f"one every {length(value)} {of} (95 %: {length(low)} to {length(high)})"


def _takes(row: dict[str, Any]) -> str:
    if row["mttr_us"] is None:
        return "no end of it was seen"
    low, high = length(row["mttr_low_us"]), length(row["mttr_high_us"])
    return f"repaired in {length(row['mttr_us'])} on average (95 %: {low} to {high})"


def _name(row: dict[str, Any]) -> str:
    text = row["text"] if row["text"] not in (None, row["cause"]) else ""
    station = "the cell" if row["station"] == CELL else row["station"]
    return f"{' '.join(w for w in (row['cause'], text) if w) or 'a stop without a cause'} ({station})"


def _first(groups: pl.DataFrame) -> list[str]:
    if groups.is_empty():
        return []
    most = (
        groups.group_by("station", "code", "text").len().sort("len", "code", "station", descending=[True, False, False])
    ).row(0, named=True)
    count = dict(groups.group_by("order").len().iter_rows())
    unsure = [f"{count[k]} {w}" for k, w in ((TIE, "tied"), (NOT_KNOWN, "on clocks nobody knows")) if k in count]
    how = f" ({', '.join(unsure)})" if unsure else ""
    name = " ".join(w for w in (most["code"], most["text"]) if w)
    return [
        f"Several alarms rose together {counted(groups.height, 'time')}; which was first is sure in "
        f"{count.get(SURE, 0)} of them{how}. Most often first: {name} ({most['station'] or 'cell'}), "
        f"{counted(most['len'], 'time')}."
    ]
