"""MTConnect streams documents (ANSI/MTC1.4, any version from 1.2 on): each observation is a record."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Final

from pydantic import BaseModel, ConfigDict

from ingest.errors import InputError
from ingest.formats import documents
from ingest.formats.base import Parse, Types
from ingest.formats.xml_documents import DamageError, read_documents
from ingest.raw import Block, RawFile

NAME = "mtconnect"
LINES = False

SAMPLE = """\
<?xml version="1.0" encoding="UTF-8"?>
<MTConnectStreams xmlns="urn:mtconnect.org:MTConnectStreams:1.4">
  <Header creationTime="2026-10-23T04:00:10Z" sender="cell" instanceId="1792700000" version="1.4.0.10"
          bufferSize="131072" firstSequence="1" lastSequence="107" nextSequence="108"/>
  <Streams>
    <DeviceStream name="M1" uuid="mill-1">
      <ComponentStream component="Device" name="M1" componentId="d1">
        <Events>
          <Availability dataItemId="d1_avail" sequence="101" timestamp="2026-10-23T04:00:00Z">AVAILABLE</Availability>
        </Events>
      </ComponentStream>
      <ComponentStream component="Path" name="path" componentId="p1">
        <Samples>
          <PathFeedrate dataItemId="p1_feed" sequence="104" timestamp="2026-10-23T04:00:02.5Z">12.5</PathFeedrate>
        </Samples>
        <Events>
          <Execution dataItemId="p1_exec" sequence="102" timestamp="2026-10-23T04:00:01.250Z">ACTIVE</Execution>
          <Execution dataItemId="p1_exec" sequence="106" timestamp="2026-10-23T04:00:07Z">INTERRUPTED</Execution>
          <PartCount dataItemId="p1_parts" sequence="105" timestamp="2026-10-23T04:00:06Z">17</PartCount>
        </Events>
        <Condition>
          <Normal type="SYSTEM" dataItemId="p1_system" sequence="103" timestamp="2026-10-23T04:00:01.3Z"/>
          <Fault type="SYSTEM" dataItemId="p1_system" sequence="107" timestamp="2026-10-23T04:00:07Z"
                 nativeCode="P104" nativeSeverity="2">clamp not closed</Fault>
        </Condition>
      </ComponentStream>
    </DeviceStream>
  </Streams>
</MTConnectStreams>
"""

SAMPLE_SOURCE = r"""
cell = "spoon"
format = "mtconnect"
files = ["inbox/mill/*.xml*"]

[time]
formats = ["iso8601"]
zone = "UTC"

[words.station]
M1 = "press"

[words.state]
ACTIVE = "running"
READY = "idle"
WAIT = "idle"
FEED_HOLD = "idle"
INTERRUPTED = "stopped"
STOPPED = "stopped"
OPTIONAL_STOP = "waiting_people"
PROGRAM_STOPPED = "waiting_people"
PROGRAM_COMPLETED = "idle"
UNAVAILABLE = "unknown"

[words.link]
AVAILABLE = "up"
UNAVAILABLE = "down"

[words.alarm]
normal = "alarm_off"
warning = "alarm_on"
fault = "alarm_on"

[always]
station = "{device:station}"
seq = "{sequence}"

[[skip]]
when = { category = "HEADER", lost = { present = false } }

[[skip]]
when = { category = ["SAMPLE", "EVENT"], type = { not = ["Availability", "Execution", "PartCount"] } }

[[skip]]
when = { category = "CONDITION", value = "UNAVAILABLE" }

[[skip]]
when = { type = "PartCount", value = "UNAVAILABLE" }

[[rules]]
when = { category = "HEADER" }
emit = [
  { kind = "link", state = "down", time = "since" },
  { kind = "link", state = "up" },
]

[[rules]]
when = { type = "Availability" }
emit = [{ kind = "link", state = "{value:link}" }]

[[rules]]
when = { type = "Execution" }
emit = [{ kind = "state", state = "{value:state}" }]

[[rules]]
when = { category = "CONDITION" }
emit = [{ kind = "{level:alarm}", code = "{native_code}", text = "{value}" }]

[[rules]]
when = { type = "PartCount" }
emit = [{ kind = "count", value = "{value}" }]
"""

FIELDS: Final = {
    "category": "SAMPLE, EVENT, CONDITION; HEADER: a document begins; ERROR: the agent refused",
    "device": "name of the DeviceStream",
    "device_uuid": "its uuid",
    "component": "kind of the component",
    "component_id": "its id",
    "component_name": "its name",
    "type": "name of the element; of a condition its type",
    "sub_type": "subType",
    "data_item": "dataItemId",
    "name": "name of the data item",
    "time": "timestamp; of a HEADER or ERROR creationTime",
    "sequence": "running number within an instance of the agent",
    "instance": "instanceId: another one means that the agent began anew, and its running numbers too",
    "value": "the text; pairs key=word for data sets",
    "level": "of a condition: normal, warning, fault, unavailable",
    "native_code": "of a condition or message; of an ERROR errorCode",
    "native_severity": "of a condition",
    "qualifier": "of a condition: HIGH, LOW",
    "condition_id": "conditionId",
    "duration": "seconds",
    "statistic": "AVERAGE, MAXIMUM …",
    "reset": "resetTriggered",
    "sample_count": "of a time series",
    "sample_rate": "of a time series",
    "first_sequence": "of a HEADER: the oldest number that the agent holds",
    "last_sequence": "of a HEADER: the newest",
    "next_sequence": "of a HEADER: with which the next document should go on",
    "lost": "of a HEADER: how many observations the agent no longer held since the document before",
    "since": "of a HEADER: creationTime of the document before",
}

_CATEGORIES: Final = {"Samples": "SAMPLE", "Events": "EVENT", "Condition": "CONDITION"}
_ATTRIBUTES: Final = {
    "dataItemId": "data_item",
    "name": "name",
    "timestamp": "time",
    "sequence": "sequence",
    "subType": "sub_type",
    "nativeCode": "native_code",
    "nativeSeverity": "native_severity",
    "qualifier": "qualifier",
    "conditionId": "condition_id",
    "duration": "duration",
    "statistic": "statistic",
    "resetTriggered": "reset",
    "sampleCount": "sample_count",
    "sampleRate": "sample_rate",
}
_COMPONENT: Final = {"component": "component", "componentId": "component_id", "name": "component_name"}
_HEADER: Final = {f"{n}Sequence": f"{n}_sequence" for n in ("first", "last", "next")}
MOST_ITEMS: Final = 10_000  # conditions that are remembered
MOST_CODES: Final = 100  # of one of them, active at once


class Options(BaseModel):
    """`[read]` for MTConnect documents: there is nothing to tell."""

    model_config = ConfigDict(extra="forbid", strict=True)


def known_fields(options: Options) -> list[str]:
    """Return the fields of an observation."""
    return list(FIELDS)


class _Streams:
    """Turns the elements of documents into rows."""

    def __init__(self, shown: str) -> None:
        self.shown = shown
        self.rows = documents.Rows()
        self.seen = False  # a streams document, or an error of the agent
        self.instance = self.device = self.uuid = self.category = self.created = self.created_before = ""
        self.component: dict[str, str] = {}
        self.row: dict[str, str] | None = None
        self.depth = 0  # of the observation
        self.entries: list[str] = []
        self.key = ""
        self.next: tuple[str, int] | None = None  # instance and number with which the next document should go on
        self.active: dict[str, dict[str, None]] = {}  # data item -> codes of its conditions
        self.newest: dict[str, tuple[str, int]] = {}  # data item -> instance and number of its newest observation

    def start(self, name: str, attributes: Mapping[str, str], depth: int) -> None:
        if self.row is not None:
            self.key = attributes.get("key", name)
        elif depth == 1:
            self._root(name)
        elif name == "Header" and depth == 2:
            self._header(attributes)
        elif name == "DeviceStream":
            self.device, self.uuid = attributes.get("name", ""), attributes.get("uuid", "")
        elif name == "ComponentStream":
            self.component = {ours: attributes[key] for key, ours in _COMPONENT.items() if key in attributes}
        elif name in _CATEGORIES and "dataItemId" not in attributes:
            self.category = _CATEGORIES[name]
        elif name == "Error":
            code = attributes.get("errorCode", "")
            self.row = {"category": "ERROR", "type": name, "native_code": code, "time": self.created}
            self.depth = depth
        elif self.category and "dataItemId" in attributes:
            self._observation(name, attributes)
            self.depth = depth

    def _root(self, name: str) -> None:
        self.category = self.device = self.uuid = self.created = self.instance = ""
        self.component, self.row = {}, None
        if name not in ("MTConnectStreams", "MTConnectError"):
            if self.seen:
                raise DamageError(f"'{name}' is no document of streams")
            raise InputError(
                "This is no MTConnect streams document.", where=self.shown, found=f"<{name}>",
                allowed="<MTConnectStreams>", fix="Ask the agent for `current` or `sample`, or correct `files`.",
            )  # fmt: skip
        self.seen = True

    def _header(self, attributes: Mapping[str, str]) -> None:
        before = self.created_before
        self.created, self.instance = attributes.get("creationTime", ""), attributes.get("instanceId", "")
        row = {ours: attributes[key] for key, ours in _HEADER.items() if key in attributes}
        if not row:
            return  # of an error
        row |= {"category": "HEADER", "type": "Header", "time": self.created, "instance": self.instance}
        if before:
            row["since"] = before
        first, following = _whole(row.get("first_sequence")), _whole(row.get("next_sequence"))
        if self.next and self.next[0] == self.instance and first is not None and first > self.next[1]:
            row["lost"] = str(first - self.next[1])
        self.next = (self.instance, following) if following is not None else None
        self.created_before = self.created
        self.rows.add(row)

    def _observation(self, name: str, attributes: Mapping[str, str]) -> None:
        row = {"category": self.category, "type": name, "device": self.device, "device_uuid": self.uuid,
               "instance": self.instance, **self.component}  # fmt: skip
        row |= {ours: attributes[key] for key, ours in _ATTRIBUTES.items() if key in attributes}
        if self.category == "CONDITION":
            row["level"], row["type"] = name.lower(), attributes.get("type", "")
        self.row, self.entries, self.key = row, [], ""

    def end(self, name: str, text: str, depth: int) -> None:
        if self.row is None:
            if name in _CATEGORIES:
                self.category = ""
            return
        if depth > self.depth:  # an entry of a data set or table
            if text:
                self.entries.append(f"{self.key}={text}")
            return
        row, self.row = self.row, None
        row["value"] = text or " ".join(self.entries)
        if row["category"] == "CONDITION":
            if row["level"] == "unavailable":
                row["value"] = row["value"] or "UNAVAILABLE"
            for cleared in self._conditions(row):
                self.rows.add(row | {"native_code": cleared})
            return
        self.rows.add(row)

    def _conditions(self, row: dict[str, str]) -> list[str]:
        """Return the codes that a condition tells of: a Normal without a code ends all that are active.

        An observation that a document before has told already changes nothing.
        """
        item, code, level = row.get("data_item", ""), row.get("native_code", ""), row["level"]
        now = (self.instance, _whole(row.get("sequence")) or 0)
        newest = self.newest.get(item)
        if newest and newest[0] == now[0] and newest[1] >= now[1] > 0:
            return [code]
        codes = self.active.get(item, {})
        if item in self.newest or len(self.newest) < MOST_ITEMS:
            self.newest[item] = now
            if level in ("warning", "fault") and len(codes) < MOST_CODES:
                self.active.setdefault(item, codes)[code] = None
        if level == "normal" and not code:
            self.active.pop(item, None)
            return list(codes) or [""]
        if level == "normal":
            codes.pop(code, None)
        return [code]

    def damaged(self, reason: str, near: str) -> None:
        self.row = None
        self.rows.add_bad(reason, near)


def _whole(word: str | None) -> int | None:
    return int(word) if word and word.isascii() and word.isdigit() and len(word) < 20 else None


def blocks(file: RawFile, options: Options) -> Iterator[Block]:
    """Yield the observations of all documents in the file, numbered through.

    Raises InputError when the file holds no streams document.
    """
    streams = _Streams(file.shown)
    with file.content() as stream:
        for _ in read_documents(stream, file.shown, streams, file.encoding):
            if streams.rows.is_full and (block := streams.rows.take()):
                yield block
    if not streams.seen and file.path.stat().st_size:
        raise InputError(
            "This is no MTConnect streams document: there is no <MTConnectStreams> in it.", where=file.shown,
            fix="Correct `files` or `format` in the source; if it is a copy, copy it again.",
        )  # fmt: skip
    if block := streams.rows.take():
        yield block


def parser(options: Options, fields: Sequence[str], typed: Types, head: Block, shown: str) -> Parse:
    """Return the function that takes the fields that the source asks for."""
    return documents.parser(fields)
