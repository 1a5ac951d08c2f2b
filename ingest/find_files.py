"""Which files belong to which source, by the patterns of the source files."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from ingest.errors import Problem
from ingest.plant_folder import PlantFolder
from ingest.source import Source


@dataclass(frozen=True, slots=True)
class Refused:
    """A file, or a feed, that could not be used; the others are loaded all the same."""

    source: str
    file: str
    problem: Problem


@dataclass(frozen=True, slots=True)
class FoundFiles:
    """Files with their source in a fixed order, patterns that found none ("source: pattern"), files claimed twice."""

    files: tuple[tuple[Source, Path], ...]
    unmatched: tuple[str, ...]
    refused: tuple[Refused, ...]


def shown_name(path: Path, folder: PlantFolder) -> str:
    """Return a file's name as events and messages show it: relative to the plant folder where it lies inside."""
    try:
        return path.relative_to(folder.root).as_posix()
    except ValueError:
        return path.as_posix()


def find_files(folder: PlantFolder, sources: Sequence[Source]) -> FoundFiles:
    """Search for the files of some sources."""
    claims: dict[Path, list[Source]] = {}
    unmatched: list[str] = []
    for source in sources:
        for pattern in source.files:
            matches = _matches(folder.root, pattern)
            if not matches and source.feed is None:
                unmatched.append(f"{source.name}: {pattern}")
            for path in matches:
                owners = claims.setdefault(path, [])
                if source not in owners:
                    owners.append(source)
    files = [(owners[0], path) for path, owners in claims.items() if len(owners) == 1]
    refused = [_claimed_twice(path, owners, folder) for path, owners in claims.items() if len(owners) > 1]
    return FoundFiles(tuple(files), tuple(unmatched), tuple(refused))


def _matches(root: Path, pattern: str) -> list[Path]:
    anchor = Path(Path(pattern).anchor)
    if Path(pattern).is_absolute():
        return sorted(anchor.glob(Path(pattern).relative_to(anchor).as_posix()))
    return sorted(root.glob(pattern))


def _claimed_twice(path: Path, owners: Sequence[Source], folder: PlantFolder) -> Refused:
    shown = shown_name(path, folder)
    names = " and ".join(f"sources/{s.name}.toml" for s in owners)
    problem = Problem(
        shown,
        "Two sources claim this file, so it is not loaded.",
        found=names,
        fix="Narrow the patterns in `files` of one of them, so that each file belongs to one source.",
    )
    return Refused(owners[0].name, shown, problem)
