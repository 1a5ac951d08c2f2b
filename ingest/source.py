"""sources/<name>.toml: how one kind of log is read and mapped to events. The language is described in README.md."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from ingest import formats
from ingest.errors import ConfigError, InputError, Problem, suggest
from ingest.template import Hole, Template
from ingest.toml_file import TomlFile, check_model, read_toml, repaired

Encoding = Literal["utf-8", "cp1252", "latin-1", "utf-16"]
Op = Literal["in", "not_in", "matches", "present", "above", "below", "at_least", "at_most"]


class TimeTable(BaseModel):
    """`[time]`: where a record's time stands and how it is written."""

    model_config = ConfigDict(extra="forbid", strict=True)

    field: str = Field("time", description='the field that holds the time, or a template such as "{date} {clock}"')
    formats: list[str] = Field(
        description='how times are written, tried in order, e.g. formats = ["%d.%m.%Y %H:%M:%S,%3f", "iso8601"]',
        min_length=1,
    )
    zone: str = Field("plant", description='zone of times that name none: an IANA name, "UTC" or "plant"')


class SkipTable(BaseModel):
    """`[[skip]]`: records that are left out on purpose, and counted."""

    model_config = ConfigDict(extra="forbid", strict=True)

    when: dict[str, Any] = Field(description='which records: when = { field = "word" }', min_length=1)


class RuleTable(BaseModel):
    """`[[rules]]`: which records give which events. The first rule that fits a record is the one that counts."""

    model_config = ConfigDict(extra="forbid", strict=True)

    when: dict[str, Any] = Field({}, description='which records: when = { field = "word" }; without it: all')
    emit: list[dict[str, Any]] = Field(description='events: emit = [ { kind = "cycle_start", … } ]', min_length=1)


class SourceTables(BaseModel):
    """The keys of a source file."""

    model_config = ConfigDict(extra="forbid", strict=True)

    cell: str = Field(description='the cell that the events belong to: cell = "name", or "{field:vocabulary}"')
    format: str = Field(description="one of " + ", ".join(f.NAME for f in formats.FORMATS))
    files: list[str] = Field([], description='which files: files = ["inbox/press/*.log*"]', min_length=1)
    receive: dict[str, Any] | None = Field(
        None, description='a table, for what comes without files: [receive], by = "tcp"; its other keys depend on `by`'
    )
    encoding: Encoding = Field("utf-8", description="how the text is written; utf-8 falls back to cp1252 byte by byte")
    time: TimeTable = Field(description='a table: [time], field = "…", formats = ["…"]')
    read: dict[str, Any] = Field({}, description="how the format is read; its keys depend on the format")
    words: dict[str, dict[str, str | int | float]] = Field(
        {}, description='vocabularies: [words.station], PRS1 = "press"'
    )
    always: dict[str, Any] = Field(
        {}, description="columns that every event of this source gets unless its emit says else"
    )
    skip: list[SkipTable] = Field([], description="[[skip]] tables")
    rules: list[RuleTable] = Field(description="[[rules]] tables", min_length=1)


@dataclass(frozen=True, slots=True)
class Condition:
    """One condition on one field; `matches` may name groups, which become fields of the rule."""

    field: str
    op: Op
    words: tuple[str, ...] = ()
    number: float = 0.0
    groups: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Number:
    """A number taken from a field, or a constant; result = field * factor + offset."""

    hole: Hole | None
    factor: float = 1.0
    offset: float = 0.0
    constant: float | None = None


@dataclass(frozen=True, slots=True)
class Emit:
    """One event that a rule gives: a template per column, its number, and where its time comes from."""

    columns: Mapping[str, Template]
    value: Number | None = None
    time: Template | None = None  # None: the record's own time
    earlier: Number | None = None  # seconds before that time
    when: tuple[Condition, ...] = ()  # the event is given only where these hold


@dataclass(frozen=True, slots=True)
class Rule:
    """Conditions and the events that follow; a rule without events leaves the record out."""

    name: str
    when: tuple[Condition, ...]
    emits: tuple[Emit, ...]


@dataclass(frozen=True, slots=True)
class Vocabulary:
    """Source word -> our word (None: no value). `default` stands for all other words; KEEP keeps them as they are."""

    words: Mapping[str, str | None]
    has_default: bool = False
    default: str | None = None
    keep: bool = False


@dataclass(frozen=True, slots=True)
class TimeRule:
    """Where a record's time stands, in which formats (tried in order), and the zone of times that name none."""

    template: Template
    formats: tuple[str, ...]
    zone: str  # IANA name or "plant"


@dataclass(frozen=True, slots=True)
class Source:
    """One source file, checked and ready to be used."""

    name: str
    format: str
    files: tuple[str, ...]
    encoding: str
    time: TimeRule
    options: Any  # the format's own Options
    words: Mapping[str, Vocabulary]
    rules: tuple[Rule, ...]
    fields: tuple[str, ...]  # fields that time, rules and events use, without those a rule's own pattern gives
    fingerprint: str  # changes when anything in the file changes that could change an event
    feed: str | None = None  # what brings in its lines when they come without files
    receive: Any = None  # the feed's own Options

    def format_module(self) -> formats.Format:
        """Return the module that reads this source's format."""
        return formats.BY_NAME[self.format]


_LINK: dict[str, Any] = {"emit": [{"kind": "link"}]}
_STAND_INS: Mapping[str, Any] = {  # for what is missing or wrong, so that the rest can be checked, too
    "cell": "c",
    "format": "json_lines",
    "files": ["x"],
    "time": {"formats": ["iso8601"]},
    "formats": ["iso8601"],
    "rules": [_LINK],
    **_LINK,
}


def load_source(path: Path, name: str | None = None) -> Source:
    """Read and check one source file.

    Raises InputError when it cannot be read and ConfigError with every problem found in it.
    """
    from ingest.source_check import build_source  # here, because it needs the classes above

    file = read_toml(path, name or f"sources/{path.name}")
    tables = check_model(file, SourceTables, file.data) or repaired(SourceTables, file.data, _STAND_INS)
    source = build_source(path.stem, file, tables) if tables else None
    file.raise_problems()
    assert source is not None
    return source


def load_sources(folder: Path, names: Sequence[str] | None = None) -> list[Source]:
    """Read all files of a plant's sources/ folder, or those named, in the order of their names.

    Raises ConfigError with the problems of all files in one go; InputError when the folder has none.
    """
    paths = sorted(folder.glob("*.toml"))
    if names is not None:
        known = [p.stem for p in paths]
        for name in names:
            if name not in known:
                fix = suggest(name, known)
                raise InputError("There is no such source.", found=name, allowed=", ".join(known), fix=fix)
        paths = [p for p in paths if p.stem in names]
    if not paths:
        raise InputError(
            "There is no source file.",
            where=str(folder),
            fix="Write one, e.g. sources/press.toml; see ingest/README.md.",
        )
    sources: list[Source] = []
    wrong: list[ConfigError] = []
    for path in paths:
        try:
            sources.append(load_source(path))
        except ConfigError as err:
            wrong.append(err)
    if len(wrong) == 1:
        raise wrong[0]
    if wrong:
        problems = [
            Problem(f"{err.file}, {p.where}" if p.where else err.file, p.message, p.found, p.allowed, p.fix)
            for err in wrong
            for p in err.problems
        ]
        raise ConfigError("sources/", problems)
    return sources


def fingerprint(data: Mapping[str, Any]) -> str:
    """Return a short hash of a source file's meaning (not of its comments or layout)."""
    told = {key: value for key, value in data.items() if key not in ("files", "receive")}
    text = json.dumps(told, sort_keys=False, default=str, ensure_ascii=False)
    return hashlib.sha256(text.encode()).hexdigest()[:16]


__all__ = [
    "Condition",
    "Emit",
    "Number",
    "Rule",
    "Source",
    "TimeRule",
    "TomlFile",
    "Vocabulary",
    "load_source",
    "load_sources",
]
