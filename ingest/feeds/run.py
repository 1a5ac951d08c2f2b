"""All listeners of a plant in one thread: `taktbook follow` starts them, asks how they are, and stops them."""

from __future__ import annotations

import asyncio
import contextlib
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Final

from ingest import feeds
from ingest.errors import InputError, TaktbookError
from ingest.feeds.base import ListeningFeed
from ingest.feeds.intake import Intake
from ingest.feeds.spool import Spool
from ingest.plant_folder import PlantFolder
from ingest.source import Source

AGAIN_S: Final = 5.0  # after an address could not be had, or a listener failed
SETTLED_S: Final = 0.05  # how often a start looks whether all listeners have begun


@dataclass(frozen=True, slots=True)
class ListenerStatus:
    """How one source's listener is.

    state    what it does, and who can reach it. clients: connected now. lines, bytes: written or about to be.
    refused  clients, messages and datagrams that were not taken. cut: lines that did not come whole.
    problem  what is wrong now; empty when nothing is.
    """

    source: str
    by: str
    address: str
    state: str
    clients: int
    lines: int
    bytes: int
    refused: int
    cut: int
    last_received: datetime | None
    problem: str


@dataclass
class _Listener:
    source: Source
    intake: Intake
    tasks: list[asyncio.Task[None]] = field(default_factory=list)
    error: TaktbookError | None = None


class Listeners:
    """The listeners of some sources. `tell` gets one line for whatever the people who run it should know."""

    def __init__(self, folder: PlantFolder, sources: Sequence[Source], tell: Callable[[str], None]) -> None:
        self.folder, self.tell = folder, tell
        self.sources = [s for s in sources if s.feed and isinstance(feeds.BY_NAME[s.feed], ListeningFeed)]
        self._all: list[_Listener] = []
        self._thread: threading.Thread | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._stop: asyncio.Event | None = None
        self._begun = threading.Event()

    def start(self) -> list[TaktbookError]:
        """Begin to listen; returns the problem of each listener that could not (yet). The others listen."""
        if not self.sources:
            return []
        self._begun.clear()
        self._thread = threading.Thread(target=self._work, name="taktbook listeners", daemon=True)
        self._thread.start()
        self._begun.wait()
        return [listener.error for listener in self._all if listener.error]

    def stop(self) -> None:
        """Take no more, write what has come, and end."""
        if self._thread is None:
            return
        if self._loop is not None and self._stop is not None:
            with contextlib.suppress(RuntimeError):  # the loop has ended by itself
                self._loop.call_soon_threadsafe(self._stop.set)
        self._thread.join()
        self._thread = None

    def status(self) -> list[ListenerStatus]:
        """Return one row per source that is listened for, in their order."""
        return [_status(listener) for listener in self._all]

    # ---- in the thread

    def _work(self) -> None:
        try:
            asyncio.run(self._main())
        finally:
            self._begun.set()

    async def _main(self) -> None:
        self._loop, self._stop = asyncio.get_running_loop(), asyncio.Event()
        self._loop.set_exception_handler(self._unforeseen)
        self._all = []
        for source in self.sources:
            intake = Intake(source.name, Spool(self.folder.root, source.name), self.tell)
            listener = _Listener(source, intake)
            listener.tasks = [asyncio.create_task(self._listen(listener)), asyncio.create_task(self._write(listener))]
            self._all.append(listener)
        while any(one.intake.state == "starts" and not one.tasks[0].done() for one in self._all):
            await asyncio.sleep(SETTLED_S)
        self._begun.set()
        await self._stop.wait()
        await self._end()

    async def _end(self) -> None:
        """First no more is taken, then what is left is written."""
        for listener in self._all:
            listener.tasks[0].cancel()
        await asyncio.gather(*(one.tasks[0] for one in self._all), return_exceptions=True)
        for listener in self._all:
            listener.intake.stop()
        await asyncio.gather(*(one.tasks[1] for one in self._all), return_exceptions=True)
        for listener in self._all:
            listener.intake.state = "stopped"

    async def _listen(self, listener: _Listener) -> None:
        """Keep one listener going; what stops it is told, and it is begun again after a while."""
        source, intake = listener.source, listener.intake
        feed: Any = feeds.BY_NAME[str(source.feed)]
        while True:
            try:
                await feed.listen(source.receive, intake)
            except InputError as err:
                self._failed(listener, err)
            except Exception as err:  # one that fails in a way nobody foresaw must not end the others
                self._failed(listener, InputError(f"It failed: {err!r}", where=f"sources/{source.name}.toml, receive"))
            await asyncio.sleep(AGAIN_S)

    async def _write(self, listener: _Listener) -> None:
        try:
            await listener.intake.run()
        except Exception as err:
            self.tell(f"{listener.source.name}: nothing more is written to its spool: {err!r}")
            raise

    def _failed(self, listener: _Listener, err: InputError) -> None:
        if listener.error is None or str(listener.error) != str(err):
            self.tell(f"{listener.source.name}: {err}")
        listener.error = err
        listener.intake.state, listener.intake.problem = "does not listen", err.problem.message

    def _unforeseen(self, _: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
        """Tell of what went wrong outside of any listener: too many open files, a client's broken TLS."""
        if self._all:
            told = context.get("exception") or context.get("message")
            self._all[0].intake.tell("loop", f"among the listeners: {told}")


def _status(listener: _Listener) -> ListenerStatus:
    intake, counts = listener.intake, listener.intake.counts
    return ListenerStatus(
        listener.source.name, str(listener.source.feed), intake.address, intake.state, counts.clients, counts.lines,
        counts.bytes, counts.refused, counts.cut, counts.last_received, intake.problem,
    )  # fmt: skip


__all__ = ["ListenerStatus", "Listeners"]
