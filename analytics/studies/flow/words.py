"""The flow of a cell in words: findings, which method names whom, and what is doubtful."""

from __future__ import annotations

import polars as pl

from analytics.statistics.time_in_bins import time_in_bins
from analytics.studies.flow.between import Little
from analytics.studies.flow.read import Read
from analytics.studies.sentences import length

Named = list[tuple[str, str | None, str]]
"""Method, the station that it names (None: it does not decide), why."""
LEAST_SHARE = 0.01
"""A buffer that is empty or full for less is not worth a sentence."""


def bottleneck_words(lanes: pl.DataFrame, bridge: int) -> list[str]:
    """Name the momentary bottleneck and how sure it is; say what counted as a hand-over."""
    if lanes.is_empty() or not lanes["bottleneck_share"][0]:
        return ["No station was active in this period: there is no bottleneck to name."]
    top = lanes.row(0, named=True)
    span = "" if top["low_share"] is None else f" (95 %: {top['low_share'] * 100:.0f} to {top['high_share'] * 100:.0f})"
    first = (
        f"{top['lane']} was the momentary bottleneck for {_share(top['bottleneck_share'])} of planned busy time{span}: "
        f"{_share(top['sole_share'])} alone, {_share(top['shifting_share'])} while it shifted from or to another."
    )
    second = lanes.row(1, named=True) if lanes.height > 1 else None
    close = second is not None and None not in (top["low_share"], second["high_share"]) and (
        top["low_share"] <= second["high_share"]
    )  # fmt: skip
    if second is not None and close:
        first += f" {second['lane']} with {_share(second['bottleneck_share'])} is too near to tell them apart."
    rest = [f"Waits up to {length(bridge)} count as hand-overs between two works, not as waiting."]
    return [first, *rest]


def active_names(lanes: pl.DataFrame) -> Named:
    """What the two methods of active periods say: method, station, why."""
    if lanes.is_empty():
        return []
    top = lanes.row(0, named=True)
    names: Named = [
        (
            "shifting bottleneck",
            top["station"],
            f"{top['lane']}: {_share(top['bottleneck_share'])} of planned busy time",
        )
    ]
    by_mean = lanes.sort("mean_us", "lane", descending=[True, False])
    longest = by_mean.row(0, named=True)
    span = "one period only" if longest["low_us"] is None else (
        f"95 %: {length(longest['low_us'])} to {length(longest['high_us'])}"
    )  # fmt: skip
    why = f"{longest['lane']}: {length(longest['mean_us'])} without a wait ({span})"
    rivals = by_mean[1:].filter(pl.col("high_us").is_null() | (pl.col("high_us") >= (longest["low_us"] or 0)))
    decided = longest["low_us"] is not None and rivals.is_empty()
    if not decided:
        why += f"; not decided against {', '.join(rivals['lane'].head(3).to_list())}" if rivals.height else ""
    names.append(("average active period", longest["station"] if decided or by_mean.height == 1 else None, why))
    return names


def line_names(line: pl.DataFrame) -> Named:
    """Say what the turning point and the arrows name."""
    turns = line.filter("turning_point")["station"].to_list()
    why = (
        "before it stations are blocked, behind it starved"
        if turns
        else "no station has blocked before and starved behind it"
    )
    names: Named = [("turning point", turns[0] if len(turns) == 1 else None, why)]
    ends = line.filter("bottleneck").sort("severity_share", "place_n", descending=[True, False])
    worst = ends.row(0, named=True)
    others = f"; also {', '.join(ends['station'][1:].to_list())}" if ends.height > 1 else ""
    place = worst["place_n"] - 1
    around = line.filter((pl.int_range(pl.len()) >= place - 1) & (pl.int_range(pl.len()) <= place))["sure"].drop_nulls()
    unsure = "; too few bins for an interval" if not len(around) else "" if around.all() else "; within chance"
    names.append(("arrows", worst["station"], f"severity {worst['severity_share'] * 100:.1f} %{others}{unsure}"))
    return names


def chain_names(facts: Read, doubts: list[str]) -> Named:
    """Say whom the gating chain charges most."""
    if facts.chain is None:
        doubts.append("The gating chain is not among the facts: no method here was compared with it.")
        return []
    gates = time_in_bins(facts.chain.drop_nulls("station"), ["station"], [facts.window.from_us, facts.window.to_us])
    gates = gates.sort("us", "station", descending=[True, False])
    if gates.is_empty():
        doubts.append("The gating chain charges nobody in this period: no method here was compared with it.")
        return []
    share = gates["us"][0] / int(gates["us"].sum())
    return [("gating chain", gates["station"][0], f"{_share(share)} of the chain's time")]


def agreement_words(both: pl.DataFrame | None, named: Named) -> list[str]:
    """Say whether the methods name one station, and for how long chain and active periods do (tables.beside_chain)."""
    saying: dict[str, list[str]] = {}
    for method, station, _ in named:
        if station is not None:
            saying.setdefault(station, []).append(method)
    words = []
    if len(saying) == 1:
        ((station, methods),) = saying.items()
        words.append(f"All methods that decide ({', '.join(methods)}) name {station}.")
    elif saying:
        sides = "; ".join(f"{station}: {', '.join(methods)}" for station, methods in saying.items())
        words.append(f"The methods disagree: {sides}.")
    if both is not None:
        time = both.filter(pl.col("agrees").is_not_null()).select(
            us=pl.col("end_us") - pl.col("start_us"), agrees="agrees"
        )
        if time["us"].sum():
            share = int(time.filter("agrees")["us"].sum()) / int(time["us"].sum())
            words.append(
                f"Instant by instant, the gating chain and the active periods name one station for {_share(share)}."
            )
    return words


def left_out(facts: Read, line: list[str]) -> list[str]:
    """Say which working stations the line leaves out."""
    others = [s.name for s in facts.model.stations if s.name in facts.model.working() and s.name not in line]
    return (
        [f"Turning point and arrows leave out {', '.join(others)}: parts are not followed through them in a line."]
        if others
        else []
    )


def level_words(levels: pl.DataFrame) -> list[str]:
    """Name the emptiest and the fullest buffer of those with a known number of places."""
    known = levels.filter(pl.col("capacity_n").is_not_null())
    if known.is_empty():
        return []
    empty = known.sort("empty_share", descending=True, maintain_order=True).row(0, named=True)
    full = known.sort("full_share", descending=True, maintain_order=True).row(0, named=True)
    words = []
    if empty["empty_share"] >= LEAST_SHARE:
        words.append(
            f"Between {empty['from']} and {empty['to']} nothing lay for {_share(empty['empty_share'])} of the time."
        )
    if full["full_share"] >= LEAST_SHARE:
        words.append(
            f"Between {full['from']} and {full['to']} all {full['capacity_n']} places were taken for "
            f"{_share(full['full_share'])} of the time."
        )
    return words


def little_words(law: Little | None, facts: Read, doubts: list[str]) -> list[str]:
    """Tell Little's law with the numbers of the window, and what does not fit."""
    if law is None or law.mean_stay_us is None or law.by_little is None:
        doubts.append("No part left in this period that was followed from its first record: Little's law says nothing.")
        return []
    lost = facts.lives.filter("lost").height
    if lost:
        doubts.append(f"{lost} parts were lost from sight; they count as inside until they are given up.")
    if abs(law.rest) > max(0.5, 0.02 * law.mean_wip):
        doubts.append(
            f"{law.rest:+.1f} parts of the mean number inside are in the count of moves and not among the parts that "
            "are followed: parts without number, or numbers that were read twice."
        )
    return [
        f"On average {law.mean_wip:.1f} parts were inside; throughput ({law.throughput_per_us * 3.6e9:.1f}/h) times "
        f"mean stay ({length(law.mean_stay_us)}) gives {law.by_little:.1f}, the parts inside at the window's edges "
        f"{law.edges:+.1f}."
    ]


def waiting_doubts(whole: pl.DataFrame, lanes: pl.DataFrame) -> list[str]:
    """Say where working and waiting are not told, and how many periods were cut."""
    words = []
    dim = whole.filter(pl.col("unknown_share") > 0.05).sort("unknown_share", "station", descending=[True, False])
    if dim.height:
        listed = ", ".join(
            f"{row['station']} {_share(row['unknown_share'])}" for row in dim.head(5).iter_rows(named=True)
        )
        words.append(
            f"Of some stations part of the time is not told as working or waiting ({listed}): it counts as not active."
        )
    cut = int(lanes["cut_n"].sum()) if lanes.height else 0
    if cut:
        words.append(f"{cut} active periods touch an edge of planned busy time and are longer than they look.")
    return words


def _share(value: float) -> str:
    return f"{value * 100:.0f} %"
