"""Configuration is data and is explained: TOML text -> a validated model, or every problem in one go."""

from __future__ import annotations

import re
import tomllib
import types
import typing
from collections.abc import Sequence
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ConfigDict, ValidationError
from pydantic_core import ErrorDetails

from ingest.errors import ConfigError, Problem, suggest

Loc = Sequence[str | int]


class Strict(BaseModel):
    """A part of a configuration file: unknown keys are refused, values never change."""

    model_config = ConfigDict(extra="forbid", frozen=True)


M = TypeVar("M", bound=BaseModel)


def load(path: Path, model: type[M], shown_as: str) -> M:
    """Read a TOML file and validate it.

    `shown_as` is the name used in messages, e.g. "cells/spoon.toml".
    Raises ConfigError with every problem, each with its line where that can be found.
    """
    return validate(read_text(path, shown_as), model, shown_as)


def read_text(path: Path, shown_as: str) -> str:
    """Read a configuration file as UTF-8 (a byte-order mark is taken off)."""
    if path.is_dir():
        raise ConfigError(shown_as, [Problem(shown_as, "is a folder", allowed="a TOML file", fix="name the file")])
    try:
        return path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        near = sorted(p.name for p in path.parent.glob("*.toml")) if path.parent.is_dir() else []
        raise ConfigError(
            shown_as,
            [
                Problem(
                    shown_as,
                    "the file does not exist",
                    allowed=f"files here: {', '.join(near)}" if near else None,
                    fix="create it, or correct the name that leads to it (`taktbook new DIR` writes a commented start)",
                )
            ],
        ) from None
    except UnicodeDecodeError as err:
        raise ConfigError(
            shown_as,
            [Problem(shown_as, f"is not UTF-8 text (byte {err.start})", fix="save the file as UTF-8")],
        ) from None
    except OSError as err:
        raise ConfigError(
            shown_as, [Problem(shown_as, f"cannot be read: {err.strerror}", fix="check its permissions")]
        ) from None


def validate(text: str, model: type[M], shown_as: str) -> M:
    """Parse TOML text and validate it against the model; see `load`."""
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as err:
        at = re.search(r"line (\d+)", str(err))
        lines = text.splitlines()
        number = int(at[1]) if at and int(at[1]) <= len(lines) else None
        raise ConfigError(
            shown_as,
            [
                Problem(
                    f"{shown_as}:{number}" if number else shown_as,
                    f"is not valid TOML: {err}",
                    found=lines[number - 1].strip() if number else None,
                    fix='correct the line; texts stand in "double quotes"',
                )
            ],
        ) from None
    try:
        return model.model_validate(data)
    except ValidationError as err:
        raise ConfigError(shown_as, [_problem(e, model, text, shown_as) for e in _causes(err.errors())]) from None


def where(shown_as: str, text: str, loc: Loc) -> str:
    """Say a place in a TOML file: "cells/spoon.toml:12 [stations.2] kind"."""
    line = line_of(text, loc)
    spot = f"{shown_as}:{line}" if line else shown_as
    return f"{spot}  {say(loc)}" if loc else spot


def say(loc: Loc) -> str:
    """Write a location as people count: [[stations]] no. 3 · kind."""
    words: list[str] = []
    for item in loc:
        if isinstance(item, int):
            words[-1:] = [f"{words[-1]} no. {item + 1}" if words else f"no. {item + 1}"]
        else:
            words.append(item)
    return " · ".join(words)


_HEADER = re.compile(r"^\s*(\[\[?)\s*([^\]]+?)\s*\]\]?")
_KEY = re.compile(r"^\s*([A-Za-z0-9_\-\"'.]+?)\s*=")


def line_of(text: str, loc: Loc) -> int | None:
    """Find the line of a key by walking headers and keys; the nearest enclosing line when the key itself is absent."""
    best: tuple[int, int] = (0, 0)  # how many steps of the location match, line
    here: list[str | int] = []
    counts: dict[tuple[str | int, ...], int] = {}
    want = list(loc)

    def match(path: list[str | int]) -> int:
        n = 0
        for a, b in zip(path, want, strict=False):
            if a != b:
                return 0
            n += 1
        return n

    for number, line in enumerate(text.splitlines(), start=1):
        if header := _HEADER.match(line):
            names: list[str | int] = [part.strip().strip("\"'") for part in header[2].split(".")]
            here = []
            for name in names[:-1]:
                here.append(name)
                if tuple(here) in counts:
                    here.append(counts[tuple(here)])
            here.append(names[-1])
            if header[1] == "[[":
                key = tuple(here)
                counts[key] = counts.get(key, -1) + 1
                here.append(counts[key])
            best = max(best, (match(here), number), key=lambda b: b[0])
        elif key_match := _KEY.match(line):
            path = [*here, *(part.strip("\"'") for part in key_match[1].split("."))]
            best = max(best, (match(path), number), key=lambda b: b[0])
    return best[1] if best[0] else None


def _causes(errors: list[ErrorDetails]) -> list[ErrorDetails]:
    """Leave out what only follows: a list that is empty because every item of it is wrong."""
    places = [e["loc"] for e in errors]

    def follows(error: ErrorDetails) -> bool:
        loc = error["loc"]
        return error["type"] == "too_short" and any(p != loc and p[: len(loc)] == loc for p in places)

    return [e for e in errors if not follows(e)]


_ALLOWED = {
    "time_parsing": 'a time of day, "06:00" or "06:00:30"',
    "datetime_parsing": "a local date and time, 2026-10-24T06:00:00 without quotes",
    "date_parsing": "a date, 2026-10-24 without quotes",
    "date_from_datetime_parsing": "a date, 2026-10-24 without quotes",
    "float_parsing": "a number, without quotes",
    "float_type": "a number, without quotes",
    "int_parsing": "a whole number, without quotes",
    "int_type": "a whole number, without quotes",
    "int_from_float": "a whole number",
    "bool_parsing": "true or false, without quotes",
    "string_type": 'a text, in "quotes"',
    "tuple_type": 'a list, in brackets: ["…", "…"]',
    "dict_type": "a table: { … = … }",
    "model_type": "a table: { … = … }",
    "string_pattern_mismatch": "a name without blanks, dots and slashes",
    "string_too_short": "a name",
    "too_short": "at least one",
}
"""What is allowed where pydantic says it in words of Python."""


def _problem(error: ErrorDetails, model: type[BaseModel], text: str, shown_as: str) -> Problem:
    loc = [item for item in error["loc"] if not (isinstance(item, str) and _is_tag(item))]
    kind, ctx = error["type"], error.get("ctx", {})
    found = _found(error["input"])
    if kind == "extra_forbidden":
        known = _keys(model, loc[:-1])
        return Problem(
            where(shown_as, text, loc),
            f"unknown key '{loc[-1]}'",
            allowed=", ".join(known) or None,
            fix=suggest(str(loc[-1]), known) or "remove the key",
        )
    if kind == "missing":
        return Problem(where(shown_as, text, loc), f"the key '{loc[-1]}' is missing", fix=f"add  {loc[-1]} = …")
    if kind in ("literal_error", "enum"):
        allowed = str(ctx.get("expected", ""))
        words = re.findall(r"'([^']+)'", allowed)
        return Problem(
            where(shown_as, text, loc),
            "this value is not known",
            found=found,
            allowed=allowed,
            fix=(suggest(str(error["input"]), words) if isinstance(error["input"], str) else None),
        )
    message = error["msg"].removeprefix("Value error, ").removeprefix("Input should be ")
    if kind != "value_error":
        allowed = _ALLOWED.get(kind, message)
        return Problem(where(shown_as, text, loc), "the value does not fit", found=found, allowed=allowed)
    message, _, fix = message.partition(" ~ ")  # a validator may put what to do behind " ~ "
    return Problem(where(shown_as, text, loc), message, fix=fix or None)


def _found(value: object) -> str:
    text = repr(value) if not isinstance(value, dict) else "a table with " + ", ".join(map(str, value))
    return text if len(text) <= 80 else text[:77] + "…"


def _is_tag(item: str) -> bool:
    """Pydantic puts names of union members, validators and types into locations; people never wrote them."""
    return bool(re.match(r"^(function-|list\[|dict\[|str$|int$|float$|bool$|constrained-|tagged-|[A-Z]\w+$)", item))


def _keys(model: Any, loc: Loc) -> list[str]:
    """Return the keys that a table at this location may have."""
    here: list[Any] = [model]
    for item in loc:
        following: list[Any] = []
        for annotation in here:
            for kind in _members(annotation):
                origin, args = typing.get_origin(kind), typing.get_args(kind)
                if isinstance(kind, type) and issubclass(kind, BaseModel):
                    fields = {(f.alias or name): f for name, f in kind.model_fields.items()}
                    if item in fields:
                        following.append(fields[str(item)].annotation)
                elif origin in (list, tuple) and isinstance(item, int):
                    following.append(args[0])
                elif origin is dict:
                    following.append(args[1])
        here = following
    return sorted(
        {
            f.alias or name
            for annotation in here
            for kind in _members(annotation)
            if isinstance(kind, type) and issubclass(kind, BaseModel)
            for name, f in kind.model_fields.items()
        }
    )


def _members(annotation: Any) -> list[Any]:
    if typing.get_origin(annotation) in (typing.Union, types.UnionType):
        return [m for arg in typing.get_args(annotation) for m in _members(arg)]
    if typing.get_origin(annotation) is typing.Annotated:
        return _members(typing.get_args(annotation)[0])
    return [annotation]
