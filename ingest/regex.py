"""Patterns of the source language, made quick: what a pattern says about plain ASCII lines, said in ASCII classes.

The regex engine of polars reads \\w, \\d and \\s as all of Unicode, which costs two thirds of its speed. On a line
that is ASCII only, ASCII classes match exactly the same; so blocks without other characters are read by the
translated pattern.
"""

from __future__ import annotations

from typing import Final

import polars as pl

_OUTSIDE: Final = {
    "d": "[0-9]", "w": "[0-9A-Za-z_]", "s": r"[\t-\r\x20]",
    "D": "[^0-9]", "W": "[^0-9A-Za-z_]", "S": r"[^\t-\r\x20]",
    "b": r"(?-u:\b)",
}  # fmt: skip
_INSIDE: Final = {"d": "0-9", "w": "0-9A-Za-z_", "s": r"\t-\r\x20"}


def groups_of(pattern: str) -> list[str]:
    """Return the names of a pattern's groups, in order. Raises ValueError with a sentence when the pattern is wrong."""
    try:
        fields = pl.Series([""]).str.extract_groups(pattern).struct.fields
    except pl.exceptions.ComputeError as err:
        raise ValueError(str(err).rpartition("error: ")[2].strip()) from err
    return [name for name in fields if not name.isdigit()]


def for_ascii(pattern: str) -> str:
    r"""Return a pattern that matches the same on ASCII text, quicker.

    >>> for_ascii(r"(?P<nr>\d+) [\w-]+\.")
    '(?P<nr>[0-9]+) [0-9A-Za-z_-]+\\.'
    """
    out: list[str] = []
    depth = 0
    i = 0
    while i < len(pattern):
        char = pattern[i]
        if char == "\\" and i + 1 < len(pattern):
            table = _INSIDE if depth else _OUTSIDE
            out.append(table.get(pattern[i + 1], pattern[i : i + 2]))
            i += 2
            continue
        if char == "[":
            depth += 1
            out.append(char)
            i += 1
            if pattern[i : i + 1] == "^":
                out.append("^")
                i += 1
            if pattern[i : i + 1] == "]":  # a bracket right behind the opening one is a character
                out.append("]")
                i += 1
            continue
        if char == "]" and depth:
            depth -= 1
        out.append(char)
        i += 1
    translated = "".join(out)
    try:
        return translated if groups_of(translated) == groups_of(pattern) else pattern
    except ValueError:
        return pattern
