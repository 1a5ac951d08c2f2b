"""Lines that arrive -> text files below <plant>/spool/<source>/, on the disk before any is called kept."""

from __future__ import annotations

import contextlib
import errno
import os
from collections.abc import Callable, Iterable
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from ingest.durable import remove, sync_folders
from ingest.feeds.clean import marked

MOST_BYTES: Final = 64 << 20  # of one file
_FULL: Final = (errno.ENOSPC, errno.EDQUOT)


def spool_folder(plant: Path, source: str) -> Path:
    """Return where a source's received lines lie."""
    return plant / "spool" / source


def spool_files(source: str) -> str:
    """Return the pattern of these files as `files` of a source would say it."""
    return f"spool/{source}/*"


def _utc_now() -> datetime:
    return datetime.now(UTC)


class Spool:
    """The spool of one source. `append` takes lines, `commit` puts them on the disk; not for several threads at once.

    A file ends at 64 MB, at midnight UTC, and with the process; no file is ever written to again by another one, but a
    line that a crash left without an end is given one. Removing old files is left to the plant.
    """

    def __init__(
        self, plant: Path, source: str, *, most_bytes: int = MOST_BYTES, now: Callable[[], datetime] = _utc_now
    ) -> None:
        self.folder, self.source = spool_folder(plant, source), source
        self.most_bytes, self.now = most_bytes, now
        self._due = bytearray()  # lines that are not safely on the disk
        self._written = 0  # bytes of these that were handed to the system
        self._handle: int | None = None
        self._path = self.folder
        self._size = 0
        self._day = now().date()
        self._ended_torn_lines = False

    def append(self, lines: Iterable[bytes]) -> None:
        """Take lines (without their ends); they are kept when `commit` has returned."""
        for line in lines:
            self._due += line
            self._due += b"\n"

    def commit(self) -> None:
        """Write what was taken and wait until it is on the disk.

        Raises OSError when the disk refuses; nothing is forgotten then, and the next commit goes on from there.
        """
        while self._due:
            handle = self._open()
            self._write(handle)
            self._sync(handle)
            if os.fstat(handle).st_nlink == 0:  # somebody removed the file under us: once more, into another one
                self._start_over()
                continue
            self._size += len(self._due)
            self._due.clear()
            self._written = 0

    def close(self) -> None:
        """End the file; what was not committed is not in it."""
        if self._handle is not None:
            handle, self._handle = self._handle, None
            os.close(handle)

    def _write(self, handle: int) -> None:
        try:
            while self._written < len(self._due):
                with memoryview(self._due) as due, due[self._written :] as rest:
                    self._written += os.write(handle, rest)
        except OSError as err:
            if err.errno not in _FULL:  # on a full disk it goes on behind the last byte when there is room
                self._start_over()
            raise

    def _sync(self, handle: int) -> None:
        try:
            os.fsync(handle)
        except OSError:  # what the system did with the bytes cannot be known: rather twice than never
            self._start_over()
            raise

    def _start_over(self) -> None:
        self._written = 0
        self._ended_torn_lines = False
        self.close()
        with contextlib.suppress(OSError):
            if not self._path.stat().st_size:
                remove(self._path)

    def _open(self) -> int:
        """Return the file to write to; a new one where it is time."""
        today = self.now().date()
        over = self._size and (self._size + len(self._due) > self.most_bytes or self._day != today)
        if self._handle is not None and over and not self._written:
            self.close()
        if self._handle is None:
            self._make_folder()
            if not self._ended_torn_lines:
                self._end_torn_lines()
                self._ended_torn_lines = True
            self._handle, self._path = self._new_file()
            self._size, self._day = 0, today
        return self._handle

    def _make_folder(self) -> None:
        if not self.folder.is_dir():
            self.folder.mkdir(parents=True, exist_ok=True)
            sync_folders([self.folder.parent, self.folder.parent.parent])

    def _new_file(self) -> tuple[int, Path]:
        stem = f"{self.source}-{self.now():%Y%m%dT%H%M%SZ}"
        flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_APPEND | getattr(os, "O_BINARY", 0)
        n = 1
        while True:
            try:
                path = self.folder / f"{stem}-{n}.log"
                handle = os.open(path, flags, 0o644)
                break
            except FileExistsError:
                n += 1
        try:
            sync_folders([self.folder])
        except OSError:
            os.close(handle)
            remove(path)
            raise
        return handle, path

    def _end_torn_lines(self) -> None:
        """Give an end to lines that a crash or a power cut left without one, so that nobody takes half for whole."""
        for path in sorted(self.folder.glob(f"{self.source}-*.log")):
            with contextlib.suppress(OSError), path.open("rb+") as file:  # what is damaged stays as it is
                if not file.seek(0, os.SEEK_END):
                    continue
                file.seek(-1, os.SEEK_END)
                if file.read(1) != b"\n":
                    file.write(b" " + marked("the writing stopped within this line", b"").rstrip() + b"\n")
                    file.flush()
                    os.fsync(file.fileno())


__all__ = ["MOST_BYTES", "Spool", "spool_files", "spool_folder"]
