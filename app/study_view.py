"""How a page shows an analysis: the finding in words, the picture, the tables, what is not known, the method."""

from __future__ import annotations

import re
from functools import cache
from html import escape
from importlib.resources import files

import polars as pl
import streamlit as st

from analytics.account import Window
from analytics.book import Plant
from analytics.study import Study
from app.pictures import picture_of
from app.study_table import as_columns
from app.wording import number

OPEN = 2
"""Tables that stand open; the others wait behind their names."""
MOST_ROWS = 5_000
"""Rows that a page sends to the browser; the command gives all."""


def draw(plant: Plant, cell: str, window: Window, study: Study) -> None:
    """Draw one analysis from top to bottom."""
    first, *rest = study.findings or ["There is nothing to tell of this period."]
    st.html(f'<p class="tb-finding">{escape(first)}</p>' + "".join(f'<p class="tb-also">{escape(s)}</p>' for s in rest))
    for picture in picture_of(plant, cell, window, study):
        st.html(f'<div class="tb-quiet">{escape(picture.title)}</div>')
        st.altair_chart(picture.chart, width="stretch", theme=None)
    for caution in dict.fromkeys(study.cautions):
        st.html(f'<p class="tb-caution">! {escape(caution)}</p>')
    for n, (name, frame) in enumerate((n, f) for n, f in study.tables.items() if f.height):
        title = f"{name.replace('_', ' ')} ({number(frame.height)} {'row' if frame.height == 1 else 'rows'})"
        if n < OPEN:
            st.subheader(title, divider=False)
            _table(plant, study, name, frame)
        else:
            with st.expander(title):
                _table(plant, study, name, frame)
    if study.doubts:
        st.subheader("What is not known", divider=False)
        st.html("".join(f'<p class="tb-also">? {escape(d)}</p>' for d in dict.fromkeys(study.doubts)))
    with st.expander("How this is computed, and when not to believe it"):
        st.markdown(method_of(study.name))


def _table(plant: Plant, study: Study, name: str, frame: pl.DataFrame) -> None:
    shown, config = as_columns(plant, frame.head(MOST_ROWS))
    st.dataframe(shown, column_config=config, hide_index=True, width="stretch", key=f"{study.name}-{name}")
    if frame.height > MOST_ROWS:
        st.caption(
            f"The first {number(MOST_ROWS)} rows; all of them:  `taktbook {study.name} … --table {name} --format csv`"
        )


@cache
def method_of(study: str) -> str:
    """Return the page of method of an analysis: its section of analytics/README.md, which names its command."""
    text = (files("analytics") / "README.md").read_text(encoding="utf-8")
    sections = re.split(r"^(?=## )", text, flags=re.M)[1:]
    mine = [s for s in sections if f"taktbook {study}" in s.splitlines()[0]]
    mine = mine or [s for s in sections if f"`taktbook {study}" in s]
    return mine[0].replace("## ", "#### ", 1) if mine else "No page of method is written yet."
