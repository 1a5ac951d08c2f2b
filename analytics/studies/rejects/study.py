"""The study `rejects`: what a window tells of the parts that a cell threw out."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import polars as pl

from analytics.account import Window, _lanes, _products
from analytics.book import Plant, query
from analytics.cell import Cell
from analytics.studies.rejects.bursts import CHANCE, bursts, chart
from analytics.studies.rejects.conditions import FALSE_SHARE, IN_WORDS, LEAST_REJECTS, OLD_TOOL, START_UP, conditions
from analytics.studies.rejects.passes import judged
from analytics.studies.rejects.rates import (
    by_cause,
    by_gripper,
    by_nest,
    by_place,
    by_product,
    by_station,
    priced,
    rolled,
)
from analytics.studies.sentences import ENTRY, counted, length, share
from analytics.study import Names, Study, facts_of

Clock = Callable[[int], str]


@dataclass(frozen=True)
class Frames:
    """What the study is told from, cut at the window and the chosen products."""

    passes: pl.DataFrame  # see sql/station_passes.sql; names are Categorical
    verdicts: pl.DataFrame  # see sql/verdicts.sql
    stops: pl.DataFrame  # see sql/stop_ends.sql
    carriers: pl.DataFrame  # us of each change of carrier
    shifts: pl.DataFrame  # start_us, end_us, shift
    handled: pl.DataFrame  # see sql/handled_by_nest.sql
    carried: pl.DataFrame  # see sql/carried_parts.sql


def rejects(
    plant: Plant, cell: str, window: Window, *, station: str | None = None, product: str | None = None
) -> Study:
    """Tell which parts were rejected, how often, what it cost, when they came in bursts and what raises their rate.

    `product` is a product or a set (then all its members). Raises InputError for names that do not exist and periods
    without events.
    """
    model = plant.cell(cell)
    _lanes(model, station)
    members = _products(model, product)
    span = {"from_us": window.from_us, "to_us": window.to_us}
    with facts_of(plant, cell, window) as con:
        frames = Frames(
            passes=Names().read(con, "station_passes", **span, members=members),
            verdicts=query(con, "verdicts", **span, members=members),
            stops=query(con, "stop_ends", **span),
            carriers=con.sql(
                "select us from marks where kind = 'carrier_start' and us >= $from_us and us < $to_us order by us",
                params=span,
            ).pl(),
            shifts=con.sql(
                "select min(start_us) as start_us, max(end_us) as end_us, shift from plan "
                "where lane = '*' and shift is not null and start_us < $to_us and end_us > $from_us "
                "group by shift, shift_day order by 1",
                params=span,
            ).pl(),
            handled=query(con, "handled_by_nest", **span),
            carried=query(con, "carried_parts", **span, members=members),
        )

    def clock(us: int) -> str:
        return f"{plant.file.local(us):%a %d %b %H:%M}"

    return tell(frames, model, station, clock)


def tell(frames: Frames, cell: Cell, station: str | None, clock: Clock) -> Study:
    """The study from its frames; `station`: only what was rejected there; `clock` writes an instant in words."""
    here = pl.lit(value=True) if station is None else pl.col("station") == station
    verdicts = frames.verdicts
    bad = priced(verdicts.filter((pl.col("move") == "reject") & here), frames.passes, cell)
    goods = verdicts.filter(pl.col("move") == "good")
    rework = verdicts.filter((pl.col("move") == "rework_open") & here)
    if goods.is_empty() and bad.is_empty():
        return Study("rejects", [], {}, ["No part was finished or rejected in this period: there is nothing to tell."])
    every = judged(frames.passes, bad)
    passes = every.filter(here)
    asked = passes.filter(pl.col("station").is_in([*bad["station"].unique(), *rework["station"].unique()]))
    stations = by_station(asked, bad, rework)
    burst = bursts(asked)
    condition = conditions(every, frames.stops, frames.carriers, burst, cell)
    if station is not None:
        condition = condition.filter(pl.col("station") == station)
    tables = {
        "stations": stations,
        "causes": by_cause(passes, bad, cell),
        "products": by_product(goods, bad),
        "nests": by_nest(asked),
        "grippers": by_gripper(frames.handled, bad, goods),
        "carrier_places": by_place(frames.carried) if _rejected_on_carriers(frames) else pl.DataFrame(),
        "bursts": burst,
        "conditions": condition,
        "chart": chart(asked, frames.shifts),
    }
    findings = [
        _first(bad, goods.height + int((verdicts["move"] == "reject").sum()), rework, station),
        *_worst(tables["causes"]),
        *_yield(stations, station),
        *_bursts(burst, clock),
        *_conditions(condition),
    ]
    doubts = _doubts(frames, passes, bad, tables)
    return Study("rejects", findings, {k: v for k, v in tables.items() if v.width}, doubts, [ENTRY] if len(bad) else [])


def _first(bad: pl.DataFrame, done: int, rework: pl.DataFrame, station: str | None) -> str:
    n, parts = bad.height, "part done" if done == 1 else "parts done"
    where = "" if station is None else f" at {station}"
    if not n:
        return f"No part was rejected{where}: {share(0, done)} {parts}."
    priced_n = bad["planned_us"].count()
    took = f", worth {length(float(bad['planned_us'].sum()))} of planned cell time" if priced_n else ""
    sets = float(bad["sets_n"].sum())
    kits = f" or {sets:,.0f} sets" if sets >= 1 else ""
    start_up = int(bad["start_up"].sum())
    first = f", {start_up} of them first parts after a restart" if start_up else ""
    again = rework["part"].n_unique()
    sent = f" Sent into rework: {again:,}." if again else ""
    return f"{counted(n, 'part')} rejected{where}{first}: {share(n, done)} {parts}{took}{kits}.{sent}"


def _worst(causes: pl.DataFrame) -> list[str]:
    if causes.is_empty():
        return []
    top = causes.row(0, named=True)
    what = f"{top['text'] or top['cause'] or 'a cause that no log names'} at {top['station'] or 'an unknown station'}"
    known = top["rate_share"] is not None
    rate = f": {share(top['rejects_n'], top['passed_n'])} that passed there" if known else ""
    return [f"Most of one cause: {what}, {counted(top['rejects_n'], 'part')}{rate}."]


def _yield(stations: pl.DataFrame, station: str | None) -> list[str]:
    known = stations.drop_nulls("first_pass_share")
    if station is not None or known.is_empty():
        return []
    each = ", ".join(f"{s} {f * 100:.1f} %" for s, f in known.select("station", "first_pass_share").rows())
    return [f"Good at the first time: {each}; through all of them {rolled(known) * 100:.1f} % (product)."]


def _bursts(found: pl.DataFrame, clock: Clock) -> list[str]:
    return [
        f"Burst at {b['station']}, {clock(b['start_us'])} to {clock(b['end_us'])[-5:]}: "
        f"{share(b['rejects_n'], b['passed_n'])} parts instead of {_rate(b['elsewhere_share'])}, "
        f"about {b['more_than_usual_n']:.0f} more than usual."
        for b in found.iter_rows(named=True)
    ]


def _rate(rate: float) -> str:
    return f"{rate * 100:.1f} %" if rate >= 0.01 or rate == 0 else f"{rate * 100:.2g} %"


def _conditions(found: pl.DataFrame) -> list[str]:
    return [
        f"At {c['station']}, {IN_WORDS.get(c['condition'], c['condition'])}: {share(c['rejects_n'], c['passed_n'])}, "
        f"{c['times']:.1f} times as often as otherwise (95 %: {c['times_low']:.1f} to {c['times_high']:.1f})."
        for c in found.filter("raises").iter_rows(named=True)
    ]


def _rejected_on_carriers(frames: Frames) -> bool:
    return bool((frames.carried["outcome"] == "reject").any())


def _doubts(frames: Frames, passes: pl.DataFrame, bad: pl.DataFrame, tables: dict[str, pl.DataFrame]) -> list[str]:
    said = []
    lost = bad.height - int(passes["rejected"].sum())
    if lost:
        said.append(
            f"Rejects of no logged cycle: {lost:,}. They count by station, cause and product, and are missing in "
            "nests, bursts, conditions and the chart."
        )
    unpriced = int(bad["planned_us"].is_null().sum())
    if unpriced:
        said.append(f"{counted(unpriced, 'reject')} of products that the cell file does not have: not priced.")
    bare = tables["stations"].filter(pl.col("rate_share").is_null() & (pl.col("rejects_n") > 0))
    said += [
        f"{name}: no rate, because fewer cycles than rejects are logged there."
        for name in bare["station"].fill_null("an unknown station").to_list()
    ]
    if bad.height and tables["grippers"].is_empty():
        said.append("Grippers: the logs name no nest of a robot in this period.")
    if bad.height and tables["nests"].is_empty():
        said.append("Nests: no station that rejects parts has several, or its cycles do not name them.")
    if bad.height and not _rejected_on_carriers(frames):
        said.append("Carrier places: no rejected part lay on a carrier that the logs name.")
    few = passes.group_by("station").agg(pl.col("rejected").sum()).filter(pl.col("rejected").is_between(1, 4))
    said += [
        f"{name}: fewer than {LEAST_REJECTS} rejects, too few to look for bursts and conditions."
        for name in few["station"].sort().to_list()
    ]
    if bad.height:
        said.append(
            f"Bursts: chance {CHANCE * 100:.0f} % per station and period of one where there is none; first parts after "
            "a restart are left out."
        )
        said.append(
            f"Conditions: of those called raising about {FALSE_SHARE * 100:.0f} % are not; bursts are left out, and "
            f'all but "{START_UP}" leave first parts out. No log names tool changes: "{OLD_TOOL}" counts cycles since '
            "the last changeover or maintenance."
        )
    return said
