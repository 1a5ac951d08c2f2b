"""How long does a line take from being written to being stored, while `taktbook follow` runs for hours under load?

    python tests/bench/bench_follow.py [--minutes 10] [--rate 2000] [--facts-every 60] [--json FILE]

Lines go in equal shares into three growing files, which are rotated each minute (inbox/a.log becomes a.log.1 …),
and to the TCP listener, which is connected to anew each minute. Each line has a running number; at the end every
number must be in the store, once. A line counts as stored when a store that was opened afterwards has it: twice a
second it is asked how many lines of each source are in. So a latency is up to 0.5 s too long. That the lines of a
source are stored in their order is taken for granted; around a rotation a few may change places within one load.
"""

from __future__ import annotations

import argparse
import json
import socket
import subprocess
import sys
import tempfile
import threading
import time
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import polars as pl

from app.commands.new import write_plant
from ingest.store import Store

FILES = ("a", "b", "c")
SOURCES = (*FILES, "wire")
TICK_S = 0.05
POLL_S = 0.5
ROTATED_EVERY_S = 60.0
KEPT = 3  # rotated files that stay, as a controller keeps them

SOURCE = r"""
cell = "cell1"
format = "text"
{where}

[time]
formats = ["iso8601"]

[read.patterns]
line = '^(?P<time>\S+) (?P<who>\w+) counts (?P<n>\d+)$'

[[rules]]
emit = [{{ kind = "count", station = "{{who}}", value = "{{n}}" }}]
"""


def write_bench_plant(folder: Path) -> int:
    """Write a plant with three sources of files and one that listens; returns its port."""
    write_plant(folder)
    (folder / "sources" / "example.toml").unlink()
    cell = folder / "cells" / "cell1.toml"
    names = ", ".join(f'"{name}"' for name in SOURCES)
    text = cell.read_text(encoding="utf-8").replace('sources = ["example"]', f"sources = [{names}]")
    silence = 'name = "example"\nsilence_s = 120'
    assert silence in text
    each = "\n\n[[sources]]\n".join(f'name = "{name}"\nsilence_s = 120' for name in SOURCES)
    cell.write_text(text.replace(silence, each), encoding="utf-8")
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = int(free.getsockname()[1])
    for name in FILES:
        where = f'files = ["inbox/{name}.log*"]'
        (folder / "sources" / f"{name}.toml").write_text(SOURCE.format(where=where), encoding="utf-8")
    where = f'[receive]\nby = "tcp"\naddress = "127.0.0.1:{port}"'
    (folder / "sources" / "wire.toml").write_text(SOURCE.format(where=where), encoding="utf-8")
    (folder / "inbox").mkdir(exist_ok=True)
    return port


class Writer:
    """Writes lines at a steady rate, and remembers when it wrote how many of each source."""

    def __init__(self, inbox: Path, port: int, rate: int) -> None:
        self.inbox, self.port, self.per_tick = inbox, port, round(rate * TICK_S / len(SOURCES))
        self.written: dict[str, list[float]] = {name: [] for name in SOURCES}  # when each line was
        self.number = 0
        self.behind_s = 0.0

    def run(self, seconds: float) -> None:
        """Write for so long."""
        begun = rotated = time.monotonic()
        files = {name: (self.inbox / f"{name}.log").open("ab", buffering=0) for name in FILES}
        wire = socket.create_connection(("127.0.0.1", self.port))
        tick = 0
        while (now := time.monotonic()) < begun + seconds:
            if now - rotated >= ROTATED_EVERY_S:
                rotated = now
                for name, file in files.items():
                    file.close()
                    self.rotate(name)
                    files[name] = (self.inbox / f"{name}.log").open("ab", buffering=0)
                wire.close()
                wire = socket.create_connection(("127.0.0.1", self.port))
            for name in FILES:
                files[name].write(self.lines(name))
            wire.sendall(self.lines("wire"))
            tick += 1
            left = begun + tick * TICK_S - time.monotonic()
            self.behind_s = max(self.behind_s, -left)
            time.sleep(max(0.0, left))
        wire.close()
        for file in files.values():
            file.close()

    def rotate(self, name: str) -> None:
        """Move each file one further, and forget the oldest."""
        for n in range(KEPT, -1, -1):
            old = self.inbox / (f"{name}.log.{n}" if n else f"{name}.log")
            if old.exists():
                old.rename(self.inbox / f"{name}.log.{n + 1}") if n < KEPT else old.unlink()

    def lines(self, name: str) -> bytes:
        """Return the next lines of a source and note the time."""
        stamp = datetime.now(UTC).isoformat(timespec="microseconds").replace("+00:00", "Z")
        numbers = range(self.number, self.number + self.per_tick)
        self.number += self.per_tick
        self.written[name] += [time.monotonic()] * self.per_tick
        return "".join(f"{stamp} press counts {n}\n" for n in numbers).encode()


class Watcher(threading.Thread):
    """Looks into the store twice a second, and notes how many lines of each source are in it."""

    def __init__(self, store: Path) -> None:
        super().__init__(daemon=True)
        self.store = store
        self.seen: list[tuple[float, dict[str, int]]] = []
        self.enough = threading.Event()

    def run(self) -> None:
        while not self.enough.wait(POLL_S):
            counts = dict.fromkeys(SOURCES, 0)
            for file in Store.open(self.store).sources():
                counts[file.source] += file.events
            self.seen.append((time.monotonic(), counts))

    def latencies(self, written: dict[str, list[float]]) -> np.ndarray:
        """Return for each line how long after it was written it was first seen."""
        at = np.array([when for when, _ in self.seen])
        found = []
        for name, times in written.items():
            counts = np.array([count[name] for _, count in self.seen])
            first = np.searchsorted(counts, np.arange(1, len(times) + 1))
            whole = first < len(at)
            found.append(at[first[whole]] - np.array(times)[whole])
        return np.concatenate(found)


def measure(folder: Path, minutes: float, rate: int, facts_every: float) -> dict[str, object]:
    port = write_bench_plant(folder)
    command = [sys.executable, "-m", "app.cli", "follow", "--plant", str(folder), "--facts-every", str(facts_every)]
    with (folder / "told.txt").open("wb") as told:
        follow = subprocess.Popen(command, stdout=told, stderr=subprocess.STDOUT)
    writer, watcher = Writer(folder / "inbox", port, rate), Watcher(folder / "store")
    try:
        for _ in range(200):
            try:
                socket.create_connection(("127.0.0.1", port)).close()
                break
            except OSError:
                time.sleep(0.1)
        watcher.start()
        writer.run(minutes * 60)
        end = time.monotonic() + 60
        while time.monotonic() < end and (not watcher.seen or sum(watcher.seen[-1][1].values()) < writer.number):
            time.sleep(POLL_S)
        watcher.enough.set()
        watcher.join()
    finally:
        follow.terminate()
        follow.wait(60)
    store = Store.open(folder / "store")
    numbers = store.events("cell1", store.days("cell1"))["value"].cast(pl.Int64)
    took = watcher.latencies(writer.written)
    p50, p95, p99, most = (round(float(v), 2) for v in np.percentile(took, [50, 95, 99, 100]))
    return {
        "minutes": minutes,
        "lines": writer.number,
        "lines_per_s": round(writer.number / (minutes * 60)),
        "lost": writer.number - numbers.n_unique(),
        "doubled": numbers.len() - numbers.n_unique(),
        "quarantined": store.quarantine().height,
        "latency_s": {"p50": p50, "p95": p95, "p99": p99, "longest": most},
        "writer_behind_s": round(writer.behind_s, 2),
        "exit_code": follow.returncode,
        "last_told": (folder / "told.txt").read_text(encoding="utf-8").splitlines()[-4:],
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--minutes", type=float, default=10)
    parser.add_argument("--rate", type=int, default=2000, help="lines per second, all sources together")
    parser.add_argument("--facts-every", type=float, default=60)
    parser.add_argument("--json", type=Path)
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        result = measure(Path(folder) / "plant", args.minutes, args.rate, args.facts_every)
    text = json.dumps(result, indent=2)
    print(text)
    if args.json:
        args.json.write_text(text + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
