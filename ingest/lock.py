"""One load at a time per plant: a lock that the system lets go when its owner dies, and a note of who holds it."""

from __future__ import annotations

import json
import os
import socket
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from filelock import FileLock, Timeout

from ingest.durable import remove
from ingest.errors import StoreError
from ingest.progress import Progress, silent

WAIT_S: Final = 60.0


@contextmanager
def one_load(store: Path, wait_s: float = WAIT_S, progress: Progress = silent) -> Iterator[None]:
    """Hold the plant's lock. Raises StoreError, which says who holds it since when, if it is not free in `wait_s`."""
    store.mkdir(parents=True, exist_ok=True)
    lock = FileLock(store / "lock", thread_local=False)
    end = time.monotonic() + wait_s
    while True:
        try:
            lock.acquire(timeout=0)
            break
        except Timeout:
            if time.monotonic() >= end:
                raise _held(store) from None
            progress("wait for another load", 0, None)
            time.sleep(min(0.05, wait_s))
    note = store / "lock.json"
    try:
        note.write_text(json.dumps(_owner()), encoding="utf-8")
        yield
    finally:
        remove(note)
        lock.release()


def _owner() -> dict[str, object]:
    command = " ".join([Path(sys.argv[0]).name, *sys.argv[1:2]])
    since = datetime.now(UTC).isoformat(timespec="seconds")
    return {"command": command, "process": os.getpid(), "host": socket.gethostname(), "since": since}


def _held(store: Path) -> StoreError:
    owner = age = "not known (it began this very moment)"
    try:
        told = json.loads((store / "lock.json").read_bytes())
        seconds = (datetime.now(UTC) - datetime.fromisoformat(told["since"])).total_seconds()
        age = f"{seconds:.0f} s" if seconds < 120 else f"{seconds / 60:.0f} min"
        owner = f"{told['command']}, process {told['process']} on {told['host']}, since {told['since']} ({age})"
    except (OSError, ValueError, KeyError):
        pass
    return StoreError(
        "Another load is at work on this plant.",
        where=str(store / "lock"),
        found=owner,
        fix="Wait for it to end, then load again. If its process is gone, the lock is free at once.",
    )
