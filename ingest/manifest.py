"""The store's manifest: which log files are in it, in which parts. A reader takes one and keeps it."""

from __future__ import annotations

import json
import os
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from datetime import date
from pathlib import Path
from typing import Any, Final

from ingest.errors import StoreError

VERSION: Final = 1


@dataclass(frozen=True, slots=True)
class Part:
    """One Parquet file of events of one cell and production day. `path` is relative to the store."""

    cell: str
    day: date
    path: str
    rows: int


@dataclass(frozen=True, slots=True)
class LoadedFile:
    """One log file that is in the store.

    lines = with_events + skipped + quarantined, always. `faults` counts what was wrong with the file as a whole.
    `recipe` stands for the source file and the plant's keys by which it was mapped.
    """

    source: str
    file: str
    digest: str
    recipe: str
    size: int
    lines: int
    with_events: int
    skipped: int
    quarantined: int
    faults: int
    events: int
    loaded_at: str
    parts: tuple[Part, ...] = ()
    quarantine: str | None = None


@dataclass(frozen=True, slots=True)
class Manifest:
    """All loaded files, ordered by source and digest. `retired`: parts that nobody needs any more from here on."""

    generation: int = 0
    files: tuple[LoadedFile, ...] = ()
    retired: tuple[str, ...] = ()

    def find(self, source: str, digest: str) -> LoadedFile | None:
        """Return the record of a file that is loaded for a source."""
        return next((f for f in self.files if (f.source, f.digest) == (source, digest)), None)

    def with_files(self, new: Sequence[LoadedFile]) -> Manifest:
        """Return the next manifest: new files added, those with the same source and content replaced."""
        keys = {(f.source, f.digest) for f in new}
        kept = [f for f in self.files if (f.source, f.digest) not in keys]
        gone = [f for f in self.files if (f.source, f.digest) in keys]
        still = {p for f in new for p in paths_of(f)}
        retired = tuple(sorted(p for f in gone for p in paths_of(f) if p not in still))
        files = tuple(sorted([*kept, *new], key=lambda f: (f.source, f.digest)))
        return replace(self, generation=self.generation + 1, files=files, retired=retired)


def paths_of(file: LoadedFile) -> list[str]:
    """Return all Parquet files that belong to a loaded file."""
    return [p.path for p in file.parts] + ([file.quarantine] if file.quarantine else [])


def read_manifest(folder: Path) -> Manifest:
    """Return the newest manifest of a store; an empty one when there is no store.

    Raises StoreError when it is broken or from another version.
    """
    for _ in range(5):
        paths = sorted(folder.glob("manifest-*.json"))
        if not paths:
            return Manifest()
        try:
            data = json.loads(paths[-1].read_bytes())
        except FileNotFoundError:
            continue  # a load has just put the next one in its place
        except (OSError, ValueError) as err:
            raise StoreError(f"The manifest cannot be read: {err}", where=str(paths[-1]), fix=_REBUILD) from err
        return _from_json(data, paths[-1])
    raise StoreError("The manifest changes all the time.", where=str(folder), fix="Try again.")


def write_manifest(folder: Path, manifest: Manifest) -> None:
    """Write a manifest under its number; it counts from the moment of its renaming.

    Raises StoreError when another load has written the same number in the meantime.
    """
    path = folder / f"manifest-{manifest.generation:08d}.json"
    new = folder / f"new-{os.getpid()}-{path.name}"
    text = json.dumps({"version": VERSION, **asdict(manifest)}, default=str, ensure_ascii=False, indent=1)
    with new.open("w", encoding="utf-8") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())
    try:
        if path.exists():
            raise FileExistsError(path)
        new.rename(path)
    except FileExistsError as err:
        new.unlink(missing_ok=True)
        raise StoreError("Another load has finished in the meantime.", where=str(folder), fix="Load again.") from err
    for old in folder.glob("manifest-*.json"):
        if old.name < path.name:
            remove(old)


def remove(path: Path) -> None:
    """Remove a file; one that is in use (Windows) stays, and is harmless."""
    try:
        path.unlink(missing_ok=True)
    except OSError:
        return


def _from_json(data: Any, path: Path) -> Manifest:
    version = data.get("version") if isinstance(data, dict) else None
    if version != VERSION:
        raise StoreError(
            "The store was written by another version.",
            where=str(path),
            found=str(version),
            allowed=str(VERSION),
            fix=_REBUILD,
        )
    files = tuple(
        LoadedFile(**{**f, "parts": tuple(Part(**{**p, "day": date.fromisoformat(p["day"])}) for p in f["parts"])})
        for f in data["files"]
    )
    return Manifest(data["generation"], files, tuple(data["retired"]))


_REBUILD = "Delete the store folder and load again: it can be rebuilt from the logs."
