"""Names for the columns of a table without a header: what a column seems to be."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from ingest.draft.fields import Field
from ingest.draft.rules import event_field
from ingest.draft.sniff import Reading
from ingest.draft.time_fields import TimeField

NAMES: Mapping[str, str] = {
    "seq": "no", "station": "station", "event": "event", "part": "part", "code": "code", "state": "state",
    "result": "verdict", "level": "level", "text": "text", "product": "product", "unit": "unit",
}  # fmt: skip


def named_by_role(
    reading: Reading, time: TimeField, fields: Mapping[str, Field]
) -> tuple[Reading, TimeField, dict[str, Field]]:
    """Rename columns c1, c2 … after their roles, as far as that is clear; the first of a role gets its name."""
    event = event_field(fields, max(reading.frame.height, 1))
    new: dict[str, str] = {}
    if len(time.names) == 1:
        new[time.names[0]] = "time"
    else:
        new |= dict(zip(time.names, ("date", "clock"), strict=False))
    for name, f in fields.items():
        wanted = "event" if name == event else NAMES.get(f.role, "")
        if wanted and wanted not in new.values():
            new[name] = wanted
    frame = reading.frame.rename({old: name for old, name in new.items() if old in reading.frame.columns})
    read = {**reading.read, "columns": [new.get(c, c) for c in reading.read["columns"]]}
    notes = {**reading.notes, "columns": "no header: these names are ours, change them as you like"}
    renamed = replace(reading, read=read, frame=frame, fields=[new.get(f, f) for f in reading.fields], notes=notes)
    field = time.field
    for old in time.names:
        field = field.replace("{" + old + "}", "{" + new[old] + "}") if "{" in field else new[old]
    changed = {new.get(n, n): replace(f, name=new.get(n, n)) for n, f in fields.items()}
    if event:
        changed["event"].role = "event"
    return renamed, replace(time, field=field), changed
