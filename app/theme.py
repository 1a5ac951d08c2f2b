"""One palette: a colour, a height and a short mark for each line of the account, with the same meaning everywhere.

Hue says the family (own stops, change, waiting for others, flow, speed, quality, unknown), lightness the member. Height
and mark say it again without colour: work is a low strip, waiting a medium one, a stop fills its lane, and what is not
known is an empty frame. The colours keep apart for people who see red and green alike (tests/app/test_theme.py).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from analytics.lines import LINES


@dataclass(frozen=True, slots=True)
class Look:
    """How a line of the account looks: fill colour, height within its lane (0–1), mark of one or two letters."""

    color: str
    height: float
    mark: str
    filled: bool = True


LOOKS: Final[dict[str, Look]] = {
    "good": Look("#a9d9ca", 0.40, ""),
    "fast_cycle": Look("#dbf5f0", 0.40, "F"),
    "plan_gap": Look("#5d9991", 0.40, "PG"),
    "slow_cycle": Look("#d79bb9", 0.52, "SL"),
    "reject": Look("#7a1c56", 0.64, "R"),
    "start_up_reject": Look("#b45599", 0.64, "RS"),
    "rework": Look("#c9a0d1", 0.64, "RW"),
    "breakdown": Look("#a3341f", 1.00, "B"),
    "micro_stop": Look("#ee8453", 1.00, "S"),
    "safety_stop": Look("#141414", 1.00, "!"),
    "changeover": Look("#4a3a8f", 0.88, "C"),
    "carrier_change": Look("#978be1", 0.88, "CC"),
    "waiting_people": Look("#0b4172", 0.76, "WP"),
    "waiting_material": Look("#387fbc", 0.76, "WM"),
    "no_order": Look("#add4f6", 0.76, "NO"),
    "starved": Look("#f0d264", 0.58, "ST"),
    "blocked": Look("#b08c1a", 0.58, "BL"),
    "no_data": Look("#6f6f6f", 0.88, "?", filled=False),
    "unexplained": Look("#b2aea1", 0.88, "U", filled=False),
}

NOT_PLANNED: Final = Look("#efefef", 1.00, "")
INK: Final = "#1f2a2e"
QUIET: Final = "#66757a"
RULE: Final = "#c9d1d3"
GOOD_LINE: Final = "#0f5c52"
PLANNED_LINE: Final = "#1f2a2e"

STREAMLIT_THEME: Final[dict[str, str]] = {
    "theme.base": "light",
    "theme.primaryColor": "#0f5c52",
    "theme.textColor": INK,
    "theme.font": "sans-serif",
}


def look(line: str) -> Look:
    """The look of a line; a line that has none yet is grey and named by its first letters."""
    return LOOKS.get(line, Look("#8f8f8f", 0.88, line[:2].upper(), filled=False))


def colors(lines: list[str]) -> list[str]:
    """The colours of some lines, in their order."""
    return [look(name).color for name in lines]


ORDER: Final[tuple[str, ...]] = tuple(line.name for line in LINES)
