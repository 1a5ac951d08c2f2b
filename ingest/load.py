"""Log files -> formats -> mapping -> store: the one place that knows the sequence."""

from __future__ import annotations

import contextlib
import hashlib
import os
import secrets
import shutil
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from functools import partial
from pathlib import Path
from typing import Final, Literal, cast

import polars as pl

from ingest import feeds
from ingest.commit import Batch, forget_interrupted
from ingest.content import Mark
from ingest.durable import told_when_full
from ingest.errors import InputError, Problem, TaktbookError
from ingest.feeds.base import PullingFeed
from ingest.find_files import Refused, find_files, shown_name
from ingest.known import NEW, Found, look_again, recognise
from ingest.load_file import Job, Reading, load_file
from ingest.lock import WAIT_S, one_load
from ingest.manifest import LoadedFile, Manifest, Name, log_folder, read_manifest
from ingest.plant_folder import PlantFolder, read_plant_folder
from ingest.progress import Progress, silent
from ingest.raw import Start, unreadable
from ingest.source import Source, load_sources

MAPPING_VERSION: Final = "2"  # raise it when the same log and source file would give other events than before
COMMIT_FILES: Final = 256
COMMIT_S: Final = 10.0
JUST_NOW_NS: Final = 2_000_000_000  # a file changed so shortly before it was read may have changed again unseen

State = Literal["loaded", "grew", "mapped anew", "already loaded"]
Count = Literal["lines", "with_events", "skipped", "quarantined", "faults", "events"]
COUNTS: Final[tuple[Count, ...]] = ("lines", "with_events", "skipped", "quarantined", "faults", "events")


@dataclass(frozen=True, slots=True)
class FileResult:
    """What became of one file in this load.

    record  the log as it stands in the store; it may have come under another name.
    counts  what this load brought in of it: all of it, the lines by which it grew, or nothing.
    """

    file: str
    state: State
    record: LoadedFile
    counts: dict[Count, int]


@dataclass(frozen=True, slots=True)
class DayResult:
    """A production day that got events. `reopened`: its facts had been made, and it is not the cell's newest day."""

    cell: str
    day: date
    events: int
    reopened: bool


@dataclass(frozen=True, slots=True)
class LoadSummary:
    """What a load did. For each file: lines = with_events + skipped + quarantined."""

    files: tuple[FileResult, ...]
    unmatched: tuple[str, ...]  # "source: pattern" of the patterns that found no file
    refused: tuple[Refused, ...] = ()
    days: tuple[DayResult, ...] = ()
    left: int = 0  # bytes at the ends of files that are still being written

    @property
    def loaded(self) -> tuple[LoadedFile, ...]:
        """The files that this load brought in, read on or mapped anew."""
        return tuple(f.record for f in self.files if f.state != "already loaded")

    def total(self, count: Count) -> int:
        """Return the sum of one count over what this load brought in."""
        return sum(f.counts[count] for f in self.files)


def load(
    plant: Path,
    sources: Sequence[str] | None = None,
    progress: Progress = silent,
    *,
    workers: int | None = None,
    wait_s: float = WAIT_S,
    settle_s: float = 0.0,
    again: bool = True,
) -> LoadSummary:
    """Load what is new in a plant's log files into its store.

    Takes    plant: the plant folder. sources: names of source files (all). workers: threads (one more than processors).
             wait_s: how long to wait for another load of this plant. settle_s: a last line without an end in a file
             that was written to so shortly ago is left for later. again: try refused files once more.
    Returns  the counts per file. A log whose content is in the store is not read again, under whatever name; one that
             has grown is read on from its last complete line. After a change of its source file a log is mapped anew
             and takes the place of what it gave before. Each file is loaded as a whole or not at all; one that cannot
             be used is refused, and the others are loaded.
    Raises   ConfigError, InputError (no such source) or StoreError (locked, full, broken).
    """
    folder = read_plant_folder(plant)
    chosen = load_sources(folder.sources, sources)
    return load_files(folder, chosen, progress, workers=workers, wait_s=wait_s, settle_s=settle_s, again=again)


def load_files(
    folder: PlantFolder,
    sources: Sequence[Source],
    progress: Progress = silent,
    *,
    workers: int | None = None,
    wait_s: float = WAIT_S,
    settle_s: float = 0.0,
    again: bool = True,
) -> LoadSummary:
    """Load what is new for source files that have been read already; see `load`."""
    with told_when_full(folder.store), one_load(folder.store, wait_s, progress):
        run = _Run(folder, _workers(workers), progress, settle_s, again)
        try:
            run.all_of(sources)
        except BaseException:
            with contextlib.suppress(OSError, TaktbookError):  # else the next load does it
                forget_interrupted(folder.store, read_manifest(folder.store))
            raise
        run.tidy_up()
    return run.summary()


def _workers(asked: int | None) -> int:
    """Return how many threads work on blocks: one more than there are processors, as one may wait for the disk."""
    return asked or max(2, min((os.cpu_count() or 1) + 1, 8))


def recipe_of(source: Source, folder: PlantFolder) -> str:
    """Return a short hash of all that decides how a source's lines become events, beside the lines themselves."""
    told = (MAPPING_VERSION, source.fingerprint, folder.zone, folder.day_start.isoformat(), folder.operators)
    return hashlib.sha256(repr(told).encode()).hexdigest()[:12]


class _Run:
    """One load under way: knows what is in the store and what it has read itself."""

    def __init__(self, folder: PlantFolder, workers: int, progress: Progress, settle_s: float, again: bool) -> None:
        self.folder, self.workers, self.progress = folder, workers, progress
        self.settle_s, self.again = settle_s, again
        self.incoming = folder.store / "incoming" / secrets.token_hex(4)
        manifest = _newest(folder.store)
        forget_interrupted(folder.store, manifest)
        self.batch = Batch(folder.store, manifest, self.incoming)
        self.results: list[FileResult] = []
        self.refused: list[Refused] = []
        self.unmatched: tuple[str, ...] = ()
        self.left = 0
        self.committed_s = time.monotonic()

    def all_of(self, sources: Sequence[Source]) -> None:
        """Fetch, find and load the files of some sources."""
        for source in sources:
            feed = feeds.BY_NAME.get(source.feed or "")
            if isinstance(feed, PullingFeed):
                pull = partial(feed.pull, source.name, source.receive, self.folder, self.progress)
                self._or_refused(source, f"sources/{source.name}.toml", pull)
        found = find_files(self.folder, sources)
        self.unmatched = found.unmatched
        self.refused += found.refused
        for source, path in found.files:
            shown = shown_name(path, self.folder)
            self._or_refused(source, shown, partial(self.file, source, path, shown))
            if len(self.batch.change.files) >= COMMIT_FILES or time.monotonic() - self.committed_s > COMMIT_S:
                self.commit()
        self.commit(compact=True)

    def commit(self, compact: bool = False) -> None:
        """Let what was read so far count."""
        self.batch.commit(compact)
        if mark := _mark(self.folder.store, self.batch.manifest):
            _NEWEST[self.folder.store] = (self.batch.manifest, mark)
        self.committed_s = time.monotonic()

    def tidy_up(self) -> None:
        """Remove the folder of what did not count yet: as long as it is there, a load was interrupted."""
        shutil.rmtree(self.incoming, ignore_errors=True)
        with contextlib.suppress(OSError):
            self.incoming.parent.rmdir()

    def _or_refused(self, source: Source, shown: str, step: Callable[[], object]) -> None:
        try:
            step()
        except InputError as err:
            self._refuse(source, shown, err)
        except (TaktbookError, OSError):
            raise
        except (Exception, pl.exceptions.PanicException) as err:  # a load of a whole plant must not end for it
            fault = InputError(
                "Reading it failed in a way that nobody foresaw.", where=shown, found=f"{type(err).__name__}: {err}",
                fix="This is a fault of taktbook: please report it, with the file. The others are loaded.",
            )  # fmt: skip
            self._refuse(source, shown, fault)

    def _refuse(self, source: Source, shown: str, err: TaktbookError) -> None:
        self.refused.append(Refused(source.name, shown, err.problem))
        seen = self.batch.manifest.by_path.get(shown)
        status = _status(self.folder.root / shown)
        if status is None or (seen and seen.problem == err.problem.message and (seen.size, seen.mtime_ns) == status):
            return
        name = Name(shown, *status, time.time_ns(), 0, recipe_of(source, self.folder), err.problem.message)
        self.batch.change.names[shown] = name

    def file(self, source: Source, path: Path, shown: str) -> None:
        """Load what is new in one file."""
        if path.is_dir():
            fix = f'Write a pattern for the files in it in sources/{source.name}.toml, e.g. files = ["{shown}/*"].'
            raise InputError("This is a folder, not a log file.", where=shown, fix=fix)
        status = _status(path)
        if status is None:
            raise unreadable(shown, FileNotFoundError(2, "it is gone"))
        recipe, now = recipe_of(source, self.folder), time.time_ns()
        name = self.batch.name(shown)
        unchanged = name is not None and (name.size, name.mtime_ns) == status
        if name and unchanged and not name.id and not self.again and name.recipe == recipe:
            problem = Problem(shown, name.problem, fix="It is tried again when it has changed.")
            self.refused.append(Refused(source.name, shown, problem))
            return
        found = self._found(source, path, shown, name, unchanged and name is not None and _quiet(name))
        record = found.record
        settled = now - status[1] >= self.settle_s * 1e9
        if record and record.recipe != recipe:
            self._read(source, path, shown, recipe, record, None, settled)
        elif found.what == "same" and record:
            self.results.append(FileResult(shown, "already loaded", record, dict.fromkeys(COUNTS, 0)))
        elif record and source.format_module().LINES and source.encoding != "utf-16":
            self._read(source, path, shown, recipe, record, _behind(record), settled)
        else:
            record = None
            self._read(source, path, shown, recipe, None, None, settled)
        last = self.results[-1].record if self.results and self.results[-1].file == shown else record
        if last and (not unchanged or (name and name.id != last.id)):
            self.batch.change.names[shown] = Name(shown, *status, now, last.id)

    def _found(self, source: Source, path: Path, shown: str, name: Name | None, quiet: bool) -> Found:
        """Ask what the file is to the store; the way depends on what is known of its name."""
        record = self.batch.file(name.id) if name else None
        if record and record.source == source.name:
            if quiet:
                return Found("same", record)
            if not record.full_size:  # it was empty
                return Found("grown" if path.stat().st_size else "same", record)
            if found := look_again(path, shown, record):
                return found
        if not path.stat().st_size:
            return NEW
        return recognise(path, shown, lambda head: self.batch.like(source.name, head))

    def _read(
        self,
        source: Source,
        path: Path,
        shown: str,
        recipe: str,
        old: LoadedFile | None,
        start: Start | None,
        settled: bool,
    ) -> None:
        """Read a file, or what is new in it, and put it into the batch."""
        if old and self.batch.touches(old.id):
            self.commit()
        known_as = old.file if old else self.batch.free_name(shown)
        temp = self.incoming / f"{len(self.results):06d}-{secrets.token_hex(4)}"
        temp.mkdir(parents=True)
        reading = load_file(Job(source, path, known_as, start, settled), self.folder, temp, self.workers, self.progress)
        if not settled:
            self.left += max(path.stat().st_size - reading.full_size, 0)
        nothing_new = not reading.lines and (start is not None or not settled)
        if nothing_new:
            shutil.rmtree(temp, ignore_errors=True)
            if old:
                self.results.append(FileResult(shown, "already loaded", old, dict.fromkeys(COUNTS, 0)))
            return
        record = _record(reading, source, known_as, recipe, old, start)
        record = self.batch.add(record, reading.parts, old, keep=start is not None)
        state: State = "loaded" if old is None else "grew" if old.recipe == recipe else "mapped anew"
        counts = {count: getattr(record, count) - (getattr(old, count) if state == "grew" else 0) for count in COUNTS}
        self.results.append(FileResult(shown, state, record, counts))

    def summary(self) -> LoadSummary:
        """Return what was done."""
        days = tuple(
            DayResult(cell, day, rows, self.batch.reopened(cell, day))
            for (cell, day), rows in sorted(self.batch.days.items())
        )
        return LoadSummary(tuple(self.results), self.unmatched, tuple(self.refused), days, self.left)


def _record(
    reading: Reading, source: Source, shown: str, recipe: str, old: LoadedFile | None, start: Start | None
) -> LoadedFile:
    """Return the log's record after a reading: of the whole of it, or of the lines by which it grew."""
    now = datetime.now(UTC).isoformat(timespec="seconds")
    counts = {count: getattr(reading, count) for count in COUNTS}
    if old and start:
        base = {count: getattr(old, count) for count in COUNTS}
        if old.torn:  # the line that had no end is read again
            base["lines"] -= 1
            base[cast(Count, old.torn)] -= 1
            base["events"] -= old.torn_events
        base["faults"] = 0
        counts = {count: base[count] + counts[count] for count in COUNTS}
    known_head = old is not None and start is not None and old.head_size > 0
    return LoadedFile(
        id=old.id if old else 0,
        source=source.name,
        file=shown,
        recipe=recipe,
        head_size=old.head_size if old and known_head else reading.head_size,
        head=old.head if old and known_head else reading.head,
        size=reading.size,
        digest=reading.digest,
        full_size=reading.full_size,
        full_digest=reading.full_digest,
        mark_pieces=reading.mark_pieces,
        mark_link=reading.mark_link,
        **counts,
        loaded_at=now,
        torn=reading.torn,
        torn_events=reading.torn_events,
    )


def _behind(record: LoadedFile) -> Start | None:
    """Return where a log that grew is read on; None for the front."""
    if not record.size:
        return None
    lines = record.lines - (1 if record.torn else 0)
    return Start(record.size, lines, Mark(record.mark_pieces, record.mark_link))


def _status(path: Path) -> tuple[int, int] | None:
    """Return size and time of change."""
    try:
        status = path.stat()
    except OSError:
        return None
    return status.st_size, status.st_mtime_ns


def _quiet(name: Name) -> bool:
    """Was the file, when it was last looked at, so long unchanged that its time of change can be trusted?"""
    return name.seen_ns - name.mtime_ns > JUST_NOW_NS


# So that a load every second need not read years of the manifest; a state counts while its change is the same file.
_NEWEST: Final[dict[Path, tuple[Manifest, tuple[int, int]]]] = {}


def _newest(store: Path) -> Manifest:
    manifest, mark = _NEWEST.get(store, (None, None))
    return read_manifest(store, manifest if manifest and mark == _mark(store, manifest) else None)


def _mark(store: Path, manifest: Manifest) -> tuple[int, int] | None:
    return _status(log_folder(store) / f"{manifest.generation:08d}.json")


__all__ = ["COUNTS", "DayResult", "FileResult", "LoadSummary", "load", "recipe_of", "shown_name"]
