"""A table of an analysis for a page: the same figures as the command gives, as columns that sort and download well.

Lengths of time become seconds, instants the plant's wall time with its offset, shares per cent: as numbers where people
sort by them, never rounded here.
"""

from __future__ import annotations

from typing import Any

import polars as pl
import streamlit as st

from analytics.book import Plant
from analytics.lines import LINES
from app.print_study import EVERYWHERE, headings, is_instant, with_log_places


def as_columns(plant: Plant, frame: pl.DataFrame) -> tuple[pl.DataFrame, dict[str, Any]]:
    """Return the frame to show and how its columns are called and written."""
    shown = with_log_places(frame)
    said, config, exprs = headings(shown.columns), {}, []
    for name, title in zip(shown.columns, said, strict=True):
        column, dtype = pl.col(name), shown.schema[name]
        if is_instant(name):
            exprs.append(_local(plant, name))
            config[name] = st.column_config.TextColumn(title, help=f"time of {plant.file.zone}")
        elif name == "us" or name.endswith("_us"):
            exprs.append((column / 1e6).alias(name))
            config[name] = st.column_config.NumberColumn(f"{title}, s", format="localized")
        elif name.endswith("_share"):
            config[name] = st.column_config.NumberColumn(title, format="percent")
            exprs.append(column)
        elif isinstance(dtype, pl.List):
            exprs.append(column.list.join(", "))
            config[name] = st.column_config.TextColumn(title)
        elif dtype == pl.String:
            exprs.append(_words(name).fill_null("–"))
            config[name] = st.column_config.TextColumn(title)
        else:
            exprs.append(column)
            plain = "plain" if name.endswith("line") else "localized"
            config[name] = (
                st.column_config.CheckboxColumn(title)
                if dtype == pl.Boolean
                else st.column_config.NumberColumn(title, format=plain)
            )
    return shown.select(exprs), config


def _local(plant: Plant, name: str) -> pl.Expr:
    instant = pl.from_epoch(name, time_unit="us").dt.replace_time_zone("UTC").dt.convert_time_zone(plant.file.zone)
    return instant.dt.strftime("%Y-%m-%d %H:%M:%S%.3f %:z").fill_null("–").alias(name)


def _words(name: str) -> pl.Expr:
    if name == "line":
        return pl.col(name).replace({line.name: line.title for line in LINES})
    if name in ("station", "lane"):
        return pl.col(name).replace("*", EVERYWHERE)
    return pl.col(name)
