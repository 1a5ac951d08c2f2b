"""Reading a TOML file so that every problem can be told with its key and its line."""

from __future__ import annotations

import copy
import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar, get_args, get_origin

from pydantic import BaseModel, ConfigDict, ValidationError
from pydantic_core import ErrorDetails

from ingest.errors import ConfigError, InputError, Problem, suggest

Loc = tuple[str | int, ...]
M = TypeVar("M", bound=BaseModel)

_HEADER = re.compile(r"^\s*(\[\[?)\s*(.+?)\s*\]\]?\s*(?:#.*)?$")
_KEY = re.compile(r"""^\s*((?:"[^"]*"|'[^']*'|[\w-]+)(?:\s*\.\s*(?:"[^"]*"|'[^']*'|[\w-]+))*)\s*=""")
_PASSWORD = re.compile(r"(://[^:/@\s]*:).*@")  # in an address, which no message may show
_WORD = re.compile(r""""[^"]*"|'[^']*'|[\w-]+""")


class Strict(BaseModel):
    """A part of a configuration file: unknown keys are refused, values never change."""

    model_config = ConfigDict(extra="forbid", frozen=True)


@dataclass
class TomlFile:
    """A parsed TOML file: `name` for messages, `data`, and the line on which each key stands."""

    name: str
    data: dict[str, Any]
    lines: dict[Loc, int] = field(default_factory=dict)
    problems: list[Problem] = field(default_factory=list)

    def where(self, loc: Sequence[str | int]) -> str:
        """Return "line 14, rules[2].emit[0].kind"; the line is that of the nearest key that has one."""
        loc = tuple(loc)
        for n in range(len(loc), 0, -1):
            if loc[:n] in self.lines:
                return f"line {self.lines[loc[:n]]}, {spell(loc)}"
        return spell(loc)

    def problem(
        self,
        loc: Sequence[str | int],
        message: str,
        *,
        found: object = None,
        allowed: str | None = None,
        fix: str | None = None,
    ) -> None:
        """Note one problem at a key."""
        problem = Problem(self.where(loc), message, None if found is None else toml(found), allowed, fix)
        if problem not in self.problems:  # what stands in [always] is looked at once per event
            self.problems.append(problem)

    def raise_problems(self) -> None:
        """Raise ConfigError with all that was noted, if anything was."""
        if self.problems:
            raise ConfigError(self.name, sorted(self.problems, key=_by_line))


ALLOWED = {
    "time_parsing": 'a time of day, "06:00" or "06:00:30"',
    "datetime_parsing": "a local date and time, 2026-10-24T06:00:00 without quotes",
    "date_parsing": "a date, 2026-10-24 without quotes",
    "date_from_datetime_parsing": "a date, 2026-10-24 without quotes",
    "float_parsing": "a number, without quotes",
    "int_parsing": "a whole number, without quotes",
    "int_from_float": "a whole number",
    "bool_parsing": "true or false, without quotes",
    "string_pattern_mismatch": "a name without blanks, dots and slashes",
    "string_too_short": "a name",
    "too_short": "at least one",
}
"""What is allowed where pydantic says it in words of Python."""


def _by_line(problem: Problem) -> int:
    found = re.match(r"line (\d+)", problem.where)
    return int(found.group(1)) if found else 0


def spell(loc: Sequence[str | int]) -> str:
    """Write a key path as a person would: rules[2].emit[0].kind (counted from 1, as people count)."""
    text = ""
    for part in loc:
        text += f"[{part + 1}]" if isinstance(part, int) else (f".{part}" if text else part)
    return text


def toml(value: object) -> str:
    """Write a value roughly as TOML shows it, cut to a readable length."""
    if isinstance(value, bool):
        return "true" if value else "false"
    text = f'"{value}"' if isinstance(value, str) else str(value)
    return text if len(text) <= 120 else text[:117] + "..."


def read_toml(path: Path, name: str) -> TomlFile:
    """Read one TOML file; `name` is what messages call it.

    Raises InputError when the file cannot be read, ConfigError when it is not TOML.
    """
    try:
        text = path.read_bytes().decode("utf-8-sig").replace("\r\n", "\n")
    except FileNotFoundError as err:
        there = sorted(p.name for p in path.parent.glob("*.toml"))
        raise InputError(
            "There is no such file.",
            where=name,
            allowed=f"files in this folder: {', '.join(there)}" if there else None,
            fix="Create it, or correct the name that leads to it. `taktbook new DIR` writes a commented start.",
        ) from err
    except (OSError, UnicodeDecodeError) as err:
        raise InputError(f"The file cannot be read: {err}", where=name, fix="It must be a text file in UTF-8.") from err
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as err:
        line = re.search(r"at line (\d+)", str(err))
        shown = _PASSWORD.sub(r"\1***@", text.split("\n")[int(line.group(1)) - 1].strip()) if line else None
        raise ConfigError(
            name,
            [
                Problem(
                    f"line {line.group(1)}" if line else "",
                    f"this is not valid TOML: {err}",
                    found=shown,
                    fix='Correct the line; texts stand in "quotes".',
                )
            ],
        ) from err
    return TomlFile(name, data, _key_lines(text))


def _key_lines(text: str) -> dict[Loc, int]:
    """Find the line of each table header and of each `key =` at the start of a line."""
    lines: dict[Loc, int] = {}
    arrays: dict[Loc, int] = {}
    table: Loc = ()
    for number, line in enumerate(text.split("\n"), 1):
        if header := _HEADER.match(line):
            names = tuple(word.strip("\"'") for word in _WORD.findall(header.group(2)))
            table = ()
            for i, name in enumerate(names):
                table = (*table, name)
                last = i == len(names) - 1
                if header.group(1) == "[[" and last:
                    arrays[table] = arrays.get(table, -1) + 1
                if table in arrays:
                    table = (*table, arrays[table])
                lines.setdefault(table, number)
        elif key := _KEY.match(line):
            loc = table
            for word in _WORD.findall(key.group(1)):
                loc = (*loc, word.strip("\"'"))
                lines.setdefault(loc, number)
    return lines


def check_model(toml_file: TomlFile, model: type[M], data: object, at: Loc = ()) -> M | None:
    """Validate `data` with a pydantic model; problems are noted in `toml_file`. Returns None when there were any."""
    try:
        return model.model_validate(data)
    except ValidationError as err:
        errors = err.errors()
        for error in errors:
            if not _follows(error, errors):
                _note(toml_file, model, error, at)
        return None


def _follows(error: ErrorDetails, errors: list[ErrorDetails]) -> bool:
    """Tell whether an error only follows from others: a list that is empty because all of its items are wrong."""
    loc = error["loc"]
    return error["type"] == "too_short" and any(e["loc"] != loc and e["loc"][: len(loc)] == loc for e in errors)


def repaired(model: type[M], data: object, stand_ins: Mapping[str, Any]) -> M | None:
    """Return the model of wrong data as far as it can be made: unknown keys are left out, and stand-ins (by key) take
    the place of what is missing or wrong. So what follows can look for more problems in the rest. None: beyond repair.
    """
    data = copy.deepcopy(data)
    for _ in range(2):
        try:
            return model.model_validate(data)
        except ValidationError as err:
            for error in err.errors():
                _mend(data, tuple(error["loc"]), error["type"], stand_ins)
    return None


def _mend(data: Any, loc: Loc, kind: str, stand_ins: Mapping[str, Any]) -> None:
    for step in loc[:-1]:
        try:
            data = data[step]
        except (KeyError, IndexError, TypeError):
            return
    if loc and isinstance(data, dict):
        data.pop(loc[-1], None)
        if kind != "extra_forbidden" and loc[-1] in stand_ins:
            data[loc[-1]] = stand_ins[str(loc[-1])]


def _note(toml_file: TomlFile, model: type[BaseModel], error: Any, at: Loc) -> None:
    loc: Loc = tuple(error["loc"])
    kind, found = error["type"], error["input"]
    known = _keys_at(model, loc[:-1])
    if kind == "extra_forbidden":
        near = suggest(str(loc[-1]), known)
        toml_file.problem(at + loc, f"unknown key '{loc[-1]}'", allowed=", ".join(known), fix=near)
    elif kind == "missing":
        toml_file.problem(at + loc, f"key '{loc[-1]}' is missing", fix=_describe(model, loc) or f"add  {loc[-1]} = …")
    elif kind in ("literal_error", "enum"):
        words = re.findall(r"'([^']*)'", error["ctx"]["expected"])
        near = suggest(str(found), words)
        toml_file.problem(at + loc, "this word is not known", found=found, allowed=", ".join(words), fix=near)
    elif kind in ALLOWED or kind.startswith(("greater_than", "less_than")):
        allowed = ALLOWED.get(kind) or str(error["msg"]).removeprefix("Input should be ")
        fix = _describe(model, loc)
        toml_file.problem(at + loc, "the value does not fit", found=found, allowed=allowed, fix=fix)
    else:
        message = str(error["msg"]).removeprefix("Value error, ").removeprefix("Input ").replace("should be", "must be")
        if loc:
            message, _, fix = message.partition("; do: ")  # a validator says behind it what to do
            toml_file.problem(at + loc, message, found=found, fix=fix or _describe(model, loc))
        else:  # of the table as a whole
            toml_file.problem(at, message)


def _model_at(model: type[BaseModel], loc: Loc) -> type[BaseModel] | None:
    current: Any = model
    named = False  # the next part is a name that the user chose: a key of a table of tables
    for part in loc:
        if isinstance(part, int) or named:
            named = False
            continue
        if not (isinstance(current, type) and issubclass(current, BaseModel)) or part not in current.model_fields:
            return None
        current = current.model_fields[part].annotation
        named = get_origin(current) is dict
        while get_args(current):
            inner = [a for a in get_args(current) if isinstance(a, type) and issubclass(a, BaseModel)]
            if not inner:
                return None
            current = inner[0]
    return current if isinstance(current, type) and issubclass(current, BaseModel) else None


def _keys_at(model: type[BaseModel], loc: Loc) -> list[str]:
    found = _model_at(model, loc)
    return [] if found is None else [f.alias or name for name, f in found.model_fields.items()]


def _describe(model: type[BaseModel], loc: Loc) -> str | None:
    found = _model_at(model, loc[:-1])
    if found is None or not isinstance(loc[-1], str) or loc[-1] not in found.model_fields:
        return None
    return found.model_fields[loc[-1]].description
