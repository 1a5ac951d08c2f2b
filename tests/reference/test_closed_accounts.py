"""Accounts in small whose every row is known: a deterministic line, and the split of single cycles."""

from __future__ import annotations

from pathlib import Path

from analytics.account import Window, account
from tests.logs import DAY, at, book, cell, log, shift
from tests.reference.values import CHECKS, Check


def _clock(s: float) -> str:
    return f"06:{int(s) // 60:02d}:{s % 60:09.6f}"


def _line_log(times: list[float], parts: int) -> tuple[str, float]:
    """Log of a saturated line without buffers.

    A part leaves when the next station is empty (blocking after service).
    """
    n = len(times)
    free = [0.0] * (n + 1)  # when each station's place becomes free
    lines, end = [], 0.0
    for k in range(parts):
        leaves = free[0]
        for j in range(n):
            start = leaves
            done = start + times[j]
            leaves = max(done, free[j + 1]) if j + 1 < n else done
            free[j] = leaves
            name = f"s{j + 1}"
            lines += [
                (start, f"{name} starts P{k} product=dish"),
                (done, f"{name} ends P{k}"),
                (leaves, f"{name} out P{k}"),
            ]
            end = max(end, leaves)
    return "\n".join(f"{_clock(s)} {text}" for s, text in sorted(lines, key=lambda x: x[0])), end


def test_deterministic_line(tmp_path: Path):
    """Own recursion (computed): times 40/50/45 s, 10 parts; each station's row adds up to the makespan of 585 s."""
    c = Check("deterministic_line_accounts")
    text, makespan = _line_log(c.times, c.parts)
    model = cell(
        outlet="s3",
        stations=[
            {"name": "s1", "kind": "machine"},
            {"name": "s2", "kind": "machine", "from": ["s1"]},
            {"name": "s3", "kind": "machine", "from": ["s2"]},
        ],
        products=[{"name": "dish", "takt_s": 50, "cycle_s": dict(zip(("s1", "s2", "s3"), c.times, strict=True))}],
    )
    opened = book(tmp_path, log(text), cell_model=model)
    window = Window(DAY, at("06:00:00"), at("06:00:00") + round(makespan * 1e6))
    rows = [account(opened, "a1", window, station=f"s{n}")[0] for n in (1, 2, 3)]
    want = CHECKS[c.name]["expected"]
    assert makespan == want["makespan"]
    assert [r.us("good") / 1e6 for r in rows] == want["working"]
    assert [r.us("blocked") / 1e6 for r in rows] == want["blocked"]
    idle = [
        a + b + d
        for a, b, d in zip(want["starved_before_first"], want["starved_between"], want["idle_after_last"], strict=True)
    ]
    assert [r.us("starved") / 1e6 for r in rows] == idle
    assert all(r.difference_us == 0 for r in rows)


def test_cycle_time_beyond_plan_closes_into_speed_short_stops_and_downtime(tmp_path: Path):
    """Own case (computed): 783.9 s = 415.0 planned + 1.9 speed + 67.0 short stops + 300.0 down."""
    c = Check("gap_split_of_a_cycle")
    now, lines = 0.0, []
    for n, length in enumerate(c.cycle_s):
        lines += [f"{_clock(now)} press starts P{n} product=dish", f"{_clock(now + length)} press ends P{n}"]
        now += length
    # The case counts a stop of exactly the limit as short; our limit is the length at which a breakdown begins.
    model = cell(
        outlet="press", silent_stop_s=c.slow_limit_s, micro_stop_s=c.micro_stop_limit_s + 1e-3,
        stations=[{"name": "press", "kind": "machine"}],
        products=[{"name": "dish", "takt_s": c.ideal_s, "cycle_s": {"press": c.ideal_s}}],
    )  # fmt: skip
    window = Window(DAY, at("06:00:00"), at("06:00:00") + round(now * 1e6))
    (a,) = account(book(tmp_path, log("\n".join(lines)), cell_model=model), "a1", window, station="press")
    assert c.agrees("total", a.planned_busy_us / 1e6)
    assert c.agrees("ideal_time", a.us("good") / 1e6)
    assert c.agrees("speed_loss", a.us("slow_cycle", "fast_cycle") / 1e6)
    assert c.agrees("minor_stop_loss", a.us("micro_stop") / 1e6)
    assert c.agrees("downtime", a.us("breakdown") / 1e6)
    assert c.agrees("closes", a.difference_us)


def test_takt_of_the_bracket_plant():
    """Rother & Shook, Learning to See (1998), from memory: 27,600 s available for 460 pieces is a takt of 60 s."""
    c = Check("takt_learning_to_see")
    from analytics.plan import plan
    from tests.logs import plant

    pauses = [{"start": "10:00", "end": "10:10"}, {"start": "12:00", "end": "12:10"}]
    model = cell()
    tiles = plan(plant(shifts=[{"name": "early", "start": "06:00", "end": "14:00", "breaks": pauses}]), model,
                 shift().from_us, shift().to_us)  # fmt: skip
    busy = tiles.filter((tiles["lane"] == "press") & (tiles["plan"] == "busy"))
    available_s = int((busy["end_us"] - busy["start_us"]).sum()) / 1e6
    assert c.agrees("available_s", available_s)
    assert c.agrees("takt_s", available_s / c.demand_per_shift)
