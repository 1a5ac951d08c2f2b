"""What to do first: the losses of the gating chain as opportunities, in parts per shift, none of them counted twice."""

from __future__ import annotations

from typing import Final

import polars as pl

from analytics.account import Window, _lanes, _products
from analytics.book import Plant, query
from analytics.cell import Cell
from analytics.ledger import NO_ALARM
from analytics.studies.safety_words import PROTECTIVE_STOPS
from analytics.studies.sentences import ENTRY, counted, length
from analytics.study import Study, facts_of

END, REPAIR, PACE, CHANGE, CARRIERS, MATERIAL, PEOPLE, QUALITY = (
    "end the short stops", "fix the cause", "bring to plan", "cut the changeover", "have carriers ready",
    "have material ready", "be there in time", "make it good",
)  # fmt: skip
WHAT: Final = {
    "breakdown": REPAIR,
    "micro_stop": END,
    "slow_cycle": PACE,
    "changeover": CHANGE,
    "carrier_change": CARRIERS,
    "waiting_material": MATERIAL,
    "waiting_people": PEOPLE,
}
"""What could be done about a line. Safety stops, planned stops, missing orders and what is not known are not in it."""
SPEED: Final = (
    "Bringing a step to its planned time is no advice to raise a speed: a higher speed, a nearer stop or a changed "
    "guard needs the risk assessment of the machine's responsible person (ISO 12100, ISO 10218-2, ISO 13855)."
)
LEAST_SHARE = 0.0005
"""An opportunity below this share of planned busy time is left out of the list, and counted."""
LEVEL = 0.95


def first(plant: Plant, cell: str, window: Window, *, station: str | None = None, product: str | None = None) -> Study:
    """Rank what could be done about the losses of a window.

    Tables   opportunities: rank, what, station, cause, events_n, charged_us (of the window), parts_per_shift (the
             most that ending it can bring: another way may gate next), low and high (95 %), its largest case and the
             log lines of that; evidence: the largest cases of each; left_out: what the list does not hold.
    """
    model = plant.cell(cell)
    _lanes(model, station)
    members = _products(model, product)
    where = {"from_us": window.from_us, "to_us": window.to_us, "station": station, "members": members}
    with facts_of(plant, cell, window) as con:
        pieces = query(con, "opportunities", lines=list(WHAT), **where)
        rejects = query(con, "reject_costs", **where)
        totals = query(con, "chain_lines", from_us=window.from_us, to_us=window.to_us)
        shifts = query(con, "shifts_worked", from_us=window.from_us, to_us=window.to_us)
    busy, shifts_n = int(shifts["us"].sum()), max(1, shifts.height)
    if not busy:
        nothing = "Nothing was planned in this period: there is nothing to win."
        return Study("first", [nothing], {}, ["There is no planned busy time."])
    found = opportunities(pieces, rejects, model, shifts_n)
    kept = found.filter(pl.col("charged_us") >= LEAST_SHARE * busy).with_row_index("rank", offset=1)
    small_us = int(found["charged_us"].sum()) - int(kept["charged_us"].sum())
    left = _left_out(totals, found.height - kept.height, small_us)
    return Study(
        "first",
        _findings(kept, shifts_n, model),
        {
            "opportunities": kept.drop("key"),
            "evidence": _evidence(pieces, kept, model),
            "left_out": left,
        },
        _doubts(totals, shifts_n, busy),
        [PROTECTIVE_STOPS, ENTRY, SPEED],
    )


def opportunities(pieces: pl.DataFrame, rejects: pl.DataFrame, cell: Cell, shifts_n: int) -> pl.DataFrame:
    """Group pieces of the chain and rejects into opportunities, the largest first.

    Takes    pieces of sql/opportunities.sql, rejects of sql/reject_costs.sql; shifts_n: shifts that were worked.
    Returns  what, station, cause, events_n, charged_us, parts_per_shift, low, high, largest_us, log_file, log_line,
             log_end_file, log_end_line, key. Every microsecond of the chain is in one row at most, and rejects take
             none of it: their time is work along the chain.
    """
    keyed = _keyed(pieces, cell)
    unit = keyed.join(cell.takts(), on="product", how="left", maintain_order="left").with_columns(
        parts=pl.col("us") / pl.col("takt_us").fill_null(cell.takts()["takt_us"].median())
    )
    lost = rejects.select(
        "start_us", "us", "station", "cause", "parts", "log_file", "log_line", what=pl.lit(QUALITY),
        log_end_file=pl.lit(None, pl.String), log_end_line=pl.lit(None, pl.Int64), event=pl.int_range(pl.len()),
    )  # fmt: skip
    chained = unit.select(lost.columns)
    rows = pl.concat([chained, lost.cast(pl.Schema(chained.schema))])
    # One stop may be several pieces (a plan's edge cuts it): they are one event.
    key = ["what", "station", "cause"]
    events = rows.group_by(*key, "event", maintain_order=True).agg(
        pl.col("us", "parts").sum(),
        pl.col("start_us", "log_file", "log_line").first(),
        pl.col("log_end_file", "log_end_line").last(),
    )
    biggest = pl.col("us").arg_max()
    grouped = events.group_by(key, maintain_order=True).agg(
        events_n=pl.len().cast(pl.Int64),
        charged_us=pl.col("us").sum(),
        parts=pl.col("parts").sum(),
        squares=(pl.col("parts") ** 2).sum(),
        largest_us=pl.col("us").max(),
        log_file=pl.col("log_file").get(biggest),
        log_line=pl.col("log_line").get(biggest),
        log_end_file=pl.col("log_end_file").get(biggest),
        log_end_line=pl.col("log_end_line").get(biggest),
    )
    low, high = _interval(grouped)
    return (
        grouped.with_columns(
            parts_per_shift=pl.col("parts") / shifts_n, low=low / shifts_n, high=high / shifts_n,
            key=pl.concat_str([pl.col(k).fill_null("") for k in key], separator="|"),
        )
        .sort("parts_per_shift", "key", descending=[True, False])
        .select(
            "what", "station", "cause", "events_n", "charged_us", "parts_per_shift", "low", "high",
            "largest_us", "log_file", "log_line", "log_end_file", "log_end_line", "key",
        )
    )  # fmt: skip


def _keyed(pieces: pl.DataFrame, cell: Cell) -> pl.DataFrame:
    """Name what could be done, and which pieces are one event: for changeovers, what is beyond the shortest seen."""
    family = cell.family()
    texts = cell.catalogue().select(cause="code", text="cause_text")
    rows = pieces.join(texts, on="cause", how="left", maintain_order="left").with_columns(
        what=pl.col("line").replace_strict(WHAT, return_dtype=pl.String),
        to=pl.col("product").replace_strict(family, default=pl.col("product"), return_dtype=pl.String),
    )
    change, slow, silent = pl.col("what") == CHANGE, pl.col("what") == PACE, pl.col("cause") == NO_ALARM
    follows = (
        (pl.col("start_us") - pl.col("end_us").shift(1) <= 1_000_000)
        & pl.col("cause").eq_missing(pl.col("cause").shift(1))
        & pl.col("station").eq_missing(pl.col("station").shift(1))
        & (pl.col("line") == pl.col("line").shift(1))
    )
    rows = rows.sort("start_us").with_columns(event=(~follows.fill_null(False)).cast(pl.Int64).cum_sum())
    whole = rows.filter(change).group_by("event").agg(whole_us=pl.col("us").sum())
    best = int(whole["whole_us"].min()) if whole.height > 1 else 0  # type: ignore[arg-type]
    return (
        rows.join(whole, on="event", how="left", maintain_order="left")
        .with_columns(
            us=pl.when(change)
            .then((pl.col("us") * (1 - best / pl.col("whole_us"))).round().cast(pl.Int64))
            .otherwise("us"),
            cause=pl.when(change)
            .then(pl.lit("to ") + pl.col("to").fill_null("unknown"))
            .when(slow)
            .then(pl.col("step") + pl.lit(" too slow"))
            .when(silent)
            .then(pl.col("step") + pl.lit(" hangs, no alarm"))
            .otherwise(pl.coalesce("text", "cause")),
        )
        .filter(pl.col("us") > 0)
    )


def _interval(rows: pl.DataFrame) -> tuple[pl.Series, pl.Series]:
    """Interval of the parts lost by events that come at random and differ in size (compound Poisson, as a gamma)."""
    from scipy.special import gammaincinv

    mean, square = rows["parts"].to_numpy(), rows["squares"].to_numpy()
    tail = (1 - LEVEL) / 2
    # A sum of n such events is spread like a gamma of the same mean and variance; one more event bounds it above.
    scale = square / mean
    shape = mean / scale
    typical = mean / rows["events_n"].to_numpy()
    low = gammaincinv(shape, tail) * scale
    high = gammaincinv(shape + typical / scale, 1 - tail) * scale
    return pl.Series("low", low), pl.Series("high", high)


def _evidence(pieces: pl.DataFrame, kept: pl.DataFrame, cell: Cell) -> pl.DataFrame:
    keyed = _keyed(pieces, cell).with_columns(
        key=pl.concat_str([pl.col(k).fill_null("") for k in ("what", "station", "cause")], separator="|")
    )
    return (
        keyed.join(kept.select("key", "rank"), on="key")
        .sort("rank", "us", "start_us", descending=[False, True, False])
        .group_by("rank", maintain_order=True)
        .head(5)
        .select("rank", "what", "start_us", "us", "station", "cause", "part", "product", "log_file", "log_line",
                "log_end_file", "log_end_line")
    )  # fmt: skip


def _left_out(totals: pl.DataFrame, small_n: int, small_us: int) -> pl.DataFrame:
    reasons = {
        "work": "work along the chain: no loss", "safety_stop": "protects people", "planned_stop": "planned",
        "no_order": "nothing was ordered", "no_data": "not known", "unexplained": "not known", "starved": "not known",
        "blocked": "not known",
    }  # fmt: skip
    rows = totals.filter(~pl.col("line").is_in(list(WHAT))).select(
        "line", "us", why=pl.col("line").replace_strict(reasons, default="not known", return_dtype=pl.String)
    )
    taken = int(totals["absorbed_us"].sum())
    more = [("(absorbed by buffers)", taken, "cost nothing")] if taken else []
    more += (
        [("(small ones)", small_us, f"{counted(small_n, 'opportunity', 'opportunities')} below 0.05 % each")]
        if small_n
        else []
    )
    return pl.concat([rows, pl.DataFrame(more, schema=rows.schema, orient="row")])


def _findings(kept: pl.DataFrame, shifts_n: int, cell: Cell) -> list[str]:
    if kept.is_empty():
        return ["No loss is large enough to be named first."]
    told = []
    for r in kept.head(3).iter_rows(named=True):
        thing = ", ".join(str(r[c]) for c in ("station", "cause") if r[c])
        told.append(
            f"{r['rank']}. {r['what'].capitalize()}: {thing}. At most {r['parts_per_shift']:.0f} {cell.unit}s per "
            f"shift (95 %: {r['low']:.0f} to {r['high']:.0f}); {counted(r['events_n'], 'case')}, the longest "
            f"{length(r['largest_us'])}."
        )
    return told


def _doubts(totals: pl.DataFrame, shifts_n: int, busy: int) -> list[str]:
    unknown = int(totals.filter(pl.col("line").is_in(["unexplained", "no_data"]))["us"].sum())
    doubts = [
        "Each figure is a ceiling: what ending the loss can bring at most. Where another way gates next it brings less "
        "(taktbook gate shows the margins).",
        f"The intervals take cases as coming at random, over {counted(shifts_n, 'shift')}; they say nothing of causes "
        "that return at set times.",
    ]
    if unknown / busy >= LEAST_SHARE:
        doubts.append(f"{unknown / busy * 100:.1f} % of the time is not known and is in no opportunity.")
    return doubts
