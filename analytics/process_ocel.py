"""A process log as OCEL 2.0 (JSON): events that relate to parts, sets, carriers, orders and stations."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any, Final

import polars as pl

from analytics.process_log import LEAVING, ProcessLog

CHUNK: Final = 20_000
ALWAYS: Final = "1970-01-01T00:00:00Z"  # the time from which an attribute holds that never changes
OBJECTS: Final = {
    "part": ("name", "product", "outcome"),
    "set": ("name",),
    "carrier": ("name",),
    "order": ("name", "product", "quantity"),
    "station": ("name",),
}
EVENTS: Final = {
    "cycle start": ("nest", "product", "outcome", "paired", "cycle"),
    "cycle complete": ("nest", "product", "outcome", "paired", "cycle"),
    **dict.fromkeys(LEAVING, ("product", "cause")),
}


def ocel(log: ProcessLog) -> Iterator[str]:
    """Yield the document in pieces.

    Ids are "part/P204", so that a station and a part may share a name; the plain name is the attribute `name`.
    """
    types = {
        "objectTypes": [_type(name, attributes) for name, attributes in OBJECTS.items()],
        "eventTypes": [_type(name, attributes) for name, attributes in EVENTS.items()],
    }
    yield json.dumps(types, indent=1)[:-2] + ',\n "objects": [\n'
    yield from _listed(_objects(log), _object())
    yield '\n ],\n "events": [\n'
    yield from _listed(log.events.with_row_index("n"), _event())
    yield "\n ]\n}\n"


def _type(name: str, attributes: tuple[str, ...]) -> dict[str, Any]:
    return {"name": name, "attributes": [{"name": a, "type": "string"} for a in attributes]}


def _listed(rows: pl.DataFrame, text: pl.Expr) -> Iterator[str]:
    for start in range(0, rows.height, CHUNK):
        piece = ",\n".join(rows.slice(start, CHUNK).select(text).to_series())
        yield (",\n" if start else "") + piece


def _objects(log: ProcessLog) -> pl.DataFrame:
    """One row per object: type, name, product, outcome, quantity, and the set and carrier that it is in."""
    parts = log.parts.rename({"part": "name"}).with_columns(type=pl.lit("part"))
    orders = log.orders.select(
        "product", name="order", type=pl.lit("order"), quantity=pl.col("quantity").cast(pl.String)
    )
    others = [
        log.events.select(name=kind).drop_nulls().unique(maintain_order=True).with_columns(type=pl.lit(kind))
        for kind in ("set", "carrier", "station")
    ]
    empty = pl.DataFrame(
        schema=dict.fromkeys(("type", "name", "product", "outcome", "quantity", "set", "carrier"), pl.String)
    )
    in_sets = [
        parts.select(name=kind).drop_nulls().unique(maintain_order=True).with_columns(type=pl.lit(kind))
        for kind in ("set", "carrier")
    ]
    rows = pl.concat([empty, parts, orders, *others, *in_sets], how="diagonal")
    return rows.unique(["type", "name"], keep="first", maintain_order=True)


def _id(kind: str, name: str) -> pl.Expr:
    return pl.concat_str(pl.lit(f"{kind}/"), pl.col(name))


def _object() -> pl.Expr:
    told = [
        _pair(name, pl.col(name), pl.lit(ALWAYS).alias("time")) for name in ("name", "product", "outcome", "quantity")
    ]
    return pl.struct(
        id=pl.concat_str("type", pl.lit("/"), "name"),
        type="type",
        attributes=_list(told),
        relationships=_list([_relation(kind, f"in {kind}") for kind in ("set", "carrier")]),
    ).struct.json_encode()


def _event() -> pl.Expr:
    work = pl.col("kind").is_in(["start", "complete"])
    names = ("nest", "product", "outcome", "paired", "cycle", "cause")
    words = {name: pl.col(name) for name in names}
    words["cause"] = pl.when(~work).then("cause")
    words["outcome"] = pl.when(work).then("outcome")
    return pl.struct(
        id=pl.format("e{}", "n"),
        type=pl.when(work).then(pl.concat_str(pl.lit("cycle "), "kind")).otherwise("kind"),
        time=pl.from_epoch("us", time_unit="us").dt.strftime("%Y-%m-%dT%H:%M:%S%.6fZ"),
        attributes=_list([_pair(name, word) for name, word in words.items()]),
        relationships=_list([_relation(kind, kind) for kind in ("part", "station", "set", "carrier", "order")]),
    ).struct.json_encode()


def _pair(name: str, word: pl.Expr, *more: pl.Expr) -> pl.Expr:
    return pl.when(word.is_not_null()).then(pl.struct(*more, name=pl.lit(name), value=word))


def _relation(kind: str, qualifier: str) -> pl.Expr:
    return pl.when(pl.col(kind).is_not_null()).then(pl.struct(objectId=_id(kind, kind), qualifier=pl.lit(qualifier)))


def _list(items: list[pl.Expr]) -> pl.Expr:
    return pl.concat_list(items).list.drop_nulls()
