"""One palette: a colour, a height and a short mark for each line of the account, with the same meaning everywhere.

Hue says the family (own stops, change, waiting for others, flow, speed, quality, unknown), lightness the member. Height
and mark say it again without colour: idling is a low strip, work a medium one, a stop fills its lane, and what is not
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
    "good": Look("#a9d9ca", 0.56, ""),
    "fast_cycle": Look("#dbf5f0", 0.56, "F"),
    "plan_gap": Look("#5d9991", 0.56, "PG"),
    "slow_cycle": Look("#d59ab8", 0.66, "SL"),
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
    "no_order": Look("#aed4f6", 0.76, "NO"),
    "planned_stop": Look("#8a7660", 0.88, "P"),
    "starved": Look("#f6eab8", 0.44, "ST"),
    "blocked": Look("#d9c68a", 0.44, "BL"),
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

APP_STYLE: Final = f"""
.block-container {{ max-width: 1240px; padding-top: 4.2rem; padding-bottom: 4rem; }}
.st-key-statement [data-testid="stHorizontalBlock"] {{ gap: 0.6rem; align-items: center; min-height: 1.9rem; }}
.st-key-statement button {{ padding: 0; min-height: 1.7rem; justify-content: flex-start; }}
.st-key-statement button p {{ text-align: left; font-size: 1rem; }}
.block-container h3 {{ font-size: 1.15rem; padding: 1.2rem 0 0.2rem; }}
.tb-title {{ font-size: 1.35rem; font-weight: 650; color: {INK}; margin: 0; line-height: 1.35; }}
.tb-finding {{ font-size: 1.3rem; font-weight: 650; color: {INK}; margin: 0.4rem 0 0.6rem; line-height: 1.35; }}
.tb-also {{ margin: 0 0 0.3rem; max-width: 60rem; }}
.tb-caution {{ border-left: 4px solid {INK}; padding: 0.3rem 0.8rem; margin: 0.6rem 0; max-width: 60rem; }}
.tb-quiet {{ color: {QUIET}; font-size: 0.9rem; }}
.tb-n {{ text-align: right; font-variant-numeric: tabular-nums; white-space: nowrap; }}
.tb-strong {{ font-weight: 650; }}
.tb-detail {{ color: {QUIET}; }}
.tb-rule {{ border-top: 1.5px solid {INK}; margin: 0.15rem 0; }}
.tb-thin {{ border-top: 1px solid {RULE}; margin: 0.6rem 0; }}
.tb-sign {{ display: inline-block; width: 1.05rem; }}
.tb-chip {{ display: inline-block; width: 0.8rem; height: 0.8rem; border-radius: 2px; margin-right: 0.5rem;
  vertical-align: -1px; box-sizing: border-box; }}
.tb-legend {{ display: flex; flex-wrap: wrap; gap: 0.2rem 1.2rem; }}
.tb-item {{ white-space: nowrap; }}
.tb-kpis {{ display: flex; flex-wrap: wrap; gap: 0.4rem 1.6rem; }}
.tb-kpis div {{ min-width: 6.5rem; }}
.tb-kpis b {{ font-weight: 600; font-variant-numeric: tabular-nums; display: block; }}
.tb-kpis small {{ color: {QUIET}; display: block; line-height: 1.25; }}
.tb-table {{ border-collapse: collapse; font-size: 0.92rem; }}
.tb-table td, .tb-table th {{ padding: 0.12rem 1.1rem 0.12rem 0; font-weight: 400; text-align: left; }}
.tb-table .tb-n {{ text-align: right; }}
.tb-table th {{ color: {QUIET}; border-bottom: 1px solid {RULE}; }}
.tb-log {{ font-family: ui-monospace, monospace; font-size: 0.82rem; line-height: 1.45; white-space: pre;
  overflow-x: auto; background: #f6f8f8; padding: 0.6rem 0.8rem; margin: 0; max-height: 26rem; }}
.tb-log .hit {{ background: #f0d264; display: inline-block; min-width: 100%; }}
.tb-log .no {{ color: {QUIET}; }}
"""
"""The look of the pages; classes begin with tb-."""
