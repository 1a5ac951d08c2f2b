"""A process log as XES (IEEE 1849): one trace per part, a start and a complete for each cycle."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import polars as pl

from analytics.process_log import ProcessLog

CHUNK: Final = 20_000  # events that are text at a time

HEAD: Final = """\
<?xml version="1.0" encoding="UTF-8"?>
<log xes.version="1849-2016" xes.features="" xmlns="http://www.xes-standard.org/">
  <extension name="Concept" prefix="concept" uri="http://www.xes-standard.org/concept.xesext"/>
  <extension name="Time" prefix="time" uri="http://www.xes-standard.org/time.xesext"/>
  <extension name="Lifecycle" prefix="lifecycle" uri="http://www.xes-standard.org/lifecycle.xesext"/>
  <extension name="Organizational" prefix="org" uri="http://www.xes-standard.org/org.xesext"/>
  <classifier name="Activity" keys="concept:name"/>
  <classifier name="Activity and transition" keys="concept:name lifecycle:transition"/>
  <string key="lifecycle:model" value="standard"/>
"""
_SIGNS: Final = {"&": "&amp;", "<": "&lt;", ">": "&gt;", '"': "&quot;", "\t": "&#9;", "\n": "&#10;", "\r": "&#13;"}
_NO_SIGN: Final = "[\\x00-\\x08\\x0b\\x0c\\x0e-\\x1f\ufffe\uffff]"  # XML cannot hold these


def xes(log: ProcessLog, cell: str) -> Iterator[str]:
    """Yield the document in pieces.

    The activity of a cycle is its station, that of a part that leaves is `good`, `reject` or `removed`; org:resource is
    the station, concept:instance the same for a start and its complete.
    """
    yield HEAD + f'  <string key="concept:name" value="{cell}"/>\n'
    trace = pl.col("trace")
    events = log.events.with_columns(
        opens=(trace != trace.shift(1)).fill_null(True), closes=(trace != trace.shift(-1)).fill_null(True)
    )
    work = pl.col("kind").is_in(["start", "complete"])
    text = pl.concat_str(
        pl.when("opens").then(_trace()),
        pl.lit("    <event>"),
        _attribute("concept:name", pl.when(work).then(pl.coalesce("station", pl.lit("cell"))).otherwise("kind")),
        _attribute("lifecycle:transition", pl.when(work).then("kind").otherwise(pl.lit("complete"))),
        _time(),
        _attribute("org:resource", pl.col("station")),
        _attribute("concept:instance", pl.col("cycle")),
        *(_attribute(name, pl.col(name)) for name in ("nest", "order")),
        _attribute("outcome", pl.col("outcome")),
        _attribute("cause", pl.when(~work).then("cause")),
        _attribute("paired", pl.col("paired")),
        pl.lit("</event>\n"),
        pl.when("closes").then(pl.lit("  </trace>\n")),
        ignore_nulls=True,
    )
    for start in range(0, events.height, CHUNK):
        yield "".join(events.slice(start, CHUNK).select(text).to_series())
    yield "</log>\n"


def _trace() -> pl.Expr:
    names = [("concept:name", "trace"), *((n, n) for n in ("part", "product", "set", "carrier"))]
    return pl.concat_str(
        pl.lit("  <trace>"), *(_attribute(k, pl.col(n)) for k, n in names), pl.lit("\n"), ignore_nulls=True
    )


def _attribute(key: str, word: pl.Expr) -> pl.Expr:
    safe = word.str.replace_all(_NO_SIGN, "?").str.replace_many(list(_SIGNS), list(_SIGNS.values()))
    return pl.concat_str(pl.lit(f'<string key="{key}" value="'), safe, pl.lit('"/>'))  # null for a null word


def _time() -> pl.Expr:
    time = pl.from_epoch("us", time_unit="us").dt.strftime("%Y-%m-%dT%H:%M:%S%.6f+00:00")
    return pl.concat_str(pl.lit('<date key="time:timestamp" value="'), time, pl.lit('"/>'))
