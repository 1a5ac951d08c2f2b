"""Builders for the tests of feeds: a plant whose sources receive, its listeners, and clients. No test in here."""

from __future__ import annotations

import socket
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from textwrap import dedent

from ingest.feeds.run import Listeners, ListenerStatus
from ingest.feeds.spool import spool_folder
from ingest.plant_folder import read_plant_folder
from ingest.source import load_sources
from tests.ingest.plants import plant

PATIENCE_S = 20.0

MAPPING = """
    cell = "c1"
    format = "text"

    [receive]
    RECEIVE

    [time]
    formats = ["iso8601"]

    [read.patterns]
    line = '^(?P<time>\\S+Z) (?P<who>\\w+) (?P<word>begin|end) (?P<part>\\w+)$'

    [words.kind]
    begin = "cycle_start"
    end = "cycle_end"

    [[rules]]
    emit = [{ kind = "{word:kind}", station = "{who}", part = "{part}" }]
"""

TCP = 'by = "tcp"\naddress = "127.0.0.1:0"'


def record(n: int, word: str = "begin") -> str:
    """Return the n-th line that the mapping understands."""
    return f"2026-10-23T06:{n // 60 % 60:02d}:{n % 60:02d}.{n // 3600:06d}Z press {word} P{n}"


def receiving(folder: Path, receive: str = TCP, mapping: str = MAPPING, name: str = "wire") -> Path:
    """Write a plant with a source that receives; other sources of it stay."""
    lines = dedent(receive).strip().replace("\n", "\n    ")
    return plant(folder, {}, mapping.replace("RECEIVE", lines), name=name)


@dataclass
class Running:
    """Listeners that run, and what they told."""

    listeners: Listeners
    folder: Path
    told: list[str] = field(default_factory=list)
    problems: list[str] = field(default_factory=list)

    def row(self, source: str = "wire") -> ListenerStatus:
        return next(row for row in self.listeners.status() if row.source == source)

    def connect(self, source: str = "wire") -> socket.socket:
        host, _, port = self.row(source).address.rpartition(":")
        return socket.create_connection((host, int(port)), timeout=PATIENCE_S)

    def send(self, data: str | bytes, source: str = "wire") -> None:
        """Connect, send and close."""
        with self.connect(source) as client:
            client.sendall(data.encode() if isinstance(data, str) else data)

    def until_lines(self, n: int, source: str = "wire") -> list[str]:
        """Wait until so many lines are in the spool; returns all of them."""
        until(lambda: len(spooled(self.folder, source)) >= n)
        return spooled(self.folder, source)


@contextmanager
def listening(folder: Path) -> Iterator[Running]:
    """Run the listeners of a plant."""
    told: list[str] = []
    listeners = Listeners(read_plant_folder(folder), load_sources(folder / "sources"), told.append)
    problems = [str(err) for err in listeners.start()]
    try:
        yield Running(listeners, folder, told, problems)
    finally:
        listeners.stop()


def spooled(folder: Path, source: str = "wire") -> list[str]:
    """Return the lines of a source's spool, oldest first; what a test reads as text."""
    files = sorted(spool_folder(folder, source).glob("*.log"), key=lambda p: (p.stat().st_mtime_ns, p.name))
    return [line for p in files for line in p.read_bytes().decode(errors="replace").split("\n")[:-1]]


def send_until_closed(client: socket.socket, data: bytes, times: int) -> bool:
    """Send data so many times, with a short pause each; tells whether the other side closed the connection."""
    client.settimeout(0.05)
    try:
        for _ in range(times):
            client.sendall(data)
            try:
                if not client.recv(1):
                    return True
            except TimeoutError:
                continue
    except OSError:
        return True
    return False


def until(holds: Callable[[], object]) -> None:
    """Wait until something holds; fails when it never does."""
    end = time.monotonic() + PATIENCE_S
    while not holds():
        assert time.monotonic() < end, "it never came"
        time.sleep(0.02)
