"""Units that a source may write and taktbook may keep: factor and offset to the first unit of the same row."""

from __future__ import annotations

from typing import Final

UNITS: Final[dict[str, dict[str, tuple[float, float]]]] = {
    "time": {"s": (1, 0), "us": (1e-6, 0), "µs": (1e-6, 0), "ms": (1e-3, 0), "min": (60, 0), "h": (3600, 0)},
    "length": {"mm": (1, 0), "um": (1e-3, 0), "µm": (1e-3, 0), "cm": (10, 0), "m": (1000, 0)},
    "volume": {"ml": (1, 0), "ul": (1e-3, 0), "µl": (1e-3, 0), "cl": (10, 0), "l": (1000, 0)},
    "mass": {"g": (1, 0), "mg": (1e-3, 0), "kg": (1000, 0), "t": (1e6, 0)},
    "force": {"N": (1, 0), "mN": (1e-3, 0), "kN": (1000, 0)},
    "torque": {"Nm": (1, 0), "Ncm": (1e-2, 0), "Nmm": (1e-3, 0)},
    "pressure": {"bar": (1, 0), "mbar": (1e-3, 0), "Pa": (1e-5, 0), "kPa": (1e-2, 0), "MPa": (10, 0)},
    "share": {"1": (1, 0), "%": (0.01, 0)},
    "temperature": {"degC": (1, 0), "°C": (1, 0), "K": (1, -273.15)},
}
SECONDS: Final = UNITS["time"]


def conversion(source: str, target: str) -> tuple[float, float] | None:
    """Return (factor, offset) so that target = source * factor + offset; None when the two do not belong together.

    >>> conversion("ms", "s")
    (0.001, 0.0)
    """
    if source == target:
        return 1.0, 0.0
    for row in UNITS.values():
        if source in row and target in row:
            (f1, o1), (f2, o2) = row[source], row[target]
            return f1 / f2, (o1 - o2) / f2
    return None


def same_kind(unit: str) -> list[str]:
    """Return the units that `unit` can be converted to; empty when it is not known."""
    return next((list(row) for row in UNITS.values() if unit in row), [])
