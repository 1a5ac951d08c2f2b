"""What the sample cells are: stations, products with planned cycles, alarms and causes."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Alarm:
    """An alarm of a station: code, text, and the line of the account that it stands for."""

    code: str
    station: str | None
    text: str
    line: str = "breakdown"


@dataclass(frozen=True, slots=True)
class SetProduct:
    """A finished product (a set of spoons, or a timer) with its planned cycles in ms per station."""

    name: str
    takt_ms: int
    cycle_ms: dict[str, int]
    hand_fed: bool = False


SIZES = ("s", "m", "l")
VOLUME_ML = {"s": 2.5, "m": 5.0, "l": 15.0}
TOLERANCE = 0.02  # of the volume, both ways
SETS_PER_TRAY = 60

# Planned net cycles; what a cycle takes by nature is a little less (kit.Cell.natural).
_SPOON = {"cam": 1600, "robA": 9000, "press": 17000, "robB": 9300, "clean": 2300, "gauge": 1700, "tray": 1500}


def _spoon(name: str, takt_s: float, press_s: float, rob_s: float, hand_fed: bool = False) -> SetProduct:
    cycles = dict(_SPOON, press=int(press_s * 1000), robA=int(rob_s * 1000))
    return SetProduct(name, int(takt_s * 1000), cycles, hand_fed)


SPOON_SETS = (
    _spoon("aqua", 10.0, 17.0, 9.0),
    _spoon("birch", 10.2, 17.4, 9.1),
    _spoon("coral", 9.8, 16.6, 8.9),
    _spoon("dune", 12.0, 17.8, 9.2, hand_fed=True),
    _spoon("ember", 12.5, 18.2, 9.4, hand_fed=True),
)

TIMER_STATIONS = ("frame", "spring", "gear", "dial", "cap", "test")
BELT_PLACES = {"frame": 0, "spring": 3, "gear": 3, "dial": 4, "cap": 3, "test": 4}  # places before the station


def _timer(name: str, takt_s: float, *cycles_s: float) -> SetProduct:
    cycles = {station: int(s * 1000) for station, s in zip(TIMER_STATIONS, cycles_s, strict=True)}
    return SetProduct(name, int(takt_s * 1000), cycles)


TIMER_PRODUCTS = (
    _timer("dome-60", 13.7, 13.4, 13.1, 13.6, 13.3, 12.8, 13.7),
    _timer("cube-60", 13.7, 13.2, 13.5, 13.4, 13.7, 12.6, 13.5),
    _timer("pear-90", 14.1, 13.8, 13.3, 14.1, 13.5, 12.9, 13.9),
)

CELL_ALARMS = (
    Alarm("E001", None, "emergency stop", "safety_stop"),
    Alarm("C020", None, "order book empty", "no_order"),
    Alarm("C030", None, "waits for restart by a person", "waiting_people"),
)
SPOON_ALARMS = (
    Alarm("3107", "robA", "gripper vacuum low"),
    Alarm("3112", "robA", "part lost on the way"),
    Alarm("3119", "robA", "hose of the gripper torn"),
    Alarm("3207", "robB", "gripper finger not closed"),
    Alarm("3215", "robB", "axis 4 following error"),
    Alarm("3310", "clean", "brush torque high"),
    Alarm("P104", "press", "clamp not closed"),
    Alarm("P120", "press", "marking head too cold"),
    Alarm("P133", "press", "oil pressure low"),
    Alarm("K301", "cam", "picture too dark"),
    Alarm("G101", "gauge", "probe seal leaks"),
    Alarm("T501", "tray", "index not reached"),
    Alarm("F211", "bowl1", "parts jammed"),
    Alarm("F212", "bowl2", "parts jammed"),
    Alarm("F213", "bowl3", "parts jammed"),
    Alarm("W900", "cam", "lamp is to be replaced soon", "none"),
)
TIMER_ALARMS = (
    Alarm("L104", "frame", "frame not seated"),
    Alarm("L207", "spring", "spring not hooked"),
    Alarm("L211", "spring", "winding spindle blocked"),
    Alarm("L312", "gear", "feed finger stuck"),
    Alarm("L403", "dial", "dial not aligned"),
    Alarm("L418", "dial", "servo drive fault"),
    Alarm("L506", "cap", "cap twisted"),
    Alarm("L602", "test", "clamp open"),
)
SPOON_REJECTS = {
    "burr": "burr seen by the camera",
    "scratch": "scratch seen by the camera",
    "faint_mark": "scale too faint",
    "skew_mark": "scale not straight",
    "volume_low": "volume below its limit",
    "volume_high": "volume above its limit",
}
TIMER_REJECTS = {
    "torque_high": "gear train runs heavily",
    "no_ring": "does not ring",
    "short_ring": "rings too short",
}
REASONS = {
    "wait_fitter": ("waiting for a fitter", "waiting_people"),
    "repair": ("repair", "breakdown"),
    "adjust": ("adjusted", "breakdown"),
    "material": ("no material at hand", "waiting_material"),
    "other": ("other", "breakdown"),
}


def copy_name(base: str, copy: int) -> str:
    """Return the name of a cell's or source's n-th copy: spoon, spoon2, spoon3."""
    return base if copy == 0 else f"{base}{copy + 1}"
