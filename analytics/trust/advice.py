"""Why time of the cell is unknown, in plain words, and what would make it known."""

from __future__ import annotations

from dataclasses import dataclass

from analytics.cell import Cell
from analytics.claims.held import MODE_CAUSE, STATE_CAUSE
from analytics.ledger import MISSING, WAITING

SILENT = "silent: "
LOST = ("end of a cycle not logged", "start of a cycle not logged", MISSING)


@dataclass(frozen=True, slots=True)
class Advice:
    """One reason: in words, the sources that it is about, and what to do."""

    reason: str
    sources: tuple[str, ...]
    do: str


def advice(
    cell: Cell, line: str, cause: str | None, stations: list[str], *, silent: list[str], to_the_end: bool
) -> Advice:
    """Say what hides time that is booked on `line` because of `cause`.

    Takes    stations: which the cell waited for meanwhile. silent: the sources that were silent in the longest stretch
             of that time, or next to it. to_the_end: the time reaches to the last record of the cell.
    """
    told = cause or ""
    file = f"cells/{cell.name}.toml"
    of_stations = tuple(dict.fromkeys(s for name in stations for s in _sources(cell, name)))
    where = ", ".join(stations) or "the cell"
    sources = ", ".join(of_stations) or "its sources"
    if told.startswith(SILENT):
        limits = {s.name: s.silence_s for s in cell.sources if s.silence_s}
        named = told.removeprefix(SILENT)
        silent = silent or ([named] if named in limits else list(of_stations))
        said = ", ".join(silent)
        if to_the_end:
            do = "the logs end here: load what came since with  taktbook ingest"
            return Advice(f"{said} silent to the end", tuple(silent), do)
        if len(silent) > 1:
            every = "all sources" if len(silent) == len(limits) else said
            do = f"power, network or logger of all of them at once? Are their files in the inbox? ({said})"
            return Advice(f"{every} silent at the same time", tuple(silent), do)
        limit = f" ({limits[said]:g})" if said in limits else ""
        return Advice(
            f"{said} silent", tuple(silent),
            f"power, network or logger of {said}? Are its files in the inbox? If it is so quiet when all is well, let"
            f" it log a sign of life, or raise silence_s{limit} in {file}",
        )  # fmt: skip
    if told == "link down":
        return Advice("link down", of_stations, f"check the connection of {sources} to its controller")
    if told in LOST and silent:
        do = f"goes with the silence of {', '.join(silent)}, see there"
        return Advice("cycle cut off by silence", tuple(silent), do)
    if told in LOST:
        return Advice(
            told, of_stations,
            f"lines of {where} are missing: look at holes, unpaired and quarantined of {sources}; with none of them,"
            f" a rule in sources/ does not see all starts and ends",
        )  # fmt: skip
    if told == WAITING:
        return Advice(
            "waits, not known for what", of_stations,
            f"let {where} log when parts come and go (part_in, part_out), or what it waits for (state)",
        )  # fmt: skip
    if told in STATE_CAUSE.values() or told in MODE_CAUSE.values():
        return Advice(
            told, of_stations,
            f"{where} is known to stand, not why: let a person or {sources} name the reason (reason, alarm, state)",
        )  # fmt: skip
    if line == "no_data":
        return Advice(told or "no data", of_stations, f"check the connection of {sources}")
    return Advice(
        told or "work outside the plan, reason not logged", of_stations,
        f"let {sources} log the states of {where}, or let a person name the reason",
    )  # fmt: skip


def _sources(cell: Cell, station: str) -> tuple[str, ...]:
    return next((s.sources for s in cell.stations if s.name == station), ())
