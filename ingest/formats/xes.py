"""Event logs after IEEE 1849 (XES): each event of a trace is a record."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Final

from pydantic import BaseModel, ConfigDict

from ingest.errors import InputError
from ingest.formats import documents
from ingest.formats.base import Parse, Types
from ingest.formats.documents import MOST_FIELDS, field_name
from ingest.formats.xml_documents import read_documents
from ingest.raw import Block, RawFile

NAME = "xes"
LINES = False

SAMPLE = """\
<?xml version="1.0" encoding="UTF-8"?>
<log xes.version="1849-2016" xes.features="nested-attributes" xmlns="http://www.xes-standard.org/">
  <extension name="Concept" prefix="concept" uri="http://www.xes-standard.org/concept.xesext"/>
  <global scope="event">
    <string key="org:resource" value="PRS1"/>
  </global>
  <classifier name="Activity" keys="concept:name"/>
  <trace>
    <string key="concept:name" value="P204"/>
    <string key="product" value="aqua"/>
    <event>
      <string key="concept:name" value="pressing"/>
      <string key="lifecycle:transition" value="start"/>
      <date key="time:timestamp" value="2026-10-23T06:00:04.250+02:00"/>
    </event>
    <event>
      <string key="concept:name" value="pressing"/>
      <string key="lifecycle:transition" value="complete"/>
      <date key="time:timestamp" value="2026-10-23T06:00:16.500+02:00"/>
      <float key="force" value="12.5"><string key="unit" value="kN"/></float>
    </event>
  </trace>
</log>
"""

SAMPLE_SOURCE = r"""
cell = "spoon"
format = "xes"
files = ["inbox/history/*.xes*"]

[time]
field = "time_timestamp"
formats = ["iso8601"]

[words.station]
PRS1 = "press"

[always]
station = "{org_resource:station}"
part = "{trace.concept_name}"
product = "{trace.product}"

[[rules]]
when = { lifecycle_transition = "start" }
emit = [{ kind = "cycle_start" }]

[[rules]]
when = { lifecycle_transition = "complete", force = { present = true } }
emit = [
  { kind = "cycle_end" },
  { kind = "measurement", characteristic = "force", value = "{force}", unit = "{force.unit}" },
]

[[rules]]
when = { lifecycle_transition = "complete" }
emit = [{ kind = "cycle_end" }]

[[rules]]
when = { lifecycle_transition = "suspend" }
emit = [{ kind = "state", state = "idle" }]

[[rules]]
when = { lifecycle_transition = "resume" }
emit = [{ kind = "state", state = "running" }]
"""

TRACE: Final = "trace."
TIME: Final = "time_timestamp"
_VALUES: Final = frozenset({"string", "date", "int", "float", "boolean", "id", "list", "container"})


class Options(BaseModel):
    """`[read]` for XES: there is nothing to tell."""

    model_config = ConfigDict(extra="forbid", strict=True)


def known_fields(options: Options) -> None:
    """Any attribute may occur."""
    return None


class _Log:
    """Turns the elements of a log into rows: attributes of the event, of its trace, and the log's defaults for both."""

    def __init__(self, shown: str) -> None:
        self.shown = shown
        self.rows = documents.Rows()
        self.seen = False
        self.defaults: dict[str, dict[str, str]] = {"event": {}, "trace": {}}
        self.trace: dict[str, str] = {}
        self.event: dict[str, str] | None = None
        self.scope: dict[str, str] | None = None  # where attributes belong to now
        self.path: list[str] = []  # keys of the attributes that are open

    def start(self, name: str, attributes: Mapping[str, str], depth: int) -> None:
        if depth == 1:
            self._root(name)
        elif name in _VALUES:
            self._attribute(attributes)
        elif name == "event" and self.event is not None:
            self.damaged("an event lies within an event", "")
        elif name == "event":
            self.event = self.scope = {}
        elif name == "trace":
            self.trace = self.scope = {}
        elif name == "global":
            self.scope = self.defaults.setdefault(attributes.get("scope", "event"), {})

    def _root(self, name: str) -> None:
        if name != "log" or self.seen:
            raise InputError(
                "This is no XES log." if not self.seen else "Behind the log there is something else.",
                where=self.shown, found=f"<{name}>", allowed="one <log>", fix="Correct `files` or `format`.",
            )  # fmt: skip
        self.seen = True

    def _attribute(self, attributes: Mapping[str, str]) -> None:
        self.path.append(field_name(attributes.get("key", "_")))
        if self.scope is not None and len(self.scope) <= MOST_FIELDS and (value := attributes.get("value")) is not None:
            self.scope.setdefault(".".join(self.path), value)

    def end(self, name: str, text: str, depth: int) -> None:
        if name in _VALUES and self.path:
            self.path.pop()
        elif name == "event" and self.event is not None:
            self._add(self.event)
            self.event, self.scope = None, self.trace
        elif name == "trace":
            self.trace, self.scope = {}, None
        elif name == "global":
            self.scope = None

    def _add(self, event: Mapping[str, str]) -> None:
        row = dict(event)
        for key, default in self.defaults["event"].items():
            if key != TIME:  # a time that is not told is not known
                row.setdefault(key, default)
        for key, value in (self.defaults["trace"] | self.trace).items():
            row[TRACE + key] = value
        self.rows.add(row)

    def damaged(self, reason: str, near: str) -> None:
        raise InputError(
            f"The log cannot be read: {reason}.", where=self.shown, found=near[:80] or None,
            fix="Copy it again, and load when the copy is complete. Nothing of it was loaded.",
        )  # fmt: skip


def blocks(file: RawFile, options: Options) -> Iterator[Block]:
    """Yield the events of all traces in the order of the document, numbered through.

    Raises InputError when the file is no XES log or not complete.
    """
    log = _Log(file.shown)
    with file.content() as stream:
        for _ in read_documents(stream, file.shown, log, file.encoding):
            if log.rows.is_full and (block := log.rows.take()):
                yield block
    if not log.seen and file.path.stat().st_size:
        raise InputError(
            "This is no XES log: there is no <log> in it.", where=file.shown, fix="Correct `files` or `format`."
        )
    if block := log.rows.take():
        yield block


def parser(options: Options, fields: Sequence[str], typed: Types, head: Block, shown: str) -> Parse:
    """Return the function that takes the fields that the source asks for."""
    return documents.parser(fields)
