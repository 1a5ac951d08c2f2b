"""What preceded short stops: events after which a station's stops come more often within the minute."""

from __future__ import annotations

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analytics.statistics.multiple_looks import benjamini_hochberg
from analytics.statistics.rates import rate_ratio

BEFORE_US = 60_000_000
KINDS = (
    "state", "mode", "alarm_on", "alarm_off", "carrier_start", "carrier_end", "order_start", "order_end", "plan_end",
)  # fmt: skip
"""Reasons are typed in late, counts come by the clock: they precede nothing."""
LEAST_EVENTS = 5
"""Rarer types of events are not looked at."""
MOST_SHARE = 0.5
"""Types whose minutes cover more than this share of a station's running time mark ordinary work: not looked at."""
SCHEMA = {
    "station": pl.String(), "event": pl.String(), "after_n": pl.Int64(), "stops_n": pl.Int64(), "events_n": pl.Int64(),
    "expected_n": pl.Float64(), "ratio": pl.Float64(), "ratio_low": pl.Float64(), "ratio_high": pl.Float64(),
    "chance": pl.Float64(), "false_share": pl.Float64(),
}  # fmt: skip

Ints = NDArray[np.int64]


def preceded(stops: pl.DataFrame, events: pl.DataFrame, running: pl.DataFrame) -> pl.DataFrame:
    """Compare how often a station stops within the minute after each type of event with how often it stops otherwise.

    Takes    stops: station, start_us; events: event (a type in words), us; running: station, start_us, end_us, the
             time in which each station ran. Rates are per running time: who stands still cannot stop.
    Returns  one row per station and type with at least one such stop, SCHEMA, the most certain first. ratio: the rate
             in the minute after over the rate at other times, with its 95 % interval; chance: of so unequal counts
             when the event does not matter; false_share: Benjamini and Hochberg's correction for all looks that were
             taken, those without a stop among them. An event at the very instant of a stop does not count: it is the
             stop itself.
    """
    looks: list[tuple[str, str, int, int, int, float, float]] = []
    types = {
        str(event): own["us"].to_numpy()
        for (event,), own in events.sort("us").group_by("event", maintain_order=True)
        if own.height >= LEAST_EVENTS
    }
    for (station,), own in stops.sort("start_us").group_by("station", maintain_order=True):
        edges, ran = _clock(running.filter(pl.col("station") == station))
        stopped = own["start_us"].to_numpy()
        if edges.size == 0:
            continue
        for event, at in types.items():
            until = np.minimum(np.append(at[1:], at[-1] + BEFORE_US), at + BEFORE_US)
            exposed = float((np.interp(until, edges, ran) - np.interp(at, edges, ran)).sum())
            if exposed > MOST_SHARE * ran[-1]:
                continue
            last = np.searchsorted(at, stopped, side="left") - 1
            after = int(((last >= 0) & (stopped - at[np.maximum(last, 0)] <= BEFORE_US)).sum())
            looks.append((str(station), event, after, stopped.size, at.size, exposed, float(ran[-1])))
    if not looks:
        return pl.DataFrame(schema=SCHEMA)
    names = ["station", "event", "after_n", "stops_n", "events_n", "exposed", "total"]
    frame = pl.DataFrame(looks, orient="row", schema=names)
    n, hits, exposed_us, total = (frame[c].to_numpy() for c in ("stops_n", "after_n", "exposed", "total"))
    found = rate_ratio(hits, exposed_us, n - hits, total - exposed_us)
    return (
        frame.with_columns(
            expected_n=pl.Series(n * exposed_us / total),
            ratio=pl.Series(found.ratio),
            ratio_low=pl.Series(found.low),
            ratio_high=pl.Series(found.high),
            chance=pl.Series(found.chance),
            false_share=pl.Series(benjamini_hochberg(found.chance)),
        )
        .filter(pl.col("after_n") > 0)
        .sort("chance", "station", "event", nulls_last=True)
        .select(pl.col(name).cast(dtype) for name, dtype in SCHEMA.items())
    )


def event_types(marks: pl.DataFrame) -> pl.DataFrame:
    """Name the type of each record of the fact table marks in words: event, us."""
    kind = pl.col("kind").str.replace("_on", " rises").str.replace("_off", " ends").str.replace("_", " ")
    what = pl.coalesce("code", "state")
    return marks.filter(pl.col("kind").is_in(KINDS)).select(
        event=kind + (pl.lit(" ") + what).fill_null("") + (pl.lit(" at ") + pl.col("station")).fill_null(""), us="us"
    )


def _clock(running: pl.DataFrame) -> tuple[Ints, Ints]:
    """Running time that has gone by (of all nests) at each edge of the pieces; it goes evenly between edges."""
    starts, ends = running["start_us"].to_numpy(), running["end_us"].to_numpy()
    at = np.concatenate([starts, ends])
    order = np.argsort(at, kind="stable")
    edges = at[order]
    lanes = np.cumsum(np.repeat([1, -1], starts.size)[order])
    return edges, np.concatenate([[0], np.cumsum(lanes[:-1] * np.diff(edges))]) if edges.size else edges
