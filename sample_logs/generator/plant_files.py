"""plant.toml and cells/*.toml of the sample plant, as text."""

from __future__ import annotations

from collections.abc import Mapping

from sample_logs.generator import catalogue as cat

PLANT = """\
name = "Kitchenware works"
zone = "Europe/Berlin"
day_start = "06:00"
cells = [{cells}]

[privacy]
operators = "pseudonym"

# The robot cell runs bulk products through its breaks; only hand-fed products stop. Its nights are unmanned.
[[shifts]]
name = "early"
start = "06:00"
end = "14:00"
days = ["mon", "tue", "wed", "thu", "fri", "sat"]
cells = [{spoons}]
breaks = [
    {{ start = "09:00", end = "09:15" }},
    {{ start = "11:30", end = "12:00", only = "hand_fed" }},
]

[[shifts]]
name = "late"
start = "14:00"
end = "22:00"
days = ["mon", "tue", "wed", "thu", "fri", "sat", "sun"]
cells = [{spoons}]
breaks = [
    {{ start = "17:00", end = "17:10" }},
    {{ start = "18:30", end = "19:00", only = "hand_fed" }},
]

[[shifts]]
name = "night"
start = "22:00"
end = "06:00"
days = ["mon", "tue", "wed", "thu", "fri", "sat", "sun"]
cells = [{spoons}]
unmanned = true

[[shifts]]
name = "morning"
start = "06:00"
end = "14:00"
days = ["mon", "tue", "wed", "thu", "fri", "sat"]
cells = [{timers}]
breaks = [
    {{ start = "09:00", end = "09:15" }},
    {{ start = "12:00", end = "12:30" }},
]

[[shifts]]
name = "evening"
start = "14:00"
end = "22:00"
days = ["mon", "tue", "wed", "thu", "fri", "sat", "sun"]
cells = [{timers}]
breaks = [
    {{ start = "17:00", end = "17:15" }},
    {{ start = "19:30", end = "20:00" }},
]
{exceptions}{planned_stops}"""

EXCEPTION = """
[[exceptions]]
date = {date}
shift = "{shift}"
start = "15:00"
end = "22:00"
breaks = [ {{ start = "18:30", end = "19:00" }} ]
"""

PLANNED_STOP = """
[[planned_stops]]
cell = "{cell}"
start = {start}
end = {end}
cause = "planned maintenance"
"""

CELL = """\
name = "{name}"
title = "{title}"
outlet = "{outlet}"
unit = "{unit}"
micro_stop_s = 60
silent_stop_s = 4
start_up_parts = 3
lost_after_h = 24
"""


def plant_toml(spoons: list[str], timers: list[str], sundays: list[str], stops: list[tuple[str, str, str]]) -> str:
    """Return plant.toml for these cells, exceptions on `sundays` and planned stops (cell, start, end in local time)."""
    exceptions = "".join(EXCEPTION.format(date=date, shift=shift) for date in sundays for shift in ("late", "evening"))
    planned = "".join(PLANNED_STOP.format(cell=cell, start=start, end=end) for cell, start, end in stops)
    names = [name for pair in zip(spoons, timers, strict=False) for name in pair] + spoons[len(timers) :]
    return PLANT.format(
        cells=_quoted(names),
        spoons=_quoted(spoons),
        timers=_quoted(timers),
        exceptions=exceptions,
        planned_stops=planned,
    )


def spoon_toml(name: str, copy: int) -> str:
    """Return the cell file of a measuring-spoon cell."""
    source = {base: cat.copy_name(base, copy) for base in ("robots", "press", "cellplc", "gauge", "host")}
    source["host"] = "host"
    text = CELL.format(name=name, title=_title("Measuring-spoon cell", copy), outlet="tray", unit="spoon")
    flow = [
        ("bowl1", "feeder", [], "cellplc"),
        ("bowl2", "feeder", [], "cellplc"),
        ("bowl3", "feeder", [], "cellplc"),
        ("hand", "manual", [], "cellplc"),
        ("cam", "inspection", ["bowl1", "bowl2", "bowl3", "hand"], "cellplc"),
        ("robA", "robot", ["cam", "press"], "robots"),
        ("press", "machine", ["robA"], "press"),
        ("pass", "handover", ["robA"], "robots"),
        ("robB", "robot", ["pass", "clean", "gauge"], "robots"),
        ("clean", "machine", ["robB"], "robots"),
        ("gauge", "gauge", ["robB"], "gauge"),
        ("tray", "carrier", ["robB"], "cellplc"),
    ]
    for station, kind, before, log in flow:
        extra = {"press": 'nests = ["1", "2"]\n', "cam": "entry = true  # here a part gets its number\n"}
        text += _station(station, kind, before, source[log], extra.get(station, ""))
    for made in cat.SPOON_SETS:
        for size in cat.SIZES:
            limits = _volume(size)
            text += _product(f"{made.name}-{size}", made.name, made, limits)
        members = ", ".join(f"{made.name}-{size} = 1" for size in cat.SIZES)
        text += f'\n[[sets]]\nname = "{made.name}"\nmembers = {{ {members} }}\n'
    text += _causes((*cat.CELL_ALARMS, *cat.SPOON_ALARMS), cat.SPOON_REJECTS)
    return text + _sources([source[s] for s in ("robots", "press", "cellplc", "gauge")])


def timer_toml(name: str, copy: int) -> str:
    """Return the cell file of a kitchen-timer line."""
    line, tester = cat.copy_name("line", copy), cat.copy_name("tester", copy)
    text = CELL.format(name=name, title=_title("Kitchen-timer line", copy), outlet="test", unit="timer")
    before: list[str] = []
    for station in cat.TIMER_STATIONS:
        if before:
            belt = f"belt_{station}"
            text += _station(belt, "buffer", before, line, f"capacity = {cat.BELT_PLACES[station]}\n")
            before = [belt]
        text += _station(station, "inspection" if station == "test" else "machine", before, line, "")
        before = [station]
    for made in cat.TIMER_PRODUCTS:
        text += _product(made.name, None, made, "")
    text += _causes((*cat.CELL_ALARMS, *cat.TIMER_ALARMS), cat.TIMER_REJECTS)
    return text + _sources([line, tester])


def _title(text: str, copy: int) -> str:
    return text if copy == 0 else f"{text} {copy + 1}"


def _quoted(names: list[str]) -> str:
    return ", ".join(f'"{name}"' for name in names)


def _station(name: str, kind: str, before: list[str], source: str, extra: str) -> str:
    flow = f"from = [{_quoted(before)}]\n" if before else ""
    return f'\n[[stations]]\nname = "{name}"\nkind = "{kind}"\n{extra}{flow}sources = ["{source}"]\n'


def _product(name: str, of: str | None, made: cat.SetProduct, extra: str) -> str:
    cycles = ", ".join(f"{station} = {ms / 1000}" for station, ms in made.cycle_ms.items())
    member = f'set = "{of}"\n' if of else ""
    return (
        f'\n[[products]]\nname = "{name}"\n{member}takt_s = {made.takt_ms / 1000}\n'
        f"hand_fed = {str(made.hand_fed).lower()}\ncycle_s = {{ {cycles} }}\n{extra}"
    )


def _volume(size: str) -> str:
    nominal = cat.VOLUME_ML[size]
    low, high = nominal * (1 - cat.TOLERANCE), nominal * (1 + cat.TOLERANCE)
    return f'characteristics = {{ volume_ml = {{ low = {low:g}, high = {high:g}, unit = "ml" }} }}\n'


def _causes(alarms: tuple[cat.Alarm, ...], rejects: Mapping[str, str]) -> str:
    rows = [(a.code, a.text, a.line, a.station) for a in alarms]
    rows += [(code, text, "none", None) for code, text in rejects.items()]
    rows += [(code, text, line, None) for code, (text, line) in cat.REASONS.items()]
    text = ""
    for code, words, line, station in rows:
        blame = f'station = "{station}"\n' if station else ""
        text += f'\n[[causes]]\ncode = "{code}"\ntext = "{words}"\nline = "{line}"\n{blame}'
    return text


def _sources(names: list[str]) -> str:
    return "".join(f'\n[[sources]]\nname = "{name}"\nsilence_s = 150\n' for name in names)
