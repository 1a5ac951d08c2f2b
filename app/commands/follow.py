"""taktbook follow: load what comes, as it comes, until it is stopped."""

from __future__ import annotations

import signal
import sys
import threading
import time
from argparse import ArgumentParser, Namespace
from datetime import UTC, datetime
from pathlib import Path
from types import FrameType
from zoneinfo import ZoneInfo

from analytics.book import open_plant
from app.commands.ingest import build_facts
from ingest.errors import TaktbookError
from ingest.follow import EVERY_S, SETTLE_S, Follower, Look, Tell

NAME = "follow"
HELP = "Load log files as they grow and turn over, and listen for lines over the network, until stopped."
EXAMPLE = "taktbook follow --plant demo-plant --every 2"
FACTS_S = 60.0
STOP_S = 5.0


def add_arguments(parser: ArgumentParser) -> None:
    """Add the command's own arguments."""
    parser.add_argument(
        "--every", type=_seconds, default=EVERY_S, metavar="SECONDS", help="how often files are looked at (1)"
    )
    parser.add_argument(
        "--settle", type=_seconds, default=SETTLE_S, metavar="SECONDS",
        help="a last line without an end is loaded when its file was so long not written to (5)",
    )  # fmt: skip
    parser.add_argument(
        "--facts-every", type=_seconds, default=FACTS_S, metavar="SECONDS",
        help="how often facts are brought up to date (60; 0: leave it to whoever asks for an account)",
    )  # fmt: skip


def run(args: Namespace) -> int:
    """Follow until Ctrl-C or SIGTERM; what was received by then is loaded."""
    folder, stop = Path(args.plant), threading.Event()
    zone = ZoneInfo(open_plant(folder).file.zone)

    def tell(text: str) -> None:
        sys.stdout.write(f"{datetime.now(UTC).astimezone(zone):%H:%M:%S} {text}\n")
        sys.stdout.flush()

    def end(number: int, frame: FrameType | None) -> None:
        stop.set()

    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, end)
    facts = Facts(folder, args.facts_every, stop, tell)
    tell(f"Follows {folder.resolve().name}; times are {zone.key}. Ctrl-C ends it.")
    facts.start()
    try:
        Follower(folder, stop, tell, args.every, args.settle, facts.note).run()
    finally:
        stop.set()
        facts.join(STOP_S)  # a day that is being made then is made by whoever asks next; nothing is there by halves
    tell("Stopped.")
    return 0


class Facts(threading.Thread):
    """Brings the facts up to date now and then, beside the loading, when something has come in."""

    def __init__(self, folder: Path, every_s: float, stop: threading.Event, tell: Tell) -> None:
        super().__init__(name="taktbook facts", daemon=True)
        self.folder, self.every_s, self.stop, self.tell = folder, every_s, stop, tell
        self.news = threading.Event()

    def note(self, look: Look) -> None:
        """Remember that something came in."""
        self.news.set()

    def run(self) -> None:
        """Derive until told to stop, and once more then."""
        if not self.every_s:
            return
        while not self.stop.wait(self.every_s):
            self._derive()

    def _derive(self) -> None:
        if not self.news.is_set():
            return
        self.news.clear()
        begun = time.monotonic()
        try:
            made = build_facts(open_plant(self.folder))
        except TaktbookError as err:
            self.tell(f"The facts could not be made: {err}")
            return
        days = ", ".join(f"{cell} {len(days)}" for cell, days in made.items() if days)
        if days:
            self.tell(f"Facts made, days per cell: {days} in {time.monotonic() - begun:.1f} s")


def _seconds(text: str) -> float:
    value = float(text)
    if not 0 <= value < 86_400:
        raise ValueError
    return value
