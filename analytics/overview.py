"""All cells of a plant side by side: what came out against plan, the largest loss, and whether that is ordinary."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta

import polars as pl

from analytics.account import Account, Window, account
from analytics.book import Plant
from analytics.lines import LINES
from analytics.statistics.control_charts import individuals
from analytics.windows import day_window
from ingest.errors import TaktbookError
from ingest.progress import Progress, silent

TREND_DAYS = 28
FEWEST = 8
"""Days that tell what is ordinary."""
NO_LOSS = ("good", "fast_cycle", "plan_gap", "safety_stop")
"""Lines that are never named as the largest loss; a safety stop is nothing to shorten."""
LOSSES = [line.name for line in LINES if line.name not in NO_LOSS]
SCHEMA = pl.Schema({
    "cell": pl.String(), "title": pl.String(), "unit": pl.String(), "from_us": pl.Int64(), "to_us": pl.Int64(),
    "planned_parts": pl.Float64(), "good_n": pl.Int64(), "good_share": pl.Float64(), "oee": pl.Float64(),
    "known_share": pl.Float64(), "line": pl.String(), "station": pl.String(), "cause": pl.String(),
    "line_parts": pl.Float64(), "line_us": pl.Int64(),
    "trend": pl.List(pl.Float64()), "trend_until": pl.Date(), "usual_low": pl.Float64(),
    "usual_high": pl.Float64(), "verdict": pl.String(), "problem": pl.String(),
})  # fmt: skip


def overview(plant: Plant, window_of: Callable[[str], Window], progress: Progress = silent) -> pl.DataFrame:
    """Close one account per cell and put them side by side.

    Takes    window_of: the window of a cell, or a TaktbookError why it has none.
    Returns  SCHEMA: one row per cell of plant.toml, in its order. planned_parts: what planned busy time would have
             given at the planned takt, good_share = good / planned parts; line, station, cause: the largest loss and
             what most of it went to; trend: OEE of the TREND_DAYS production days up to the window's last (null:
             nothing planned); usual_low, usual_high: 3 sigma limits of a chart of single values (moving ranges) over
             the trend but for its last day, null for fewer than FEWEST; verdict: "below", "within" or "above" for the
             last day.
             A cell that cannot be closed has all this null, and why in `problem`.
    """
    rows = []
    for n, cell in enumerate(plant.file.cells):
        progress("cells", n, len(plant.file.cells))
        try:
            rows.append(_row(plant, cell, window_of(cell)))
        except TaktbookError as err:
            rows.append({"cell": cell, "problem": str(err)})
    progress("cells", len(rows), len(rows))
    return pl.DataFrame(rows, schema=SCHEMA, orient="row")


def _row(plant: Plant, name: str, window: Window) -> dict[str, object]:
    cell = plant.cell(name)
    last = plant.file.production_day(window.to_us - 1)
    days = plant.days_between(name, last - timedelta(days=TREND_DAYS - 1), last)
    closed, *each = account(plant, name, [window, *(day_window(plant, day) for day in days)])
    totals = closed.totals()
    planned = float(totals["parts"].sum()) if totals["parts"].null_count() == 0 else None
    good = closed.elements.gq
    trend = [a.figures()["oee"]["value"] for a in each]
    low, high, verdict = _usual(trend)
    texts = {c.code: c.text for c in cell.causes if c.text}
    return {
        "cell": name, "title": cell.title, "unit": cell.unit, "from_us": window.from_us, "to_us": window.to_us,
        "planned_parts": planned, "good_n": round(good), "good_share": good / planned if planned else None,
        "oee": closed.figures()["oee"]["value"], "known_share": closed.known_share, **_largest(closed, texts),
        "trend": trend, "trend_until": days[-1] if days else None,
        "usual_low": low, "usual_high": high, "verdict": verdict, "problem": None,
    }  # fmt: skip


def _largest(closed: Account, texts: dict[str, str]) -> dict[str, object]:
    lost = closed.lines.filter(pl.col("line").is_in(LOSSES) & (pl.col("us") > 0))
    if lost.is_empty():
        return dict.fromkeys(("line", "station", "cause", "line_parts", "line_us"))
    sums = lost.group_by("line").agg(pl.col("us", "parts").sum()).sort("us", "line", descending=[True, False])
    line, us, parts = sums.row(0)
    worst = lost.filter(pl.col("line") == line).sort("us", "station", "cause", descending=[True, False, False])
    station, cause = worst.select("station", "cause").row(0)
    return {"line": line, "station": station, "cause": texts.get(cause, cause), "line_parts": parts, "line_us": us}


def _usual(trend: list[float | None]) -> tuple[float | None, float | None, str | None]:
    *before, last = trend or [None]
    known = [value for value in before if value is not None]
    if last is None or len(known) < FEWEST:
        return None, None, None
    limits = individuals(known).x
    verdict = "below" if last < limits.low else "above" if last > limits.high else "within"
    return float(limits.low), float(limits.high), verdict
