"""Following a plant: listeners write what comes to the spool, and every second what is new in any file is loaded."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final, TypeVar

from ingest.errors import StoreError, TaktbookError
from ingest.feeds.run import Listeners, ListenerStatus
from ingest.load import LoadSummary, load_files
from ingest.plant_folder import PlantFolder, read_plant_folder
from ingest.source import Source, load_sources

EVERY_S: Final = 1.0
SETTLE_S: Final = 5.0
SHARE: Final = 0.5  # at most so much of the time is spent looking: a plant of very many files is looked at less often
LONGEST_WAIT_S: Final = 30.0  # between tries while something is wrong

T = TypeVar("T")
Tell = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class Look:
    """One look at all files: what was loaded, and how long it took."""

    summary: LoadSummary
    took_s: float


@dataclass
class Follower:
    """Follows the files and feeds of one plant until `stop` is set.

    every_s   how often files are looked at. settle_s: a last line without an end is loaded when its file was so long
              not written to. tell: gets a line for whatever the people who run it should know. after: gets every look
              that brought something in.
    """

    plant: Path
    stop: threading.Event
    tell: Tell
    every_s: float = EVERY_S
    settle_s: float = SETTLE_S
    after: Callable[[Look], None] = lambda look: None
    _wrong: dict[str, str] = field(default_factory=dict)  # what -> the problem that was told last

    def run(self) -> None:
        """Follow. Raises ConfigError or InputError when the plant cannot be read at the start."""
        folder, sources = _read(self.plant)
        marks = _marks(folder)
        listeners = self._listen(folder, sources)
        try:
            pause = 0.0
            while not self.stop.wait(pause):
                begun = time.monotonic()
                if (now := _marks(folder)) != marks:
                    marks = now
                    if fresh := self._attempt("the files of the plant", lambda: _read(self.plant)):
                        folder, sources = fresh
                        listeners.stop()
                        listeners = self._listen(folder, sources)
                        self.tell("The files of the plant have changed and were read again.")
                look = self._look(folder, sources)
                took = time.monotonic() - begun
                pause = max(self.every_s - took, took * (1 / SHARE - 1)) if look else self._patience(pause)
        finally:
            listeners.stop()
        self._look(folder, sources)  # what the listeners wrote last

    def _listen(self, folder: PlantFolder, sources: Sequence[Source]) -> Listeners:
        listeners = Listeners(folder, sources, self.tell)
        listeners.start()
        for one in listeners.status():
            self.tell(listens(one))
        return listeners

    def _look(self, folder: PlantFolder, sources: Sequence[Source]) -> Look | None:
        begun = time.monotonic()
        summary = self._attempt(
            "loading", lambda: load_files(folder, sources, wait_s=0, settle_s=self.settle_s, again=False)
        )
        if summary is None:
            return None
        look = Look(summary, time.monotonic() - begun)
        refused = {f"{r.source}: {r.file}": r.problem for r in summary.refused}
        for what, problem in refused.items():
            self._once(what, problem.message, str(problem))
        for what in [w for w in self._wrong if ": " in w and w not in refused]:
            del self._wrong[what]
        if summary.loaded:
            self.tell(in_words(look))
            self.after(look)
        return look

    def _attempt(self, what: str, step: Callable[[], T]) -> T | None:
        """Do a step; tell its problem once, and once that it is over."""
        try:
            done = step()
        except StoreError as err:
            self._once(what, err.problem.message, str(err))
            return None
        except TaktbookError as err:
            self._once(what, f"{err}\nThe plant is followed as it was before.")
            return None
        if self._wrong.pop(what, None):
            self.tell(f"All is well again with {what}.")
        return done

    def _once(self, what: str, problem: str, text: str = "") -> None:
        if self._wrong.get(what) != problem:
            self._wrong[what] = problem
            self.tell(text or problem)

    def _patience(self, pause: float) -> float:
        return min(max(2 * pause, self.every_s), LONGEST_WAIT_S)


def _read(plant: Path) -> tuple[PlantFolder, list[Source]]:
    folder = read_plant_folder(plant)
    return folder, load_sources(folder.sources)


def _marks(folder: PlantFolder) -> dict[str, int]:
    """Return by what a change of plant.toml or of a source file is seen."""
    files = [folder.root / "plant.toml", *folder.sources.glob("*.toml")]
    return {str(path): path.stat().st_mtime_ns for path in files if path.exists()}


def listens(one: ListenerStatus) -> str:
    """Say how a listener is, in one line."""
    return f"{one.source}: {one.problem or one.state}"


def in_words(look: Look) -> str:
    """Say what a look brought in, in one line."""
    summary = look.summary
    parts = [_count(summary.total("lines"), "line"), _count(summary.total("events"), "event")]
    if bad := summary.total("quarantined"):
        parts.append(f"{bad:,} quarantined")
    names = [f.file for f in summary.files if f.state != "already loaded"]
    where = ", ".join(names[:3]) + (f" and {len(names) - 3} more" if len(names) > 3 else "")
    text = f"{', '.join(parts)} from {where} in {look.took_s:.2f} s"
    for day in summary.days:
        if day.reopened:
            text += f"; reopened {day.day} of {day.cell} ({_count(day.events, 'late event')})"
    return text


def _count(n: int, what: str) -> str:
    return f"{n:,} {what}" + ("" if n == 1 else "s")
