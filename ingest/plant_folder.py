"""The few keys of plant.toml that reading logs needs. The whole model of the plant lives in analytics."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from pathlib import Path
from typing import Literal, cast
from zoneinfo import ZoneInfo, available_timezones

from ingest.errors import suggest
from ingest.toml_file import TomlFile, read_toml

Privacy = Literal["pseudonym", "drop", "plain"]
PRIVACY = ("pseudonym", "drop", "plain")


@dataclass(frozen=True, slots=True)
class PlantFolder:
    """Where a plant's files are, its time zone, the start of its production day and what becomes of operators."""

    root: Path
    zone: str
    day_start: time
    operators: Privacy

    @property
    def store(self) -> Path:
        """The folder of the store."""
        return self.root / "store"

    @property
    def sources(self) -> Path:
        """The folder of the source files."""
        return self.root / "sources"

    def day_starts_at(self, day: date) -> datetime:
        """Return the instant (UTC) at which the production day begins."""
        local = datetime.combine(day, self.day_start, ZoneInfo(self.zone))
        return local.astimezone(ZoneInfo("UTC"))

    def day_of(self, at: datetime) -> date:
        """Return the production day of an instant (with its zone)."""
        wall = at.astimezone(ZoneInfo(self.zone)).replace(tzinfo=None)
        return (wall - timedelta(hours=self.day_start.hour, minutes=self.day_start.minute)).date()


def read_plant_folder(root: Path) -> PlantFolder:
    """Read zone, day_start and privacy.operators from `root`/plant.toml.

    Raises InputError when there is no plant.toml, ConfigError when one of these keys is wrong. Other keys are not
    looked at here.
    """
    file = read_toml(root / "plant.toml", "plant.toml")
    zone = check_zone(file)
    start = check_day_start(file)
    operators = check_operators(file)
    file.raise_problems()
    return PlantFolder(root, zone, start, operators)


def check_zone(file: TomlFile) -> str:
    """Return the plant's zone; notes a problem when it is missing or no IANA name."""
    zone = file.data.get("zone")
    if zone is None:
        file.problem(("zone",), "key 'zone' is missing", fix='write the IANA name, e.g. zone = "Europe/Berlin"')
    elif zone not in available_timezones():
        near = suggest(str(zone), available_timezones())
        file.problem(("zone",), "no such time zone", found=zone, allowed="an IANA name such as Europe/Berlin", fix=near)
    else:
        return str(zone)
    return "UTC"


def check_day_start(file: TomlFile) -> time:
    """Return the start of the production day; "00:00" when the key is missing."""
    text = file.data.get("day_start", "00:00")
    if not isinstance(text, str) or not re.fullmatch(r"([01]\d|2[0-3]):[0-5]\d", text):
        file.problem(("day_start",), "not a time of day", found=text, allowed='"00:00" to "23:59", e.g. "06:00"')
        return time(0)
    return time.fromisoformat(text)


def check_operators(file: TomlFile) -> Privacy:
    """Return what becomes of operators' names; "pseudonym" when nothing is said."""
    privacy = file.data.get("privacy", {})
    word = privacy.get("operators", "pseudonym") if isinstance(privacy, dict) else privacy
    if word not in PRIVACY:
        at = ("privacy", "operators")
        file.problem(
            at, "this word is not known", found=word, allowed=", ".join(PRIVACY), fix=suggest(str(word), PRIVACY)
        )
        return "pseudonym"
    return cast(Privacy, word)
