"""Object-centric event logs (OCEL 2.0, the JSON form): each event is a record, with the objects it relates to."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any, Final

from pydantic import BaseModel, ConfigDict

from ingest.errors import InputError
from ingest.formats import documents
from ingest.formats.base import Parse, Types
from ingest.formats.documents import field_name
from ingest.formats.json_document import items
from ingest.raw import Block, RawFile

NAME = "ocel"
LINES = False

SAMPLE = """\
{
  "objectTypes": [{"name": "part", "attributes": [{"name": "product", "type": "string"}]},
                  {"name": "station", "attributes": []}],
  "eventTypes": [{"name": "pressed", "attributes": [{"name": "force", "type": "float"}]}],
  "objects": [
    {"id": "P204", "type": "part",
     "attributes": [{"name": "product", "time": "1970-01-01T00:00:00Z", "value": "aqua"}]},
    {"id": "PRS1", "type": "station"}
  ],
  "events": [
    {"id": "e1", "type": "pressed", "time": "2026-10-23T04:00:16.5Z", "attributes": [{"name": "force", "value": 12.5}],
     "relationships": [{"objectId": "P204", "qualifier": "made"}, {"objectId": "PRS1", "qualifier": "by"}]},
    {"id": "e2", "type": "pressed", "time": "2026-10-23T04:00:31Z", "attributes": [{"name": "force", "value": 12.9}],
     "relationships": [{"objectId": "P205", "qualifier": "made"}, {"objectId": "PRS1", "qualifier": "by"}]}
  ]
}
"""

SAMPLE_SOURCE = r"""
cell = "spoon"
format = "ocel"
files = ["inbox/history/*.json*"]

[time]
formats = ["iso8601"]
zone = "UTC"

[words.station]
PRS1 = "press"

[always]
station = "{station:station}"
part = "{qualifier.made}"

[[rules]]
when = { type = "pressed" }
emit = [
  { kind = "cycle_end", product = "{part.product}" },
  { kind = "measurement", characteristic = "force", value = "{force}" },
]
"""

QUALIFIER: Final = "qualifier."
ATTRIBUTE: Final = "attribute."
_ALWAYS: Final = datetime(1, 1, 1, tzinfo=UTC)


class Options(BaseModel):
    """`[read]` for OCEL: there is nothing to tell."""

    model_config = ConfigDict(extra="forbid", strict=True)


def known_fields(options: Options) -> None:
    """Any attribute, type of object and qualifier may occur."""
    return None


@dataclass(slots=True)
class _Thing:
    """An object: its type, and per attribute its values with the times from which they hold."""

    type: str
    values: dict[str, tuple[list[datetime], list[str]]] = field(default_factory=dict)

    def at(self, time: datetime | None) -> Iterator[tuple[str, str]]:
        for name, (times, words) in self.values.items():
            n = len(times) if time is None else bisect_right(times, time)
            if n:
                yield name, words[n - 1]


def blocks(file: RawFile, options: Options) -> Iterator[Block]:
    """Yield the events in the order of the file, numbered through.

    The file is read twice, since events may stand before their objects. Objects are kept in memory, events are not.
    Raises InputError when the file is no OCEL 2.0 log or not complete.
    """
    if not file.path.stat().st_size:
        return
    things: dict[str, _Thing] = {}
    found: set[str] = set()
    with file.content() as stream:
        for key, item in items(stream, file.shown, found):
            if key == "objects" and isinstance(item, dict):
                _keep(things, item)
    _must_be_ocel(found, file.shown)
    rows = documents.Rows()
    with file.content() as stream:
        for key, item in items(stream, file.shown, set()):
            if key != "events":
                continue
            if isinstance(item, dict):
                rows.add(_row(item, things))
            else:
                rows.add_bad("the event is no object", str(item))
            if rows.is_full and (block := rows.take()):
                yield block
    if block := rows.take():
        yield block


def _must_be_ocel(found: set[str], shown: str) -> None:
    if any(key.startswith("ocel:") for key in found):
        raise InputError(
            "This is a log of OCEL 1.0.", where=shown, found=", ".join(sorted(found)[:9]),
            allowed="OCEL 2.0: objectTypes, eventTypes, objects, events", fix="Have it written as OCEL 2.0.",
        )  # fmt: skip
    if "events" not in found:
        raise InputError(
            "This is no OCEL 2.0 log: it has no list of events.", where=shown,
            found=", ".join(sorted(map(documents.clean, found))[:9]) or "nothing",
            allowed="objectTypes, eventTypes, objects, events", fix="Correct `files` or `format`.",
        )  # fmt: skip


def _keep(things: dict[str, _Thing], item: Mapping[str, Any]) -> None:
    name, kind = item.get("id"), item.get("type")
    if not isinstance(name, str) or not isinstance(kind, str):
        return  # no event can relate to it
    thing = things.setdefault(name, _Thing(field_name(kind)))
    told = [a for a in _dicts(item.get("attributes")) if isinstance(a.get("name"), str)]
    for attribute in sorted(told, key=lambda a: _instant(a.get("time")) or _ALWAYS):
        if (word := _word(attribute.get("value"))) is not None:
            times, words = thing.values.setdefault(field_name(attribute["name"]), ([], []))
            times.append(_instant(attribute.get("time")) or _ALWAYS)
            words.append(word)


def _row(event: Mapping[str, Any], things: Mapping[str, _Thing]) -> dict[str, str]:
    """Return the fields of an event. An attribute whose name is taken already gets `attribute.` before it."""
    row = {k: word for k in ("id", "type", "time") if (word := _word(event.get(k))) is not None}
    time = _instant(event.get("time"))
    for relation in _dicts(event.get("relationships")):
        name = relation.get("objectId")
        if not isinstance(name, str):
            continue
        if isinstance(qualifier := relation.get("qualifier"), str) and qualifier:
            row.setdefault(QUALIFIER + field_name(qualifier), name)
        thing = things.get(name)
        if thing is None or thing.type in row:
            continue  # the first object of a type counts
        row[thing.type] = name
        for attribute, word in thing.at(time):
            row.setdefault(f"{thing.type}.{attribute}", word)
    for told in _dicts(event.get("attributes")):
        name, word = told.get("name"), _word(told.get("value"))
        if isinstance(name, str) and word is not None:
            key = field_name(name)
            row.setdefault(key if key not in row else ATTRIBUTE + key, word)
    return row


def _dicts(items: object) -> list[dict[str, Any]]:
    return [i for i in items if isinstance(i, dict)] if isinstance(items, list) else []


def _word(value: object) -> str | None:
    """Return a value as the text that stands in the log; null for what is no single value."""
    if isinstance(value, bool):
        return str(value).lower()
    return value if isinstance(value, str) else None


def _instant(word: object) -> datetime | None:
    try:
        time = datetime.fromisoformat(word) if isinstance(word, str) else None
        return time if time is None else (time.replace(tzinfo=UTC) if time.tzinfo is None else time.astimezone(UTC))
    except (ValueError, OverflowError):
        return None


def parser(options: Options, fields: Sequence[str], typed: Types, head: Block, shown: str) -> Parse:
    """Return the function that takes the fields that the source asks for."""
    return documents.parser(fields)
