"""How long does the analysis of a cell take, and how much memory?

    python tests/bench/bench_analysis.py [--days 30] [--seed 7] [--year 365] [--oee-days 10] [--repeat 3] [--json FILE]
                                         [--work DIR]

* `month`: all facts of one cell and so many days of the sample generator (about 210,000 events a day), then all
  analyses of these days, beside a bare reading of the same events (polars: read each day, sort by time, count by
  station and kind) in the same run.
* `year`: the account of a year from kept facts; the account of the month from sums beside that from the facts
  themselves; one more day of logs loaded and derived. `year_store.py` says what the year is made of.
* `oee`: from one raw free-text log to the OEE of each day at a glance, and to the closed account of each day with all
  facts, beside a straightforward pandas script (`oee_plant.py`) on the same file. All must agree within 0.1 points.

Each measurement runs in a process of its own. Time counts without the start of Python; `cpu` is processor time of all
threads, which says more than seconds do where others use the machine, too. Peak memory is that of the process.
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
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
CELL = "spoon"
LAST_LOGS = 2  # logs end at midnight, production days at 06:00: the last day's records are in the last two of each


def timed(work: Callable[[], Any]) -> dict[str, Any]:
    """Do something once; returns seconds, cpu_s, rss_mb and what it returned."""
    begin, cpu = time.perf_counter(), time.process_time()
    told = work()
    return {
        "seconds": time.perf_counter() - begin,
        "cpu_s": time.process_time() - cpu,
        "rss_mb": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
        "told": told,
    }


# ---- what is measured, each in a process of its own


def facts(folder: Path) -> Any:
    """Derive all facts anew."""
    from analytics.book import open_plant

    shutil.rmtree(folder / "store" / "facts", ignore_errors=True)
    return timed(lambda: len(open_plant(folder).build(CELL)))


def studies(folder: Path) -> Any:
    """Do every analysis over all days; `told` are the seconds of each, while another was done beside it."""
    from analytics.book import open_plant
    from analytics.studies.together import together
    from analytics.windows import span_window
    from app.commands.studies import STUDIES

    plant = open_plant(folder)
    days = plant.days(CELL)
    window = span_window(plant.file.day_bounds(days[0])[0], plant.file.day_bounds(days[-1])[1])

    each: dict[str, float] = {}

    def clocked(name: str, load: Callable[[], Any]) -> Callable[..., Any]:
        def study(*asked: Any) -> Any:
            begin = time.perf_counter()
            found = load()(*asked)
            each[name] = time.perf_counter() - begin
            return found

        return study

    def all_of_them() -> dict[str, float]:
        together(plant, CELL, window, {study.NAME: clocked(study.NAME, study.load) for study in STUDIES})
        return each

    return timed(all_of_them)


def bare(folder: Path) -> Any:
    """Read each day's events, sort them by time, count them by station and kind: the least that any analysis does."""
    import polars as pl

    from ingest.store import Store

    store = Store.open(folder / "store")

    def read() -> int:
        rows = 0
        for day in store.days(CELL):
            events = store.events(CELL, [day]).sort("ts_source")
            rows += int(events.group_by("station", "kind").agg(n=pl.len())["n"].sum())
        return rows

    return timed(read)


def month_account(folder: Path, from_facts: bool) -> Any:
    """Close the account of all days, from kept sums or from the facts themselves."""
    from analytics import sums

    if from_facts:
        sums.fits = lambda *day: False
    return year_account(folder)


def year_account(folder: Path) -> Any:
    """Close the account of the cell over all days; the first time of a process, as a command does it."""
    from analytics.account import account
    from analytics.book import open_plant
    from analytics.windows import span_window

    def close() -> list[int]:
        plant = open_plant(folder)
        days = plant.days(CELL)
        window = span_window(plant.file.day_bounds(days[0])[0], plant.file.day_bounds(days[-1])[1])
        (told,) = account(plant, CELL, window)
        assert told.difference_us == 0
        return [len(days), told.lines.height, told.us("good")]

    return timed(close)


def next_day(folder: Path) -> Any:
    """Load what lies in the inbox anew and bring the facts up to date; `told` are the days derived."""
    from analytics.book import open_plant
    from ingest.load import load

    def add() -> int:
        load(folder)
        return len(open_plant(folder).build(CELL))

    return timed(add)


def oee(folder: Path, by: str) -> Any:
    """Get the OEE of each day out of the log; imports are no part of the work."""
    import pandas  # noqa: F401

    from tests.bench import oee_plant

    if by == "pandas":
        return timed(lambda: oee_plant.oee_by_pandas(folder / "inbox" / "packer.log"))
    shutil.rmtree(folder / "store", ignore_errors=True)
    way = oee_plant.oee_by_glance if by == "glance" else oee_plant.oee_by_account
    return timed(lambda: way(folder))


MEASURED: dict[str, Callable[..., Any]] = {
    "facts": facts,
    "studies": studies,
    "bare": bare,
    "account": year_account,
    "month from sums": lambda folder: month_account(folder, False),
    "month from facts": lambda folder: month_account(folder, True),
    "next day": next_day,
    "oee at a glance": lambda folder: oee(folder, "glance"),
    "oee by account": lambda folder: oee(folder, "account"),
    "oee by pandas": lambda folder: oee(folder, "pandas"),
}


def measured(what: str, folder: Path) -> dict[str, Any]:
    """Run one measurement in a fresh process and tell it."""
    done = subprocess.run(
        [sys.executable, __file__, "--run", what, str(folder)], capture_output=True, text=True, check=False, cwd=ROOT
    )
    if done.returncode:
        raise SystemExit(done.stderr)
    found: dict[str, Any] = json.loads(done.stdout)
    print(
        f"  {what:18} {found['seconds']:7.2f} s   cpu {found['cpu_s']:7.2f} s   peak {found['rss_mb']:6.0f} MB",
        flush=True,
    )
    return found


def median(runs: list[dict[str, Any]], key: str = "seconds") -> float:
    return statistics.median(run[key] for run in runs)


# ---- the cases


def generate(work: Path, days: int, seed: int) -> Path:
    """Write the logs of the sample generator's spoon cell, unless they are there."""
    out = work / f"month-{days}-{seed}"
    if not (out / "done").exists():
        print(f"making the logs of {days} days …", flush=True)
        command = [
            sys.executable,
            "-m",
            "sample_logs.generator",
            "--out",
            str(out),
            "--days",
            str(days),
            "--cells",
            "1",
        ]
        subprocess.run([*command, "--seed", str(seed)], check=True, cwd=ROOT, stdout=subprocess.DEVNULL)
        (out / "done").touch()
    return out / "plant"


def month(plant: Path) -> dict[str, Any]:
    """Facts and analyses of a month."""
    from ingest.load import load

    load(plant)
    print("month", flush=True)
    read = measured("bare", plant)
    derived = measured("facts", plant)
    analysed = measured("studies", plant)
    seconds = derived["seconds"] + analysed["seconds"]
    events, days = read["told"], derived["told"]
    print(
        f"  {events:,} events of {days} days: facts and analyses in {seconds:.1f} s (at most 60), peak"
        f" {max(derived['rss_mb'], analysed['rss_mb']):.0f} MB (at most 2048); facts take"
        f" {derived['seconds'] / read['seconds']:.1f} x the bare reading, {derived['seconds'] / days:.2f} s a day"
    )
    for name, took in sorted(analysed["told"].items(), key=lambda item: -item[1]):
        print(f"    {name:16} {took:6.2f} s")
    return {"bare": read, "facts": derived, "studies": analysed, "seconds": seconds}


def year(plant: Path, work: Path, days: int, repeat: int) -> dict[str, Any]:
    """The account of a year, and one more day."""
    from ingest.load import load
    from tests.bench.year_store import stretch

    print("year", flush=True)
    quick = [measured("month from sums", plant) for _ in range(repeat)]
    slow = [measured("month from facts", plant) for _ in range(repeat)]
    assert quick[0]["told"] == slow[0]["told"], "sums and facts tell another account"
    folder = work / "year"
    shutil.rmtree(folder, ignore_errors=True)
    shutil.copytree(plant, folder, ignore=shutil.ignore_patterns("store"))
    held = _hold_back(folder)
    load(folder)
    _take_over_facts(plant, folder)
    stretch(folder, CELL, days)
    closed = [measured("account", folder) for _ in range(repeat)]
    assert closed[0]["told"][0] == days
    for kept, log in held:
        kept.rename(log)
    added = measured("next day", folder)
    again = measured("account", folder)
    print(
        f"  account of {days} days in {median(closed):.2f} s (at most 0.5); one more day in {added['seconds']:.1f} s"
        f" (at most 5), {added['told']} days derived; a month from sums in {median(quick):.2f} s,"
        f" {median(slow) / median(quick):.1f} x as fast as from the facts"
    )
    return {"account": closed, "next day": added, "after": again, "month from sums": quick, "month from facts": slow}


def _hold_back(folder: Path) -> list[tuple[Path, Path]]:
    """Hide the last logs of each source: (where it is, where it belongs)."""
    held = []
    for source in sorted((folder / "inbox").iterdir()):
        logs = sorted(source.iterdir())
        for log in logs[-LAST_LOGS:] if len(logs) > LAST_LOGS else []:  # one log of all days comes as it is
            kept = folder / f"held-{source.name}-{log.name}"
            log.rename(kept)
            held.append((kept, log))
    return held


def _take_over_facts(plant: Path, folder: Path) -> None:
    """Give the days that both have the facts that are there already, but for the last ones, which differ."""
    from analytics.book import open_plant

    for day in open_plant(folder).days(CELL)[:-3]:
        own = Path("store") / "facts" / CELL / day.isoformat()
        shutil.copytree(plant / own, folder / own)
    open_plant(folder).build(CELL)


def free_text(work: Path, days: int, repeat: int) -> dict[str, Any]:
    """From one free-text log to OEE."""
    from tests.bench.oee_plant import write_plant

    folder = work / "oee"
    shutil.rmtree(folder, ignore_errors=True)
    lines = write_plant(folder, days)
    print("oee", flush=True)
    glanced = [measured("oee at a glance", folder) for _ in range(repeat)]
    closed = [measured("oee by account", folder)]
    theirs = [measured("oee by pandas", folder) for _ in range(repeat)]
    base = theirs[0]["told"]
    for told in (glanced[0]["told"], closed[0]["told"]):
        if told.keys() != base.keys() or any(abs(told[day] - base[day]) > 0.001 for day in told):
            raise SystemExit(f"they do not agree: {told} {base}")
    print(
        f"  {lines:,} lines of {days} days: pandas takes {median(theirs) / median(glanced):.2f} x as long as the glance"
        f" (at least 8), by processor time {median(theirs, 'cpu_s') / median(glanced, 'cpu_s'):.2f} x; the closed"
        f" account takes {median(closed) / median(theirs):.2f} x as long as pandas"
    )
    return {"lines": lines, "glance": glanced, "account": closed, "pandas": theirs}


def main() -> None:
    if sys.argv[1:2] == ["--run"]:
        print(json.dumps(MEASURED[sys.argv[2]](Path(sys.argv[3]))))
        return
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--days", type=int, default=30)
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument("--year", type=int, default=365)
    parser.add_argument("--oee-days", type=int, default=10)
    parser.add_argument("--repeat", type=int, default=3)
    parser.add_argument("--work", type=Path, help="keep logs and stores here, for the next time")
    parser.add_argument("--json", type=Path, help="write the figures here, too")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as temp:
        work = args.work or Path(temp)
        work.mkdir(parents=True, exist_ok=True)
        plant = generate(work, args.days, args.seed)
        found = {"month": month(plant), "year": year(plant, work, args.year, args.repeat)}
        found["oee"] = free_text(work, args.oee_days, args.repeat)
    if args.json:
        args.json.write_text(json.dumps(found, indent=1))


if __name__ == "__main__":
    sys.path.insert(0, str(ROOT))
    main()
