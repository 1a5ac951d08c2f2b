"""From seed to plant folder and truth: the one place that knows the sequence."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import simpy

from sample_logs.generator import catalogue as cat
from sample_logs.generator import plant_files
from sample_logs.generator.calendar import FIRST_DAY, Window
from sample_logs.generator.chances import Run
from sample_logs.generator.dialects import DIALECTS, written
from sample_logs.generator.disturb import Disturbance
from sample_logs.generator.files import Written, write_source
from sample_logs.generator.gating import gating_record
from sample_logs.generator.host import write_host
from sample_logs.generator.spoon import LANES as SPOON_LANES
from sample_logs.generator.spoon import SpoonCell
from sample_logs.generator.timer import LANES as TIMER_LANES
from sample_logs.generator.timer import TimerCell
from sample_logs.generator.truth import Truth

SOURCES = {"spoon": ("robots", "press", "cellplc", "gauge"), "timer": ("line", "tester")}
SEED = 2026


def make(
    out: Path,
    days: int = 3,
    cells: int = 2,
    seed: int = SEED,
    say: Callable[[str], None] = lambda text: None,
    level: int | None = None,
    disturb: Disturbance | None = None,
    apart: bool = False,
    gating: bool | None = None,
) -> None:
    """Write `out`/plant (configuration and logs) and `out`/truth.

    Cells alternate: spoon, timer, spoon2, timer2, ... Equal arguments give equal bytes. `level` of compression: by
    default strong for what is committed (up to 3 days) and fast for long runs, which are for benchmarks. `disturb`:
    clocks that are wrong and lines that are lost, doubled, shuffled and garbled, in place of the planted faulty lines.
    `apart`: as in `Run`. `gating`: write the gating record too; by default up to 3 days, it takes memory.
    """
    level = level or (19 if days <= 3 else 3)
    gating = days <= 3 if gating is None else gating
    window = Window(days)
    truth = Truth(window)
    plant = out / "plant"
    ran: list[SpoonCell | TimerCell] = []
    found: list[Written] = []
    for i in range(cells):
        cell = run(window, i, Run(seed, apart=apart, watched=gating))
        ran.append(cell)
        say(f"{cell.name}: {len(cell.rec.parts)} parts")
        found += _write_logs(plant, window, cell, level, disturb)
        truth.add_cell(cell, SPOON_LANES if cell.kind == "spoon" else TIMER_LANES)
    found += write_host(plant / "inbox" / "host" / "host.sqlite", window, ran)
    _write_configuration(plant, window, ran)
    _copy_sources(plant, ran)
    truth.add_logs(found)
    for cell in ran if gating else ():
        truth.add_gating(cell.name, gating_record(cell))  # last: the cell runs on for it
    truth.write(out / "truth")
    say(f"{sum(w.lines for w in found)} lines in {len(found)} files and tables")


def run_cell(window: Window, number: int, seed: int) -> SpoonCell | TimerCell:
    """Run the model of a cell as for the sample."""
    return run(window, number, Run(seed))


def run(window: Window, number: int, how: Run) -> SpoonCell | TimerCell:
    """Run the model of the n-th cell (0: spoon, 1: timer, 2: spoon2, ...) to the end of the window."""
    env = simpy.Environment()
    copy, kind = divmod(number, 2)
    cell: SpoonCell | TimerCell
    if kind == 0:
        cell = SpoonCell(env, window, cat.copy_name("spoon", copy), copy, how)
    else:
        cell = TimerCell(env, window, cat.copy_name("timer", copy), copy, how)
    cell.start()
    env.run(until=window.end)
    cell.close()
    return cell


def _write_logs(
    plant: Path, window: Window, cell: SpoonCell | TimerCell, level: int, disturb: Disturbance | None
) -> list[Written]:
    found = []
    for base in SOURCES[cell.kind]:
        source = cat.copy_name(base, cell.copy)
        if disturb is None:
            lines = written(DIALECTS[base], cell.rec.lines[source], window, cell.dead)
        else:
            clock = disturb.clock(source)
            said = [row for row in cell.rec.lines[source] if not clock.boots(row[0])]
            lines = disturb.lines(source, written(DIALECTS[base], said, window, cell.dead, clock.ahead))
        faults = cell.copy == 0 and disturb is None
        found += write_source(plant / "inbox" / source, source, DIALECTS[base], lines, faults, level)
    return found


def _write_configuration(plant: Path, window: Window, ran: list[SpoonCell | TimerCell]) -> None:
    (plant / "cells").mkdir(parents=True, exist_ok=True)
    stops = []
    for cell in ran:
        text = (plant_files.spoon_toml if cell.kind == "spoon" else plant_files.timer_toml)(cell.name, cell.copy)
        (plant / "cells" / f"{cell.name}.toml").write_text(text, encoding="utf-8", newline="\n")
        if cell.kind == "timer":
            for a, b in cell.scenario.maintenance:
                local = [f"{window.local(t):%Y-%m-%dT%H:%M:%S}" for t in (a, b)]
                stops.append((cell.name, local[0], local[1]))
    dates = [FIRST_DAY + timedelta(day) for day in range(window.days)]
    text = plant_files.plant_toml(
        [cell.name for cell in ran if cell.kind == "spoon"],
        [cell.name for cell in ran if cell.kind == "timer"],
        [date.isoformat() for date in dates if date.weekday() == 6],
        stops,
    )
    (plant / "plant.toml").write_text(text, encoding="utf-8", newline="\n")


def _copy_sources(plant: Path, ran: list[SpoonCell | TimerCell]) -> None:
    """Put the committed source files into the plant, and one for each source of a copied cell."""
    committed = Path(__file__).resolve().parents[1] / "plant" / "sources"
    folder = plant / "sources"
    for base in (*(base for bases in SOURCES.values() for base in bases), "host"):
        origin = committed / f"{base}.toml"
        if not origin.is_file():
            continue
        text = origin.read_text(encoding="utf-8")
        folder.mkdir(parents=True, exist_ok=True)
        if folder.resolve() != committed:
            (folder / origin.name).write_text(text, encoding="utf-8", newline="\n")
        for cell in ran:
            if cell.copy and base in SOURCES[cell.kind]:
                source = cat.copy_name(base, cell.copy)
                own = text.replace(f"inbox/{base}/{base}-", f"inbox/{source}/{source}-")
                own = own.replace(f"inbox/{base}/", f"inbox/{source}/").replace(f'"{cell.kind}"', f'"{cell.name}"')
                (folder / f"{source}.toml").write_text(own, encoding="utf-8", newline="\n")
