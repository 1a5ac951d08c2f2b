"""A plant of one station with one free-text log, and the straightforward pandas script that gets the OEE out of it.

The script is what an engineer would write who has this one log and this one question. It is the stated baseline of
`bench_analysis.py`: read lines, str.extract, to_datetime, sort, shift, group.
"""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path

import numpy as np
import polars as pl

from analytics.account import account
from analytics.book import open_plant
from analytics.glance import glance
from analytics.windows import day_window
from ingest.load import load

FIRST = date(2026, 3, 2)
CYCLE_S = 0.9
PATTERN = (
    r"^(?P<time>\d\d\.\d\d\.\d{4} \d\d:\d\d:\d\d\.\d{3}) #(?P<nr>\d+) PACKER (?P<word>BEGIN|END|ALARM|CLEAR)"
    r"(?: part (?P<part>\w+))?(?: (?P<verdict>OK|NOK))?(?: code (?P<code>\w+))?$"
)

PLANT = """
name = "bench"
zone = "UTC"
day_start = "06:00"
cells = ["packing"]

[[shifts]]
name = "early"
start = "06:00"
end = "14:00"

[[shifts]]
name = "late"
start = "14:00"
end = "22:00"
"""

CELL = f"""
name = "packing"
outlet = "packer"

[[stations]]
name = "packer"
kind = "machine"

[[products]]
name = "box"
takt_s = {CYCLE_S}

[products.cycle_s]
packer = {CYCLE_S}

[[causes]]
code = "A17"
text = "film torn"
line = "breakdown"
"""

SOURCE = f"""
cell = "packing"
format = "text"
files = ["inbox/*.log"]

[time]
formats = ["%d.%m.%Y %H:%M:%S.%3f"]

[read.patterns]
line = '{PATTERN}'

[words.result]
OK = "good"
NOK = "reject"

[always]
station = "packer"
seq = "{{nr}}"
product = "box"

[[rules]]
when = {{ word = "BEGIN" }}
emit = [{{ kind = "cycle_start", part = "{{part}}" }}]

[[rules]]
when = {{ word = "END", verdict = "OK" }}
emit = [{{ kind = "cycle_end", part = "{{part}}", result = "good" }}, {{ kind = "part_out", part = "{{part}}" }}]

[[rules]]
when = {{ word = "END", verdict = "NOK" }}
emit = [{{ kind = "cycle_end", part = "{{part}}", result = "reject" }}]

[[rules]]
when = {{ word = "ALARM" }}
emit = [{{ kind = "alarm_on", code = "{{code}}" }}]

[[rules]]
when = {{ word = "CLEAR" }}
emit = [{{ kind = "alarm_off", code = "{{code}}" }}]
"""


def write_plant(folder: Path, days: int) -> int:
    """Write a plant folder with one log of so many days; returns its number of lines."""
    for part in ("inbox", "sources", "cells"):
        (folder / part).mkdir(parents=True)
    (folder / "plant.toml").write_text(PLANT)
    (folder / "cells" / "packing.toml").write_text(CELL)
    (folder / "sources" / "packer.toml").write_text(SOURCE)
    lines = 0
    with (folder / "inbox" / "packer.log").open("wb") as file:
        for n in range(days):
            day = _day(FIRST + timedelta(days=n), n, lines)
            file.write(day.str.join("\n").item().encode() + b"\n")
            lines += len(day)
    return lines


def _day(day: date, seed: int, number: int) -> pl.Series:
    """Two shifts of work: cycles around 0.95 s, short gaps, 1.5 % rejects, now and then an alarm with a stop."""
    random = np.random.default_rng(seed)
    n = 60_000
    cycle, gap = random.normal(950, 30, n).clip(800).astype(int), random.exponential(60, n).astype(int) + 5
    stopped = random.random(n) < 0.002
    stop = np.where(stopped, random.exponential(20_000, n).astype(int) + 2_000, 0)
    begin = np.cumsum(cycle + gap + stop) - cycle  # the gap and the stop come before the cycle
    kept = begin + cycle < 16 * 3_600_000 - 5_000
    at, k = {"BEGIN": begin, "END": begin + cycle, "ALARM": begin - stop - 1, "CLEAR": begin - 1}, np.arange(n)
    verdict = np.where(random.random(n) < 0.015, "NOK", "OK")
    start = np.datetime64(f"{day}T06:00:00", "ms")
    part = pl.Series(k + 100_000 * (1 + seed)).cast(pl.String)
    rest = {
        "BEGIN": pl.format("BEGIN part {}", part),
        "END": pl.format("END part {} {}", part, pl.Series(verdict)),
        "ALARM": pl.lit("ALARM code A17"),
        "CLEAR": pl.lit("CLEAR code A17"),
    }
    frames = [
        pl.select(at=pl.Series(start + at[word].astype("timedelta64[ms]")), what=rest[word]).filter(
            pl.Series(kept & stopped if word in ("ALARM", "CLEAR") else kept)
        )
        for word in rest
    ]
    rows = pl.concat(frames).sort("at", maintain_order=True).with_row_index("no", number + 1)
    return rows.select(
        pl.format(
            "{} #{} PACKER {}",
            pl.col("at").dt.strftime("%d.%m.%Y %H:%M:%S%.3f"), pl.col("no").cast(pl.String).str.zfill(8), "what",
        )
    ).to_series()  # fmt: skip


def oee_by_pandas(log: Path) -> dict[str, float]:
    """OEE of each day over two planned shifts: availability x performance x quality, as it is mostly written."""
    import pandas as pd

    lines = pd.Series(log.read_text().splitlines())
    rows = lines.str.extract(PATTERN)
    rows["time"] = pd.to_datetime(rows["time"], format="%d.%m.%Y %H:%M:%S.%f")
    rows["nr"] = rows["nr"].astype("int64")
    rows = rows.sort_values(["time", "nr"])
    rows["day"] = (rows["time"] - pd.Timedelta(hours=6)).dt.date.astype(str)
    cycles = rows[rows["word"].isin(["BEGIN", "END"])].copy()
    cycles["began"] = cycles["time"].shift()
    cycles["paired"] = (
        (cycles["word"] == "END") & (cycles["word"].shift() == "BEGIN") & (cycles["part"] == cycles["part"].shift())
    )
    cycles = cycles[cycles["paired"]]
    cycles["run_s"] = (cycles["time"] - cycles["began"]).dt.total_seconds()
    cycles["good"] = cycles["verdict"] == "OK"
    by_day = cycles.groupby("day").agg(run_s=("run_s", "sum"), parts=("part", "size"), good=("good", "sum"))
    planned_s = 16 * 3600
    availability = by_day["run_s"] / planned_s
    performance = by_day["parts"] * CYCLE_S / by_day["run_s"]
    quality = by_day["good"] / by_day["parts"]
    return (availability * performance * quality).to_dict()


def oee_by_glance(folder: Path) -> dict[str, float]:
    """The same from the same log: load it, then OEE straight from the events."""
    load(folder)
    seen = glance(open_plant(folder), "packing")
    return dict(seen.select(pl.col("day").cast(pl.String), "oee").rows())


def oee_by_account(folder: Path) -> dict[str, float]:
    """And by the closed account, with all facts: every second on its line, with its evidence."""
    load(folder)
    plant = open_plant(folder)
    windows = [day_window(plant, day) for day in plant.days("packing")]
    closed = account(plant, "packing", windows, station="packer")
    return {a.window.key: a.figures()["oee"]["value"] for a in closed}
