"""The event table: one row per thing that a source said. Its schema and vocabulary live here and nowhere else."""

from __future__ import annotations

from typing import Final

import polars as pl

COLUMNS: Final[dict[str, tuple[pl.DataType, str]]] = {
    "ts_source": (pl.Datetime("us", "UTC"), "When, in UTC, as the source's own clock said it; what is stored."),
    "doubled": (pl.Boolean(), "True when the source wrote a local time that exists twice (end of summer time): the "
                "first of the two instants is stored; readers resolve it by the order of the source's records."),
    "cell": (pl.String(), "The cell that the event belongs to."),
    "source": (pl.String(), "The source that said it: the name of its file under sources/."),
    "station": (pl.String(), "Who did it; a robot is a station too. Null: the whole cell."),
    "nest": (pl.String(), "Which of several parallel places of the station. Null: it has one."),
    "at": (pl.String(), "The other station involved, e.g. where a robot places."),
    "kind": (pl.String(), "What happened; one of KINDS."),
    "state": (pl.String(), "For kind state: one of STATES; mode: one of MODES; link: up or down."),
    "step": (pl.String(), "Name of a step within a cycle, e.g. of a robot's move."),
    "part": (pl.String(), "Identity of the part."),
    "set": (pl.String(), "Identity of the set that the part belongs to."),
    "carrier": (pl.String(), "Identity of the tray, pallet or magazine."),
    "product": (pl.String(), "Product or variant, as named in the cell model."),
    "order": (pl.String(), "Production order."),
    "result": (pl.String(), "For kind result, cycle_end, measurement: one of RESULTS."),
    "cause": (pl.String(), "Why: reject cause, reason of a stop, kind of a planned stop."),
    "code": (pl.String(), "Alarm or message code, as in the cell's cause catalogue."),
    "text": (pl.String(), "The source's own words, for people."),
    "characteristic": (pl.String(), "What was measured."),
    "value": (pl.Float64(), "Measured value, counter reading, ordered quantity, or seconds that a reason covers."),
    "unit": (pl.String(), "Unit of value."),
    "operator": (pl.String(), "Who, pseudonymised unless the plant says otherwise."),
    "seq": (pl.Int64(), "Running number given by the source; decides the order of equal times."),
    "file": (pl.String(), "File that the record came from, relative to the plant folder where it lies inside."),
    "line": (pl.Int64(), "Line (text) or row (table) in that file, from 1."),
}  # fmt: skip

SCHEMA: Final[pl.Schema] = pl.Schema({name: dtype for name, (dtype, _) in COLUMNS.items()})

KINDS: Final[dict[str, str]] = {
    "state": "The station (null: every station of the cell) is in `state` from now until its next state event.",
    "cycle_start": "Work on a part begins at the station.",
    "cycle_end": "Work on a part ends. Without a start it began at the same resource's previous end.",
    "step_start": "A step within a cycle begins; `at` says where.",
    "step_end": "A step ends. Without a start it began at the same resource's previous record.",
    "part_in": "A part enters the station's place.",
    "part_out": "A part leaves the station's place; at the outlet it is finished.",
    "result": "A verdict on a part.",
    "measurement": "A measured value of a part.",
    "alarm_on": "An alarm or message rises.",
    "alarm_off": "It clears.",
    "mode": "Operating mode of the cell or station.",
    "order_start": "An order begins; `value` is its planned quantity.",
    "order_end": "An order ends.",
    "carrier_start": "An empty or half-full carrier is put in place.",
    "carrier_end": "A carrier is full or taken away.",
    "plan_start": "A planned stop begins (break, maintenance, trial).",
    "plan_end": "It ends.",
    "count": "A counter's reading.",
    "reason": "A person names the cause of a stop: from now, for `value` seconds.",
    "link": "The source's own connection to its controller: state up or down.",
}

STATES: Final[dict[str, str]] = {
    "running": "working, as far as the source knows",
    "starved": "ready, nothing to take",
    "blocked": "finished, nowhere to put",
    "stopped": "stopped by a fault of its own",
    "safety": "emergency stop or guard opened",
    "setup": "being changed over",
    "waiting_people": "waiting for a person",
    "waiting_material": "waiting for material from outside the cell",
    "no_order": "nothing ordered",
    "carrier_change": "waiting for a tray or magazine",
    "idle": "standing, the source does not say why",
    "off": "switched off",
    "unknown": "the source says that it does not know",
}

MODES: Final = ("automatic", "setup", "manual", "off")
RESULTS: Final = ("good", "reject", "rework", "removed")
LINKS: Final = ("up", "down")


def empty() -> pl.DataFrame:
    """Return an event table without rows."""
    return pl.DataFrame(schema=SCHEMA)
