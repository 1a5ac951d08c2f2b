"""Frame -> chart, one pure function per question; used by pages, reports and notebooks alike.

Time runs on the plant's clock whatever zone the browser is in: `Clock` turns instants into an axis that never runs
backwards, and its labels are those of the plant, with the offset where the clock is changed.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import altair as alt
import pandas  # noqa: F401 - Altair looks into it when it is half loaded by another session's thread; load it whole before
import polars as pl

from analytics.account import Window
from analytics.plant import PlantFile, from_us
from app.lanes import RHYTHM
from app.theme import GOOD_LINE, INK, NOT_PLANNED, ORDER, PLANNED_LINE, QUIET, RULE, look
from app.wording import line_title, number

LANE_PX: Final = 24
AXIS_PX: Final = 46
LONG_US: Final = 25 * 3_600_000_000
"""Pages fit a chart with its axis into its height."""
LABEL_SHARE: Final = 0.012
"""A rectangle this wide (share of the window) has room for its mark."""


@dataclass(frozen=True, slots=True)
class Clock:
    """The plant's clock over a window: axis position = UTC ms + the offset at its start; strictly growing."""

    zone: str
    from_us: int
    to_us: int
    offset_ms: int
    change_ms: int | None = None  # axis position at which the clock is changed
    shift_ms: int = 0  # by how much it is put forward (+) or back (−) there
    words: tuple[str, str] = ("", "")  # offset at the start and at the end

    def x(self, column: str) -> pl.Expr:
        """Axis position of a column of UTC microseconds: us -> x, start_us -> start_x."""
        return (pl.col(column) / 1000 + self.offset_ms).alias("x" if column == "us" else column.replace("_us", "_x"))

    def words_of(self, column: str, name: str) -> pl.Expr:
        """Local time of day of a column of UTC microseconds, for tooltips."""
        form = ("%a %d %b " if self.long else "") + ("%H:%M:%S %:z" if self.change_ms is not None else "%H:%M:%S")
        return (
            pl.from_epoch(column, time_unit="us")
            .dt.replace_time_zone("UTC")
            .dt.convert_time_zone(self.zone)
            .dt.strftime(form)
            .alias(name)
        )

    @property
    def long(self) -> bool:
        """Whether a time of day occurs twice: then the day is said with it."""
        return self.to_us - self.from_us > LONG_US

    @property
    def domain(self) -> list[alt.DateTime]:
        """Both ends of the axis; plain numbers are not taken for instants there."""
        return [self._date_time(us) for us in (self.from_us, self.to_us)]

    def _date_time(self, us: int) -> alt.DateTime:
        at = from_us(us + self.offset_ms * 1000)
        return alt.DateTime(
            year=at.year, month=at.month, date=at.day, hours=at.hour, minutes=at.minute, seconds=at.second,
            milliseconds=at.microsecond / 1000, utc=True,
        )  # fmt: skip

    def axis(self, **options: Any) -> alt.Axis:
        """Return the axis: labels follow the plant's clock across a change."""
        form = "%a %H:%M" if self.long else "%H:%M"
        if self.change_ms is None:
            label = f"utcFormat(datum.value, '{form}')"
            zone = f"{self.zone} ({self.words[0]})"
        else:
            after = f"time(datum.value) >= {self.change_ms}"
            zone = self.zone
            label = (
                f"[utcFormat(time(datum.value) + ({after} ? {self.shift_ms} : 0), '{form}'), "
                f"{after} ? '{self.words[1]}' : '{self.words[0]}']"
            )
        return alt.Axis(
            labelExpr=label,
            title=f"time of day, {zone}",
            labelOverlap=True,
            tickCount=8 if self.long else 12,
            **options,
        )

    def encode(self, field: str, **options: Any) -> alt.X:
        """Return the x encoding of a field that `x` made, for the first layer of a chart: it brings scale and axis."""
        scale = alt.Scale(type="utc", domain=self.domain, nice=False)
        return alt.X(f"{field}:T", scale=scale, axis=self.axis(**options))

    def follow(self, field: str) -> alt.X:
        """Return the x encoding for the layers above the first: they take its scale."""
        return alt.X(f"{field}:T", scale=alt.Scale(type="utc"))


def clock(plant: PlantFile, window: Window) -> Clock:
    """Return the plant's clock over a window with at most one change of it."""
    start, end = plant.local(window.from_us), plant.local(window.to_us)
    first, last = start.utcoffset(), end.utcoffset()
    assert first is not None  # plant times always have an offset
    assert last is not None
    offset_ms = round(first.total_seconds() * 1000)
    words = (start.isoformat()[-6:], end.isoformat()[-6:])
    if first == last:
        return Clock(plant.zone, window.from_us, window.to_us, offset_ms, words=words)
    low, high = window.from_us, window.to_us
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if plant.local(middle).utcoffset() == first else (low, middle)
    shift_ms = round((last - first).total_seconds() * 1000)
    return Clock(plant.zone, window.from_us, window.to_us, offset_ms, high // 1000 + offset_ms, shift_ms, words)


def plan_and_actual(
    output: pl.DataFrame, pauses: pl.DataFrame, at: Clock, unit: str, lines: Sequence[str], height: int = 380
) -> alt.LayerChart:
    """Planned and actual output as two cumulative lines, the gap between them stacked by what it was lost to.

    Takes    output: us, line, parts (analytics.output); pauses: start_us, end_us, cause of planned stops; lines: those
             of the gap from the bottom up. Credits lower the bottom of the stack, so that its top is always the plan.
    """
    x = at.follow("x")
    wide = output.pivot("line", index="us", values="parts").sort("us").with_columns(at.x("us"), at.words_of("us", "at"))
    gap = _stack(output, [n for n in lines if n in wide.columns], at)
    names = [line_title(n) for n in lines if n in wide.columns]
    top = float(wide["planned"].max() or 1.0)  # type: ignore[arg-type]
    y_scale = alt.Scale(domain=[0, top * 1.08], nice=False)
    y_axis = alt.Axis(title=f"{unit} since the start", tickCount=6, gridColor=RULE)
    breaks = (
        alt.Chart(pauses.select(at.x("start_us"), at.x("end_us"), "cause"))
        .mark_rect(color=NOT_PLANNED.color)
        .encode(x=at.follow("start_x"), x2="end_x:T", tooltip=[alt.Tooltip("cause:N", title="planned stop")])
    )
    colors = [look(n).color for n in lines if n in wide.columns]
    area = (
        alt.Chart(gap)
        .mark_area(line=False)
        .encode(
            x=at.encode("x"),
            y=alt.Y("low:Q", scale=y_scale, axis=y_axis),
            y2="high:Q",
            color=alt.Color(
                "title:N",
                scale=alt.Scale(domain=names, range=colors),
                sort=names,
                legend=alt.Legend(
                    title="the gap, lost to", orient="bottom", columns=5, symbolType="square", labelLimit=180
                ),
            ),
            order=alt.Order("order:Q"),
        )
    )
    base = alt.Chart(wide.rename({n: line_title(n) for n in lines if n in wide.columns}))
    planned = base.mark_line(color=PLANNED_LINE, strokeDash=[6, 3], strokeWidth=1.6).encode(x=x, y="planned:Q")
    halo = base.mark_line(color="#ffffff", strokeWidth=5).encode(x=x, y="good:Q")
    good = base.mark_line(color=GOOD_LINE, strokeWidth=2.4).encode(x=x, y="good:Q")
    last = _last(wide, unit, at)
    words = [
        alt.Chart(last.filter(pl.col("color") == color))
        .mark_text(align="right", dx=-6, dy=dy, fontSize=13, fontWeight=600, color=color)
        .encode(x=x, y="parts:Q", text="words:N")
        for color, dy in ((PLANNED_LINE, -9), (GOOD_LINE, 30))
    ]
    hover = alt.selection_point(fields=["x"], nearest=True, on="pointermove", empty=False, clear="pointerout")
    tips = [alt.Tooltip("at:N", title=at.zone), *(alt.Tooltip(f"{n}:Q", format=",.0f") for n in ("planned", "good"))]
    tips += [alt.Tooltip(f"{n}:Q", format=",.1f") for n in names]
    rule = (
        base.mark_rule(color=INK)
        .encode(x=x, tooltip=tips, opacity=alt.condition(hover, alt.value(0.5), alt.value(0)))
        .add_params(hover)
    )
    layers = [*([breaks] if pauses.height else []), area, halo, planned, good, *words, rule]
    return dressed(alt.layer(*layers).properties(height=height, width="container"))


def lane_chart(
    rectangles: pl.DataFrame, lanes: Sequence[str], at: Clock, causes: Mapping[str, str], lane_px: int = LANE_PX
) -> alt.LayerChart:
    """One row per lane: what it did when. Colour, height and mark all say the line; drag to move, wheel to zoom.

    Takes    rectangles as `app.lanes.overview` returns them; lanes from top to bottom; causes: code -> words.
    """
    number_of = {lane: n for n, lane in enumerate(lanes)}
    shown = rectangles.filter(pl.col("lane").is_in(list(lanes)))
    looks = {name: look(name) for name in shown["line"].unique().to_list()}

    def by_line(what: str, kind: type[pl.DataType] | pl.DataType) -> pl.Expr:
        return pl.col("line").replace_strict({n: getattr(k, what) for n, k in looks.items()}, return_dtype=kind)

    planned = pl.col("plan") == "busy"
    half = pl.when(planned).then(by_line("height", pl.Float64)).otherwise(NOT_PLANNED.height) * 0.46
    middle = pl.col("lane").replace_strict(number_of, return_dtype=pl.Float64) + 0.5
    filled = by_line("filled", pl.Boolean)
    rows = shown.with_columns(
        at.x("start_us"),
        at.x("end_us"),
        at.words_of("start_us", "from"),
        at.words_of("end_us", "to"),
        low=middle + half,
        high=middle - half,
        fill=pl.when(~planned).then(pl.lit(NOT_PLANNED.color))
        .when(filled).then(by_line("color", pl.String)).otherwise(pl.lit("#ffffff")),
        stroke=pl.when(planned & ~filled).then(by_line("color", pl.String)),
        title=pl.when(planned).then(
            pl.col("line").replace_strict({n: line_title(n) for n in looks}, return_dtype=pl.String)
        ).otherwise(pl.lit("planned stop or not planned")),
        seconds=(pl.col("end_us") - pl.col("start_us")) / 1e6,
        what=pl.when(pl.col("share") < 1).then(
            pl.format("{} pieces drawn together, {} % this", "pieces", (pl.col("share") * 100).round(0).cast(pl.Int64))
        ).otherwise(pl.col("cause").replace(dict(causes))).fill_null(""),
        log=pl.format("{}:{}", "log_file", "log_line").fill_null(""),
    )  # fmt: skip
    scale = alt.Scale(domain=[len(lanes), 0], nice=False)
    axis = alt.Axis(
        values=[n + 0.5 for n in range(len(lanes))],
        labelExpr=f"{list(lanes)!r}[floor(datum.value)]",
        title=None,
        grid=False,
        ticks=False,
        domain=False,
        labelLimit=140,
        labelOverlap=False,
    )
    tips = [
        alt.Tooltip("lane:N"),
        alt.Tooltip("title:N", title="line"),
        alt.Tooltip("what:N", title="cause"),
        alt.Tooltip("from:N"),
        alt.Tooltip("to:N"),
        alt.Tooltip("seconds:Q", format=",.1f"),
        alt.Tooltip("log:N"),
    ]
    zoom = alt.selection_interval(bind="scales", encodings=["x"])
    keep = [
        "start_x",
        "end_x",
        "low",
        "high",
        "fill",
        "stroke",
        "lane",
        "title",
        "what",
        "from",
        "to",
        "seconds",
        "log",
    ]
    boxes = (
        alt.Chart(rows.select(keep))
        .mark_rect(clip=True, strokeWidth=1)
        .encode(
            x=at.encode("start_x", grid=True, gridColor=RULE),
            x2="end_x:T",
            y=alt.Y("low:Q", scale=scale, axis=axis),
            y2="high:Q",
            fill=alt.Fill("fill:N", scale=None),
            stroke=alt.Stroke("stroke:N", scale=None),
            tooltip=tips,
        )
        .add_params(zoom)
    )
    marks = _marks(rows.filter(planned), at)
    text = (
        alt.Chart(marks)
        .mark_text(fontSize=10, fontWeight=600, clip=True)
        .encode(
            x=at.follow("mid_x"),
            y=alt.Y("mid_y:Q", scale=scale, axis=axis),
            text="mark:N",
            color=alt.Color("ink:N", scale=None),
        )
    )
    return dressed(alt.layer(boxes, text).properties(height=lane_px * max(len(lanes), 1) + AXIS_PX, width="container"))


def _stack(output: pl.DataFrame, lines: Sequence[str], at: Clock) -> pl.DataFrame:
    """Long form with low and high of each line at each instant; credits (below zero) lower the bottom."""
    order = {name: n for n, name in enumerate(lines)}
    good = output.filter(pl.col("line") == "good").select("us", good="parts")
    rows = (
        output.filter(pl.col("line").is_in(list(lines)))
        .join(good, on="us", how="left")
        .with_columns(order=pl.col("line").replace_strict(order, return_dtype=pl.Int64))
        .sort("us", "order")
    )
    up = pl.col("parts").clip(lower_bound=0)
    credit = pl.col("parts").clip(upper_bound=0).sum().over("us")
    high = pl.col("good").fill_null(0) + credit + up.cum_sum().over("us")
    return rows.filter(pl.col("us").is_not_null()).select(
        at.x("us"),
        (high - up).alias("low"),
        high.alias("high"),
        "order",
        title=pl.col("line").replace_strict({n: line_title(n) for n in lines}, return_dtype=pl.String),
    )


def _last(wide: pl.DataFrame, unit: str, at: Clock) -> pl.DataFrame:
    end = wide.tail(1)
    planned, good = float(end["planned"][0]), float(end["good"][0]) if "good" in end.columns else 0.0
    return pl.DataFrame(
        {
            "x": [end["x"][0]] * 2,
            "parts": [planned, good],
            "words": [f"planned {number(planned)} {unit}", f"good {number(good)}"],
            "color": [PLANNED_LINE, GOOD_LINE],
        }
    )


def _marks(rows: pl.DataFrame, at: Clock) -> pl.DataFrame:
    """Marks for the rectangles that are wide enough, in ink that stands out; idling needs more room, it would blur."""
    room = (at.to_us - at.from_us) / 1e6 * LABEL_SHARE
    enough = pl.when(pl.col("line").is_in(RHYTHM)).then(8 * room).otherwise(room)
    wide = rows.filter(
        (pl.col("seconds") >= enough)
        & pl.col("line").is_in([n for n in rows["line"].unique().to_list() if look(n).mark])
    )
    inks = {n: ("#ffffff" if look(n).filled and _dark(look(n).color) else INK) for n in wide["line"].unique().to_list()}
    return wide.select(
        mid_x=(pl.col("start_x") + pl.col("end_x")) / 2,
        mid_y=(pl.col("low") + pl.col("high")) / 2,
        mark=pl.col("line").replace_strict({n: look(n).mark for n in inks}, return_dtype=pl.String),
        ink=pl.col("line").replace_strict(inks, return_dtype=pl.String),
    )


def _dark(color: str) -> bool:
    red, green, blue = (int(color[n : n + 2], 16) for n in (1, 3, 5))
    return 0.299 * red + 0.587 * green + 0.114 * blue < 140


def dressed(chart: Any) -> alt.LayerChart:
    """Give a finished chart the letters and colours of the house."""
    font = "sans-serif"
    whole: alt.LayerChart = (
        chart.configure_view(stroke=None)
        .configure_axis(
            labelFont=font,
            titleFont=font,
            labelColor=QUIET,
            titleColor=QUIET,
            titleFontWeight="normal",
            labelFontSize=12,
        )
        .configure_legend(labelFont=font, titleFont=font, labelColor=INK, titleColor=QUIET, titleFontWeight="normal")
        .configure_text(font=font)
    )
    return whole


def legend(rectangles: pl.DataFrame) -> str:
    """What the colours, heights and marks of a lane chart mean, as HTML; only lines that occur."""
    found = rectangles.filter(pl.col("plan") == "busy")["line"].unique().to_list()
    items = []
    for name in (n for n in ORDER if n in found):
        own = look(name)
        style = f"background:{own.color}" if own.filled else f"border:2px solid {own.color}"
        mark = f" <b>{own.mark}</b>" if own.mark else ""
        items.append(
            f'<span class="tb-item"><span class="tb-chip" style="{style}"></span>{line_title(name)}{mark}</span>'
        )
    return f'<div class="tb-quiet tb-legend">{"".join(items)}</div>'
