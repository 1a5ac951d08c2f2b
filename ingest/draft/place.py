"""Where a drafted source belongs: its name, its cell, the pattern of its files, the stations that are known."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from ingest.draft.sample import COMPRESSIONS
from ingest.draft.write import comment, value
from ingest.errors import InputError
from ingest.formats import BY_NAME


@dataclass(frozen=True, slots=True)
class Place:
    """Name, cell (and the cells to choose from), patterns of files, whether the files lie in the plant, stations."""

    name: str
    cell: str
    cells: tuple[str, ...]
    files: tuple[str, ...]
    inside: bool
    stations: tuple[str, ...]

    def lines(self, format_name: str) -> list[str]:
        """The first lines of the source file."""
        out = []
        if len(self.cells) > 1 and self.cell not in self.cells:
            out += comment(f"DECIDE: the cell that these events belong to: {', '.join(self.cells)}")
        elif self.cell not in self.cells:
            out += comment("DECIDE: the cell that these events belong to; its file is cells/<name>.toml")
        out.append(f'cell = "{self.cell}"')
        out.append(f'format = "{format_name}"')
        files = list(self.files)
        if not BY_NAME[format_name].LINES:
            files = [f.removesuffix("*") for f in files]
        if not self.inside:
            out += comment(
                f"DECIDE: put the files into the plant folder, below inbox/{self.name}/, or name their place here"
            )
        out.append(f"files = {value(files)}")
        return out


def place_of(paths: Sequence[Path], plant: Path | None, name: str | None, cell: str | None) -> Place:
    """Find name, cell and patterns for some files. Raises InputError when the name cannot be one."""
    name = name or _name(paths[0])
    if not re.fullmatch(r"[\w-]+", name):
        raise InputError(
            "This cannot be the name of a source.", where="--name", found=name, fix="Use letters, digits, - and _."
        )
    cells, stations = _cells(plant)
    if cell is not None and not re.fullmatch(r"[\w-]+", cell):
        raise InputError(
            "This cannot be the name of a cell.", where="--cell", found=cell, fix="Use letters, digits, - and _."
        )
    if cell is not None and cells and cell not in cells:
        raise InputError("The plant has no such cell.", where="--cell", found=cell, allowed=", ".join(cells))
    chosen = cell or (next(iter(cells)) if len(cells) == 1 else "undecided")
    known = cells.get(chosen, [s for names in cells.values() for s in names]) if cells else stations
    inside = plant is not None and all(_below(p, plant) for p in paths)
    return Place(
        name,
        chosen,
        tuple(cells) or ((cell,) if cell else ()),
        _patterns(paths, plant, name, inside),
        inside,
        tuple(known),
    )


def _name(path: Path) -> str:
    """A name for the source: the file's, without days, numbers and endings; else that of its folder."""
    stem = path.name
    while (suffix := Path(stem).suffix) and (suffix in COMPRESSIONS or len(suffix) <= 8):
        stem = Path(stem).stem
    words = [w for w in re.split(r"[^A-Za-z0-9]+", stem) if len(w) > 1 and not w[0].isdigit()]
    name = "_".join(words) or re.sub(r"[^A-Za-z0-9_-]+", "_", path.resolve().parent.name)
    return name.strip("_").lower()[:40] or "log"


def _below(path: Path, folder: Path) -> bool:
    return path.resolve().is_relative_to(folder.resolve())


def _patterns(paths: Sequence[Path], plant: Path | None, name: str, inside: bool) -> tuple[str, ...]:
    """Return patterns that find these files and those that follow them: numbers in names may be others."""
    found: dict[str, None] = {}
    for path in paths:
        file = path.name
        for ending in COMPRESSIONS:
            file = file.removesuffix(ending)
        file = re.sub(r"\[|\]|\?", "?", file)
        pattern = re.sub(r"[0-9][0-9._-]*[0-9]|[0-9]", "*", file)
        pattern = re.sub(r"\*+", "*", pattern + "*")
        folder = path.resolve().parent.relative_to(plant.resolve()).as_posix() if inside and plant else f"inbox/{name}"
        found[f"{folder}/{pattern}" if folder != "." else pattern] = None
    if len(found) <= 4:
        return tuple(found)
    return tuple(dict.fromkeys(f"{p.rpartition('/')[0]}/*".removeprefix("/") for p in found))


def _cells(plant: Path | None) -> tuple[dict[str, list[str]], list[str]]:
    """Return the plant's cells with their stations, as far as the files can be read."""
    cells: dict[str, list[str]] = {}
    for path in sorted((plant / "cells").glob("*.toml")) if plant else []:
        try:
            stations = tomllib.loads(path.read_text(encoding="utf-8-sig")).get("stations", [])
            cells[path.stem] = [str(s["name"]) for s in stations if isinstance(s, dict) and "name" in s]
        except (OSError, ValueError, TypeError):
            cells[path.stem] = []
    return cells, []
