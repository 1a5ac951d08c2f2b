"""Log files -> formats -> mapping -> store: the one place that knows the sequence."""

from __future__ import annotations

import hashlib
import os
import secrets
import shutil
from collections import deque
from collections.abc import Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Final, Literal

import polars as pl

from ingest.errors import InputError
from ingest.events import SCHEMA
from ingest.formats.base import Parse
from ingest.manifest import LoadedFile, Manifest, Part, paths_of, read_manifest, remove, write_manifest
from ingest.mapping import Context, Mapped, Mapping
from ingest.operators import operators_as
from ingest.plant_folder import PlantFolder, read_plant_folder
from ingest.progress import Progress, silent
from ingest.quarantine import empty_file, entries, torn
from ingest.raw import Block, RawFile, file_digest, unreadable
from ingest.source import Source, load_sources

MAPPING_VERSION: Final = "1"  # raise it when the same log and source file would give other events than before

State = Literal["loaded", "mapped anew", "already loaded"]


@dataclass(frozen=True, slots=True)
class FileResult:
    """What became of one file in this load; the counts of a file that was already loaded are those of its load."""

    record: LoadedFile
    state: State


@dataclass(frozen=True, slots=True)
class LoadSummary:
    """What a load did. For each file: lines = with_events + skipped + quarantined."""

    files: tuple[FileResult, ...]
    unmatched: tuple[str, ...]  # "source: pattern" of `files` patterns that found nothing

    @property
    def loaded(self) -> tuple[LoadedFile, ...]:
        """The files that this load brought in or mapped anew."""
        return tuple(f.record for f in self.files if f.state != "already loaded")

    def total(self, count: Literal["lines", "with_events", "skipped", "quarantined", "faults", "events"]) -> int:
        """Return the sum of one count over the files that this load brought in."""
        return sum(getattr(f, count) for f in self.loaded)


def load(
    plant: Path,
    sources: Sequence[str] | None = None,
    progress: Progress = silent,
    *,
    workers: int | None = None,
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
    results: list[FileResult] = []
    seen: dict[tuple[str, str], LoadedFile] = {}
    try:
        for source, path in found:
            recipe = recipe_of(source, folder)
            result = _load_file(
                source, path, folder, manifest, seen, recipe, incoming, progress, workers or _processors()
            )
            results.append(result)
            seen[source.name, result.record.digest] = result.record
        new = [r.record for r in results if r.state != "already loaded"]
        if new:
            _commit(folder.store, manifest, new, incoming)
    finally:
        shutil.rmtree(incoming, ignore_errors=True)
    return LoadSummary(tuple(results), tuple(unmatched))


def recipe_of(source: Source, folder: PlantFolder) -> str:
    """Return a short hash of all that decides how a source's lines become events, beside the lines themselves."""
    told = (MAPPING_VERSION, source.fingerprint, folder.zone, folder.day_start.isoformat(), folder.operators)
    return hashlib.sha256(repr(told).encode()).hexdigest()[:12]


def _processors() -> int:
    return max(1, min(os.cpu_count() or 1, 8))


def _files(folder: PlantFolder, sources: Sequence[Source]) -> tuple[list[tuple[Source, Path]], list[str]]:
    """Return the files of each source in a fixed order, and the patterns that found none."""
    found: list[tuple[Source, Path]] = []
    unmatched: list[str] = []
    for source in sources:
        paths: dict[Path, None] = {}
        for pattern in source.files:
            base, rest = (
                (Path(Path(pattern).anchor), Path(pattern).relative_to(Path(pattern).anchor))
                if Path(pattern).is_absolute()
                else (folder.root, Path(pattern))
            )
            matches = sorted(base.glob(str(rest)))
            if not matches:
                unmatched.append(f"{source.name}: {pattern}")
            paths |= dict.fromkeys(matches)
        found += [(source, path) for path in paths]
    return found, unmatched


def shown_name(path: Path, folder: PlantFolder) -> str:
    """Return a file's name as events and messages show it: relative to the plant folder where it lies inside."""
    try:
        return path.relative_to(folder.root).as_posix()
    except ValueError:
        return path.as_posix()


def _load_file(
    source: Source,
    path: Path,
    folder: PlantFolder,
    manifest: Manifest,
    seen: dict[tuple[str, str], LoadedFile],
    recipe: str,
    incoming: Path,
    progress: Progress,
    workers: int,
) -> FileResult:
    shown = shown_name(path, folder)
    if path.is_dir():
        raise InputError(
            "This is a folder, not a log file.", where=shown,
            fix=f"Write a pattern for the files in it in sources/{source.name}.toml, e.g. files = [\"{shown}/*\"].",
        )  # fmt: skip
    try:
        size = path.stat().st_size
    except OSError as err:
        raise unreadable(shown, err) from err
    before: LoadedFile | None = None
    if any(f.size == size for f in [*manifest.files, *seen.values()] if f.source == source.name):
        digest = file_digest(path, shown)
        earlier = seen.get((source.name, digest))
        if earlier:
            return FileResult(earlier, "already loaded")
        before = manifest.find(source.name, digest)
        if before and before.recipe == recipe:
            return FileResult(before, "already loaded")
    record = _Loading(source, path, shown, folder, recipe, incoming, workers).run(size, progress)
    return FileResult(record, "mapped anew" if before else "loaded")


class _Loading:
    """Loads one file: blocks are read one after the other, and parsed, mapped and written by a few threads."""

    def __init__(
        self, source: Source, path: Path, shown: str, folder: PlantFolder, recipe: str, incoming: Path, workers: int
    ) -> None:
        self.source, self.folder, self.recipe, self.workers = source, folder, recipe, workers
        self.raw = RawFile(path, shown, source.encoding)
        self.mapping = Mapping(source)
        self.context = Context(folder.zone, shown, operators_as(folder.operators, folder.root))
        self.incoming = incoming
        self.parts: list[Part] = []
        self.bad: list[pl.DataFrame] = []
        self.lines = self.with_events = self.skipped = self.events = self.faults = 0

    def run(self, size: int, progress: Progress) -> LoadedFile:
        shown, step = self.raw.shown, f"load {self.raw.shown}"
        folder = self.incoming / secrets.token_hex(6)
        folder.mkdir(parents=True)
        module = self.source.format_module()
        waiting: deque[Future[tuple[Mapped, list[Part]]]] = deque()
        parse: Parse | None = None
        last: Block | None = None
        with ThreadPoolExecutor(self.workers) as threads:
            try:
                for number, block in enumerate(module.blocks(self.raw, self.source.options)):
                    parse = parse or module.parser(
                        self.source.options, self.source.fields, self.mapping.typed, block, shown
                    )
                    if len(waiting) > self.workers:
                        self._take(waiting.popleft())
                    waiting.append(threads.submit(self._block, parse, block, folder / f"{number:06d}"))
                    self.lines += block.lines
                    last = block
                    progress(step, self.raw.bytes_read, size)
                while waiting:
                    self._take(waiting.popleft())
            finally:
                for future in waiting:
                    future.cancel()
        progress(step, size, size)
        bad = pl.concat(self.bad) if self.bad else empty_file().clear()
        if last is None:
            bad, self.faults = empty_file(), 1
        elif last.torn:
            bad = torn(bad, self.lines)
        return self._record(size, bad)

    def _block(self, parse: Parse, block: Block, stem: Path) -> tuple[Mapped, list[Part]]:
        """Parse, map and write one block; the events go to files named after `stem`."""
        records = parse(block)
        if block.bad is not None:
            records.bad = pl.concat([block.bad, records.bad])
        mapped = self.mapping.apply(records, self.context)
        parts = [
            part for cell, events in _by_cell(mapped.events) for part in _write_days(events, cell, self.folder, stem)
        ]
        return Mapped(mapped.events.clear(), mapped.bad, mapped.with_events, mapped.skipped), parts

    def _take(self, future: Future[tuple[Mapped, list[Part]]]) -> None:
        mapped, parts = future.result()
        self.with_events += mapped.with_events
        self.skipped += mapped.skipped
        self.events += sum(p.rows for p in parts)
        self.parts += parts
        if mapped.bad.height:
            self.bad.append(mapped.bad)

    def _record(self, size: int, bad: pl.DataFrame) -> LoadedFile:
        """Name what was written after the file's content, and count."""
        name = f"{self.source.name}-{self.raw.digest[:16]}-{self.recipe}"
        now = datetime.now(UTC).replace(microsecond=0).isoformat()
        quarantine = None
        if bad.height:
            quarantine = f"quarantine/{name}.parquet"
            target = self.incoming / quarantine
            target.parent.mkdir(parents=True, exist_ok=True)
            entries(bad, self.source.name, self.raw.shown, now).write_parquet(target)
        parts = []
        for n, part in enumerate(self.parts):
            path = f"events/{part.cell}/{part.day}/{name}-{n:05d}.parquet"
            target = self.incoming / path
            target.parent.mkdir(parents=True, exist_ok=True)
            Path(part.path).rename(target)
            parts.append(replace(part, path=path))
        quarantined = bad.height - self.faults
        assert self.lines == self.with_events + self.skipped + quarantined, "the lines of a file do not balance"
        return LoadedFile(
            self.source.name, self.raw.shown, self.raw.digest, self.recipe, size, self.lines, self.with_events,
            self.skipped, quarantined, self.faults, self.events, now, tuple(parts), quarantine,
        )  # fmt: skip


def _by_cell(events: pl.DataFrame) -> Iterator[tuple[str, pl.DataFrame]]:
    cells = events["cell"].unique().sort().to_list()
    if len(cells) == 1:
        yield cells[0], events
    else:
        for cell in cells:
            yield cell, events.filter(pl.col("cell") == cell)


def _write_days(events: pl.DataFrame, cell: str, folder: PlantFolder, stem: Path) -> Iterator[Part]:
    """Write the events of one cell, ordered by time, into one Parquet file per production day."""
    ts = events["ts_source"]
    row = 0
    while row < len(ts):
        day = folder.day_of(ts[row])
        end = int(ts.search_sorted(folder.day_starts_at(day + timedelta(days=1)), side="left"))
        end = max(end, row + 1)
        path = stem.with_name(f"{stem.name}-{cell}-{day}-{row}.parquet")
        events.slice(row, end - row).select(SCHEMA.names()).write_parquet(path, compression="zstd", compression_level=1)
        yield Part(cell, day, str(path), end - row)
        row = end


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


__all__ = ["FileResult", "LoadSummary", "date", "load"]
