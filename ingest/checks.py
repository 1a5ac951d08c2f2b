"""What can be wrong with a record: each check is an expression, and the sentence that the quarantine then holds."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import reduce
from operator import or_
from typing import TYPE_CHECKING, Final

import polars as pl

from ingest.events import KINDS, LINKS, MODES, RESULTS, STATES
from ingest.expressions import PICK, among
from ingest.source import Emit
from ingest.template import Hole, Template

if TYPE_CHECKING:
    from ingest.mapping import Mapping

EARLIEST: Final = datetime(1980, 1, 1, tzinfo=UTC)
LATEST: Final = datetime(2100, 1, 1, tzinfo=UTC)
LONGEST_S: Final = 366 * 86_400  # an event does not lie further before its record

_LISTS: Final = {"kind": list(KINDS), "result": list(RESULTS)}
_STATES: Final = {"state": list(STATES), "mode": list(MODES), "link": list(LINKS)}


@dataclass(frozen=True, slots=True)
class Check:
    """Whether a record is wrong (null counts as no), and what is said then."""

    wrong: pl.Expr
    reason: pl.Expr


def checks_of(mapping: Mapping) -> list[Check]:
    """Return all checks of a source's rules, in the order in which their reasons are told."""
    no_rule = Check(pl.col(PICK).is_null(), pl.lit("no rule fits this record"))
    return [no_rule, *_times(mapping), *_vocabularies(mapping), *_numbers(mapping), *_columns(mapping)]


def _in(mapping: Mapping, emits: Sequence[int]) -> pl.Expr:
    """Return whether a record gives one of some events."""
    chosen = sorted({mapping.emits[n][0] for n in emits if n not in mapping.guarded})
    if chosen == mapping.emitting:
        return pl.lit(True)
    guarded = [n for n in emits if n in mapping.guarded and mapping.emits[n][0] not in chosen]
    given = [(pl.col(PICK) == mapping.emits[n][0]) & pl.col(f"\x00when{n}") for n in guarded]
    return reduce(or_, [among(PICK, chosen), *given] if chosen else given)


def _times(mapping: Mapping) -> list[Check]:
    checks: list[Check] = []
    for n, template in enumerate(mapping.times):
        own = mapping.source.time.template
        emits = [k for k, (_, emit) in enumerate(mapping.emits) if (emit.time or own) == template]
        if not emits:
            continue
        here, words = _in(mapping, emits), mapping.words(template)
        missing, ts, gone = words.is_null(), pl.col(f"\x00ts{n}"), pl.col(f"\x00gone{n}")
        name = ", ".join(hole.field for hole in template.holes)
        checks += [
            Check(here & missing, pl.lit(f"no time: field {name} is empty")),
            Check(here & gone, pl.format("time '{}' does not exist: the clock was put forward over it", words)),
            Check(here & ts.is_null(), pl.format("time '{}' fits none of the formats", words)),
            Check(here & ~ts.is_between(EARLIEST, LATEST), pl.format("time '{}' is not of our times", words)),
        ]
    return checks


def _vocabularies(mapping: Mapping) -> list[Check]:
    checks: list[Check] = []
    for column, words in mapping.lookups:
        assert words is not None
        if mapping.source.words[words].has_default:
            continue
        emits = [
            n for n, (i, e) in enumerate(mapping.emits) for t in e.columns.values() for h in t.holes
            if h.words == words and mapping.column(i, h) == column
        ]  # fmt: skip
        field = column.rpartition(".")[2] if column.startswith("\x00") else column
        unknown = pl.col(column).is_not_null() & pl.col(f"{column}\x00{words}").is_null()
        reason = pl.format(f"word '{{}}' of field {field} is not in vocabulary {words}", pl.col(column))
        checks.append(Check(_in(mapping, emits) & unknown, reason))
    return checks


def _numbers(mapping: Mapping) -> list[Check]:
    checks: list[Check] = []
    for column in mapping.numbers:
        emits = [
            k for k, (i, e) in enumerate(mapping.emits) for n in (e.value, e.earlier)
            if n is not None and n.hole is not None and mapping.column(i, n.hole) == column
        ]  # fmt: skip
        field = column.rpartition(".")[2] if column.startswith("\x00") else column
        number = pl.col(f"{column}\x00number")
        wrong = pl.col(column).is_not_null() & number.is_null()
        checks.append(
            Check(_in(mapping, emits) & wrong, pl.format(f"'{{}}' of field {field} is not a number", pl.col(column)))
        )
        for factor in {e.earlier.factor for _, e in mapping.emits if e.earlier is not None and e.earlier.hole}:
            own = [n for n, (i, e) in enumerate(mapping.emits) if _is_earlier(mapping, i, e, column, factor)]
            if own:
                too_long = _in(mapping, own) & ((number * factor).abs() > LONGEST_S)
                reason = pl.format(f"'{{}}' of field {field} is too long a time", pl.col(column))
                checks.append(Check(too_long, reason))
    return checks


def _is_earlier(mapping: Mapping, rule: int, emit: Emit, column: str, factor: float) -> bool:
    number = emit.earlier
    if number is None or number.hole is None or number.factor != factor:
        return False
    return mapping.column(rule, number.hole) == column


def _checked_before(mapping: Mapping, template: Template) -> bool:
    """Return whether a template gives only words of a vocabulary, which were looked at when the source was read."""
    hole = template.parts[0]
    return (
        len(template.parts) == 1
        and isinstance(hole, Hole)
        and bool(hole.words)
        and not mapping.source.words[hole.words or ""].keep
    )


def _columns(mapping: Mapping) -> list[Check]:
    """Words that come straight from the log into columns that can hold only certain words."""
    checks: list[Check] = []
    seen: dict[object, list[int]] = {}
    for n, (i, emit) in enumerate(mapping.emits):
        for name, template in emit.columns.items():
            if template.constant is None and name in ("kind", "result", "state", "cell", "seq"):
                kind = emit.columns["kind"].constant if name == "state" else None
                own = any(mapping.column(i, h) != h.field for h in template.holes)
                seen.setdefault((name, template, kind, i if own else -1), []).append(n)
    for key, emits in seen.items():
        name, template, kind, _ = key  # type: ignore[misc]
        rule = mapping.emits[emits[0]][0]
        here, words = _in(mapping, emits), mapping.words(template, rule)
        allowed = _STATES.get(str(kind)) if name == "state" else _LISTS.get(name)
        if allowed is not None and not _checked_before(mapping, template):
            test = here & words.is_not_null() & ~words.is_in(allowed)
            checks.append(Check(test, pl.format(f"'{{}}' is no {name}; it can be {', '.join(allowed)}", words)))
        if name in ("kind", "cell"):
            checks.append(Check(here & words.is_null(), pl.lit(f"the event would have no {name}")))
        if name == "cell":
            test = here & ~words.str.contains(r"^[\w-]+$")
            checks.append(Check(test, pl.format("'{}' cannot be the name of a cell", words)))
        if name == "seq":
            test = here & words.is_not_null() & mapping.sequence(template, rule).is_null()
            checks.append(Check(test, pl.format("running number '{}' is not a whole number", words)))
    return checks
