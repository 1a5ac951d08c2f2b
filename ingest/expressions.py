"""Small polars expressions that the mapping is made of: conditions, numbers, and one choice per event."""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from typing import Final

import polars as pl

from ingest.source import Condition

PICK: Final = "\x00pick"  # number of the rule that a record falls under
EMIT: Final = "\x00emit"  # number of the event among all events of all rules

Choice = tuple[Hashable, pl.Expr]
"""what one event gives for a column: a key that is equal for equal expressions, and the expression"""


def holds(condition: Condition) -> pl.Expr:
    """Return whether a condition holds; a field that is not there fulfils only `not` and `present = false`."""
    field = pl.col(condition.field)
    if condition.op == "in":
        words = condition.words
        test = field == words[0] if len(words) == 1 else field.is_in(words)
    elif condition.op == "not_in":
        return (~field.is_in(condition.words)).fill_null(True)
    elif condition.op == "matches":
        test = field.str.contains(condition.words[0])
    elif condition.op == "present":
        return field.is_not_null() if condition.number else field.is_null()
    else:
        number = as_number(field)
        test = {
            "above": number > condition.number, "below": number < condition.number,
            "at_least": number >= condition.number, "at_most": number <= condition.number,
        }[condition.op]  # fmt: skip
    return test.fill_null(False)


def as_number(word: pl.Expr) -> pl.Expr:
    """Return words as numbers, null where they are none. A comma is a decimal comma; nothing separates thousands."""
    number = word.str.strip_chars().str.replace(",", ".", literal=True).cast(pl.Float64, strict=False)
    return finite(number)


def finite(number: pl.Expr) -> pl.Expr:
    """Return numbers with null for NaN and infinity, which are no measurement."""
    return pl.when(number.is_finite()).then(number)


def numbers_of(words: pl.Series) -> pl.Series:
    """Return a column of words (or of numbers already) as numbers; the same as as_number, quick for decimal points."""
    if words.dtype.is_numeric():
        return words.to_frame("n").select(finite(pl.col("n").cast(pl.Float64))).to_series()
    quick = words.cast(pl.Float64, strict=False)
    if quick.null_count() == words.null_count():
        return quick.to_frame("n").select(finite(pl.col("n"))).to_series()
    return words.to_frame("n").select(as_number(pl.col("n"))).to_series()


def lookup(words: Sequence[str | None], codes: pl.Expr, dtype: pl.DataType) -> pl.Expr:
    """Return the word that stands at each code; null for a null code."""
    return pl.lit(pl.Series("words", words, dtype=dtype)).gather(codes)


def choose(computed: dict[int, Choice], constants: dict[int, str | None], dtype: pl.DataType) -> pl.Expr:
    """Return one expression that gives, for each row, what the event EMIT says.

    Takes    computed: the events that compute the column. constants: those that give a fixed word, or none.
    """
    result: pl.Expr | None = None
    if constants:
        words = set(constants.values())
        if len(words) == 1:
            result = pl.lit(words.pop(), dtype)
        else:
            table = [constants.get(n) for n in range(max([*constants, *computed]) + 1)]
            result = lookup(table, pl.col(EMIT), dtype)
    groups: dict[Hashable, list[int]] = {}
    for n, (key, _) in computed.items():
        groups.setdefault(key, []).append(n)
    ordered = sorted(groups.values(), key=len)
    if result is None:
        result = computed[ordered.pop()[0]][1]
    for emits in ordered:
        result = pl.when(among(EMIT, emits)).then(computed[emits[0]][1]).otherwise(result)
    return result


def among(column: str, numbers: Sequence[int]) -> pl.Expr:
    """Return whether PICK or EMIT is one of some numbers."""
    return pl.col(column) == numbers[0] if len(numbers) == 1 else pl.col(column).is_in(list(numbers))


def first_reason(checks: Sequence[tuple[pl.Expr, pl.Expr]]) -> pl.Expr:
    """Return the reason of the first check that says yes."""
    return pl.coalesce(pl.when(test).then(reason) for test, reason in checks)
