"""The [time] table of a draft, with what speaks for it and what is open."""

from __future__ import annotations

from ingest.draft.time_fields import TimeField
from ingest.draft.times import order_of
from ingest.draft.write import beside, comment, percent, plain, quoted
from ingest.timestamps import EPOCHS, parse_times


def time_table(time: TimeField) -> tuple[list[str], int]:
    """Write [time]; returns its lines and how many decisions are open."""
    found = time.format
    first = next(iter(time.words.drop_nulls().head(1)), "")
    out = ["", "[time]"]
    decisions = 0
    out.append(f"field = {quoted(time.field)}")
    if found.question:
        decisions += 1
        out += comment(
            f"DECIDE: {order_of(found.formats[0])} or {' or '.join(order_of(f) for f in found.other)}? "
            f"{found.question}."
        )
        for form in [found.formats[0], *found.other]:
            out += comment(f"  formats = [{quoted(form)}]  reads {plain(first, 40)} as {_shown(time, form)}")
    why = f"{percent(found.share)} of the times are read" + (f"; {found.why}" if found.why else "")
    out += comment(f"{why}. {plain(first, 40)} is read as {_shown(time, found.formats[0])}.")
    out.append("formats = [" + ", ".join(quoted(f) for f in found.formats) + "]")
    if _names_no_zone(time):
        if "utc" in time.field.lower():
            out.append(beside('zone = "UTC"', "the field's name says so"))
        else:
            decisions += 1
            out += comment(
                'DECIDE: these times name no zone. "plant": the clock on the wall; else "UTC" or e.g. "Europe/Berlin"'
            )
            out.append('zone = "plant"')
    return out, decisions


def _shown(time: TimeField, form: str) -> str:
    ts = parse_times(time.words.drop_nulls().head(50), [form], "UTC").ts.drop_nulls()
    if not len(ts):
        return "no time"
    zone = " UTC" if not _names_no_zone(time) else ""
    return f"{ts[0]:%-d %B %Y, %H:%M:%S}".replace("%-d", "") + zone if len(ts) else ""


def _names_no_zone(time: TimeField) -> bool:
    """Whether some times name no zone."""
    forms = [f for f in time.format.formats if f not in EPOCHS and "%z" not in f]
    if not forms:
        return False
    if forms == ["iso8601"] or "iso8601" in forms:
        zoned = time.words.drop_nulls().str.contains(r"(?:[Zz]|[+-][0-9]{2}:?[0-9]{2}|[0-9][+-][0-9]{2})$")
        return not bool(zoned.all()) if forms[0] == "iso8601" and len(forms) == 1 else True
    return True
