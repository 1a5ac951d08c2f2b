"""One log file -> Parquet parts under a temporary folder: each block is parsed, mapped and written by a thread."""

from __future__ import annotations

import secrets
from collections import deque
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import polars as pl

from ingest.errors import InputError
from ingest.event_file import write_events
from ingest.formats.base import Parse
from ingest.manifest import LoadedFile, Part
from ingest.mapping import Context, Mapping
from ingest.operators import operators_as
from ingest.plant_folder import PlantFolder
from ingest.progress import Progress
from ingest.quarantine import QuarantineFile
from ingest.raw import Block, RawFile, unreadable
from ingest.source import Source


@dataclass(frozen=True, slots=True)
class BlockDone:
    """What became of one block: the parts written, the bad lines, and how many lines went which way."""

    parts: list[Part]
    bad: pl.DataFrame
    with_events: int
    skipped: int


def load_file(
    source: Source,
    path: Path,
    shown: str,
    folder: PlantFolder,
    recipe: str,
    incoming: Path,
    workers: int,
    progress: Progress,
) -> LoadedFile:
    """Read, map and write one file below `incoming`; at most `workers` + 1 blocks are in memory at a time.

    Returns  the file's record; its paths are below `incoming` what they are to be below the store.
    Raises   InputError when the file cannot be used.
    """
    try:
        size = path.stat().st_size
    except OSError as err:
        raise unreadable(shown, err) from err
    raw = RawFile(path, shown, source.encoding)
    mapping = Mapping(source)
    context = Context(folder.zone, shown, operators_as(folder.operators, folder.root))
    module = source.format_module()
    temp = incoming / secrets.token_hex(6)
    temp.mkdir(parents=True)
    counts = _Counts(QuarantineFile(temp / "quarantine.parquet", source.name, shown))
    waiting: deque[Future[BlockDone]] = deque()
    parse: Parse | None = None
    torn = False
    with ThreadPoolExecutor(workers) as threads:
        try:
            for number, block in enumerate(module.blocks(raw, source.options)):
                parse = parse or module.parser(source.options, source.fields, mapping.typed, block, shown)
                if len(waiting) > workers:
                    counts.take(waiting.popleft().result())
                stem = temp / f"{number:06d}"
                waiting.append(threads.submit(_do_block, parse, block, mapping, context, folder, stem))
                counts.lines += block.lines
                torn = block.torn
                progress(f"load {shown}", min(raw.bytes_read, size), size)
            while waiting:
                counts.take(waiting.popleft().result())
        finally:
            for future in waiting:
                future.cancel()
            counts.quarantine.close(torn_line=counts.lines if torn else None, empty=not counts.lines)
    progress(f"load {shown}", size, size)
    return _named(counts, source, shown, raw.digest, recipe, size, incoming)


class _Counts:
    """Adds up what became of the blocks of a file."""

    def __init__(self, quarantine: QuarantineFile) -> None:
        self.quarantine = quarantine
        self.parts: list[Part] = []
        self.lines = self.with_events = self.skipped = 0

    def take(self, done: BlockDone) -> None:
        self.with_events += done.with_events
        self.skipped += done.skipped
        self.parts += done.parts
        self.quarantine.add(done.bad)


def _do_block(
    parse: Parse, block: Block, mapping: Mapping, context: Context, folder: PlantFolder, stem: Path
) -> BlockDone:
    """Parse, map and write one block; the events go to files named after `stem`."""
    records = parse(block)
    if block.bad is not None:
        records.bad = pl.concat([block.bad, records.bad])
    mapped = mapping.apply(records, context)
    runs: dict[tuple[str, date], list[pl.DataFrame]] = {}
    for events in mapped.runs:
        for cell, of_cell in _cells(events):
            for day, of_day in _days(of_cell, folder):
                runs.setdefault((cell, day), []).append(of_day)
    parts: list[Part] = []
    for (cell, day), frames in sorted(runs.items(), key=lambda item: item[0]):
        path = stem.with_name(f"{stem.name}-{cell}-{day}.parquet")
        write_events(frames, path)
        parts.append(Part(cell, day, str(path), sum(f.height for f in frames)))
    return BlockDone(parts, mapped.bad, mapped.with_events, mapped.skipped)


def _cells(events: pl.DataFrame) -> Iterator[tuple[str, pl.DataFrame]]:
    cells = events["cell"].unique().to_list()
    if len(cells) == 1:
        yield cells[0], events
    else:
        for cell in cells:
            yield cell, events.filter(pl.col("cell") == cell)


def _days(events: pl.DataFrame, folder: PlantFolder) -> Iterator[tuple[date, pl.DataFrame]]:
    """Cut events, which are ordered by time, at the starts of the production days."""
    ts = events["ts_source"]
    row = 0
    while row < len(ts):
        day = folder.day_of(ts[row])
        end = max(int(ts.search_sorted(folder.day_starts_at(day + timedelta(days=1)), side="left")), row + 1)
        yield day, events.slice(row, end - row)
        row = end


def _named(
    counts: _Counts, source: Source, shown: str, digest: str, recipe: str, size: int, incoming: Path
) -> LoadedFile:
    """Name what was written after the file's content, and count."""
    name = f"{source.name}-{digest[:16]}-{recipe}"
    quarantine = None
    if counts.quarantine.rows or counts.quarantine.faults:
        quarantine = f"quarantine/{name}.parquet"
        _move(counts.quarantine.path, incoming / quarantine)
    parts = []
    for n, part in enumerate(counts.parts):
        path = f"events/{part.cell}/{part.day}/{name}-{n:05d}.parquet"
        _move(Path(part.path), incoming / path)
        parts.append(replace(part, path=path))
    done = LoadedFile(
        source.name,
        shown,
        digest,
        recipe,
        size,
        lines=counts.lines,
        with_events=counts.with_events,
        skipped=counts.skipped,
        quarantined=counts.quarantine.rows,
        faults=counts.quarantine.faults,
        events=sum(part.rows for part in parts),
        loaded_at=datetime.now(UTC).replace(microsecond=0).isoformat(),
        parts=tuple(parts),
        quarantine=quarantine,
    )
    if done.lines != done.with_events + done.skipped + done.quarantined:
        raise InputError(
            f"The lines do not balance: {done}", where=shown, fix="This is a fault of taktbook; please report it."
        )
    return done


def _move(old: Path, new: Path) -> None:
    new.parent.mkdir(parents=True, exist_ok=True)
    old.rename(new)
