"""How long does loading take in each format, beside a bare polars pipeline that only takes the same log apart?

    python tests/bench/bench_formats.py [--lines 2000000] [--repeat 3] [--json FILE]

Text and delimited logs are measured by bench_load.py. As there, each measurement runs in a process of its own, loading
and bare by turns, and the ratio is what counts. The sources are the formats' own samples.
"""

from __future__ import annotations

import argparse
import json
import resource
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import polars as pl
from bench_load import CHUNK, frame, pick, run_load

from ingest.formats import json_lines, key_value, mtconnect_adapter, parquet, syslog

Lines = Callable[[int, int], pl.Series]
Bare = Callable[[Path, Path], None]

SYSLOG = (
    r"^<(?P<pri>\d+)>1 (?P<time>\S+) (?P<host>\S+) (?P<app>\S+) (?P<procid>\S+) (?P<msgid>\S+) "
    r'\[cycle@32473 nest="(?P<nest>\d+)" part="(?P<part>\d+)"\] (?P<msg>.*)$'
)
PAIRS = (
    r"^t=(?P<t>\d+) no=(?P<no>\d+) ev=(?P<ev>\w+) nest=(?P<nest>\d+)(?: part=(?P<part>\d+))?(?: code=(?P<code>\w+))?"
)


def utc() -> pl.Expr:
    return pl.col("at").dt.strftime("%Y-%m-%dT%H:%M:%S%.3fZ")


def json_rows(first: int, n: int) -> pl.Series:
    rows, random = frame(first, n)
    value = pl.Series(random.integers(400, 600, n)) / 100
    text = '<"at":"{}","no":{},"event":"measured","data":<"volume":<"value":{},"unit":"ml">,"ok":{}>>'
    made = rows.select(pl.format(text, utc(), "no", value, pick(random, ["true", "false"], n))).to_series()
    return made.str.replace_all("<", "{", literal=True).str.replace_all(">", "}", literal=True)


def pair_rows(first: int, n: int) -> pl.Series:
    rows, random = frame(first, n)
    event = pick(random, ["begin", "begin", "begin", "alarm_on"], n).alias("ev")
    begin = pl.format("part={}", "part")
    tail = pl.when(pl.col("ev") == "begin").then(begin).otherwise(pl.lit('code=P104 text="clamp not closed"'))
    nest = pl.Series(random.integers(1, 5, n))
    stamp = pl.col("at").dt.epoch("ms")
    return (
        rows.with_columns(event)
        .select(pl.format("t={} no={} ev={} nest={} {}", stamp, "no", "ev", nest, tail))
        .to_series()
    )


def syslog_rows(first: int, n: int) -> pl.Series:
    rows, random = frame(first, n)
    nest, said = pl.Series(random.integers(1, 5, n)), pick(random, ["begin", "end in 16747 ms"], n)
    text = '<134>1 {} ctl7 press 411 CYC [cycle@32473 nest="{}" part="{}"] {}'
    return rows.select(pl.format(text, utc(), nest, "part", said)).to_series()


def adapter_rows(first: int, n: int) -> pl.Series:
    rows, random = frame(first, n)
    words = [
        line.split("|", 1)[1] for line in str(mtconnect_adapter.SAMPLE).splitlines() if line[:1] == "2" and "|" in line
    ]
    return rows.select(pl.format("{}|{}", utc(), pick(random, words, n))).to_series()


def bare_lines(pattern: str) -> Bare:
    def run(log: Path, out: Path) -> None:
        groups = pl.scan_lines(log, name="line").select(pl.col("line").str.extract_groups(pattern))
        groups.unnest("line").sink_parquet(out)

    return run


def bare_json(log: Path, out: Path) -> None:
    pl.scan_ndjson(log).sink_parquet(out)


def bare_split(log: Path, out: Path) -> None:
    pl.scan_lines(log, name="line").select(pl.col("line").str.split("|")).sink_parquet(out)


def bare_parquet(log: Path, out: Path) -> None:
    pl.scan_parquet(log).sink_parquet(out)


KINDS: dict[str, tuple[str, str, Lines, Bare]] = {
    "json_lines": ("a.jsonl", json_lines.SAMPLE_SOURCE, json_rows, bare_json),
    "key_value": ("a.kv", key_value.SAMPLE_SOURCE, pair_rows, bare_lines(PAIRS)),
    "syslog": ("a.log", syslog.SAMPLE_SOURCE, syslog_rows, bare_lines(SYSLOG)),
    "mtconnect_adapter": ("a.txt", mtconnect_adapter.SAMPLE_SOURCE, adapter_rows, bare_split),
    "parquet": ("a.parquet", parquet.SAMPLE_SOURCE, json_rows, bare_parquet),
}


def write_plant(folder: Path, kind: str, lines: int) -> Path:
    """Write a plant folder with one log of so many lines; returns the log."""
    name, source, make, _ = KINDS[kind]
    log = folder / "inbox" / name
    for part in ("inbox", "sources"):
        (folder / part).mkdir(parents=True)
    (folder / "plant.toml").write_text('zone = "Europe/Berlin"\nday_start = "06:00"\n')
    source = "\n".join(
        f'files = ["inbox/{name}"]' if line.startswith("files =") else line for line in source.splitlines()
    )
    (folder / "sources" / f"{kind}.toml").write_text(source)
    with log.open("wb") as file:
        for first in range(0, lines, CHUNK):
            file.write(make(first, min(CHUNK, lines - first)).str.join("\n").item().encode() + b"\n")
    if kind == "parquet":
        rows = pl.read_ndjson(log).select(
            pl.col("at").str.to_datetime("%Y-%m-%dT%H:%M:%S%.3fZ", time_zone="UTC"), pl.col("no").alias("n"), "event",
            pl.struct(
                pl.col("data").struct.field("volume").struct.field("value").alias("volume"),
                pl.col("data").struct.field("ok"),
            ).alias("result"),
        )  # fmt: skip
        rows.write_parquet(log)
    return log


def run_bare(folder: Path, kind: str) -> dict[str, float]:
    """Take the log apart and write Parquet: nothing else."""
    name, _, _, bare = KINDS[kind]
    begin, cpu = time.perf_counter(), time.process_time()
    bare(folder / "inbox" / name, folder / "bare.parquet")
    return {"seconds": time.perf_counter() - begin, "cpu_s": time.process_time() - cpu}


def measured(what: str, folder: Path, kind: str) -> dict[str, float]:
    """Run one measurement in a fresh process."""
    done = subprocess.run(
        [sys.executable, __file__, "--run", what, str(folder), kind], capture_output=True, text=True, check=False
    )
    if done.returncode:
        raise SystemExit(done.stderr)
    result: dict[str, float] = json.loads(done.stdout)
    shutil.rmtree(folder / "store", ignore_errors=True)
    (folder / "bare.parquet").unlink(missing_ok=True)
    return result


def bench(kind: str, lines: int, repeat: int) -> dict[str, float]:
    """Measure one format; prints as it goes."""
    with tempfile.TemporaryDirectory() as temp:
        folder = Path(temp) / "plant"
        size = write_plant(folder, kind, lines).stat().st_size
        runs = [(measured("load", folder, kind), measured("bare", folder, kind)) for _ in range(repeat)]
    load, bare = ({key: statistics.median(r[n][key] for r in runs) for key in runs[0][n]} for n in (0, 1))
    found = {"lines": lines, "log_mb": size / 1e6, "ratio": load["seconds"] / bare["seconds"]}
    found["cpu_ratio"] = load["cpu_s"] / bare["cpu_s"]
    found |= {f"load_{key}": value for key, value in load.items()} | {f"bare_{key}": v for key, v in bare.items()}
    took = f"load {load['seconds']:6.2f} s   bare {bare['seconds']:6.2f} s   ratio {found['ratio']:5.2f}"
    peak = f"(processor time {found['cpu_ratio']:5.2f})   peak {load['rss_mb']:5.0f} MB"
    print(f"{kind:17} {lines:>10,} lines {size / 1e6:5.0f} MB   {took} {peak}", flush=True)
    return found


def main() -> None:
    if sys.argv[1:2] == ["--run"]:
        what, folder, kind = sys.argv[2:]
        result = (run_load if what == "load" else run_bare)(Path(folder), kind)
        print(json.dumps({**result, "rss_mb": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024}))
        return
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--lines", type=int, default=2_000_000)
    parser.add_argument("--repeat", type=int, default=3)
    parser.add_argument("--json", type=Path, help="write the figures here, too")
    args = parser.parse_args()
    found = {kind: bench(kind, args.lines, args.repeat) for kind in KINDS}
    if args.json:
        args.json.write_text(json.dumps(found, indent=1))


if __name__ == "__main__":
    main()
