"""Records and rules -> events, and the lines that no rule understood. Whole columns at a time; no rows."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import reduce
from itertools import accumulate
from operator import and_, or_
from typing import Final

import polars as pl

from ingest.checks import Check, checks_of
from ingest.events import SCHEMA
from ingest.expressions import EMIT, PICK, Choice, among, choose, first_reason, holds, lookup, numbers_of
from ingest.formats.base import Records
from ingest.raw import BAD_SCHEMA
from ingest.source import Condition, Emit, Number, Source, Vocabulary
from ingest.template import Hole, Template
from ingest.timestamps import UTC, parse_times

Operators = Callable[[pl.Series], pl.Series]
"""names -> what is stored of them"""

WORDS: Final = tuple(name for name, dtype in SCHEMA.items() if dtype == pl.String and name not in ("source", "file"))


@dataclass(slots=True)
class Mapped:
    """What the rules made of a batch of records.

    runs       events: SCHEMA columns, each frame ordered by ts_source; columns that hold only words of the source file
               are Enum instead of String
    bad        lines that were not understood: line, reason, text
    with_events, skipped  how many lines gave events, how many were left out by rule
    """

    runs: list[pl.DataFrame]
    bad: pl.DataFrame
    with_events: int
    skipped: int


@dataclass(frozen=True, slots=True)
class Context:
    """What mapping needs beside the source: the plant's zone, the file's shown name, what becomes of operators."""

    zone: str
    file: str
    operators: Operators


class Mapping:
    """The rules of one source, made ready once and used for every batch.

    Fields become columns of the batch; a group of a rule's own pattern becomes the column "\\0<rule>.<group>". From
    them come, once for all events: "\\0ts<n>" (times), "<column>\\0<vocabulary>" (codes of words), "<column>\\0number".
    """

    def __init__(self, source: Source) -> None:
        self.source = source
        self.rules = source.rules
        self.emits: list[tuple[int, Emit]] = [(i, e) for i, rule in enumerate(self.rules) for e in rule.emits]
        self.guarded = [n for n, (_, e) in enumerate(self.emits) if e.when]
        self.emitting = [i for i, rule in enumerate(self.rules) if rule.emits]
        self.first_emit = list(accumulate((len(rule.emits) for rule in self.rules), initial=0))
        times = [source.time.template, *(e.time for _, e in self.emits if e.time is not None)]
        self.times = list(dict.fromkeys(times))
        self.groups: list[tuple[int, Condition]] = [
            (i, c) for i, rule in enumerate(self.rules) if rule.emits for c in rule.when if c.groups
        ]
        holes = [(self.column(i, h), h) for i, e in self.emits for t in e.columns.values() for h in t.holes]
        plain = [(h.field, h) for t in self.times for h in t.holes]
        self.lookups = list(dict.fromkeys((c, h.words) for c, h in [*holes, *plain] if h.words is not None))
        numbers = [(i, n.hole) for i, e in self.emits for n in (e.value, e.earlier) if n is not None and n.hole]
        self.numbers = list(dict.fromkeys(self.column(i, hole) for i, hole in numbers))
        self.dtypes = {name: self._dtype(name) for name in WORDS}
        self.checks: list[Check] = checks_of(self)
        self.kept = self._kept()
        # Expressions are made once: a batch is quick enough for their making to count.
        codes = {(c, w): _codes(pl.col(c), source.words[w]).alias(f"{c}\x00{w}") for c, w in self.lookups if w}
        own = {f"\x00{i}.{g}" for i, c in self.groups for g in c.groups}
        self._first = [self._pick().alias(PICK), *(code for (c, _), code in codes.items() if c not in own)]
        # a rule's own pattern is applied to that rule's records only: a regex passes over null in no time
        self._second = [
            pl.when(pl.col(PICK) == i).then(pl.col(c.field)).str.extract_groups(c.words[0]).alias(f"\x00{i}.{n}")
            for n, (i, c) in enumerate(self.groups)
        ]
        self._third = [
            _group(f"\x00{i}.{n}", g, f"\x00{i}.{g}") for n, (i, c) in enumerate(self.groups) for g in c.groups
        ]
        self._fourth = [code for (c, _), code in codes.items() if c in own]
        self._wrong = reduce(or_, (check.wrong for check in self.checks)).fill_null(False)
        self._guards = [self._guard(n).alias(f"\x00when{n}") for n in self.guarded]
        self._silent = self._without_events() if self.guarded else None
        self._columns = self._event_columns()
        self.typed = self._typed()

    # ---- what the rules use

    def column(self, rule: int, hole: Hole) -> str:
        """Return the column that a field has within a rule: its own pattern's group, or the record's field."""
        own = any(hole.field in condition.groups for condition in self.rules[rule].when)
        return f"\x00{rule}.{hole.field}" if own else hole.field

    def _guard(self, emit: int) -> pl.Expr:
        """Return whether an event's own conditions hold."""
        rule, wanted = self.emits[emit]
        return reduce(and_, (holds(replace(c, field=self.column(rule, Hole(c.field)))) for c in wanted.when))

    def _without_events(self) -> pl.Expr:
        """Return whether a record fits a rule of whose events none is given."""
        silent: pl.Expr = pl.lit(False)
        for i in self.emitting:
            own = range(self.first_emit[i], self.first_emit[i + 1])
            if all(n in self.guarded for n in own):
                silent |= (pl.col(PICK) == i) & ~reduce(or_, (pl.col(f"\x00when{n}") for n in own))
        return silent.fill_null(False)

    def _typed(self) -> dict[str, pl.DataType]:
        """Return the fields that are used only as numbers: a format may read them as such at once."""
        words = {h.field for _, e in self.emits for n, t in e.columns.items() if n != "seq" for h in t.holes}
        words |= {h.field for t in self.times for h in t.holes} | {c.field for r in self.rules for c in r.when}
        words |= {c.field for _, e in self.emits for c in e.when}
        sequence = [t for _, e in self.emits if (t := e.columns.get("seq")) and t.holes]
        words |= {h.field for t in sequence if len(t.parts) > 1 or t.holes[0].words for h in t.holes}
        whole = {h.field for t in sequence for h in t.holes}
        typed: dict[str, pl.DataType] = {f: pl.Int64() for f in whole - words - set(self.numbers)}
        return typed | {f: pl.Float64() for f in self.numbers if f not in words and f not in whole}

    def _kept(self) -> list[str]:
        """Return the columns that events are made of, when the checks are done."""
        plain = {
            self.column(i, h) for i, e in self.emits for t in e.columns.values() for h in t.holes if not self._closed(h)
        }
        codes = {
            f"{self.column(i, h)}\x00{h.words}"
            for i, e in self.emits
            for t in e.columns.values()
            for h in t.holes
            if h.words
        }
        times = {self.times.index(e.time or self.source.time.template) for _, e in self.emits}
        derived = {f"\x00{name}{n}" for n in times for name in ("ts", "doubled")} | {
            f"{c}\x00number" for c in self.numbers
        }
        guards = {f"\x00when{n}" for n in self.guarded}
        return [PICK, "line", *sorted(plain | codes | derived | guards)]

    def _closed(self, hole: Hole) -> bool:
        """Return whether a hole gives only words of its vocabulary."""
        vocabulary = self._vocabulary(hole)
        return vocabulary is not None and not vocabulary.keep

    def _dtype(self, name: str) -> pl.DataType:
        """Return Enum for a column that can hold only words of the source file, else String."""
        words: dict[str, None] = {}
        for _, emit in self.emits:
            template = emit.columns.get(name)
            if template is None:
                continue
            if template.constant is not None:
                words[template.constant] = None
            elif len(template.parts) == 1 and self._closed(template.holes[0]):
                vocabulary = self.source.words[template.holes[0].words or ""]
                words |= dict.fromkeys(w for w in [*vocabulary.words.values(), vocabulary.default] if w is not None)
            else:
                return pl.String()
        return pl.Enum(sorted(words)) if name != "operator" or not words else pl.String()

    def _vocabulary(self, hole: Hole) -> Vocabulary | None:
        return self.source.words[hole.words] if hole.words is not None else None

    # ---- the batch

    def apply(self, records: Records, context: Context) -> Mapped:
        """Map one batch of records; see Mapped. Lines that cannot be mapped are set aside whole, with their reason."""
        frame = records.frame.with_columns(self._first)
        if self._second:
            frame = frame.with_columns(self._second).with_columns(self._third).with_columns(self._fourth)
        skipped = records.skipped
        silent = [i for i, rule in enumerate(self.rules) if not rule.emits]
        if silent:
            kept = frame.filter(~pl.col(PICK).is_in(silent) | pl.col(PICK).is_null())
            skipped, frame = skipped + frame.height - kept.height, kept
        frame = self._derive(frame, context)
        if self._silent is not None:
            frame = frame.with_columns(self._guards)
            kept = frame.filter(~self._silent)
            skipped, frame = skipped + frame.height - kept.height, kept
        bad = records.bad
        wrong = frame.select(self._wrong).to_series()
        if wrong.any():
            reason = first_reason([(c.wrong, c.reason) for c in self.checks]).alias("reason")
            # One chunk: format of polars 2.1 fails on a column whose first chunks are empty.
            found = frame.filter(wrong).rechunk().select("line", reason)
            bad = pl.concat([bad, found.with_columns(text=records.texts(found["line"])).select(BAD_SCHEMA.names())])
            frame = frame.filter(~wrong)
        parts = self._repeated(frame)
        events = self._events(pl.concat(parts, rechunk=False), context)
        runs: list[pl.DataFrame] = []
        start = 0
        for part in parts:
            if part.height:
                runs.append(_in_order(events.slice(start, part.height)))
            start += part.height
        return Mapped(runs, bad, frame.height, skipped)

    def _pick(self) -> pl.Expr:
        """Return the number of the first rule that fits; null when none does."""
        pick: pl.Expr = pl.lit(None, pl.UInt16)
        for i in reversed(range(len(self.rules))):
            here = pl.lit(i, pl.UInt16)
            if not self.rules[i].when:
                pick = here
            else:
                pick = pl.when(reduce(and_, map(holds, self.rules[i].when))).then(here).otherwise(pick)
        return pick

    def _derive(self, frame: pl.DataFrame, context: Context) -> pl.DataFrame:
        """Add the columns that several events share: codes of words, times, numbers."""
        zone = context.zone if self.source.time.zone == "plant" else self.source.time.zone
        added: list[pl.Series] = []
        for n, template in enumerate(self.times):
            found = parse_times(self._time_words(frame, template), self.source.time.formats, zone)
            added += [found.ts.alias(f"\x00ts{n}"), found.doubled.alias(f"\x00doubled{n}")]
            added += [found.nonexistent.alias(f"\x00gone{n}")]
        added += [numbers_of(frame[column]).alias(f"{column}\x00number") for column in self.numbers]
        return frame.with_columns(added)

    def _time_words(self, frame: pl.DataFrame, template: Template) -> pl.Series:
        hole = template.parts[0]
        if len(template.parts) == 1 and isinstance(hole, Hole) and hole.words is None:
            return frame[hole.field]
        return frame.select(self.words(template).alias("t")).to_series()

    def words(self, template: Template, rule: int | None = None, dtype: pl.DataType | None = None) -> pl.Expr:
        """Return the text that a template gives: null when a hole is empty."""
        dtype = dtype or pl.String()
        parts: list[pl.Expr] = []
        for part in template.parts:
            if isinstance(part, str):
                parts.append(pl.lit(part, dtype))
                continue
            column = part.field if rule is None else self.column(rule, part)
            vocabulary = self._vocabulary(part)
            if vocabulary is None:
                parts.append(pl.col(column))
                continue
            table = [*vocabulary.words.values(), vocabulary.default]
            code = pl.col(f"{column}\x00{part.words}")
            word = lookup(table, code, dtype)
            if vocabulary.keep:  # only words that are not listed: a listed one may stand for no value
                word = pl.when(code == len(vocabulary.words)).then(pl.col(column)).otherwise(word)
            parts.append(word)
        if not parts:
            return pl.lit(None, dtype)
        return parts[0] if len(parts) == 1 else pl.concat_str(parts)

    # ---- events

    def _repeated(self, frame: pl.DataFrame) -> list[pl.DataFrame]:
        """Return one row per event, with EMIT as its number among all events of the rules: a frame for the first event
        of each record, one for the second of those that have one, and so on.
        """
        first = pl.Series(self.first_emit[:-1], dtype=pl.UInt16)
        frame = frame.select(pl.lit(first).gather(pl.col(PICK)).alias(EMIT), *self.kept)
        parts = [frame]
        for k in range(1, max(len(rule.emits) for rule in self.rules)):
            rules = [i for i, rule in enumerate(self.rules) if len(rule.emits) > k]
            parts.append(frame.filter(among(PICK, rules)).with_columns(pl.col(EMIT) + k))
        if self.guarded:
            given = reduce(and_, ((pl.col(EMIT) != n) | pl.col(f"\x00when{n}") for n in self.guarded))
            parts = [part.filter(given) for part in parts]
        return parts

    def _events(self, frame: pl.DataFrame, context: Context) -> pl.DataFrame:
        """Return the events of the rows of _repeated."""
        file = pl.lit(context.file, pl.Enum([context.file])).alias("file")
        events = frame.select([*self._columns, file])
        if any("operator" in e.columns for _, e in self.emits):
            events = events.with_columns(context.operators(events["operator"]))
        return events

    def _event_columns(self) -> list[pl.Expr]:
        """Return all columns of the event table but `file`, as expressions over the rows of _repeated."""
        at = {n: self.times.index(e.time or self.source.time.template) for n, (_, e) in enumerate(self.emits)}
        ts = choose({n: (k, pl.col(f"\x00ts{k}")) for n, k in at.items()}, {}, UTC)
        if any(e.earlier is not None for _, e in self.emits):
            seconds = self._number_column([e.earlier for _, e in self.emits]).fill_null(0)
            ts = ts - (seconds * 1_000_000).round().cast(pl.Int64).cast(pl.Duration("us"))
        columns = {
            "ts_source": ts.cast(UTC),
            "doubled": choose({n: (k, pl.col(f"\x00doubled{k}")) for n, k in at.items()}, {}, pl.Boolean()),
            "source": pl.lit(self.source.name, pl.Enum([self.source.name])),
            **{name: self._word_column(name) for name in WORDS},
            "value": self._number_column([e.value for _, e in self.emits]),
            "seq": self._sequence(),
            "line": pl.col("line"),
        }
        return [column.alias(name) for name, column in columns.items()]

    def _word_column(self, name: str) -> pl.Expr:
        dtype = self.dtypes[name]
        chosen: dict[int, Choice] = {}
        constants: dict[int, str | None] = {}
        for n, (i, emit) in enumerate(self.emits):
            template = emit.columns.get(name)
            if template is None or template.constant is not None:
                constants[n] = None if template is None else template.constant
            else:
                chosen[n] = (self._key(i, template), self.words(template, i, dtype))
        return choose(chosen, constants, dtype)

    def _key(self, rule: int, template: Template) -> tuple[Template, int]:
        """Return what two equal templates share unless one of them uses its rule's own groups."""
        return template, rule if any(self.column(rule, h) != h.field for h in template.holes) else -1

    def _number_column(self, numbers: Sequence[Number | None]) -> pl.Expr:
        chosen: dict[int, Choice] = {}
        for n, number in enumerate(numbers):
            if number is None or number.hole is None:
                constant = None if number is None else number.constant
                chosen[n] = (("constant", constant), pl.lit(constant, pl.Float64))
                continue
            column = self.column(self.emits[n][0], number.hole)
            value = pl.col(f"{column}\x00number")
            if (number.factor, number.offset) != (1.0, 0.0):
                value = value * number.factor + number.offset
            chosen[n] = ((column, number), value)
        return choose(chosen, {}, pl.Float64())

    def _sequence(self) -> pl.Expr:
        chosen: dict[int, Choice] = {}
        for n, (i, emit) in enumerate(self.emits):
            template = emit.columns.get("seq")
            if template is None:
                chosen[n] = (None, pl.lit(None, pl.Int64))
            else:
                chosen[n] = (self._key(i, template), self.sequence(template, i))
        return choose(chosen, {}, pl.Int64())

    def sequence(self, template: Template, rule: int) -> pl.Expr:
        """Return a running number as a whole number, null where it is none."""
        if len(template.holes) == 1 == len(template.parts) and template.holes[0].words is None:
            return pl.col(self.column(rule, template.holes[0])).cast(pl.Int64, strict=False)
        return self.words(template, rule).cast(pl.Int64, strict=False)


def _in_order(events: pl.DataFrame) -> pl.DataFrame:
    """Return events ordered by time, those of the same time in the order of their lines."""
    return events if events["ts_source"].is_sorted() else events.sort("ts_source", maintain_order=True)


def _codes(word: pl.Expr, vocabulary: Vocabulary) -> pl.Expr:
    """Return a word's place in its vocabulary, the place behind the last for other words if there is a default."""
    known = pl.Enum(list(vocabulary.words))
    codes = word.cast(known, strict=False).to_physical().cast(pl.UInt32)
    if vocabulary.has_default:
        return pl.when(word.is_not_null()).then(codes.fill_null(len(vocabulary.words)))
    return codes


def _group(matched: str, group: str, name: str) -> pl.Expr:
    word = pl.col(matched).struct.field(group)
    return pl.when(word != "").then(word).alias(name)


__all__ = ["PICK", "Context", "Mapped", "Mapping", "Operators"]
