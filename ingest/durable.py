"""Writing so that a power cut or a kill leaves either the old or the new, never half of it."""

from __future__ import annotations

import contextlib
import errno
import io
import os
import time
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO

import polars as pl

from ingest.errors import StoreError


def open_new(path: Path) -> BinaryIO:
    """Open a new file for writing in large pieces."""
    return path.open("wb", buffering=1 << 20)


def write_frame(frame: pl.DataFrame, path: Path) -> None:
    """Write a table as Parquet by way of memory, so that what the disk refuses is an OSError."""
    buffer = io.BytesIO()
    frame.write_parquet(buffer, compression="zstd", compression_level=1, statistics=False)  # nobody asks for them
    with open_new(path) as file:
        file.write(buffer.getbuffer())


def sync_files(paths: Sequence[Path]) -> None:
    """Wait until the bytes of some files are on the disk; all at once, so that it waits for all of them together."""
    if paths:
        with ThreadPoolExecutor(min(len(paths), 16)) as threads:
            list(threads.map(sync_file, paths))


def sync_file(path: Path) -> None:
    """Wait until a file's bytes are on the disk."""
    with path.open("rb+") as file:
        os.fsync(file.fileno())


def sync_folders(folders: Iterable[Path]) -> None:
    """Wait until the names in some folders are on the disk; systems that know no such thing do without."""
    for folder in sorted(set(folders)):
        with contextlib.suppress(PermissionError, NotADirectoryError):
            handle = os.open(folder, os.O_RDONLY)
            try:
                os.fsync(handle)
            except OSError as err:
                if err.errno not in (errno.EINVAL, errno.EBADF, errno.EACCES):
                    raise
            finally:
                os.close(handle)


def write_whole(path: Path, text: str) -> None:
    """Write a text file under a temporary name and give it its own when it is whole."""
    new = path.with_name(f"new-{os.getpid()}-{path.name}")
    try:
        with new.open("w", encoding="utf-8") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        _replace(new, path)
    except BaseException:
        remove(new)
        raise
    sync_folders([path.parent])


def _replace(new: Path, path: Path) -> None:
    for attempt in range(20):  # on Windows a file that is being read cannot be replaced at that moment
        try:
            os.replace(new, path)
            return
        except PermissionError:
            if attempt == 19:
                raise
            time.sleep(0.05)


def remove(path: Path) -> None:
    """Remove a file; one that is in use (Windows) stays, and is harmless."""
    try:
        path.unlink(missing_ok=True)
    except OSError:
        return


@contextmanager
def told_when_full(store: Path) -> Iterator[None]:
    """Turn what the disk refuses into a StoreError: full, read-only, damaged."""
    try:
        yield
    except OSError as err:
        full = err.errno in (errno.ENOSPC, errno.EDQUOT) or "No space left" in str(err)
        reason = "The disk is full" if full else f"The store cannot be written: {err.strerror or err}"
        fix = "Make room" if full else "Check the disk, and that you may write there"
        raise StoreError(
            f"{reason}; what was being written does not count.",
            where=str(store),
            fix=f"{fix}, then do it again: what was done stays, nothing is lost and nothing comes twice.",
        ) from err
