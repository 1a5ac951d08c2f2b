"""The files of a log: turned over at local midnight, some with planted faults, some compressed."""

from __future__ import annotations

import gzip
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import groupby
from pathlib import Path

import zstandard

from sample_logs.generator.dialects import Dialect, Line

# Per source: how the files of its 1st, 2nd, 3rd ... day are packed; the last holds for all others.
PACKED = {
    "robots": (".zst", ".zst", ".zst", ".gz", ".zst"),
    "press": (".gz",),
    "cellplc": (".zst",),
    "gauge": (".gz", ".gz", ".gz", ""),
    "line": (".zst", ".zst", ".gz", ".zst"),
    "tester": (".gz", ".gz", "", ".gz"),
}
# Source -> day (index of the file) -> garbage lines put in.
GARBAGE: dict[str, dict[int, tuple[str, ...]]] = {
    "robots": {1: ("@@@@ link restart 0x00FF @@@@", "24.10.2026 11:1")},
    "press": {0: ("t=17930", "ev=??? part=")},
    "cellplc": {2: ("2026-10-25 12:00:00,000;",)},
    "gauge": {1: ('{"time":"2026-10-24T10:00:00.1',)},
    "line": {0: ("?\t?\t?", "2026-10-23T1")},
    "tester": {1: ("~~~~",)},
}
TORN = {"robots": {1: "24.10.2026 23:59:5"}, "tester": {1: 'time="2026-10-24T21:5'}, "line": {1: "2026-10-24T23:5"}}
# Source -> day -> (share of the file where the repeated block begins, its lines).
DUPLICATES: dict[str, dict[int, tuple[float, int]]] = {
    "robots": {2: (0.5, 7), 0: (0.3, 2)},
    "cellplc": {1: (0.4, 4)},
    "gauge": {1: (0.7, 3)},
    "line": {0: (0.6, 5)},
    "press": {2: (0.2, 3)},
}
BYTE_ORDER_MARK = {("cellplc", 1)}
CARRIAGE_RETURN = {("press", 1)}
CP1252 = {("cellplc", 2)}


@dataclass(frozen=True, slots=True)
class Written:
    """What was put into one file."""

    source: str
    file: str
    lines: int
    header_lines: int
    bad_lines: int
    duplicate_lines: int
    alive_lines: int
    events: int  # of all good lines, duplicates included, heartbeats not
    duplicate_events: int


def write_source(
    folder: Path, source: str, dialect: Dialect, lines: Iterable[Line], faults: bool, level: int
) -> list[Written]:
    """Write all files of one source, compressed to `level`, and return what was written, in order."""
    folder.mkdir(parents=True, exist_ok=True)
    for old in folder.glob(f"{source}-????-??-??.*"):
        old.unlink()  # packed another way by an earlier run
    found = []
    for day, (date, group) in enumerate(groupby(lines, key=lambda line: line.date)):
        packed = PACKED[dialect.source]
        name = f"{source}-{date}.{dialect.suffix}{packed[min(day, len(packed) - 1)]}"
        found.append(_write_file(folder / name, source, dialect, list(group), day, faults, level))
    return found


def _write_file(
    path: Path, source: str, dialect: Dialect, lines: list[Line], day: int, faults: bool, level: int
) -> Written:
    base = dialect.source
    at, count = DUPLICATES.get(base, {}).get(day, (0.0, 0)) if faults else (0.0, 0)
    first = int(len(lines) * at)
    again = lines[first : first + count]
    lines[first + count : first + count] = again
    texts = [line.text for line in lines]
    garbage = GARBAGE.get(base, {}).get(day, ()) if faults else ()
    for i, bad in enumerate(garbage):
        texts.insert(len(texts) * (i + 1) // (len(garbage) + 2), bad)
    torn = TORN.get(base, {}).get(day, "") if faults else ""
    header = [dialect.header] if dialect.header else []
    plain = faults and (base, day) in CP1252
    end = "\r\n" if faults and (base, day) in CARRIAGE_RETURN else "\n"
    data = "".join(text + end for text in header + texts).encode("cp1252" if plain else "utf-8")
    if faults and (base, day) in BYTE_ORDER_MARK:
        data = b"\xef\xbb\xbf" + data
    _pack(path, data + torn.encode(), level)
    return Written(
        source,
        f"inbox/{source}/{path.name}",
        len(header) + len(texts) + bool(torn),
        len(header),
        len(garbage) + bool(torn),
        len(again),
        sum(line.alive for line in lines),
        sum(line.events for line in lines),
        sum(line.events for line in again),
    )


def _pack(path: Path, data: bytes, level: int) -> None:
    if path.suffix == ".gz":
        data = gzip.compress(data, min(level, 9), mtime=0)
    elif path.suffix == ".zst":
        data = zstandard.ZstdCompressor(level=level).compress(data)
    path.write_bytes(data)
