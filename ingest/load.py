"""Log files -> formats -> mapping -> store: the one place that knows the sequence."""

from __future__ import annotations

import hashlib
import os
import secrets
import shutil
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Literal

from ingest.errors import InputError
from ingest.load_file import load_file
from ingest.manifest import LoadedFile, Manifest, paths_of, read_manifest, remove, write_manifest
from ingest.plant_folder import PlantFolder, read_plant_folder
from ingest.progress import Progress, silent
from ingest.raw import file_digest, unreadable
from ingest.source import Source, load_sources

MAPPING_VERSION: Final = "2"  # raise it when the same log and source file would give other events than before

State = Literal["loaded", "mapped anew", "already loaded"]
Count = Literal["lines", "with_events", "skipped", "quarantined", "faults", "events"]


@dataclass(frozen=True, slots=True)
class FileResult:
    """What became of one file in this load. A file that is "already loaded" shows the counts of its load then, which
    may have been under another name.
    """

    file: str
    state: State
    record: LoadedFile


@dataclass(frozen=True, slots=True)
class LoadSummary:
    """What a load did. For each file: lines = with_events + skipped + quarantined."""

    files: tuple[FileResult, ...]
    unmatched: tuple[str, ...]  # "source: pattern" of the patterns that found no file

    @property
    def loaded(self) -> tuple[LoadedFile, ...]:
        """The files that this load brought in or mapped anew."""
        return tuple(f.record for f in self.files if f.state != "already loaded")

    def total(self, count: Count) -> int:
        """Return the sum of one count over the files that this load brought in."""
        return sum(getattr(f, count) for f in self.loaded)


def load(
    plant: Path, sources: Sequence[str] | None = None, progress: Progress = silent, *, workers: int | None = None
) -> LoadSummary:
    """Load all new log files of a plant folder into its store; all of them, or on any error none.

    Takes    plant: the plant folder. sources: names of source files (all). workers: threads (one per processor).
    Returns  the counts per file. Files whose content is in the store already are not read again, unless the source
             file has changed since: then they are mapped anew and take the place of what they gave before.
    Raises   ConfigError, InputError or StoreError; the store is then as it was.
    """
    folder = read_plant_folder(plant)
    chosen = load_sources(folder.sources, sources)
    found, unmatched = _files(folder, chosen)
    manifest = read_manifest(folder.store)
    incoming = folder.store / "incoming" / secrets.token_hex(8)
    run = _Run(folder, manifest, incoming, workers or max(1, min(os.cpu_count() or 1, 8)), progress)
    try:
        results = [run.file(source, path) for source, path in found]
        new = [r.record for r in results if r.state != "already loaded"]
        if new:
            _commit(folder.store, manifest, new, incoming)
    finally:
        shutil.rmtree(incoming, ignore_errors=True)
        _remove_empty(incoming.parent)
        _remove_empty(folder.store)
    return LoadSummary(tuple(results), tuple(unmatched))


def recipe_of(source: Source, folder: PlantFolder) -> str:
    """Return a short hash of all that decides how a source's lines become events, beside the lines themselves."""
    told = (MAPPING_VERSION, source.fingerprint, folder.zone, folder.day_start.isoformat(), folder.operators)
    return hashlib.sha256(repr(told).encode()).hexdigest()[:12]


def shown_name(path: Path, folder: PlantFolder) -> str:
    """Return a file's name as events and messages show it: relative to the plant folder where it lies inside."""
    try:
        return path.relative_to(folder.root).as_posix()
    except ValueError:
        return path.as_posix()


class _Run:
    """One load under way: knows what is in the store and what it has read itself."""

    def __init__(
        self, folder: PlantFolder, manifest: Manifest, incoming: Path, workers: int, progress: Progress
    ) -> None:
        self.folder, self.manifest, self.incoming = folder, manifest, incoming
        self.workers, self.progress = workers, progress
        self.seen: dict[tuple[str, str], LoadedFile] = {}

    def file(self, source: Source, path: Path) -> FileResult:
        """Load one file unless its content is in the store already."""
        shown = shown_name(path, self.folder)
        recipe = recipe_of(source, self.folder)
        known = self._known(source, path, shown)
        if known and known.recipe == recipe:
            return FileResult(shown, "already loaded", known)
        record = load_file(source, path, shown, self.folder, recipe, self.incoming, self.workers, self.progress)
        self.seen[source.name, record.digest] = record
        return FileResult(shown, "mapped anew" if known else "loaded", record)

    def _known(self, source: Source, path: Path, shown: str) -> LoadedFile | None:
        """Return the record of the same content for the same source; a file of a new size need not be hashed for it."""
        if path.is_dir():
            fix = f'Write a pattern for the files in it in sources/{source.name}.toml, e.g. files = ["{shown}/*"].'
            raise InputError("This is a folder, not a log file.", where=shown, fix=fix)
        try:
            size = path.stat().st_size
        except OSError as err:
            raise unreadable(shown, err) from err
        records = [*self.manifest.files, *self.seen.values()]
        if not any((f.source, f.size) == (source.name, size) for f in records):
            return None
        digest = file_digest(path, shown)
        return self.seen.get((source.name, digest)) or self.manifest.find(source.name, digest)


def _files(folder: PlantFolder, sources: Sequence[Source]) -> tuple[list[tuple[Source, Path]], list[str]]:
    """Return the files of each source in a fixed order, and the patterns that found none."""
    found: list[tuple[Source, Path]] = []
    unmatched: list[str] = []
    for source in sources:
        paths: dict[Path, None] = {}
        for pattern in source.files:
            anchor = Path(Path(pattern).anchor)
            absolute = Path(pattern).is_absolute()
            matches = sorted(
                anchor.glob(Path(pattern).relative_to(anchor).as_posix()) if absolute else folder.root.glob(pattern)
            )
            if not matches:
                unmatched.append(f"{source.name}: {pattern}")
            paths |= dict.fromkeys(matches)
        found += [(source, path) for path in paths]
    return found, unmatched


def _commit(store: Path, manifest: Manifest, new: Sequence[LoadedFile], incoming: Path) -> None:
    """Move what was written to its place, then let the next manifest name it."""
    following = manifest.with_files(new)
    for path in [path for f in new for path in paths_of(f)]:
        target = store / path
        target.parent.mkdir(parents=True, exist_ok=True)
        os.replace(incoming / path, target)
    write_manifest(store, following)
    needed = {path for f in following.files for path in paths_of(f)}
    for path in manifest.retired:  # retired by the load before this one: readers have had time to let go of them
        if path not in needed:
            remove(store / path)


def _remove_empty(folder: Path) -> None:
    try:
        folder.rmdir()
    except OSError:
        return
