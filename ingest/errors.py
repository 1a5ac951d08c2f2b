"""Errors that a user can cause, and how they are told.

TaktbookError
├── InputError    a log, file or argument that cannot be used
├── ConfigError   plant.toml, cells/*.toml or sources/*.toml; carries every problem found, not only the first
└── StoreError    the store is missing, locked, broken or from another version
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing that is wrong: where, what was found, what is allowed, what to write instead."""

    where: str
    message: str
    found: str | None = None
    allowed: str | None = None
    fix: str | None = None

    def __str__(self) -> str:
        text = f"{self.where}: {self.message}" if self.where else self.message
        if self.found is not None:
            text += f"\n    found:   {self.found}"
        if self.allowed is not None:
            text += f"\n    allowed: {self.allowed}"
        if self.fix is not None:
            text += f"\n    do:      {self.fix}"
        return text


class TaktbookError(Exception):
    """Base of all errors that are told to the user without a traceback."""

    def __init__(
        self,
        message: str,
        *,
        where: str = "",
        found: str | None = None,
        allowed: str | None = None,
        fix: str | None = None,
    ) -> None:
        self.problem = Problem(where, message, found, allowed, fix)
        super().__init__(message)

    def __str__(self) -> str:
        return str(self.problem)


class InputError(TaktbookError):
    """A log, a file or an argument that cannot be used."""


class StoreError(TaktbookError):
    """The store is missing, locked, broken or written by another version."""


class ConfigError(TaktbookError):
    """A configuration file is wrong; `problems` lists everything that was found in one go."""

    def __init__(self, file: str, problems: Sequence[Problem]) -> None:
        self.file = file
        self.problems = list(problems)
        super().__init__(f"{file} has {len(self.problems)} problem{'s' if len(self.problems) != 1 else ''}")

    def __str__(self) -> str:
        head = self.problem.message + ":"
        return "\n".join([head, *("  " + str(p).replace("\n", "\n  ") for p in self.problems)])


def suggest(word: str, known: Iterable[str]) -> str | None:
    """Return "did you mean 'x'?" for the nearest known word, or None when nothing is near."""
    near = difflib.get_close_matches(word, list(known), n=1, cutoff=0.6)
    return f"did you mean '{near[0]}'?" if near else None
