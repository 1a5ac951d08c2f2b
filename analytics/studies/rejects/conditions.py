"""Conditions under which a station rejects more often: each against all other passes, corrected for many looks."""

from __future__ import annotations

import numpy as np
import polars as pl
from scipy.special import ndtri

from analytics.cell import Cell
from analytics.statistics.multiple_looks import benjamini_hochberg
from analytics.studies.rejects.rates import with_rate

FIRST_STOP_N = 5
FIRST_CHANGE_N = 20
FIRST_CARRIER_N = 5
FIRST_BREAK_N = 3
LEAST_PASSES = 10
"""With and without the condition; fewer tell nothing."""
LEAST_REJECTS = 5
FALSE_SHARE = 0.05
"""Of the conditions called raising, those that are not (Benjamini-Hochberg)."""

CONDITIONS = {
    "station": pl.String, "condition": pl.String, "passed_n": pl.Int64, "rejects_n": pl.Int64,
    "rate_share": pl.Float64, "otherwise_share": pl.Float64, "times": pl.Float64, "times_low": pl.Float64,
    "times_high": pl.Float64, "chance": pl.Float64, "false_share": pl.Float64, "raises": pl.Boolean,
}  # fmt: skip


def conditions(
    passes: pl.DataFrame, stops: pl.DataFrame, carriers: pl.DataFrame, bursts: pl.DataFrame, cell: Cell
) -> pl.DataFrame:
    """Compare the rate of rejects of each station with and without each condition.

    Takes    passes: station, nest, lane, part, product, start_us, end_us, start_up, rejected; one row per cycle.
             stops: lane (null: the cell's planned stops), start_us, end_us, line, us. carriers: us of each change.
             bursts: station, start_us, end_us.
    Returns  CONDITIONS, most telling first. Parts first fed after a restart of the cell are a condition; they are left
             out of all others, and passes within a burst of the station out of all, so that a restart is not told
             again as a break, nor a burst as the changeover that it followed. `times`: how many times
             the other rate (with 95 % interval, Katz; half a reject is added where there is none); `chance` by
             Fisher's exact test; `raises`: false_share is at most FALSE_SHARE and the rate is higher.
    """
    rows = []
    # only the stations that reject enough are asked, but all passes: earlier nests of the same part count
    many = passes.group_by("station").agg(pl.col("rejected").sum()).filter(pl.col("rejected") >= LEAST_REJECTS)
    asked = many["station"].sort().to_list()
    marked = with_marks(passes, stops, carriers, cell, asked)
    for station in asked:
        own = _outside(marked.filter(pl.col("station") == station), bursts.filter(pl.col("station") == station))
        rows += _compared(own, station, {START_UP: own["start_up"]})
        later = own.filter(~pl.col("start_up"))
        flags = {name: later[name] for name in MARKS if name in later.columns}
        flags |= _nests(later)
        flags |= _earlier_nests(later, passes, cell, station)
        rows += _compared(later, station, flags)
    if not rows:
        return pl.DataFrame(schema=CONDITIONS)
    frame = pl.DataFrame(rows, schema_overrides={"passed_n": pl.Int64})
    times, low, high = _times(frame)
    q = benjamini_hochberg(frame["chance"].to_numpy())
    return (
        with_rate(frame)
        .with_columns(
            times=times, times_low=low, times_high=high, false_share=q,
            otherwise_share=pl.col("otherwise_rejects_n") / pl.col("otherwise_n"),
            raises=pl.Series(q <= FALSE_SHARE) & pl.Series(times > 1),
        )
        .select(pl.col(c).cast(t) for c, t in CONDITIONS.items())
        .sort("chance", "station", "condition")
    )  # fmt: skip


def _outside(own: pl.DataFrame, bursts: pl.DataFrame) -> pl.DataFrame:
    for start_us, end_us in bursts.select("start_us", "end_us").rows():
        own = own.filter(~pl.col("end_us").is_between(start_us, end_us))
    return own


START_UP, AFTER_STOP, AFTER_SHORT, DURING_STOP = "restart", "after a stop", "after a short stop", "stop in the cycle"
AFTER_CHANGE, AFTER_CARRIER, AFTER_BREAK, OLD_TOOL = "new product", "new carrier", "after a break", "old tool"
MARKS = (AFTER_STOP, AFTER_SHORT, DURING_STOP, AFTER_CHANGE, AFTER_CARRIER, AFTER_BREAK, OLD_TOOL)
IN_WORDS = {
    START_UP: "first parts after a restart of the cell",
    AFTER_STOP: f"first {FIRST_STOP_N} cycles after a stop of the station",
    AFTER_SHORT: "first cycle after a short stop of the station",
    DURING_STOP: "the station stopped with the part in it",
    AFTER_CHANGE: f"first {FIRST_CHANGE_N} cycles after a change of product",
    AFTER_CARRIER: f"first {FIRST_CARRIER_N} cycles after a change of carrier",
    AFTER_BREAK: f"first {FIRST_BREAK_N} cycles after a break",
    OLD_TOOL: "later half of the cycles since the last changeover or maintenance",
}


def with_marks(
    passes: pl.DataFrame, stops: pl.DataFrame, carriers: pl.DataFrame, cell: Cell, asked: list[str] | None = None
) -> pl.DataFrame:
    """Add a column (bool) per condition of MARKS to the passes of some stations (None: all), by lane and time."""
    ordered = passes.sort("lane", "end_us", "part", nulls_last=True)
    lanes = stops.filter(pl.col("lane").is_not_null())
    hard = lanes.filter(pl.col("line").is_in(["breakdown", "safety_stop"]))
    short = lanes.filter(pl.col("line") == "micro_stop")
    family = pl.col("product").cast(pl.String).replace(cell.family())
    changed = (family != family.shift(1).over("lane")).fill_null(value=False)
    renewed = pl.concat(
        [
            stops.filter(pl.col("line") == "maintenance").select("end_us"),
            ordered.filter(changed).select(end_us="start_us"),
        ]
    )
    own = ordered if asked is None else ordered.filter(pl.col("station").is_in(asked))
    frame = own.with_columns(changes=changed.cum_sum().over("lane"))
    frame = frame.with_columns(since_change=pl.int_range(pl.len()).over("lane", "changes") + 1)
    breaks = stops.filter(pl.col("line") == "break")
    frame = frame.with_columns(
        _since(frame, hard.select("lane", us="end_us"), "since_stop", by_lane=True),
        _since(frame, short.select("lane", us="end_us"), "since_short", by_lane=True),
        _since(frame, carriers.select("us"), "since_carrier", by_lane=False),
        _since(frame, breaks.select(us="end_us"), "since_break", by_lane=False),
        _since(frame, renewed.select(us="end_us"), "age", by_lane=False),
    )
    began = pl.concat([hard, short]).select("lane", us="start_us")
    frame = frame.with_columns(stop_us=_last(frame, "end_us", began, by_lane=True))
    half = pl.col("age").median().over("station")
    return frame.with_columns(
        (pl.col("since_stop") <= FIRST_STOP_N).fill_null(value=False).alias(AFTER_STOP),
        (pl.col("since_short") <= 1).fill_null(value=False).alias(AFTER_SHORT),
        (pl.col("stop_us") >= pl.col("start_us")).fill_null(value=False).alias(DURING_STOP),
        ((pl.col("changes") > 0) & (pl.col("since_change") <= FIRST_CHANGE_N)).alias(AFTER_CHANGE),
        (pl.col("since_carrier") <= FIRST_CARRIER_N).fill_null(value=False).alias(AFTER_CARRIER),
        (pl.col("since_break") <= FIRST_BREAK_N).fill_null(value=False).alias(AFTER_BREAK),
        (pl.col("age") > half).fill_null(value=False).alias(OLD_TOOL),
    )


def _since(passes: pl.DataFrame, instants: pl.DataFrame, name: str, *, by_lane: bool) -> pl.Series:
    """Number the passes of a lane that began at or after the last of some instants: 1, 2, …; null before the first."""
    last = passes.select("lane", since=_last(passes, "start_us", instants, by_lane=by_lane))
    nth = pl.int_range(pl.len()).over("lane", "since") + 1
    return last.select(pl.when(pl.col("since").is_not_null()).then(nth).alias(name)).to_series()


def _last(passes: pl.DataFrame, at: str, instants: pl.DataFrame, *, by_lane: bool) -> pl.Series:
    """The last of some instants, of the lane or of all, at or before that of each pass; null before the first."""
    asked = passes[at].to_numpy()
    found, known = np.zeros(passes.height, dtype=np.int64), np.zeros(passes.height, dtype=bool)
    lanes = passes.select("lane", row=pl.int_range(pl.len())).group_by("lane").agg("row")
    for lane, row in lanes.iter_rows():
        own = instants.filter(pl.col("lane") == lane) if by_lane else instants
        stamps, rows = own["us"].sort().to_numpy(), np.asarray(row)
        before = np.searchsorted(stamps, asked[rows], side="right")
        known[rows] = before > 0
        if len(stamps):
            found[rows] = stamps[before - 1]
    return pl.Series(found).set(pl.Series(~known), None)


def _nests(own: pl.DataFrame) -> dict[str, pl.Series]:
    own_nest = own["nest"].cast(pl.String)
    nests = own_nest.drop_nulls().unique().sort().to_list()
    return {f"nest {nest}": (own_nest == nest).fill_null(value=False) for nest in nests if len(nests) > 1}


def _earlier_nests(own: pl.DataFrame, all_passes: pl.DataFrame, cell: Cell, station: str) -> dict[str, pl.Series]:
    """Through which nest of each other station a part came before it was judged here."""
    flags: dict[str, pl.Series] = {}
    for other in (s for s in cell.stations if len(s.nests) > 1 and s.name != station):
        came = (
            all_passes.filter((pl.col("station") == other.name) & pl.col("part").is_not_null())
            .select("part", came_nest="nest", came_us="end_us")
            .sort("came_us", "came_nest", nulls_last=True)
        )
        through = (
            own.with_row_index("row")
            .sort("end_us")
            .join_asof(
                came, left_on="end_us", right_on="came_us", by="part", strategy="backward", check_sortedness=False
            )
            .sort("row")["came_nest"]
            .cast(pl.String)
        )
        if through.drop_nulls().n_unique() > 1:
            for nest in other.nests:
                flags[f"through {other.name}.{nest}"] = (through == nest).fill_null(value=False)
    return flags


def _compared(own: pl.DataFrame, station: str, flags: dict[str, pl.Series]) -> list[dict[str, object]]:
    from scipy.stats import fisher_exact  # takes a while, and few commands need it

    bad = own["rejected"].to_numpy()
    rows: list[dict[str, object]] = []
    for name, flag in flags.items():
        with_it = flag.to_numpy().astype(bool)
        n, rest = int(with_it.sum()), int((~with_it).sum())
        if min(n, rest) < LEAST_PASSES:
            continue
        k, other = int(bad[with_it].sum()), int(bad[~with_it].sum())
        chance = float(fisher_exact([[k, n - k], [other, rest - other]]).pvalue)
        rows.append(
            {
                "station": station, "condition": name, "passed_n": n, "rejects_n": k, "otherwise_n": rest,
                "otherwise_rejects_n": other, "chance": chance,
            }
        )  # fmt: skip
    return rows


def _times(frame: pl.DataFrame) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Ratio of the two rates with Katz's interval (Biometrics 34, 1978); half a reject is added where there is none."""
    k, n, other, rest = (
        frame[c].to_numpy().astype(float) for c in ("rejects_n", "passed_n", "otherwise_rejects_n", "otherwise_n")
    )
    none = 0.5 * ((k == 0) | (other == 0))
    k, n, other, rest = k + none, n + none, other + none, rest + none
    times = (k / n) / (other / rest)
    reach = float(ndtri(0.975)) * np.sqrt(np.maximum(1 / k - 1 / n + 1 / other - 1 / rest, 0))
    return times, times * np.exp(-reach), times * np.exp(reach)
