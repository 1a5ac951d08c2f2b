"""What a message could mean: the event that a draft proposes for it, and the vocabularies that this needs."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

from ingest.draft.fields import MODE_WORDS, STATE_WORDS, VERDICTS, Field

# The first row whose words occur in the message counts. The words of a row are patterns for one whole word.
HINTS: Final = (
    ("alarm_off", "(alarm|fault|fehler|störung|stoerung).?(off|aus|weg|ende|gone)|"
     "alarm.?clear(ed)?|alarm.?gone|fault.?clear(ed)?|alarm.?reset|quittiert|ack(nowledged)?"),
    ("alarm_on", "alarm.?on|alarm|alm|fault|error|err|störung|stoerung|fehler|warning|warn|exception|critical"),
    ("link_down", "disconnect(ed)?|offline|connection.?lost|shutdown|verbindung.?verloren"),
    ("link_up", "alive|heartbeat|boot|booted|login|connected|online|started.?up|startup|ping|watchdog|lebenszeichen"),
    ("reason", "reasons?|grund|gründe|downtimes?"),
    ("plan_start", "planned.?stops?|breaks?|maintenance|pausen?"),
    ("order_end", "order.?(end|done|finished|closed|complete[d]?)|job.?(end|done|finished)|auftrag.?ende"),
    ("order_start", "orders?|jobs?|auftrag|aufträge"),
    ("carrier_end", "(tray|pallet|carrier|magazine|palette).?(out|full|removed|end|left)"),
    ("carrier_start", "(tray|pallet|carrier|magazine|palette).?(in|empty|start|arrived|new)"),
    ("mode", "mode|betriebsart|automatic|automatik"),
    ("state", "state|status|zustand|wait|waits|waiting|idle|starved|blocked|standby|goes "
              "on|stopped|stop|stopp|läuft|pause"),
    ("measurement", "measure|measured|measurement|torque|force|weight|result|drehmoment|kraft|messwert|reading"),
    ("cycle_end",
     "end|ended|done|finish|finished|complete|completed|stop|ende|fertig|beendet|cyc.?end|unload(ed)?|unclamp(ed)?"),
    ("cycle_start",
     "start|starts|started|begin|begins|began|beg|anfang|gestartet|cyc.?(beg|start)|load(ed)?|clamp(ed)?"),
    ("result", "ok|nok|pass|passed|fail|failed|reject|rejected|good|bad|ng|io|nio|verdict|gut|schlecht|scrap"),
    ("part_in", "in|enter|entered|arrive[ds]?|arrival|einlauf|infeed|feed"),
    ("part_out", "out|leave|leaves|left|removed?|auslauf|outfeed|discharge|released?"),
    ("count", "count|counter|cnt|zähler|zaehler|stückzahl"),
)  # fmt: skip
MEANING: Final = {
    "alarm_off": "an alarm clears", "alarm_on": "an alarm rises", "link_down": "the source lost its controller",
    "link_up": "the source lives", "order_end": "an order ends", "order_start": "an order begins",
    "carrier_end": "a carrier leaves", "carrier_start": "a carrier comes", "mode": "the mode changes",
    "reason": "a person names the cause of a stop", "plan_start": "a planned stop begins",
    "state": "the station changes its state", "measurement": "a measured value", "result": "a verdict on a part",
    "cycle_end": "work on a part ends", "cycle_start": "work on a part begins", "part_in": "a part comes in",
    "part_out": "a part goes out", "count": "a counter's reading",
}  # fmt: skip


@dataclass(slots=True)
class Proposal:
    """An event that a message could give: its keys as they would stand in the source file, and by which word."""

    kind: str
    keys: dict[str, str]
    word: str
    open: list[str] = field(default_factory=list)  # what to look at before it is used

    @property
    def meaning(self) -> str:
        """In words."""
        return MEANING.get(self.kind if self.kind != "link" else f"link_{self.keys.get('state')}", self.kind)

    def emit(self) -> str:
        """As the source file writes it."""
        return "{ " + ", ".join(f'{k} = "{v}"' for k, v in {"kind": self.kind, **self.keys}.items()) + " }"


def hinted(words: Iterable[str]) -> tuple[str, str] | None:
    """Return the kind that some words hint at, and the words that do."""
    text = " ".join(words)
    plain = re.sub(r"[^\w.]+", " ", re.sub(r"([a-zäöü])([A-Z])", r"\1 \2", text)).lower()
    both = f"{plain} {plain.replace('_', ' ')} {text.lower()}"
    for kind, pattern in HINTS:
        if m := re.search(rf"(?<!\w)(?:{pattern})(?!\w)", both):
            return kind, m[0]
    return None


@dataclass(slots=True)
class Roles:
    """Which field plays which role for a message."""

    fields: Mapping[str, Field]

    def first(self, *roles: str, few: bool = False) -> str:
        """The name of the first field with one of the roles, or ""."""
        for role in roles:
            fields = list(self.fields.items())
            if role in ("code", "words", "text", "number"):  # the one that is there in few records tells more of these
                fields.sort(key=lambda item: item[1].n)
            if role == "measured":
                fields.sort(key=lambda item: not re.search("value|wert", item[0].lower()))
            for name, f in fields:
                if f.role == role and f.n and (not few or f.few):
                    return name
        return ""


def propose(words: Sequence[str], fields: Mapping[str, Field], vocabularies: set[str]) -> Proposal | None:
    """Propose an event for a message with these words and fields. Adds the vocabularies that it needs."""
    found = hinted(words)
    roles = Roles(fields)
    if found is None:
        if roles.first("state"):
            found = "state", f"field {roles.first('state')}"
        elif state := next((w for w in words if w.lower() in STATE_WORDS), ""):
            found = "state", state
        elif roles.first("result"):
            found = "result", f"field {roles.first('result')}"
        else:
            return None
    kind, word = found
    keys: dict[str, str] = {}
    proposal = Proposal(kind, keys, word)
    if kind.startswith("link_"):
        proposal.kind, keys["state"] = "link", kind.removeprefix("link_")
        return proposal
    if word in ("in", "out") and len(words) > 1 and not roles.first("part"):
        return None
    if kind == "result" and not roles.first("result") and word not in VERDICTS:
        return None
    if station := roles.first("station"):
        keys["station"] = _with("station", station, vocabularies)
    if (nest := roles.first("nest")) and kind not in ("alarm_on", "alarm_off", "mode"):
        keys["nest"] = "{" + nest + "}"
    if kind == "state":
        _state(roles, keys, word, words, proposal, vocabularies)
    if kind == "mode":
        mode = roles.first("state", "words", "text", few=True)
        if mode:
            keys["state"] = _with("mode", mode, vocabularies)
        else:
            keys["state"] = next((MODE_WORDS[w.lower()] for w in words if w.lower() in MODE_WORDS), "automatic")
            proposal.open.append("which mode it is")
    if kind in ("alarm_on", "alarm_off"):
        code = roles.first("code") or next((n for n, f in fields.items() if f.role == "words" and f.n < 0.5 * f.of), "")
        keys["code"] = "{" + code + "}" if code else "_".join(re.findall(r"\w+", " ".join(words)))[:30]
        if kind == "alarm_on" and not re.search("on$|exception", word):
            proposal.open.append("whether it rises or clears")
        if text := roles.first("text"):
            keys["text"] = "{" + text + "}"
    if kind in ("cycle_start", "cycle_end", "part_in", "part_out", "result", "measurement"):
        for role in ("part", "product", "carrier"):
            if name := roles.first(role):
                keys[role] = "{" + name + "}"
    if kind in ("cycle_end", "result", "measurement"):
        if result := roles.first("result", few=True):
            keys["result"] = _with("verdict", result, vocabularies)
        elif verdict := next((VERDICTS[w.lower()] for w in words if w.lower() in VERDICTS), None):
            keys["result"] = verdict
        if kind != "measurement" and (cause := roles.first("code")):
            keys["cause"] = "{" + cause + "}"
    if kind in ("reason", "plan_start"):
        for role, key_ in (("code", "cause"), ("text", "text"), ("operator", "operator")):
            if name := roles.first(role):
                keys[key_] = "{" + name + "}"
        proposal.open.append("how long it lasts, and its end")
    if kind.startswith("order") and (order := roles.first("order")):
        keys["order"] = "{" + order + "}"
    if kind.startswith("carrier") and (carrier := roles.first("carrier")):
        keys["carrier"] = "{" + carrier + "}"
    if kind in ("measurement", "count"):
        value = roles.first("measured", "number")
        if not value:
            return None
        keys["value"] = "{" + value + "}"
        if (unit := roles.first("unit")) and kind == "measurement":
            keys["unit"] = "{" + unit + "}"
        if kind == "measurement":
            keys["characteristic"] = re.split(r"[./]", value)[-1]
            if not unit:
                proposal.open.append("the unit")
    return proposal


def _state(
    roles: Roles, keys: dict[str, str], word: str, words: Sequence[str], proposal: Proposal, vocabularies: set[str]
) -> None:
    """Fill in the state: from a field, or from the word of the message."""
    if field_ := roles.first("state", few=True):
        keys["state"] = _with("state", field_, vocabularies)
        return
    keys["state"] = {"goes on": "running", "läuft": "running"}.get(word) or next(
        (STATE_WORDS[w.lower()] for w in (word, *words) if w.lower() in STATE_WORDS), "idle"
    )
    if word in ("wait", "waits", "waiting"):
        keys["state"] = "starved"
    proposal.open.append("which state it is")


def _with(vocabulary: str, name: str, vocabularies: set[str]) -> str:
    vocabularies.add(vocabulary)
    return "{" + f"{name}:{vocabulary}" + "}"


def ours(vocabulary: str, word: str, stations: Sequence[str]) -> tuple[str, bool]:
    """Return our word for a source's word, and whether that is more than a wish."""
    if vocabulary == "station":
        plain = {re.sub(r"\W", "", s).lower(): s for s in stations}
        if not re.search(r"\w", word):
            return "", True
        known = plain.get(re.sub(r"\W", "", word).lower())
        return (known, True) if known else (word, False)
    table = {"verdict": VERDICTS, "state": STATE_WORDS, "mode": MODE_WORDS}[vocabulary]
    known = table.get(word.lower())
    return (known or "", known is not None)
