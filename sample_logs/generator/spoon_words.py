"""The words of the spoon cell's logs."""

from __future__ import annotations

import json

from sample_logs.generator.records import Part

UNIT = {"robA": "R1", "robB": "R2", "clean": "BR"}

WAITS = {  # reason of a robot's wait -> line of the account
    "PART": "starved",
    "PRESS": "starved",
    "GAUGE": "starved",
    "BRUSH": "starved",
    "PASS": "blocked",
    "TRAY": "carrier_change",
    "CHANGE": "changeover",
    "ORDER": "no_order",
    "PAUSE": "off",
}
FEEDS = {  # state word of a feeder -> line
    "FEEDING": "run",
    "READY": "blocked",
    "EMPTY": "waiting_material",
    "LOADING": "run",
    "WAIT_OPERATOR": "waiting_people",
    "NOT_USED": "no_order",
}


def comma(ms: int) -> str:
    """Return seconds with a decimal comma: 1,52."""
    return f"{ms // 1000},{ms % 1000:03d}"


def measured(ms: int, value: float, part: Part) -> str:
    """Return the gauge's line, without time and number."""
    bad = part.bad_at == "gauge"
    cause = f',"cause":"{part.cause}"' if bad else ""
    ok = "false" if bad else "true"
    result = f'{{"name":"volume","value":{value},"unit":"ml","ok":{ok}{cause}}}'
    return f'"msg":"measured","took_ms":{ms},"result":{result}'


def gauge_alarm(code: str, text: str, on: bool) -> str:
    """Return an alarm line of the gauge, without time and number."""
    alarm = json.dumps({"code": code, "on": on, "text": text}, separators=(",", ":"))
    return f'"msg":"alarm","alarm":{alarm}'
