"""A small plant for the tests of app: what `taktbook new` writes, with a slow cell and one shift of logs."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path

from app.commands.new import write_plant

DAY = "2026-10-20"  # a Tuesday
SHIFT_S = 8 * 3600
CYCLE_S = 60
STOPS = ((7 * 3600 // 2, 30, "A1"), (9 * 3600 // 2, 600, "A1"), (6 * 3600, 120, "E1"))
"""Seconds after 06:00, length in seconds, alarm code: a short stop, a breakdown and an emergency stop."""
SCRATCHED = (5, 100, 101, 300)

SAFETY_CAUSE = """
[[causes]]
code = "E1"
text = "emergency stop"
line = "safety_stop"
"""


def write_small_plant(folder: Path, *, logs: bool = True, garbage: bool = False) -> Path:
    """Write the plant; its cell makes one part a minute, so that a shift is some 2,000 lines."""
    write_plant(folder)
    cell = folder / "cells" / "cell1.toml"
    text = cell.read_text(encoding="utf-8").replace("takt_s = 10.0", "takt_s = 60.0")
    text = text.replace("press = 10.0, pack = 8.0", "press = 58.0, pack = 20.0")
    cell.write_text(text + SAFETY_CAUSE, encoding="utf-8")
    if logs:
        write_log(folder, DAY, garbage=garbage)
    return folder


def write_log(folder: Path, day: str, *, garbage: bool = False, minutes: int = SHIFT_S // 60) -> Path:
    """Write the log of the early shift of a day."""
    start = datetime.fromisoformat(f"{day} 06:00:00")
    said: list[tuple[datetime, str]] = [(start + timedelta(seconds=60 * n), "alive") for n in range(minutes)]
    free_s, part = 5.0, 0
    while free_s < minutes * 60 - CYCLE_S:
        part += 1
        began, ended = free_s, free_s + 58
        for at_s, length_s, code in STOPS:
            if began <= at_s < ended:
                said.append((start + timedelta(seconds=at_s), f"press alarm on {code} words of the controller"))
                said.append((start + timedelta(seconds=at_s + length_s), f"press alarm off {code}"))
                ended += length_s
        name = f"P{day[-2:]}{part:04d}"
        said += [
            (start + timedelta(seconds=began), f"press start {name} dish"),
            (start + timedelta(seconds=ended), f"press end {name}"),
            (start + timedelta(seconds=ended + 0.5), f"press out {name}"),
            (start + timedelta(seconds=ended + 1), f"pack start {name} dish"),
            (start + timedelta(seconds=ended + 21), f"pack end {name}"),
            (start + timedelta(seconds=ended + 21.5), f"pack out {name}"),
        ]
        if part in SCRATCHED:
            said.append((start + timedelta(seconds=ended + 21.2), f"pack reject {name} scratch"))
        free_s = ended + 2
    lines = [
        f"{at:%Y-%m-%d %H:%M:%S},{at.microsecond // 1000:03d} #{n} {words}"
        for n, (at, words) in enumerate(sorted(said))
    ]
    if garbage:
        lines[30:30] = ["@@@@ controller restarted @@@@", "2026-10-20 06:00:99,000 #7 alive"]
    path = folder / "inbox" / "example" / f"{day}.log"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path
