"""What a field is: a running number, a code, a station, a part … and the words that were seen in it."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

import polars as pl

from ingest.draft.sample import FILE, PART
from ingest.draft.shares import share_of
from ingest.draft.times import DATE

SHOWN_WORDS: Final = 12
FEW: Final = 40

# Names of fields, English and German, by which their meaning is guessed; the first that fits counts.
NAMES: Final = (
    ("seq", r"^(no|nr|num|number|seq|seqno|sequence|lfd.?nr|lfdnr|counter_no|msg_?no|row|line_?no|index|idx|record)$"),
    ("operator", r"operator|bediener|^user(name)?$|werker|employee|personal|badge|login"),
    ("order", r"order|auftrag|^job|^wo$|work_?order"),
    ("product", r"prod|artikel|article|recipe|rezept|variant|variante|model|sku|part_?(no|number|type)$|material"),
    ("carrier", r"carrier|tray|pallet|palette|magazin|wt$|werkst.ckträger|rack"),
    ("part", r"^part|teil|^item|serial|^sn$|s_?n$|dmc|barcode|piece|workpiece|werkst|uid$|uuid|^id$|unit_?id|"
             r"wpc|label"),
    ("nest", r"nest|cavity|kavit|spindle|slot|fixture|^place$"),
    ("code", r"code|alarm|^err|fault|fehler|störung|stoerung|cause|reason|grund|msg_?(id|nr)|event_?id"),
    ("result", r"result|verdict|ergebnis|quality|^ok$|pass|judg|bewertung|outcome"),
    ("state", r"^state|status|zustand|^mode|betriebsart|phase|condition"),
    ("level", r"level|severity|^lvl|prio"),
    ("station", r"station|^st$|unit$|machine|maschine|platz|^zelle|module|device|ger.t|resource|equipment|robot|"
                r"axis|logger|source|quelle|host|^app$|thread|component|arbeitsplatz|anlage"),
    ("event", r"^ev|event|^msg$|msgid|action|aktion|ereignis|wort|^what|^type$|^kind$|vorgang|operation|^op$|meldung|"
              r"^name$|activity|transition"),
    ("measured", r"value|wert$|torque|moment|force|kraft|temp|pressure|druck|weight|gewicht|_mm$|_ms$|_s$|_nm$|"
                 r"sec|dau?er|dur|count|zähler|zaehler|stück|stueck|"
                 r"duration|took|time_?ms|volume|length|angle|winkel|speed"),
    ("text", r"text|message|beschreibung|descr|comment|bemerkung|info|rest|detail"),
)  # fmt: skip
LEVELS: Final = frozenset(
    [
        "debug",
        "info",
        "information",
        "notice",
        "warn",
        "warning",
        "error",
        "err",
        "fatal",
        "critical",
        "trace",
        "alarm",
        "severe",
        "fine",
        "i",
        "w",
        "e",
        "d",
    ]
)
VERDICTS: Final = {
    "ok": "good", "pass": "good", "passed": "good", "good": "good", "gut": "good", "io": "good", "i.o.": "good",
    "true": "good", "accept": "good", "nok": "reject", "ng": "reject", "fail": "reject", "failed": "reject",
    "bad": "reject", "schlecht": "reject", "nio": "reject", "n.i.o.": "reject", "false": "reject", "reject": "reject",
    "rework": "rework", "nacharbeit": "rework", "removed": "removed",
}  # fmt: skip
STATE_WORDS: Final = {
    "run": "running", "running": "running", "busy": "running", "active": "running", "working": "running",
    "executing": "running", "läuft": "running", "produktion": "running", "production": "running", "execute": "running",
    "starved": "starved", "wait_part": "starved", "no_part": "starved", "waiting": "starved", "blocked": "blocked",
    "full": "blocked", "stop": "stopped", "stopped": "stopped", "fault": "stopped", "error": "stopped",
    "störung": "stopped", "alarm": "stopped", "faulted": "stopped", "down": "stopped", "halt": "stopped",
    "estop": "safety", "e-stop": "safety", "emergency": "safety", "emergency_stop": "safety", "not-halt": "safety",
    "nothalt": "safety", "setup": "setup", "rüsten": "setup", "changeover": "setup", "no_material": "waiting_material",
    "material": "waiting_material", "idle": "idle", "standby": "idle", "ready": "idle", "bereit": "idle",
    "off": "off", "aus": "off", "pause": "off", "empty": "waiting_material", "feeding": "running",
    "leer": "waiting_material", "unavailable": "unknown", "unknown": "unknown",
}  # fmt: skip
MODE_WORDS: Final = {
    "auto": "automatic", "automatic": "automatic", "automatik": "automatic", "manual": "manual", "hand": "manual",
    "setup": "setup", "einrichten": "setup", "off": "off", "aus": "off",
}  # fmt: skip
UNITS: Final = frozenset(
    [
        "us",
        "ms",
        "s",
        "min",
        "h",
        "um",
        "mm",
        "cm",
        "m",
        "ul",
        "ml",
        "cl",
        "l",
        "mg",
        "g",
        "kg",
        "t",
        "mn",
        "n",
        "kn",
        "nmm",
        "ncm",
        "nm",
        "pa",
        "kpa",
        "mbar",
        "bar",
        "mpa",
        "%",
        "degc",
        "k",
        "pcs",
        "pieces",
        "sets",
        "stk",
    ]
)
_CODE: Final = r"^[A-Z]{1,4}[-_]?[0-9]{3,6}$"
_UNIT_NAME: Final = r"^[A-Za-z]{1,8}[-_]?[0-9]{1,2}$"


@dataclass(slots=True)
class Field:
    """What is known of a field: `role` (see NAMES; also number, words, constant), how sure, and what was seen.

    n        records in which it is there, of `of`
    sure     share of these that look like the role
    words    the most frequent words and how often they were seen; none for names of persons
    """

    name: str
    role: str
    n: int
    of: int
    distinct: int
    sure: float = 1.0
    words: list[tuple[str, int]] = field(default_factory=list)
    numeric: bool = False
    low: str = ""
    high: str = ""
    rising: bool = False

    @property
    def few(self) -> bool:
        """Whether it takes few values: a candidate for a vocabulary."""
        return 0 < self.distinct <= FEW and (self.distinct <= 4 or self.n >= 2.5 * self.distinct)


def look_at(frame: pl.DataFrame, names: Sequence[str]) -> dict[str, Field]:
    """Look at the fields of a frame of records (columns file, piece, line and the fields)."""
    return {name: _look(frame, name) for name in names}


def _look(frame: pl.DataFrame, name: str) -> Field:
    words = frame[name].drop_nulls()
    words = words.filter(words != "")
    n = len(words)
    counts = words.value_counts(sort=True, name="\x00n")
    found = Field(name, "", n, frame.height, counts.height)
    found.words = [(str(w), int(c)) for w, c in counts.head(FEW).iter_rows()]
    if not n:
        found.role = "empty"
        return found
    numbers = words.str.replace(",", ".", literal=True).cast(pl.Float64, strict=False)
    is_number = share_of(numbers.is_not_null())
    found.numeric = is_number == 1.0
    if found.numeric:
        low, high = numbers.arg_min(), numbers.arg_max()
        found.low, found.high = (str(words[i]) if i is not None else "" for i in (low, high))
    whole = found.numeric and bool(words.str.contains("^[0-9]{1,18}$").all())
    rising = 0.0
    if whole and n > 2:
        steps = frame.select(FILE, PART, pl.col(name).cast(pl.Int64, strict=False).alias("v")).drop_nulls()
        diff = steps.filter(pl.col("v").diff().over(FILE, PART).is_not_null()).height
        up = steps.select((pl.col("v").diff().over(FILE, PART) > 0).sum()).item()
        near = steps.select((pl.col("v").diff().over(FILE, PART) == 1).sum()).item()
        rising = up / diff if diff else 0.0
        found.rising = rising > 0.95 and (near > 0.5 * diff or bool(re.match(NAMES[0][1], name.lower())))
    found.role, found.sure = _role(found, words, is_number, rising)
    if found.role == "operator":
        found.words = []
    return found


def lower_of(words: pl.Series) -> pl.Series:
    """The words in small letters."""
    return words.str.to_lowercase()


def _role(found: Field, words: pl.Series, is_number: float, rising: float) -> tuple[str, float]:
    """Guess what a field is by its words, then by its name."""
    last = re.split(r"[./]", found.name)[-1].lower()
    named = next((role for role, pattern in NAMES if re.search(pattern, last)), "")
    if found.rising and found.n > 0.5 * found.of and found.distinct > 0.9 * found.n and named == "":
        return ("seq" if re.fullmatch("c[0-9]+", found.name) else "part"), rising
    if named == "seq":
        return (
            "seq"
            if rising > 0.9 and is_number == 1.0
            else "number"
            if is_number == 1.0
            else "words"
            if found.few
            else "text"
        ), max(rising, 0.5)
    if share_of(words.head(500).str.contains(f"^{DATE}(?:[T_ ].*)?$")) > 0.9:
        return "time", 1.0
    if found.few and share_of(lower_of(words).is_in(list(UNITS))) > 0.9:
        return "unit", 1.0
    lower = words.str.to_lowercase()
    if found.few:
        for role, known in (("level", LEVELS), ("result", VERDICTS.keys())):
            share = share_of(lower.is_in(list(known)))
            if share > 0.9 and not (role == "level" and found.distinct == 1):
                return role, share
    for role, pattern in NAMES:
        if role == "seq" or not re.search(pattern, last):
            continue
        if role in ("station", "state", "event", "level", "result") and not found.few:
            continue
        if role == "measured" and not found.numeric:
            continue
        if role in ("station", "event", "state") and found.numeric and "." in "".join(w for w, _ in found.words):
            continue
        if role == "text" and found.numeric:
            continue
        if role == "code" and found.numeric and any(mark in w for w, _ in found.words for mark in ".,"):
            continue
        if role in ("part", "event") and found.distinct == 1 and found.n > 5:
            return "constant", 1.0
        return role, 1.0
    codes = share_of(words.str.contains(_CODE))
    states = share_of(lower.is_in(list(STATE_WORDS)))
    units = share_of(words.str.contains(_UNIT_NAME))
    if found.few and 1 < found.distinct <= 30 and units > 0.6 and found.n > 0.5 * found.of:
        return "station", units
    if found.few and states > 0.8 and found.distinct > 1:
        return "state", states
    if found.distinct == 1:
        return "constant", 1.0
    if not found.few and found.n > 20 and found.distinct > max(0.02 * found.n, 10):
        long = share_of(words.str.contains(r"^[A-Za-z0-9_/.-]*[0-9]{4,}[A-Za-z0-9_/.-]*$"))
        if long > 0.9 and not (is_number == 1.0 and words.str.contains("[.,]").any()):
            return "part", long
    if is_number > 0.98:
        return "number", is_number
    if codes > 0.9:
        return "code", codes
    if found.few:
        return "words", 1.0
    return "text", 1.0
