"""The check values that the tests of this folder stand on; sources and sureness are named in the file itself."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

CHECKS = tomllib.loads((Path(__file__).parent / "check_values.toml").read_text(encoding="utf-8"))


@dataclass(frozen=True)
class Check:
    """One worked example: inputs, and what must come out of them."""

    name: str

    def __getattr__(self, key: str) -> Any:
        return CHECKS[self.name]["inputs"][key]

    def agrees(self, key: str, value: float) -> bool:
        """Compare with the recomputed value, and with the printed one where there is one."""
        own = CHECKS[self.name]
        want = own["expected"][key]
        printed = own.get("published", {}).get(key)
        close = abs(value - want) <= max(own["tol_abs"], own["tol_rel"] * abs(want))
        return close and (printed is None or abs(value - printed) <= own["published_tol"] * max(1, abs(printed)))
