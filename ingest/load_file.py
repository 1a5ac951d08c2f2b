"""One log file -> Parquet parts under a temporary folder: each block is parsed, mapped and written by a thread."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field
from datetime import date, timedelta
from pathlib import Path

import polars as pl

from ingest.content import HEAD, ContentHash, head_of
from ingest.durable import told_when_full
from ingest.errors import InputError
from ingest.event_file import write_events
from ingest.formats.base import Parse
from ingest.mapping import Context, Mapping
from ingest.operators import operators_as
from ingest.plant_folder import PlantFolder
from ingest.progress import Progress
from ingest.quarantine import EMPTY_FILE, TORN, QuarantineFile
from ingest.raw import Block, RawFile, Start, unreadable
from ingest.source import Source


@dataclass(frozen=True, slots=True)
class NewPart:
    """A Parquet file that was written: events of a cell and day, or (both None) bad lines."""

    cell: str | None
    day: date | None
    rows: int
    path: Path
    torn: bool = False


@dataclass(frozen=True, slots=True)
class BlockDone:
    """What became of one block: the parts written, the bad lines, and how many lines went which way."""

    parts: list[NewPart]
    bad: pl.DataFrame
    with_events: int
    skipped: int


@dataclass(slots=True)
class Reading:
    """What became of a file, or of the lines by which it has grown: lines = with_events + skipped + quarantined.

    `torn`: what became of a last line without an end ("with_events", "skipped", "quarantined"; "" when there is none).
    """

    parts: list[NewPart] = field(default_factory=list)
    lines: int = 0
    with_events: int = 0
    skipped: int = 0
    quarantined: int = 0
    faults: int = 0
    events: int = 0
    torn: str = ""
    torn_events: int = 0
    head: str = ""
    head_size: int = 0
    size: int = 0
    digest: str = ""
    full_size: int = 0
    full_digest: str = ""
    mark_pieces: int = 0
    mark_link: str = ""


@dataclass(frozen=True, slots=True)
class Job:
    """One file to be read: how events name it, and where to begin (None: at its front)."""

    source: Source
    path: Path
    shown: str
    start: Start | None = None
    torn: bool = True  # false: a last line without an end is left for later


def load_file(job: Job, folder: PlantFolder, temp: Path, workers: int, progress: Progress) -> Reading:
    """Read, map and write one file below `temp`; at most `workers` + 1 blocks are in memory at a time.

    Raises InputError when the file cannot be used, StoreError when what it gives cannot be written.
    """
    source, shown = job.source, job.shown
    try:
        size = job.path.stat().st_size
    except OSError as err:
        raise unreadable(shown, err) from err
    raw = RawFile(job.path, shown, source.encoding, start=job.start, torn=job.torn)
    mapping = Mapping(source)
    context = Context(folder.zone, shown, operators_as(folder.operators, folder.root))
    module = source.format_module()
    done = Reading()
    bad, torn_bad = (QuarantineFile(temp / f"{name}.parquet", source.name, shown) for name in ("bad", "torn"))
    waiting: deque[Future[BlockDone]] = deque()
    parse: Parse | None = None
    if job.start:
        head = next(RawFile(job.path, shown, source.encoding, 1 << 16).blocks())
        parse = module.parser(source.options, source.fields, mapping.typed, head, shown)
    with told_when_full(folder.store), ThreadPoolExecutor(workers) as threads:
        try:
            for number, block in enumerate(module.blocks(raw, source.options)):
                parse = parse or module.parser(source.options, source.fields, mapping.typed, block, shown)
                if len(waiting) > workers:
                    _take(done, waiting.popleft().result(), bad)
                stem = temp / f"{number:06d}"
                if block.torn:
                    _take_torn(done, _do_block(parse, block, mapping, context, folder, stem), torn_bad)
                else:
                    waiting.append(threads.submit(_do_block, parse, block, mapping, context, folder, stem))
                done.lines += block.lines
                progress(f"load {shown}", min(raw.bytes_read, size), size)
            while waiting:
                _take(done, waiting.popleft().result(), bad)
            if not done.lines and not job.start:
                torn_bad.about_file(EMPTY_FILE)
                done.faults = 1
        finally:
            for future in waiting:
                future.cancel()
            for file in (bad, torn_bad):
                file.close()
        for file, torn in ((bad, False), (torn_bad, True)):
            if file.written:
                done.parts.append(NewPart(None, None, file.written, file.path, torn))
    progress(f"load {shown}", size, size)
    if done.lines != done.with_events + done.skipped + done.quarantined:
        fix = "This is a fault of taktbook; please report it."
        raise InputError(f"The lines do not balance: {done.lines} lines", where=shown, fix=fix)
    _identify(done, raw, job, module.LINES)
    return done


def _identify(done: Reading, raw: RawFile, job: Job, of_lines: bool) -> None:
    """Note by what the content is known again."""
    if not of_lines or job.source.encoding == "utf-16":  # then it cannot be read on from the middle
        raw.hash, raw.head = ContentHash(), b""
        with raw.content() as stream:
            while data := stream.read(1 << 20):
                raw.hash.update(data)
                raw.head += data[: HEAD - len(raw.head)]
        raw.whole_size = raw.hash.size
    done.head, done.head_size = head_of(raw.head), len(raw.head)
    done.size, done.digest = raw.whole_size, raw.digest_of(raw.whole_size)
    if not job.torn:
        done.full_size, done.full_digest = done.size, done.digest
    else:
        done.full_size, done.full_digest = raw.hash.size, raw.hash.digest()
    mark = raw.hash.mark(raw.whole_size)
    done.mark_pieces, done.mark_link = mark.pieces, mark.link


def _take(done: Reading, block: BlockDone, quarantine: QuarantineFile) -> None:
    done.with_events += block.with_events
    done.skipped += block.skipped
    done.quarantined += block.bad.height
    done.events += sum(part.rows for part in block.parts)
    done.parts += block.parts
    quarantine.add(block.bad)


def _take_torn(done: Reading, block: BlockDone, quarantine: QuarantineFile) -> None:
    bad = block.bad.with_columns(reason=pl.lit(TORN)) if block.bad.height else block.bad
    parts = [NewPart(p.cell, p.day, p.rows, p.path, True) for p in block.parts]
    before = done.events
    _take(done, BlockDone(parts, bad, block.with_events, block.skipped), quarantine)
    done.torn = "with_events" if block.with_events else "skipped" if block.skipped else "quarantined"
    done.torn_events = done.events - before


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
    parts: list[NewPart] = []
    for (cell, day), frames in sorted(runs.items(), key=lambda item: item[0]):
        path = stem.with_name(f"{stem.name}-{cell}-{day}.parquet")
        write_events(frames, path)
        parts.append(NewPart(cell, day, sum(f.height for f in frames), path))
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
