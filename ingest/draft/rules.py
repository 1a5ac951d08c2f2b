"""The rules of a draft: one per message, harmless as they stand, with the proposed event as a comment below."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import polars as pl

from ingest.draft.fields import FEW, Field, look_at
from ingest.draft.meaning import ours, propose
from ingest.draft.sample import WHERE
from ingest.draft.sniff import Reading
from ingest.draft.templates import TELLING, grouped
from ingest.draft.text import Pattern
from ingest.draft.write import comment, key, percent, plain, quoted, share, vocabulary

HARMLESS = 'emit = [{ kind = "link", state = "up" }]'
KEYS = WHERE
EXAMPLE = "\x00example"
NOT_FIELDS = (*KEYS, "time", "date", "clock")
EVENTS_MOST = 60
PLACED_BY = ("on", "from", "at", "to", "for", "auf", "von", "nach")


@dataclass(slots=True)
class Rules:
    """The lines of the [[rules]], what they need in [words], and how many decisions are open."""

    lines: list[str] = field(default_factory=list)
    skips: list[str] = field(default_factory=list)
    vocabularies: dict[str, dict[str, int]] = field(default_factory=dict)
    decisions: int = 0

    def seen(self, vocabulary: str, f: Field, frame: pl.DataFrame) -> None:
        """Note the words that a vocabulary needs: of stations all that were seen, else those of the rule's records."""
        words = self.vocabularies.setdefault(vocabulary, {})
        if vocabulary == "station":
            words.update(f.words)
            return
        for word, n in _counts(frame[f.name]):
            words[word] = words.get(word, 0) + n

    def rule(self, when: str, n: int, of: int, example: str, words: Sequence[str], fields: Mapping[str, Field],
             frame: pl.DataFrame, time: str = "") -> None:  # fmt: skip
        """Add a rule for one kind of message."""
        needed: set[str] = set()
        proposal = propose(words, fields, needed)
        self.lines += ["", *_mark(f"{share(n, of)}, e.g.  {plain(example, 200)}")]
        own_time = f', time = "{time}"' if time else ""
        harmless = HARMLESS.replace('"up" }', f'"up"{own_time} }}')
        if proposal is None:
            self.decisions += 1
            self.lines += comment(
                "DECIDE: what does this say? (its words hint at nothing)  Or leave it out by a [[skip]]."
            )
            self.lines += ["[[rules]]", *_when(when), harmless]
            return
        if proposal.kind == "link" and proposal.keys == {"state": "up"}:
            self.lines += comment(
                f'This says that the source lives (guessed from "{plain(proposal.word, 30)}"): as it should be.'
            )
            self.lines += ["[[rules]]", *_when(when), harmless]
            return
        for name in needed:
            for f in fields.values():
                if "{" + f"{f.name}:{name}" + "}" in "".join(proposal.keys.values()):
                    self.seen(name, f, frame)
        self.decisions += 1
        look = f" Look at: {', '.join(proposal.open)}." if proposal.open else ""
        self.lines += comment(f'DECIDE: probably {proposal.meaning} (guessed from "{plain(proposal.word, 30)}").{look}')
        emit = proposal.emit()
        if time:
            emit = emit.removesuffix(" }") + own_time + " }"
        self.lines += ["[[rules]]", *_when(when), harmless, f"# emit = [{emit}]"]


def _counts(words: pl.Series) -> list[tuple[str, int]]:
    """The words of a column, most frequent first."""
    return [
        (str(w), int(n)) for w, n in words.drop_nulls().value_counts(sort=True, name="\x00n").head(FEW).iter_rows() if w
    ]


def _example(part: pl.DataFrame, fields: Mapping[str, Field]) -> str:
    """Return the text of the first record."""
    return _hidden(str(part[EXAMPLE][0] or ""), part, fields)


def _hidden(text: str, part: pl.DataFrame, fields: Mapping[str, Field]) -> str:
    """Take names of persons out of the text of the first record."""
    for name, f in fields.items():
        if f.role == "operator" and name in part.columns and part[name][0]:
            text = text.replace(str(part[name][0]), "…")
    return text


def _mark(text: str) -> list[str]:
    return ["# " + plain(text, 160)]


def _when(when: str) -> list[str]:
    return [f"when = {{ {when} }}"] if when else []


def text_rules(patterns: Sequence[Pattern], rows: pl.DataFrame, lines: int) -> tuple[Rules, dict[str, Field]]:
    """Write a rule per pattern; returns them, and the fields over all patterns."""
    rules = Rules()
    frames = {
        p.name: rows[p.frame["row"]].select(KEYS).hstack(p.frame.drop("row")) for p in patterns if p.timed
    }  # fmt: skip
    every = pl.concat(frames.values(), how="diagonal") if frames else pl.DataFrame(schema=dict.fromkeys(KEYS, pl.Int64))
    names = [c for c in every.columns if c not in NOT_FIELDS]
    fields = look_at(every.sort(KEYS), names)
    for p in patterns:
        if not p.timed:
            rules.skips += [
                "", *_mark(f"{share(p.n, lines)} without a time, e.g.  {plain(p.example, 200)}"),
                "[[skip]]", f"when = {{ pattern = {quoted(p.name)} }}",
            ]  # fmt: skip
            continue
        frame = frames[p.name]
        own = {n: f for n, f in fields.items() if n in frame.columns and frame[n].null_count() < frame.height}
        levels = [w for n, f in own.items() if f.role == "level" and frame[n].n_unique() == 1 for w in frame[n].head(1)]
        words = [*_saying(p), *(levels if _bad(levels) else [])]
        rules.rule(f"pattern = {quoted(p.name)}", p.n, lines, _hidden(p.example, frame, fields), words, own, frame)
    return rules, fields


def _saying(pattern: Pattern) -> list[str]:
    """The words of a pattern that may say what happened: not the name of a place, as in "on PASS"."""
    words = pattern.template.words
    before = ("", *words)
    return [w for w, b in zip(words, before, strict=False) if w in pattern.template.literals and b not in PLACED_BY]


def _bad(levels: Sequence[str]) -> bool:
    return any(w.lower() in ("error", "err", "fatal", "critical", "alarm", "e", "severe") for w in levels)


def event_field(fields: Mapping[str, Field], records: int) -> str:
    """Return the field that says what happened, or ""."""
    best, score = "", 0.0
    for name, f in fields.items():
        if f.role in (
            "seq",
            "part",
            "product",
            "operator",
            "station",
            "nest",
            "time",
            "empty",
            "text",
            "level",
            "order",
        ):
            continue
        seen = sum(n for _, n in f.words)
        if f.distinct < 2 or f.distinct > EVENTS_MOST or seen < 0.98 * f.n or (f.numeric and f.role != "event"):
            continue
        telling = sum(n for w, n in f.words if any(t in TELLING for t in w.lower().replace("_", " ").split())) / max(
            seen, 1
        )
        points = f.n / records + telling + {"event": 1.0, "state": 0.2, "words": 0.2}.get(f.role, 0.0)
        if not f.few:
            points -= 0.5
        if points > score and points >= 1.2:
            best, score = name, points
    return best


def record_rules(reading: Reading, fields: Mapping[str, Field], texts: pl.DataFrame, left_out: Sequence[str]) -> Rules:
    """Write a rule per word of the field that says what happened; without one, per set of fields that are there."""
    rules = Rules()
    if texts.height:
        frame = reading.frame.join(texts.rename({"text": EXAMPLE}), on=KEYS, how="left", maintain_order="left")
    else:
        frame = reading.frame.with_columns(pl.struct(reading.fields[:12]).struct.json_encode().alias(EXAMPLE))
    of = frame.height
    event = event_field(fields, of)
    if event:
        for word, n in fields[event].words:
            part = frame.filter(pl.col(event) == word)
            own = _own_fields(part, fields, left_out)
            said = ["state"] if fields[event].role == "state" else [word]
            rules.rule(f"{key(event)} = {quoted(word)}", n, of, _example(part, fields), said, own, part)
        if len(fields[event].words) < fields[event].distinct:
            rules.lines += [
                "",
                *comment(f"DECIDE: {fields[event].distinct - len(fields[event].words)} more words of {event}"),
            ]
            rules.lines += ["[[rules]]", f"when = {{ {key(event)} = {{ present = true }} }}", HARMLESS]
        frame = frame.filter(pl.col(event).is_null())
    _by_what_is_there(rules, frame, fields, of, left_out)
    if not rules.lines:
        rules.lines += ["", "[[rules]]", HARMLESS]
    return rules


def _own_fields(part: pl.DataFrame, fields: Mapping[str, Field], left_out: Sequence[str]) -> dict[str, Field]:
    """The fields that are there in some records, with what they are over all."""
    return {n: f for n, f in fields.items() if n not in left_out and part[n].null_count() < 0.5 * part.height}


def _by_what_is_there(
    rules: Rules, frame: pl.DataFrame, fields: Mapping[str, Field], of: int, left_out: Sequence[str]
) -> None:
    """Tell records apart by the fields that are not in all of them."""
    left = frame
    for _ in range(8):
        if not left.height:
            return
        some = {n: left[n].null_count() / left.height for n in fields if 0 < left[n].null_count() < left.height}
        if not some or left.height < 0.001 * of:
            break
        # the field that is missing in the most evenly cut part: it tells most
        name = min(some, key=lambda n: abs(some[n] - 0.5))
        part = left.filter(pl.col(name).is_not_null())
        own = _own_fields(part, fields, left_out)
        if 1 - some[name] < 0.02 or some[name] < 0.02:
            break
        words = [name, *(w for w, _ in fields[name].words[:3] if fields[name].few)]
        rules.rule(f"{key(name)} = {{ present = true }}", part.height, of, _example(part, fields), words, own, part)
        left = left.filter(pl.col(name).is_null())
    if left.height and left.height >= 0.001 * of:
        own = _own_fields(left, fields, left_out)
        words = [n for n, f in own.items() if f.role in ("state", "words", "constant", "measured", "result")][:6]
        always = [n for n, f in own.items() if f.n < 0.99 * of and left[n].null_count() == 0]
        name = min(always, key=lambda n: fields[n].n, default="")
        when = f"{key(name)} = {{ present = true }}" if name else ""
        rules.rule(when, left.height, of, _example(left, fields), [*words, name], own, left)


def vocabularies(rules: Rules, stations: Sequence[str]) -> list[str]:
    """Write the vocabularies that the proposals need."""
    out: list[str] = []
    for name in ("station", "verdict", "state", "mode"):
        if name not in rules.vocabularies:
            continue
        seen = rules.vocabularies[name]
        rows = [(w, *_pick(name, w, n, stations)) for w, n in sorted(seen.items(), key=lambda x: -x[1])]
        head = {
            "station": "DECIDE: the source's names of stations = those of the cell file"
            + (f" ({', '.join(stations)})" if stations else ""),
            "verdict": 'DECIDE: verdicts: good, reject, rework or removed; "" for none',
            "state": 'DECIDE: states: running, starved, blocked, stopped, safety, setup, idle, off …; "" for none',
            "mode": 'DECIDE: modes: automatic, setup, manual, off; "" for none',
        }[name]
        rules.decisions += 1
        out += ["", *comment(head), *vocabulary(name, rows, len(seen) >= FEW)]
    return out


def _pick(name: str, word: str, n: int, stations: Sequence[str]) -> tuple[str, int, bool]:
    our, known = ours(name, word, stations)
    return our, n, known


def leftovers(bad: pl.DataFrame, lines: int) -> list[str]:
    """Tell which lines of the sample are not understood, by template."""
    if bad.is_empty():
        return []
    found = grouped(bad.with_columns(file=pl.lit("")), ["reason"])
    out = ["#", "# Not understood (they go to the quarantine, nothing is lost):"]
    for r in found.head(6).iter_rows(named=True):
        out += _mark(f"  {r['n']:,} ({percent(r['n'] / lines)}): {plain(r['reason'], 50)}:  {plain(r['text'], 90)}")
    if found.height > 6:
        out.append(f"#   and {found.height - 6} more kinds")
    return out
