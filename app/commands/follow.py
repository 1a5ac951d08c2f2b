"""taktbook follow: load what comes, as it comes, until it is stopped."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import threading
import time
from argparse import ArgumentParser, Namespace
from datetime import UTC, datetime
from pathlib import Path
from types import FrameType
from zoneinfo import ZoneInfo

from analytics.book import open_plant
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
        facts.join(STOP_S)
    tell("Stopped.")
    return 0


class Facts(threading.Thread):
    """Has the facts brought up to date now and then, when something has come in.

    That is done by a process of its own, which gives way to the loading, and takes at most a third of the time.
    """

    def __init__(self, folder: Path, every_s: float, stop: threading.Event, tell: Tell) -> None:
        super().__init__(name="taktbook facts", daemon=True)
        self.folder, self.every_s, self.stop, self.tell = folder, every_s, stop, tell
        self.news = threading.Event()

    def note(self, look: Look) -> None:
        """Remember that something came in."""
        self.news.set()

    def run(self) -> None:
        """Derive until told to stop."""
        pause = self.every_s
        while self.every_s and not self.stop.wait(pause):
            if self.news.is_set():
                self.news.clear()
                begun = time.monotonic()
                self._derive()
                pause = max(self.every_s, 2 * (time.monotonic() - begun))

    def _derive(self) -> None:
        words = ["facts", "--plant", str(self.folder), "--gently", "--format", "json"]
        command = [sys.executable, "-m", "app.cli", *words]
        begun = time.monotonic()
        with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
            while True:
                try:
                    out, err = process.communicate(timeout=0.2)
                    break
                except subprocess.TimeoutExpired:
                    if self.stop.is_set():  # a day that is being made is made by whoever asks next
                        process.kill()
                        return
        if process.returncode:
            self.tell(f"The facts could not be made: {err.strip()}")
            return
        made = {cell: days for cell, days in json.loads(out).items() if days}
        if made:
            days = ", ".join(f"{cell} {len(days)}" for cell, days in made.items())
            self.tell(f"Facts made, days per cell: {days}; in {time.monotonic() - begun:.1f} s")


def _seconds(text: str) -> float:
    value = float(text)
    if not 0 <= value < 86_400:
        raise ValueError
    return value
