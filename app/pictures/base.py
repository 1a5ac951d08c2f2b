"""What the pictures of analyses are made of: ranked bars with their uncertainty, stacked bars, lines over time."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import altair as alt
import polars as pl

from analytics.account import Window
from analytics.book import Plant
from analytics.cell import Cell
from app import charts
from app.charts import Clock, dressed
from app.theme import GOOD_LINE, INK, RULE

MOST_MARKS: Final = 5_000
MOST_BARS: Final = 20
BAR_PX: Final = 24
LABEL_PX: Final = 300
SERIES: Final = ("#0f5c52", "#c2703d", "#4a3a8f", "#8a7660", "#387fbc", "#b45599", "#6f6f6f", "#a3341f")
DASHES: Final = ([1, 0], [6, 3], [2, 2], [8, 2, 2, 2], [4, 4], [10, 4], [1, 3], [12, 2])
SHAPES: Final = (
    "circle",
    "square",
    "triangle-up",
    "diamond",
    "cross",
    "triangle-down",
    "stroke",
    "triangle-right",
)
"""Second codes beside the colour."""


@dataclass(frozen=True)
class Picture:
    """A chart and the words above it."""

    title: str
    chart: Any


@dataclass(frozen=True)
class Scene:
    """What a picture is made from: the tables of one analysis, and where and when it looks."""

    plant: Plant
    cell: Cell
    window: Window
    tables: Mapping[str, pl.DataFrame]

    def table(self, name: str) -> pl.DataFrame:
        """Return a table; without rows or columns where the analysis had nothing to tell."""
        return self.tables.get(name, pl.DataFrame())

    @property
    def clock(self) -> Clock:
        """The plant's clock over the window."""
        return charts.clock(self.plant.file, self.window)


def ranked(
    frame: pl.DataFrame,
    label: pl.Expr,
    value: str,
    title: str,
    *,
    low: str | None = None,
    high: str | None = None,
    form: str = ",.0f",
    most: int = MOST_BARS,
    numbered: bool = True,
) -> alt.LayerChart | None:
    """Draw one bar per row in the order of the rows, with its interval as a thin line; None without rows."""
    ends = {name: word for name, word in ((low, "from"), (high, "to")) if name}
    rows = frame.head(most).select(label.alias("label"), pl.col(value).alias("value"), *ends).drop_nulls("value")
    if rows.is_empty():
        return None
    if numbered:  # the same words may stand in two rows
        rows = rows.with_columns(label=pl.format("{}. {}", pl.int_range(1, pl.len() + 1), "label"))
    y = alt.Y("label:N", sort=rows["label"].to_list(), title=None, axis=_names())
    x = alt.X("value:Q", title=title, axis=alt.Axis(gridColor=RULE, tickCount=6))
    tips = [alt.Tooltip("label:N", title="what"), alt.Tooltip("value:Q", title=title, format=form)]
    tips += [alt.Tooltip(f"{end}:Q", title=f"95 %: {word}", format=form) for end, word in ends.items()]
    base = alt.Chart(rows).encode(y=y, tooltip=tips)
    bars = base.mark_bar(color="#7fb8ab", height=13).encode(x=x)
    if len(ends) == 2:
        rule = base.mark_rule(color=INK, strokeWidth=1.6).encode(x=f"{low}:Q", x2=f"{high}:Q")
        layers = [bars, rule, base.mark_tick(color=GOOD_LINE, thickness=3, height=13).encode(x=x)]
    else:
        said = alt.Text("value:Q", format=form)
        layers = [bars, base.mark_text(align="left", dx=5, dy=-1, color=INK, fontSize=12).encode(x=x, text=said)]
    return dressed(alt.layer(*layers).properties(height=BAR_PX * rows.height + 20, width="container"))


def _names() -> alt.Axis:
    return alt.Axis(labelLimit=LABEL_PX, ticks=False, domain=False)


def stacked(
    frame: pl.DataFrame, label: str, parts: Mapping[str, tuple[str, str]], title: str, *, form: str = ".1%"
) -> alt.LayerChart | None:
    """Draw one bar per row, made of some columns from left to right: column -> (name, colour). None without rows."""
    known = [c for c in parts if c in frame.columns]
    if frame.is_empty() or not known:
        return None
    long = (
        frame.select(pl.col(label).alias("label"), *known)
        .unpivot(known, index="label", variable_name="column", value_name="value")
        .drop_nulls("value")
        .with_columns(
            part=pl.col("column").replace_strict({c: parts[c][0] for c in known}, return_dtype=pl.String),
            order=pl.col("column").replace_strict({c: n for n, c in enumerate(known)}, return_dtype=pl.Int64),
        )
    )
    names, colors = [parts[c][0] for c in known], [parts[c][1] for c in known]
    legend = alt.Legend(title=None, orient="top", symbolType="square", labelLimit=220)
    chart = (
        alt.Chart(long)
        .mark_bar(height=15, stroke="#ffffff", strokeWidth=1)
        .encode(
            y=alt.Y("label:N", sort=frame[label].to_list(), title=None, axis=_names()),
            x=alt.X("value:Q", title=title, axis=alt.Axis(format=form, gridColor=RULE, tickCount=6)),
            color=alt.Color("part:N", scale=alt.Scale(domain=names, range=colors), sort=names, legend=legend),
            order=alt.Order("order:Q"),
            tooltip=[
                alt.Tooltip("label:N", title="where"),
                alt.Tooltip("part:N", title="what"),
                alt.Tooltip("value:Q", title=title, format=form),
            ],
        )
    )
    return dressed(alt.layer(chart).properties(height=BAR_PX * frame.height + 20, width="container"))


def over_time(
    frame: pl.DataFrame,
    at: Clock,
    value: str,
    title: str,
    *,
    series: str | None = None,
    low: str | None = None,
    high: str | None = None,
    form: str = ".1%",
    points: bool = False,
    height: int = 240,
) -> alt.LayerChart | None:
    """Draw a value over the plant's time (column `us`), a line or points per series, with the band from low to high.

    Series differ in colour and in dash or shape. None without rows.
    """
    rows = frame.drop_nulls(value).head(MOST_MARKS)
    if rows.is_empty():
        return None
    rows = rows.with_columns(
        at.x("us"), at.words_of("us", "at"), series=pl.col(series).fill_null("–") if series else pl.lit("")
    )
    names = rows["series"].unique(maintain_order=True).to_list()
    base = alt.Chart(rows.select("x", "at", "series", value, *(c for c in (low, high) if c)))
    legend = alt.Legend(title=None, orient="top", labelLimit=220) if series else None

    def coded(looks: Sequence[Any]) -> dict[str, Any]:
        values = [looks[n % len(looks)] for n in range(len(names))]
        return {"sort": names, "legend": legend, "scale": alt.Scale(domain=names, range=values)}

    axis = alt.Axis(format=form, gridColor=RULE, tickCount=6)
    tips = [alt.Tooltip("at:N", title=at.zone), alt.Tooltip(f"{value}:Q", title=title, format=form)]
    if series:
        tips.insert(0, alt.Tooltip("series:N", title=series))
    layers = []
    if low and high:
        band = base.mark_area(color="#dfe9e7")
        layers.append(band.encode(x=at.encode("x"), y=alt.Y(f"{low}:Q", title=title, axis=axis), y2=f"{high}:Q"))
    shown_by = base.encode(
        x=at.follow("x") if layers else at.encode("x"),
        y=alt.Y(f"{value}:Q", title=title, scale=alt.Scale(zero=False), axis=axis),
        color=alt.Color("series:N", **coded(SERIES)),
        tooltip=tips,
    )
    if points:
        layers.append(shown_by.mark_point(size=22, filled=True).encode(shape=alt.Shape("series:N", **coded(SHAPES))))
    else:
        line = shown_by.mark_line(strokeWidth=1.8, interpolate="step-after")
        layers.append(line.encode(strokeDash=alt.StrokeDash("series:N", **coded(DASHES))))
    return dressed(alt.layer(*layers).properties(height=height, width="container"))


def shown(title: str, chart: Any) -> list[Picture]:
    """A picture, where there is a chart."""
    return [] if chart is None else [Picture(title, chart)]
