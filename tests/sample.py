"""The sample plant, loaded once per test process. No test lives here."""

from __future__ import annotations

import gzip
import random
import shutil
from functools import cache
from pathlib import Path
from tempfile import mkdtemp

import polars as pl
import zstandard

from analytics.account import Window
from analytics.book import Plant, open_plant
from analytics.windows import day_window, shifts_of
from ingest.load import load

SAMPLE = Path(__file__).parent.parent / "sample_logs"
CELLS = ("spoon", "timer")
SPOON_STATIONS = ("cam", "robA", "press", "robB", "clean", "gauge", "tray")
TIMER_STATIONS = ("frame", "spring", "gear", "dial", "cap", "test")


def truth(table: str) -> pl.DataFrame:
    """Read a table of the sample plant's truth."""
    return pl.read_parquet(SAMPLE / "truth" / f"{table}.parquet")


def copy_plant(target: Path) -> Path:
    """Copy the sample plant without any store."""
    return Path(shutil.copytree(SAMPLE / "plant", target, ignore=shutil.ignore_patterns("store")))


@cache
def sample_plant() -> Plant:
    """The loaded sample plant with its facts built."""
    folder = copy_plant(Path(mkdtemp(prefix="taktbook-sample-")) / "plant")
    load(folder)
    plant = open_plant(folder)
    for cell in CELLS:
        plant.build(cell)
    return plant


def all_shifts(plant: Plant, cell: str) -> list[Window]:
    """Every shift of the sample's three days, with day and name as key."""
    return [
        Window(f"{day} {w.key}", w.from_us, w.to_us) for day in plant.days(cell) for w in shifts_of(plant, cell, day)
    ]


def all_windows(plant: Plant, cell: str) -> list[Window]:
    """Shifts, days, and all three days together."""
    days = [day_window(plant, day) for day in plant.days(cell)]
    return [*all_shifts(plant, cell), *days, Window("all", days[0].from_us, days[-1].to_us)]


def shuffled_plant(target: Path, seed: int, pieces: int) -> Path:
    """A plant with the same log lines, in another order, in other files, and a tenth of the files twice."""
    folder = copy_plant(target)
    rng = random.Random(seed)
    for source in sorted(p for p in (folder / "inbox").iterdir() if p.name != "host"):
        lines: list[bytes] = []
        head = b""
        for file in sorted(source.iterdir()):
            raw = file.read_bytes()
            if file.suffix == ".gz":
                raw = gzip.decompress(raw)
            elif file.suffix == ".zst":
                raw = zstandard.ZstdDecompressor().stream_reader(raw).read()
            own = raw.removeprefix(b"\xef\xbb\xbf").splitlines()
            if source.name == "cellplc":
                head, own = own[0], own[1:]
            lines += own
            suffix = "".join(s for s in file.suffixes if s not in (".gz", ".zst"))
            file.unlink()
        rng.shuffle(lines)
        step = len(lines) // pieces + 1
        for n in range(pieces):
            part = lines[n * step : (n + 1) * step]
            text = b"\n".join(([head] if head else []) + part) + b"\n"
            (source / f"{source.name}-{n:02d}{suffix}").write_bytes(text)
            if n % 10 == 0:  # the same lines once more, in another order
                again = part[:]
                rng.shuffle(again)
                (source / f"{source.name}-{n:02d}-again{suffix}").write_bytes(
                    b"\n".join(([head] if head else []) + again) + b"\n"
                )
    return folder
