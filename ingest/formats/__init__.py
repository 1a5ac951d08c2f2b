"""The log formats, one module each. FORMATS is the whole registry: a new format is a module and one word here."""

from __future__ import annotations

from typing import Final, cast

from ingest.formats import (
    delimited,
    json_lines,
    key_value,
    mtconnect,
    mtconnect_adapter,
    ocel,
    parquet,
    spreadsheet,
    sqlite,
    syslog,
    text,
    xes,
)
from ingest.formats.base import Format

FORMATS: Final = tuple(
    cast(Format, module)
    for module in (
        text,
        delimited,
        json_lines,
        key_value,
        sqlite,
        syslog,
        parquet,
        spreadsheet,
        mtconnect,
        mtconnect_adapter,
        xes,
        ocel,
    )
)
BY_NAME: Final[dict[str, Format]] = {f.NAME: f for f in FORMATS}

__all__ = ["BY_NAME", "FORMATS", "Format"]
