"""From the tables of a source file to a Source: every word in it is checked here, and every problem is told."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any
from zoneinfo import available_timezones

from pydantic import BaseModel

from ingest import formats
from ingest.errors import suggest
from ingest.events import COLUMNS, KINDS, LINKS, MODES, RESULTS, STATES
from ingest.feeds.check import check_receive
from ingest.feeds.spool import spool_files
from ingest.regex import groups_of
from ingest.source import Condition, Emit, Number, Rule, Source, SourceTables, TimeRule, Vocabulary, fingerprint
from ingest.template import Hole, Template, parse_template
from ingest.timestamps import check_format
from ingest.toml_file import Loc, TomlFile, check_model
from ingest.units import SECONDS, conversion, same_kind

SET_BY_US = ("ts_source", "doubled", "cell", "source", "file", "line")
EMIT_KEYS = ("kind", *(c for c in COLUMNS if c not in (*SET_BY_US, "kind")), "cell", "time", "earlier", "when")
TESTS = ("matches", "present", "not", "above", "below", "at_least", "at_most")
STATE_WORDS: Mapping[str, Iterable[str]] = {"state": STATES, "mode": MODES, "link": LINKS}


def build_source(name: str, file: TomlFile, tables: SourceTables) -> Source | None:
    """Return the checked Source, or None with the problems noted in `file`."""
    check = _Check(file, tables)
    module = formats.BY_NAME.get(tables.format)
    options = None
    if module is None:
        near = suggest(tables.format, formats.BY_NAME)
        file.problem(("format",), "no such format", found=tables.format, allowed=", ".join(formats.BY_NAME), fix=near)
    else:
        options = check_model(file, module.Options, tables.read, ("read",))
        if options is not None:
            check.fields = check.everywhere = _known_fields(file, module, options)
    if not re.fullmatch(r"[\w-]+", name):
        file.problem(
            (), f"'{name}' cannot be the name of a source", fix="use letters, digits, - and _ in the file's name"
        )
    feed, receive = check_receive(file, tables.receive, tables.format, tables.encoding)
    files = check.files(name, feed)
    time = check.time()
    words = {key: check.vocabulary(key, table) for key, table in tables.words.items()}
    check.columns(tables.always, ("always",), (), None)
    rules = [
        Rule(f"skip {n + 1}", check.conditions(table.when, ("skip", n, "when")), ())
        for n, table in enumerate(tables.skip)
    ]
    for n, table in enumerate(tables.rules):
        check.fields = check.of_pattern(table.when)
        when = check.conditions(table.when, ("rules", n, "when"))
        own = tuple(group for condition in when for group in condition.groups)
        emits = tuple(check.emit(emit, ("rules", n, "emit", i), own) for i, emit in enumerate(table.emit))
        rules.append(Rule(f"rule {n + 1}", when, emits))
        check.fields = check.everywhere
    if file.problems or options is None:
        return None
    return Source(
        name, tables.format, files, tables.encoding, time, options, words, tuple(rules),
        tuple(sorted(check.used)), fingerprint(file.data), feed, receive,
    )  # fmt: skip


def _known_fields(file: TomlFile, module: formats.Format, options: BaseModel) -> list[str] | None:
    patterns = getattr(options, "patterns", None)
    wrong = False
    for key, pattern in (patterns or {}).items():
        try:
            groups_of(pattern)
        except ValueError as err:
            file.problem(("read", "patterns", key), f"this pattern cannot be used: {err}", found=pattern)
            wrong = True
    return None if wrong else module.known_fields(options)


class _Check:
    """Looks at the parts of one source file and notes what is wrong."""

    def __init__(self, file: TomlFile, tables: SourceTables) -> None:
        self.file = file
        self.tables = tables
        self.everywhere: list[str] | None = None  # all fields of the source; None: any may occur
        self.fields: list[str] | None = None  # those that can be seen at this point
        self.used: set[str] = set()

    def files(self, name: str, feed: str | None) -> tuple[str, ...]:
        """Check that the patterns of `files` can be searched for; what is received lies in files of its own."""
        if not self.tables.files and self.tables.receive is None:
            self.file.problem(("files",), "key 'files' is missing", fix=SourceTables.model_fields["files"].description)
        for i, pattern in enumerate(self.tables.files):
            path = Path(pattern)
            try:
                next(
                    Path("nowhere").glob(path.relative_to(path.anchor).as_posix() if path.is_absolute() else pattern),
                    None,
                )
            except (ValueError, NotImplementedError) as err:
                fix = '* stands for a part of one name, ** for folders below: "inbox/**/*.log"'
                self.file.problem(("files", i), f"this is no pattern of files: {err}", found=pattern, fix=fix)
        spool = () if feed is None else (spool_files(name),)
        return tuple(dict.fromkeys((*spool, *self.tables.files)))

    # ---- time

    def time(self) -> TimeRule:
        table, at = self.tables.time, ("time",)
        for i, form in enumerate(table.formats):
            if problem := check_format(form):
                self.file.problem((*at, "formats", i), problem, found=form)
        if table.zone != "plant" and table.zone not in available_timezones():
            near = suggest(table.zone, [*available_timezones(), "plant"])
            allowed = '"plant", "UTC" or an IANA name such as "Europe/Berlin"'
            self.file.problem((*at, "zone"), "no such time zone", found=table.zone, allowed=allowed, fix=near)
        everywhere = self.fields
        if self.tables.format == "text":
            self.fields = None  # it is looked for in each pattern
        field = self.field_template(table.field, (*at, "field"), ())
        self.fields = everywhere
        self._time_in_every_pattern(field)
        return TimeRule(field, tuple(table.formats), table.zone)

    def _time_in_every_pattern(self, time: Template) -> None:
        """Every pattern needs the time, unless a [[skip]] leaves out all its lines, or each event has its own time."""
        patterns = self.tables.read.get("patterns")
        if self.tables.format != "text" or not isinstance(patterns, dict) or self.fields is None:
            return
        if all("time" in emit for rule in self.tables.rules for emit in rule.emit):
            return
        left_out = [w for s in self.tables.skip if list(s.when) == ["pattern"] for w in _as_list(s.when["pattern"])]
        for key, pattern in patterns.items():
            groups = groups_of(str(pattern))
            for hole in time.holes:
                if hole.field not in groups and key not in left_out:
                    self.file.problem(
                        ("read", "patterns", key),
                        f"the pattern has no group '{hole.field}', and without it its lines have no time",
                        found=", ".join(groups) or "no named group",
                        fix=f"write (?P<{hole.field}>…) around the time, name its group in [time] field, or leave such "
                        f'lines out: [[skip]], when = {{ pattern = "{key}" }}',
                    )

    def of_pattern(self, when: Mapping[str, Any]) -> list[str] | None:
        """Return the fields that a rule can see: those of the patterns it names, else all."""
        patterns = self.tables.read.get("patterns")
        if (
            self.tables.format != "text"
            or self.fields is None
            or not isinstance(patterns, dict)
            or "pattern" not in when
        ):
            return self.fields
        named = [str(w) for w in _as_list(when["pattern"]) if not isinstance(w, dict)]
        if not named:
            return self.fields
        for name in named:
            if name not in patterns:
                return self.fields
        return ["pattern", *dict.fromkeys(g for name in named for g in groups_of(str(patterns[name])))]

    # ---- vocabularies and fields

    def vocabulary(self, name: str, table: Mapping[str, str | int | float]) -> Vocabulary:
        words = {word: str(ours) or None for word, ours in table.items() if word != "*"}
        if "*" not in table:
            return Vocabulary(words)
        default = str(table["*"])
        if default == "{word}":
            return Vocabulary(words, has_default=True, keep=True)
        return Vocabulary(words, has_default=True, default=default or None)

    def hole(self, hole: Hole, at: Loc, own: tuple[str, ...]) -> None:
        if hole.field == "line":
            fix = "write {line_} for the log's own field of that name; in a pattern give the group another name"
            self.file.problem(at, "no field can be called 'line': that is the number of the record", fix=fix)
        elif hole.field not in own:
            if self.fields is not None and hole.field not in self.fields:
                known = [*dict.fromkeys([*own, *self.fields])]
                message, near = f"there is no field '{hole.field}'", suggest(hole.field, known)
                if self.fields != self.everywhere and hole.field in (self.everywhere or ()):
                    message = f"the pattern that the rule names has no group '{hole.field}'"
                    near = f"write (?P<{hole.field}>…) in that pattern"
                self.file.problem(at, message, allowed=", ".join(known), fix=near)
            self.used.add(hole.field)
        if hole.words is not None and hole.words not in self.tables.words:
            near = suggest(hole.words, self.tables.words)
            known_words = ", ".join(self.tables.words) or "none is defined yet"
            self.file.problem(
                at,
                f"there is no vocabulary '{hole.words}'",
                allowed=known_words,
                fix=near or f"add [words.{hole.words}]",
            )

    def template(self, value: object, at: Loc, own: tuple[str, ...]) -> Template:
        if isinstance(value, bool) or not isinstance(value, str | int | float):
            fix = 'write "{field}" or a word'
            self.file.problem(at, "must be a word, a number or a template", found=value, fix=fix)
            return Template(())
        try:
            template = parse_template(str(value))
        except ValueError as err:
            self.file.problem(at, str(err), found=value)
            return Template(())
        for hole in template.holes:
            self.hole(hole, at, own)
        return template

    def field_template(self, value: str, at: Loc, own: tuple[str, ...]) -> Template:
        """A field's name, or a template when it has braces."""
        return self.template(value if "{" in value else "{" + value + "}", at, own)

    # ---- conditions

    def conditions(self, when: Mapping[str, Any], at: Loc, own: tuple[str, ...] = ()) -> tuple[Condition, ...]:
        found: list[Condition] = []
        for field, test in when.items():
            here = (*at, field)
            self.hole(Hole(field), here, own)
            self.known_name(field, test, here)
            if isinstance(test, dict):
                found += [c for key, value in test.items() if (c := self.test(field, key, value, (*here, key)))]
            elif isinstance(test, list):
                found.append(Condition(field, "in", tuple(_word(v) for v in test)))
            else:
                found.append(Condition(field, "in", (_word(test),)))
        return tuple(found)

    def known_name(self, field: str, test: object, at: Loc) -> None:
        """Check the words of a condition on `pattern` or `table`, which stand in the file themselves."""
        read = self.tables.read
        known: list[str] = []
        if (self.tables.format, field) == ("text", "pattern"):
            known = list(read.get("patterns", {}))
        elif (self.tables.format, field) == ("sqlite", "table"):
            known = [*read.get("tables", []), *read.get("queries", {})]
        for word in _as_list(test):
            if known and isinstance(word, str) and word not in known:
                near = suggest(word, known)
                self.file.problem(at, f"there is no {field} '{word}'", found=word, allowed=", ".join(known), fix=near)

    def test(self, field: str, key: str, value: Any, at: Loc) -> Condition | None:
        if key not in TESTS:
            self.file.problem(at, f"unknown test '{key}'", allowed=", ".join(TESTS), fix=suggest(key, TESTS))
        elif key == "not":
            return Condition(field, "not_in", tuple(_word(v) for v in (value if isinstance(value, list) else [value])))
        elif key == "present":
            if isinstance(value, bool):
                return Condition(field, "present", number=float(value))
            self.file.problem(at, "must be true or false", found=value)
        elif key == "matches":
            try:
                return Condition(field, "matches", (str(value),), groups=tuple(groups_of(str(value))))
            except ValueError as err:
                self.file.problem(at, f"this pattern cannot be used: {err}", found=value)
        elif isinstance(value, bool) or not isinstance(value, int | float):
            self.file.problem(at, "must be a number", found=value)
        else:
            return Condition(field, key, number=float(value))  # type: ignore[arg-type]
        return None

    # ---- events

    def columns(self, table: Mapping[str, Any], at: Loc, own: tuple[str, ...], kind: str | None) -> dict[str, Template]:
        """Check the columns that a table sets; its numbers and times are looked at in `emit`."""
        columns: dict[str, Template] = {}
        for key, value in table.items():
            if key not in EMIT_KEYS:
                fix = "taktbook sets it itself; leave it out" if key in SET_BY_US else suggest(key, EMIT_KEYS)
                self.file.problem((*at, key), f"unknown key '{key}'", allowed=", ".join(EMIT_KEYS), fix=fix)
            elif key not in ("value", "earlier", "time", "when"):
                columns[key] = self.template(value, (*at, key), own)
                self.words_allowed(key, columns[key], (*at, key), kind)
        return columns

    def common(self, table: Mapping[str, Any], at: Loc, own: tuple[str, ...], kind: str | None) -> dict[str, Template]:
        """Check columns that every event gets: they may use fields that only some patterns have."""
        here, self.fields = self.fields, self.everywhere
        columns = self.columns(table, at, own, kind)
        self.fields = here
        return columns

    def words_allowed(self, column: str, template: Template, at: Loc, kind: str | None) -> None:
        """Check the words that a column can take, as far as they stand in the file."""
        allowed: Iterable[str] | None = {"kind": KINDS, "result": RESULTS}.get(column)
        if column == "state":
            allowed = STATE_WORDS.get(kind or "")
        if allowed is None:
            return
        words = [template.constant] if template.constant is not None else []
        for hole in template.holes if len(template.parts) == 1 else ():
            table = self.tables.words.get(hole.words or "", {})
            words += [str(w) for w in table.values() if w not in ("", "{word}")]
        for word in dict.fromkeys(words):
            if word not in allowed:
                near = suggest(word, allowed)
                self.file.problem(at, f"'{word}' is no {column}", found=word, allowed=", ".join(allowed), fix=near)

    def emit(self, table: Mapping[str, Any], at: Loc, own: tuple[str, ...]) -> Emit:
        """Check one event; the columns of [always] and the cell stand behind its own."""
        always = self.tables.always
        kind = table.get("kind", always.get("kind"))
        if kind is None:
            self.file.problem(
                at, "key 'kind' is missing", allowed=", ".join(KINDS), fix='write e.g. kind = "cycle_start"'
            )
        columns = {
            **self.common({"cell": self.tables.cell}, (), own, None),
            **self.common({k: v for k, v in always.items() if k not in table}, ("always",), own, str(kind)),
            **self.columns(table, at, own, str(kind)),
        }
        numbers: dict[str, Number | None] = {"value": None, "earlier": None}
        for key in numbers:
            where: Loc = (*at, key) if key in table else ("always", key)
            given = table.get(key, always.get(key))
            if given is not None:
                unit = Template(("s",)) if key == "earlier" else columns.get("unit")
                numbers[key], source_unit = self.number(given, where, own, unit)
                if key == "value" and source_unit:
                    columns.setdefault("unit", Template((source_unit,)))
        time = table.get("time", always.get("time"))
        template = None if time is None else self.field_template(str(time), (*at, "time"), own)
        return Emit(columns, numbers["value"], template, numbers["earlier"], self.own_conditions(table, at, own))

    def own_conditions(self, table: Mapping[str, Any], at: Loc, own: tuple[str, ...]) -> tuple[Condition, ...]:
        """Check the conditions of one event; their patterns give no fields."""
        when = table.get("when", {})
        if not isinstance(when, dict) or "when" in self.tables.always:
            where = at if "when" in table else ("always",)
            self.file.problem((*where, "when"), 'conditions of one event: { when = { field = "word" }, kind = … }')
            return ()
        found = self.conditions(when, (*at, "when"), own)
        for condition in found:
            if condition.groups:
                fix = "name groups in the rule's own `when`, or write (?:…)"
                self.file.problem((*at, "when", condition.field), "a pattern here gives no fields", fix=fix)
        return found

    def number(
        self, value: object, at: Loc, own: tuple[str, ...], unit: Template | None
    ) -> tuple[Number | None, str | None]:
        """Check a number; returns it and the unit in which the source writes it."""
        if isinstance(value, int | float) and not isinstance(value, bool):
            return Number(None, constant=float(value)), None
        template = self.template(value, at, own)
        spec = template.number()
        if spec is None or spec[0].words is not None:
            if template.parts:
                fix = 'write "{field}", or "{field} ms" when the source writes another unit than you want to keep'
                self.file.problem(
                    at, "a number is one field, with its unit behind it if you like", found=value, fix=fix
                )
            return None, None
        hole, source_unit = spec
        target = unit.constant if unit is not None else None
        if at[-1] == "earlier" and source_unit is None:
            self.file.problem(
                at, "a duration needs its unit", found=value, allowed=", ".join(SECONDS), fix='"{field} s"'
            )
        if source_unit is None or target is None:
            return Number(hole), source_unit
        change = conversion(source_unit, target)
        if change is None:
            allowed = ", ".join(same_kind(target)) or target
            self.file.problem(at, f"{source_unit} cannot be turned into {target}", found=value, allowed=allowed)
            return None, source_unit
        return Number(hole, *change), source_unit


def _as_list(value: object) -> list[object]:
    return value if isinstance(value, list) else [value]


def _word(value: object) -> str:
    return str(value).lower() if isinstance(value, bool) else str(value)
