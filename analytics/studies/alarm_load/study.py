"""The study `alarms`: the load of alarms in a window against what one operator can answer, and what alarms cost."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import polars as pl

from analytics.account import Window, _lanes, _products
from analytics.book import Plant, query
from analytics.plan import NOT_PLANNED
from analytics.statistics.time_in_bins import time_in_bins
from analytics.studies.alarm_load import load
from analytics.studies.alarm_load.nuisance import CHATTER_N, FLEETING_US, most_standing, standing, with_nuisance
from analytics.studies.alarm_load.ranked import SAFETY, by_alarm
from analytics.studies.annunciations import KEY, NEVER_ENDS, annunciations
from analytics.studies.cell_losses import cell_losses
from analytics.studies.safety_words import PROTECTIVE_STOPS
from analytics.studies.sentences import counted, length
from analytics.study import Study, facts_of

BEFORE_US = 7 * 24 * load.HOUR_US
"""How far back alarms are looked for that still stand in the window."""

TOP_N = 10
MEASURES = {"measure": pl.String, "value": pl.Float64, "unit": pl.String, "at_most": pl.Float64, "within": pl.Boolean}


@dataclass(frozen=True)
class Frames:
    """What the study is told from."""

    alarms: pl.DataFrame  # the fact tables alarms and marks, from some days before the window to its end
    marks: pl.DataFrame
    losses: pl.DataFrame  # of analytics.studies.cell_losses
    plan: pl.DataFrame  # lane, start_us, end_us, plan


def alarm_load(
    plant: Plant, cell: str, window: Window, *, station: str | None = None, product: str | None = None
) -> Study:
    """Tell how many alarms a window had, in which floods, which of them tell nothing and what each cost the cell.

    `station`: only its alarms. Alarms know no product: `product` changes nothing and is told so. Raises InputError for
    names that do not exist and periods without events.
    """
    _lanes(plant.cell(cell), station)
    _products(plant.cell(cell), product)
    with facts_of(plant, cell, window) as con:
        losses, plan = cell_losses(con, window), query(con, "lane_plan")
    with facts_of(plant, cell, Window(window.key, window.from_us - BEFORE_US, window.to_us)) as con:
        rows, marks = (query(con, name, to_us=window.to_us) for name in ("alarm_rows", "alarm_marks"))
    return tell(Frames(rows, marks, losses, plan), window, station, product)


def tell(frames: Frames, window: Window, station: str | None, product: str | None) -> Study:
    """The study from its frames."""
    every = annunciations(frames.alarms, frames.marks)
    if station is not None:
        every = every.filter(pl.col("station") == station)
    every = with_nuisance(every, window.to_us)
    inside = every.filter((pl.col("start_us") >= window.from_us) & (pl.col("start_us") < window.to_us))
    doubts = [] if product is None else ["Alarms are not told apart by product: all of them are shown."]
    stands = standing(every, window.from_us)
    if inside.is_empty() and stands.is_empty():
        where = "" if station is None else f" of {station}"
        return Study("alarms", [], {}, [*doubts, f"No alarms{where} in this period: there is no load to tell."])
    windows = attended(inside["start_us"], window, frames.plan, load.TEN_MINUTES_US)
    flood = load.floods(windows)
    figures = measures(inside, every, windows, window, frames.plan)
    ranked = by_alarm(inside, frames.losses)
    tables = {
        "alarms": ranked,
        "measures": figures,
        "floods": flood,
        "standing": stands,
        "safety_stops": safety(inside),
        "per_ten_minutes": windows,
    }
    doubts += _doubts(inside, windows, station)
    cautions = [PROTECTIVE_STOPS] if tables["safety_stops"].height else []
    return Study("alarms", _findings(inside, windows, flood, ranked, figures), tables, doubts, cautions)


def attended(at: pl.Series, window: Window, plan: pl.DataFrame, width_us: int) -> pl.DataFrame:
    """Count alarms in fixed windows, without those that no shift covers and in which nothing rose (load.WINDOWS)."""
    rows = load.per_window(at.to_numpy(), window.from_us, window.to_us, width_us)
    if rows.is_empty():
        return rows
    edges = [*rows["start_us"].to_list(), int(rows["end_us"][-1])]
    spans = plan.filter((pl.col("lane") == "*") & (pl.col("plan") != NOT_PLANNED)).drop("plan")
    if spans.is_empty():
        return rows.filter(pl.col("alarms_n") > 0)
    manned = time_in_bins(spans, ["lane"], edges).select("start_us", manned_us="us")
    return rows.join(manned, on="start_us", how="left", maintain_order="left").filter(
        (pl.col("manned_us") > 0) | (pl.col("alarms_n") > 0)
    ).drop("manned_us")  # fmt: skip


def measures(
    inside: pl.DataFrame, every: pl.DataFrame, windows: pl.DataFrame, window: Window, plan: pl.DataFrame
) -> pl.DataFrame:
    """The load beside the yardsticks of ANSI/ISA-18.2 and IEC 62682: MEASURES."""
    hours = attended(inside["start_us"], window, plan, load.HOUR_US)
    watched = int((windows["end_us"] - windows["start_us"]).sum())
    ten = inside.height / watched * load.TEN_MINUTES_US if watched else None
    top = load.top_share(inside.group_by(KEY).len()["len"], TOP_N)
    rows: list[tuple[str, float | None, str, float | None]] = [
        ("alarms", inside.height, "alarms", None),
        ("alarms per 10 min", ten, "alarms", 1),
        ("most in any 10 min", load.most_within(inside["start_us"].to_numpy())[0], "alarms", 10),
        ("10 min with more than 10", _part(windows["alarms_n"] > load.FLOOD_STARTS), "share", 0.01),
        ("hours with more than 30", _part(hours["alarms_n"] > load.BUSY_HOUR), "share", 0.01),
        ("time in floods", _part(windows["flood"]), "share", 0.01),
        (f"load of the {TOP_N} most frequent", top, "share", 0.05),
        ("chattering", int(inside["chatters"].sum()), "alarms", 0),
        ("fleeting", int(inside["fleeting"].sum()), "alarms", 0),
        ("standing at one time", most_standing(every, window.from_us, window.to_us), "alarms", 4),
    ]
    frame = pl.DataFrame(
        rows,
        schema={"measure": pl.String, "value": pl.Float64, "unit": pl.String, "at_most": pl.Float64},
        orient="row",
        strict=False,
    )
    return frame.with_columns(within=pl.col("value") <= pl.col("at_most"))


def safety(inside: pl.DataFrame) -> pl.DataFrame:
    """Alarms of safety stops, in order of time. They are counted, never ranked."""
    return inside.filter(pl.col("book") == SAFETY).select(
        "station", "code", "text", "start_us", "end_us", "up_us", "log_file", "log_line"
    )


def _part(flags: pl.Series) -> float | None:
    return float(flags.mean()) if flags.len() else None  # type: ignore[arg-type]


def _findings(
    inside: pl.DataFrame, windows: pl.DataFrame, flood: pl.DataFrame, ranked: pl.DataFrame, figures: pl.DataFrame
) -> list[str]:
    lines = []
    first = ranked.head(1).to_dicts()
    if first and first[0]["lost_us"]:
        one = first[0]
        lines.append(
            f"{name_of(one)} cost the cell most: {length(one['lost_us'])}, {one['lost_parts']:.0f} parts, in "
            f"{counted(one['alarms_n'], 'alarm')}; by count it is number {one['by_count_n']} of {ranked.height}."
        )
    elif first:
        lines.append("No alarm of this period cost the cell time.")
    value = dict(zip(figures["measure"], figures["value"], strict=True))
    most, at = load.most_within(inside["start_us"].to_numpy())
    rate = value["alarms per 10 min"]
    if rate is not None and at is not None:
        verdict = "which one person can answer" if rate <= 1 else "beyond the 1 that one person can answer well"
        lines.append(
            f"{counted(inside.height, 'alarm')} in {length(int((windows['end_us'] - windows['start_us']).sum()))}: "
            f"{rate:.2f} per 10 min, {verdict}; at worst {most} in 10 min."
        )
    if flood.height:
        lines.append(
            f"{counted(flood.height, 'flood')} of alarms: {length(int(flood['us'].sum()))} together, the worst with "
            f"{int(flood['most_n'].to_numpy().max())} in 10 min."
        )
    free = ranked.filter(pl.col("lost_us") == 0)
    if free.height and any(one["lost_us"] for one in first):
        lines.append(f"{counted(int(free['alarms_n'].sum()), 'alarm')} of {free.height} kinds cost the cell nothing.")
    return lines


def name_of(row: dict[str, Any]) -> str:
    """Name an alarm: 3107 gripper vacuum low (robA)."""
    text = row["text"]
    return f"{row['code']}{f' {text}' if text and text != row['code'] else ''} ({row['station'] or 'cell'})"


def _doubts(inside: pl.DataFrame, windows: pl.DataFrame, station: str | None) -> list[str]:
    doubts = [
        "The yardsticks are those of process plants for one operator's place (ANSI/ISA-18.2, IEC 62682); the cell is "
        "taken for one place. Ten minutes are counted in fixed windows, the most in any 10 min in sliding ones.",
        "No log tells priorities, shelved or suppressed alarms: they are not part of this.",
    ]
    if station is not None:
        doubts.append(f"Only the alarms of {station} are counted: the load on a person is that of the whole cell.")
    never = inside.filter(pl.col("ends") == NEVER_ENDS)["code"].unique().sort().to_list()
    if never:
        doubts.append(
            f"No end of {', '.join(never[:5])}{' and others' if len(never) > 5 else ''} is logged: whether they stand "
            "or are fleeting is not known."
        )
    again = inside.filter(pl.col("ends") == "again").height
    if again:
        doubts.append(
            f"{counted(again, 'alarm')} rose again before an end was logged; how long it was up is not known."
        )
    up = inside.filter(pl.col("ends") == "open").height
    if up:
        doubts.append(f"{counted(up, 'alarm')} had no end by the end of the period.")
    short = windows.filter(pl.col("end_us") - pl.col("start_us") < load.TEN_MINUTES_US).height
    if short:
        doubts.append("The last window is shorter than ten minutes.")
    if inside.height and not (inside["ends"] == "cleared").any():
        doubts.append(
            f"Chattering is {CHATTER_N} times in a minute; fleeting, under {length(FLEETING_US)}, needs logged ends."
        )
    return doubts
