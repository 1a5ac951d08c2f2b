"""The page of the plant: all cells on one page, to see which to ask about."""

from __future__ import annotations

import os
from datetime import date
from html import escape
from pathlib import Path
from urllib.parse import urlencode

import polars as pl
import streamlit as st

from analytics.book import Plant, open_plant
from app import data
from app.address import day_label
from app.commands.overview import largest, period, problems
from app.selection import Wish
from app.selection_bar import go, week_of
from app.theme import GOOD_LINE
from app.wording import counted

LAST = "last shift of each cell"
KINDS = (LAST, "a production day", "a week")


def page() -> None:
    """Show all cells."""
    plant = open_plant(Path(os.environ.get("TAKTBOOK_PLANT", ".")))
    st.html(f'<p class="tb-title">{escape(plant.file.name)} · {counted(len(plant.file.cells), "cell")}</p>')
    days = sorted({day for cell in plant.file.cells for day in plant.days(cell)}, reverse=True)
    if not days:
        st.info("Nothing is loaded yet. Put logs where the source files expect them, then:  taktbook ingest")
        return
    wish, search = _choose(days)
    rows = data.overview_of(str(plant.folder), data.version_of(plant), wish)
    if search:
        said = pl.concat_str("cell", "title", separator=" ", ignore_nulls=True).str.to_lowercase()
        rows = rows.filter(said.str.contains(search.lower(), literal=True))
    _table(plant, rows, wish)
    for cell, why in problems(rows):
        st.info(f"Cell {cell} cannot be closed:")
        st.code(why, language=None, wrap_lines=True)
    st.caption(
        f"Times of {plant.file.zone}. Largest loss: the line of the account that took most time; safety stops are never"
        " named. Ordinary: the last day's OEE lies within 3 sigma of a chart of single values of 27 days before it."
    )


def _choose(days: list[date]) -> tuple[Wish, str]:
    left, middle, right = st.columns([2, 2, 2])
    address = st.query_params
    now = KINDS[1] if "day" in address else KINDS[2] if "week" in address else LAST
    kind = left.selectbox("Period", KINDS, index=KINDS.index(now))
    search = right.text_input("Search cells", placeholder="name or title")
    if kind != now:
        go(day=days[0].isoformat() if kind == KINDS[1] else None, week=week_of(days[0]) if kind == KINDS[2] else None)
    if kind == KINDS[1]:
        known = {d.isoformat(): d for d in days}
        day = address["day"] if address["day"] in known else days[0].isoformat()
        picked = middle.selectbox("Production day", list(known), index=list(known).index(day),
                                  format_func=lambda d: day_label(known[d]))  # fmt: skip
        if picked != address["day"]:
            go(day=picked)
        return Wish(day=picked), search
    if kind == KINDS[2]:
        weeks = list(dict.fromkeys(week_of(d) for d in days))
        week = address["week"] if address["week"] in weeks else weeks[0]
        picked = middle.selectbox("Week", weeks, index=weeks.index(week))
        if picked != address["week"]:
            go(week=picked)
        return Wish(week=picked), search
    return Wish(), search


def _table(plant: Plant, rows: pl.DataFrame, wish: Wish) -> None:
    shown = rows.with_columns(
        pl.Series("period", [period(plant, row) for row in rows.iter_rows(named=True)], dtype=pl.String),
        pl.Series("loss", [largest(row) for row in rows.iter_rows(named=True)], dtype=pl.String),
        pl.Series("open", [_address(plant, row["cell"], row["from_us"], wish) for row in rows.iter_rows(named=True)]),
        pl.col("verdict").replace({"within": "ordinary", "below": "▼ below", "above": "▲ above"}).fill_null("–"),
    ).select(
        "open",
        "title",
        "period",
        "good_n",
        "good_share",
        "oee",
        "known_share",
        "loss",
        "line_parts",
        "trend",
        "verdict",
    )
    column = st.column_config
    st.dataframe(
        shown, hide_index=True, width="stretch",
        column_config={
            "open": column.LinkColumn("cell", display_text=r"cell=([^&]+)", help="opens the shift page"),
            "title": column.TextColumn("title"),
            "period": column.TextColumn("period", help=f"times of {plant.file.zone}"),
            "good_n": column.NumberColumn("good parts", format="localized"),
            "good_share": column.NumberColumn("of plan", format="percent"),
            "oee": column.NumberColumn("OEE", format="percent"),
            "known_share": column.NumberColumn("known", format="percent"),
            "loss": column.TextColumn("largest loss", width="medium"),
            "line_parts": column.NumberColumn("parts lost to it", format="localized"),
            "trend": column.LineChartColumn(
                "28 days", width="small", y_min=0, y_max=1, color=GOOD_LINE, help="OEE of each"
            ),
            "verdict": column.TextColumn("last day"),
        },
    )  # fmt: skip


def _address(plant: Plant, cell: str, from_us: int | None, wish: Wish) -> str:
    day = {} if from_us is None or wish.week else {"day": plant.file.production_day(from_us).isoformat()}
    return "/shift?" + urlencode({"cell": cell, **day})


page()
