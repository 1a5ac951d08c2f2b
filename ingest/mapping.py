"""Records and rules -> events, and the lines that no rule understood. Whole columns at a time; no rows."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import reduce

import polars as pl

from ingest.events import KINDS, LINKS, MODES, RESULTS, SCHEMA, STATES
from ingest.formats.base import Records
from ingest.raw import BAD_SCHEMA
from ingest.source import Condition, Emit, Number, Rule, Source
from ingest.template import Hole, Template
from ingest.timestamps import UTC, Times, parse_times

PICK = "\x00pick"  # number of the rule that a record falls under
_LISTS = {"kind": list(KINDS), "result": list(RESULTS)}
_STATES = {"state": list(STATES), "mode": list(MODES), "link": list(LINKS)}

Operators = Callable[[pl.Series], pl.Series]
"""names -> what is stored of them"""


@dataclass(slots=True)
class Mapped:
    """What the rules made of a batch of records.

    events     SCHEMA columns, in the order of the lines
    bad        lines that were not understood: line, reason, text
    with_events, skipped  how many lines gave events, how many were left out by rule
    """

    events: pl.DataFrame
    bad: pl.DataFrame
    with_events: int
    skipped: int


@dataclass(frozen=True, slots=True)
class Context:
    """What mapping needs to know beside the source: the plant's zone, the file's shown name, what becomes of operators."""

    zone: str
    file: str
    operators: Operators


class Mapping:
    """The rules of one source, made ready once and used for every batch."""

    def __init__(self, source: Source) -> None:
        self.source = source
        self.rules = source.rules
        self.emitting = [i for i, rule in enumerate(self.rules) if rule.emits]
        self.slots = max((len(rule.emits) for rule in self.rules), default=0)
        self.times = list(dict.fromkeys([source.time.template, *self._emit_times()]))
        self.groups = [(i, c) for i, rule in enumerate(self.rules) for c in rule.when if c.groups]
        self.lookups = list(dict.fromkeys(h for h in self._holes() if h[1].words is not None))
        self.numbers = list(dict.fromkeys(self._numbers()))

    # ---- what the rules use

    def _emits(self) -> list[tuple[int, Emit]]:
        return [(i, emit) for i, rule in enumerate(self.rules) for emit in rule.emits]

    def _emit_times(self) -> list[Template]:
        return [emit.time for _, emit in self._emits() if emit.time is not None]

    def _holes(self) -> list[tuple[str, Hole]]:
        """(column that holds the field, hole) of every template."""
        return [
            (self._column(i, hole.field), hole) for i, emit in self._emits() for t in emit.columns.values() for hole in t.holes
        ]

    def _numbers(self) -> list[tuple[str, Number]]:
        found = [(i, n) for i, emit in self._emits() for n in (emit.value, emit.earlier) if n is not None and n.hole]
        return [(self._column(i, n.hole.field), n) for i, n in found if n.hole]

    def _column(self, rule: int, field: str) -> str:
        """Return the column that a field has within a rule: its own pattern's group, or the record's field."""
        own = any(field in condition.groups for condition in self.rules[rule].when)
        return f"\x00{rule}.{field}" if own else field

    # ---- the batch

    def apply(self, records: Records, context: Context) -> Mapped:
        """Map one batch of records; see Mapped. Lines that cannot be mapped are set aside whole, with their reason."""
        frame = records.frame.with_columns(self._pick().alias(PICK))
        if self.groups:
            frame = frame.with_columns(
                pl.when(pl.col(PICK) == i).then(pl.col(c.field).str.extract(c.words[0], _index(c, g))).alias(f"\x00{i}.{g}")
                for i, c in self.groups
                for g in c.groups
            )
        silent = [i for i, rule in enumerate(self.rules) if not rule.emits]
        skipped = 0
        if silent:
            kept = frame.filter(~pl.col(PICK).is_in(silent) | pl.col(PICK).is_null())
            skipped, frame = frame.height - kept.height, kept
        frame, times = self._derive(frame, context)
        checks = self._checks(context)
        wrong = frame.select(reduce(lambda a, b: a | b, (c for c, _ in checks))).to_series().fill_null(False)
        bad = records.bad
        if wrong.any():
            reasons = frame.filter(wrong).select("line", _first_reason(checks).alias("reason"))
            found = reasons.with_columns(text=records.texts(reasons["line"])).cast(BAD_SCHEMA)  # type: ignore[arg-type]
            bad = pl.concat([bad, found])
            frame = frame.filter(~wrong)
        slots = [self._slot(frame, k, context) for k in range(self.slots)]
        events = pl.concat(slots) if slots else pl.DataFrame(schema=SCHEMA)
        del times
        return Mapped(events, bad, frame.height, skipped + records.skipped)

    def _pick(self) -> pl.Expr:
        pick: pl.Expr = pl.lit(None, pl.UInt16)
        for i in reversed(range(len(self.rules))):
            test = [_test(c) for c in self.rules[i].when]
            pick = pl.when(reduce(lambda a, b: a & b, test, pl.lit(True))).then(pl.lit(i, pl.UInt16)).otherwise(pick)
        return pick

    def _derive(self, frame: pl.DataFrame, context: Context) -> tuple[pl.DataFrame, list[Times]]:
        """Add the columns that several events share: times, translated words, numbers."""
        zone = context.zone if self.source.time.zone == "plant" else self.source.time.zone
        times: list[Times] = []
        added: list[pl.Series] = []
        for n, template in enumerate(self.times):
            words = frame.select(self._words(template).alias("t")).to_series()
            found = parse_times(words, self.source.time.formats, zone)
            times.append(found)
            added += [
                found.ts.alias(f"\x00ts{n}"), found.doubled.alias(f"\x00doubled{n}"), found.nonexistent.alias(f"\x00gone{n}")
            ]  # fmt: skip
        frame = frame.with_columns(added)
        frame = frame.with_columns(
            [_translated(self.source, column, hole).alias(f"{column}\x00{hole.words}") for column, hole in self.lookups]
            + [_number(column).alias(f"{column}\x00number") for column in dict.fromkeys(c for c, _ in self.numbers)]
        )
        return frame, times

    def _words(self, template: Template, rule: int | None = None) -> pl.Expr:
        """Return the text that a template gives: null when a hole is empty."""
        parts: list[pl.Expr] = []
        for part in template.parts:
            if isinstance(part, str):
                parts.append(pl.lit(part))
            else:
                column = part.field if rule is None else self._column(rule, part.field)
                if part.words is None:
                    parts.append(_filled(column))
                else:
                    parts.append(pl.col(f"{column}\x00{part.words}"))
        if not parts:
            return pl.lit(None, pl.String)
        return parts[0] if len(parts) == 1 else pl.concat_str(parts)

    # ---- what can be wrong with a line

    def _checks(self, context: Context) -> list[tuple[pl.Expr, pl.Expr]]:
        """Return (is it so, reason) for all that can be wrong, in the order in which it is told."""
        checks: list[tuple[pl.Expr, pl.Expr]] = []
        for n, template in enumerate(self.times):
            own = [i for i, emit in self._emits() if (emit.time or self.source.time.template) == template]
            fields = " ".join(h.field for h in template.holes)
            words = self._words(template)
            inside = self._in(own)
            ts, gone = pl.col(f"\x00ts{n}"), pl.col(f"\x00gone{n}")
            checks += [
                (inside & words.is_null(), pl.lit(f"no time: field '{fields}' is empty")),
                (inside & gone, pl.format("time '{}' does not exist: the clock was put forward over it", words)),
                (inside & ts.is_null(), pl.format("time '{}' fits none of the formats", words)),
            ]
        checks.append((pl.col(PICK).is_null(), pl.lit("no rule fits this record")))
        for column, hole in self.lookups:
            vocabulary = self.source.words[hole.words or ""]
            if vocabulary.has_default:
                continue
            rules = [i for i, emit in self._emits() for t in emit.columns.values() if hole in t.holes]
            rules = [i for i in rules if self._column(i, hole.field) == column]
            raw, ours = _filled(column), pl.col(f"{column}\x00{hole.words}")
            unknown = raw.is_not_null() & ours.is_null() & self._in(rules)
            if empty := [word for word, value in vocabulary.words.items() if value is None]:
                unknown &= ~raw.is_in(empty)
            checks.append(
                (unknown, pl.format(f"word '{{}}' (field {hole.field}) is not in vocabulary {hole.words}", pl.col(column)))
            )
        for column, number in self.numbers:
            assert number.hole is not None  # noqa: S101 - only numbers from fields are listed
            rules = [
                i for i, e in self._emits() for n in (e.value, e.earlier) if n == number and self._column(i, number.hole.field) == column
            ]  # fmt: skip
            wrong = _filled(column).is_not_null() & pl.col(f"{column}\x00number").is_null() & self._in(rules)
            checks.append((wrong, pl.format(f"'{{}}' (field {number.hole.field}) is not a number", pl.col(column))))
        return checks + self._column_checks()

    def _column_checks(self) -> list[tuple[pl.Expr, pl.Expr]]:
        """Words that come straight from the log into columns that have only certain words."""
        checks: list[tuple[pl.Expr, pl.Expr]] = []
        for i, emit in self._emits():
            for name, template in emit.columns.items():
                if template.constant is not None:
                    continue
                words = self._words(template, i)
                here = self._in([i])
                allowed = _LISTS.get(name)
                if name == "state" and (kind := emit.columns["kind"].constant) in _STATES:
                    allowed = _STATES[kind]
                if allowed is not None:
                    test = here & words.is_not_null() & ~words.is_in(allowed)
                    checks.append((test, pl.format(f"'{{}}' is no {name}: it can be {', '.join(allowed)}", words)))
                if name in ("kind", "cell"):
                    checks.append((here & words.is_null(), pl.lit(f"the event would have no {name}")))
                if name == "cell":
                    test = here & ~words.str.contains(r"^[\w-]+$")
                    checks.append((test, pl.format("'{}' cannot be the name of a cell", words)))
                if name == "seq":
                    test = here & words.is_not_null() & words.cast(pl.Int64, strict=False).is_null()
                    checks.append((test, pl.format("seq '{}' is not a whole number", words)))
        return checks

    def _in(self, rules: Sequence[int]) -> pl.Expr:
        chosen = sorted(set(rules))
        if chosen == self.emitting:
            return pl.lit(True)
        if len(chosen) == 1:
            return pl.col(PICK) == chosen[0]
        return pl.col(PICK).is_in(chosen)

    # ---- events

    def _slot(self, frame: pl.DataFrame, k: int, context: Context) -> pl.DataFrame:
        """Return the k-th event of each record whose rule has one."""
        rules = [i for i in self.emitting if len(self.rules[i].emits) > k]
        if rules != self.emitting:
            frame = frame.filter(pl.col(PICK).is_in(rules))
        emits = {i: self.rules[i].emits[k] for i in rules}
        columns = {name: self._column_of(emits, name) for name in SCHEMA}
        at = {i: self.times.index(e.time) if e.time is not None else 0 for i, e in emits.items()}
        ts = _choose({i: (f"\x00ts{n}", pl.col(f"\x00ts{n}")) for i, n in at.items()})
        if any(e.earlier is not None for e in emits.values()):
            micros = _choose({i: self._number_of(i, e.earlier) for i, e in emits.items()}) * 1_000_000
            ts = ts - micros.round().fill_null(0).cast(pl.Int64).cast(pl.Duration("us"))
        columns |= {
            "ts_source": ts.cast(UTC),
            "doubled": _choose({i: (f"\x00doubled{n}", pl.col(f"\x00doubled{n}")) for i, n in at.items()}),
            "source": pl.lit(self.source.name),
            "value": _choose({i: self._number_of(i, e.value) for i, e in emits.items()}).cast(pl.Float64),
            "seq": columns["seq"].cast(pl.Int64),
            "file": pl.lit(context.file),
            "line": pl.col("line"),
        }
        events = frame.select(columns[name].alias(name) for name in SCHEMA)
        if any("operator" in e.columns for e in emits.values()):
            events = events.with_columns(context.operators(events["operator"]))
        return events

    def _column_of(self, emits: dict[int, Emit], name: str) -> pl.Expr:
        chosen: dict[int, tuple[object, pl.Expr]] = {}
        for i, emit in emits.items():
            template = emit.columns.get(name)
            if template is None:
                chosen[i] = (None, pl.lit(None, pl.String))
            elif template.constant is not None:
                chosen[i] = (template.constant, pl.lit(template.constant, pl.String))
            else:
                own = any(self._column(i, h.field) != h.field for h in template.holes)
                chosen[i] = ((template, i if own else None), self._words(template, i))
        return _choose(chosen)

    def _number_of(self, rule: int, number: Number | None) -> tuple[object, pl.Expr]:
        if number is None:
            return None, pl.lit(None, pl.Float64)
        if number.hole is None:
            return number.constant, pl.lit(number.constant, pl.Float64)
        column = self._column(rule, number.hole.field)
        value = pl.col(f"{column}\x00number")
        if (number.factor, number.offset) != (1.0, 0.0):
            value = value * number.factor + number.offset
        return (column, number), value


def _choose(by_rule: dict[int, tuple[object, pl.Expr]]) -> pl.Expr:
    """Return one expression that gives, for each rule, its own; rules with the same key share one."""
    groups: dict[object, list[int]] = {}
    for i, (key, _) in by_rule.items():
        groups.setdefault(key, []).append(i)
    if len(groups) == 1:
        return next(iter(by_rule.values()))[1]
    plain = {k: rules for k, rules in groups.items() if k is None or isinstance(k, str)}
    result: pl.Expr | None = None
    if len(plain) > 1 and not any(isinstance(k, str) and k.startswith("\x00") for k in plain):
        rules = [i for members in plain.values() for i in members]
        words = [k for k, members in plain.items() for _ in members]
        result = pl.col(PICK).replace_strict(rules, words, default=None, return_dtype=pl.String)
        groups = {k: members for k, members in groups.items() if k not in plain}
    ordered = sorted(groups.items(), key=lambda item: len(item[1]))
    if result is None:
        result = by_rule[ordered.pop()[1][0]][1]
    for _, rules in ordered:
        test = pl.col(PICK) == rules[0] if len(rules) == 1 else pl.col(PICK).is_in(rules)
        result = pl.when(test).then(by_rule[rules[0]][1]).otherwise(result)
    return result


def _first_reason(checks: Sequence[tuple[pl.Expr, pl.Expr]]) -> pl.Expr:
    """Return the reason of the first check that says yes."""
    return pl.coalesce(pl.when(test).then(reason) for test, reason in checks)


def _filled(column: str) -> pl.Expr:
    """Return a field, with an empty word as null."""
    return pl.when(pl.col(column) != "").then(pl.col(column))


def _number(column: str) -> pl.Expr:
    """Return a field as a number; a decimal comma is understood."""
    return pl.col(column).str.strip_chars().str.replace(",", ".", literal=True).cast(pl.Float64, strict=False)


def _translated(source: Source, column: str, hole: Hole) -> pl.Expr:
    vocabulary = source.words[hole.words or ""]
    word = pl.col(column)
    default: pl.Expr | str | None = word if vocabulary.keep else vocabulary.default
    ours = word.replace_strict(
        list(vocabulary.words), list(vocabulary.words.values()), default=default, return_dtype=pl.String
    )
    return pl.when(word != "").then(ours) if vocabulary.has_default else ours


def _index(condition: Condition, group: str) -> int:
    names = pl.Series([""]).str.extract_groups(condition.words[0]).struct.fields
    return names.index(group) + 1


def _test(c: Condition) -> pl.Expr:
    """Return whether a condition holds; a field that is not there fulfils only `not` and `present = false`."""
    field = pl.col(c.field)
    if c.op == "in":
        test = field == c.words[0] if len(c.words) == 1 else field.is_in(c.words)
    elif c.op == "not_in":
        return (~field.is_in(c.words)).fill_null(True)
    elif c.op == "matches":
        test = field.str.contains(c.words[0])
    elif c.op == "present":
        there = (field != "").fill_null(False)
        return there if c.number else ~there
    else:
        number = _number(c.field)
        test = {
            "above": number > c.number, "below": number < c.number,
            "at_least": number >= c.number, "at_most": number <= c.number,
        }[c.op]  # fmt: skip
    return test.fill_null(False)


__all__ = ["Context", "Mapped", "Mapping", "Rule"]
