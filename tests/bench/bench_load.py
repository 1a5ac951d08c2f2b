"""How long does loading take, beside the bare polars pipeline that only takes the lines apart and writes Parquet?

    python tests/bench/bench_load.py [--lines 5000000] [--big 20000000] [--repeat 3] [--json FILE]

Each measurement runs in a process of its own, loading and bare by turns, so that both see the same machine. Time counts
from the first byte read to the last byte written, without the start of Python. Peak memory is that of the process.
"""

from __future__ import annotations

import argparse
import json
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import polars as pl

CHUNK = 1_000_000
START = np.datetime64("2026-10-22T00:00:00", "ms")

PATTERN = (
    r"^(?P<time>\d\d\.\d\d\.\d{4} \d\d:\d\d:\d\d\.\d{3}) #(?P<nr>\d+) (?P<unit>\w+) (?P<word>\w+) "
    r"part (?P<part>\w+) at (?P<place>\w+) (?P<ms>\d+) ms$"
)

TEXT_SOURCE = f"""
cell = "spoon"
format = "text"
files = ["inbox/*.log"]

[time]
formats = ["%d.%m.%Y %H:%M:%S.%3f"]

[read.patterns]
line = '{PATTERN}'

[words.station]
R1 = "robA"
R2 = "robB"
BR = "clean"
PRS = "press"
PASS = "pass"
CAM = "cam"
GAUGE = "gauge"
TRAY = "tray"

[always]
station = "{{unit:station}}"
part = "{{part}}"
seq = "{{nr}}"

[[rules]]
when = {{ word = ["FETCH", "TAKE", "INSERT", "PLACE"] }}
emit = [{{ kind = "step_end", step = "{{word}}", at = "{{place:station}}", value = "{{ms}} ms", unit = "s" }}]

[[rules]]
when = {{ word = "BEGIN" }}
emit = [{{ kind = "cycle_start" }}]

[[rules]]
when = {{ word = "END" }}
emit = [{{ kind = "cycle_end", value = "{{ms}} ms", unit = "s" }}, {{ kind = "part_out" }}]
"""

DELIMITED_SOURCE = """
cell = "spoon"
format = "delimited"
files = ["inbox/*.csv"]

[time]
formats = ["%Y-%m-%d %H:%M:%S,%3f"]

[read]
delimiter = ";"
header = true

[words.station]
BOWL1 = "bowl1"
BOWL2 = "bowl2"
CAM = "cam"
HAND = "hand"
TRAY = "tray"
CELL = ""

[words.state]
FEEDING = "running"
READY = "blocked"
EMPTY = "waiting_material"

[always]
station = "{unit:station}"
seq = "{no}"

[[rules]]
when = { event = ["FEEDING", "READY", "EMPTY"] }
emit = [{ kind = "state", state = "{event:state}" }]

[[rules]]
when = { event = "COUNT" }
emit = [{ kind = "count", value = "{value}" }]

[[rules]]
when = { event = "OK" }
emit = [{ kind = "cycle_end", part = "{part}", product = "{product}", result = "good", value = "{value} s" }]

[[rules]]
when = { event = "NOK" }
emit = [
  { kind = "cycle_end", part = "{part}", product = "{product}", result = "reject", cause = "{code}" },
  { kind = "part_out", part = "{part}", product = "{product}" },
]

[[rules]]
when = { event = "ALARM" }
emit = [{ kind = "alarm_on", code = "{code}", text = "{text}" }]
"""


def pick(random: np.random.Generator, words: list[str], n: int) -> pl.Series:
    return pl.Series(words).gather(random.integers(0, len(words), n))


def frame(first: int, n: int) -> tuple[pl.DataFrame, np.random.Generator]:
    """Lines of a busy cell: about 20 a second, at uneven times, over days."""
    random = np.random.default_rng(first)
    steps = random.exponential(50, n).astype("int64")
    at = START + (np.int64(first) * 50 + np.minimum(np.cumsum(steps), np.int64(n) * 50)).astype("timedelta64[ms]")
    return pl.DataFrame(
        {"at": at, "no": np.arange(first + 1, first + n + 1), "part": 4_000_000 + np.arange(first, first + n) // 7}
    ), random


def text_lines(first: int, n: int) -> pl.Series:
    lines, random = frame(first, n)
    return lines.select(
        pl.format(
            "{} #{} {} {} part {} at {} {} ms",
            pl.col("at").dt.strftime("%d.%m.%Y %H:%M:%S%.3f"), pl.col("no").cast(pl.String).str.zfill(8),
            pick(random, ["R1", "R2", "BR", "PRS"], n),
            pick(random, ["FETCH", "TAKE", "INSERT", "PLACE", "BEGIN", "END"], n),
            "part", pick(random, ["PASS", "CAM", "GAUGE", "TRAY"], n), pl.Series(random.integers(400, 18_000, n)),
        )
    ).to_series()  # fmt: skip


def delimited_lines(first: int, n: int) -> pl.Series:
    lines, random = frame(first, n)
    event = pick(random, ["FEEDING", "READY", "EMPTY", "COUNT", "COUNT", "OK", "OK", "OK", "NOK", "ALARM"], n)
    lines = lines.with_columns(event.alias("event"), pl.Series(random.integers(900, 2_000, n)).alias("ms"))
    part, alarm, counts = pl.col("event").is_in(["OK", "NOK"]), pl.col("event") == "ALARM", pl.col("event") == "COUNT"
    blank = pl.lit("")
    value = pl.format("{},{}", pl.col("ms") // 1000, (pl.col("ms") % 1000).cast(pl.String).str.zfill(3))
    return lines.select(
        pl.format(
            "{};{};{};{};{};{};{};{};{}",
            pl.col("at").dt.strftime("%Y-%m-%d %H:%M:%S%.3f").str.replace(".", ",", literal=True), "no",
            pick(random, ["BOWL1", "BOWL2", "CAM", "HAND", "TRAY", "CELL"], n), "event",
            pl.when(alarm | (pl.col("event") == "NOK")).then(pick(random, ["K301", "burr"], n)).otherwise(blank),
            pl.when(part).then(pl.col("part").cast(pl.String)).otherwise(blank),
            pl.when(part).then(pick(random, ["aqua-s", "aqua-m", "aqua-l"], n)).otherwise(blank),
            pl.when(part | counts).then(value).otherwise(blank),
            pl.when(alarm).then(pl.lit("picture too dark")).otherwise(blank),
        )
    ).to_series()  # fmt: skip


KINDS: dict[str, tuple[str, str, str, Callable[[int, int], pl.Series]]] = {
    "text": ("robots.log", "", TEXT_SOURCE, text_lines),
    "delimited": ("cell.csv", "time;no;unit;event;code;part;product;value;text\n", DELIMITED_SOURCE, delimited_lines),
}


def write_plant(folder: Path, kind: str, lines: int) -> None:
    """Write a plant folder with one log of so many lines."""
    name, header, source, make = KINDS[kind]
    for part in ("inbox", "sources"):
        (folder / part).mkdir(parents=True)
    (folder / "plant.toml").write_text('zone = "Europe/Berlin"\nday_start = "06:00"\n')
    (folder / "sources" / f"{kind}.toml").write_text(source)
    with (folder / "inbox" / name).open("wb") as file:
        file.write(header.encode())
        for first in range(0, lines, CHUNK):
            file.write(make(first, min(CHUNK, lines - first)).str.join("\n").item().encode() + b"\n")


def run_load(folder: Path, kind: str) -> dict[str, float]:
    """Load the plant's log in this process."""
    from ingest.load import load

    begin, cpu = time.perf_counter(), time.process_time()
    summary = load(folder)
    seconds, cpu = time.perf_counter() - begin, time.process_time() - cpu
    if summary.total("quarantined") or not summary.total("events"):
        raise SystemExit(f"the log was not understood: {summary}")
    return {"seconds": seconds, "cpu_s": cpu}


def run_bare(folder: Path, kind: str) -> dict[str, float]:
    """Take the lines apart with the same pattern or delimiter and write Parquet: nothing else."""
    log, out = folder / "inbox" / KINDS[kind][0], folder / "bare.parquet"
    begin, cpu = time.perf_counter(), time.process_time()
    if kind == "text":
        pl.scan_lines(log, name="line").select(pl.col("line").str.extract_groups(PATTERN)).unnest("line").sink_parquet(
            out
        )
    else:
        pl.scan_csv(log, separator=";", decimal_comma=True).sink_parquet(out)
    return {"seconds": time.perf_counter() - begin, "cpu_s": time.process_time() - cpu}


def measured(what: str, folder: Path, kind: str) -> dict[str, float]:
    """Run one measurement in a fresh process."""
    command = [sys.executable, __file__, "--run", what, str(folder), kind]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode:
        raise SystemExit(done.stderr)
    result: dict[str, float] = json.loads(done.stdout)
    subprocess.run(["rm", "-rf", str(folder / "store"), str(folder / "bare.parquet")], check=True)
    return result


def bench(kind: str, lines: int, big: int, repeat: int) -> dict[str, float]:
    """Measure one kind of log; prints as it goes."""
    with tempfile.TemporaryDirectory() as temp:
        folder = Path(temp) / "plant"
        write_plant(folder, kind, lines)
        size = (folder / "inbox" / KINDS[kind][0]).stat().st_size
        runs = [(measured("load", folder, kind), measured("bare", folder, kind)) for _ in range(repeat)]
    load, bare = ({key: statistics.median(r[n][key] for r in runs) for key in runs[0][n]} for n in (0, 1))
    found = {f"load_{key}": value for key, value in load.items()} | {
        f"bare_{key}": value for key, value in bare.items()
    }
    found |= {"lines": lines, "log_mb": size / 1e6, "ratio": load["seconds"] / bare["seconds"]}
    found["cpu_ratio"] = load["cpu_s"] / bare["cpu_s"]
    print(
        f"{kind:10} {lines:>11,} lines {size / 1e6:6.0f} MB   load {load['seconds']:6.2f} s"
        f"   bare {bare['seconds']:6.2f} s   ratio {found['ratio']:4.2f} (at most 1.6;"
        f" processor time {found['cpu_ratio']:4.2f})"
        f"   peak {load['rss_mb']:5.0f} MB",
        flush=True,
    )
    if big:
        with tempfile.TemporaryDirectory() as temp:
            folder = Path(temp) / "plant"
            write_plant(folder, kind, big)
            large = measured("load", folder, kind)
        found |= {f"big_{key}": value for key, value in large.items()}
        found |= {"big_lines": big, "growth": large["rss_mb"] / load["rss_mb"]}
        print(
            f"{kind:10} {big:>11,} lines {'':9}   load {large['seconds']:6.2f} s   {'':67}"
            f"peak {large['rss_mb']:5.0f} MB = {found['growth']:.2f} x (at most 1.5)",
            flush=True,
        )
    return found


def main() -> None:
    if sys.argv[1:2] == ["--run"]:
        what, folder, kind = sys.argv[2:]
        result = (run_load if what == "load" else run_bare)(Path(folder), kind)
        print(json.dumps({**result, "rss_mb": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024}))
        return
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--lines", type=int, default=5_000_000)
    parser.add_argument("--big", type=int, default=20_000_000, help="lines for the memory figure; 0: leave it out")
    parser.add_argument("--repeat", type=int, default=3)
    parser.add_argument("--json", type=Path, help="write the figures here, too")
    args = parser.parse_args()
    found = {kind: bench(kind, args.lines, args.big, args.repeat) for kind in KINDS}
    if args.json:
        args.json.write_text(json.dumps(found, indent=1))


if __name__ == "__main__":
    main()
