"""Runs loads in processes of their own, and lets them fail or be killed as told: one JSON line in, one out.

It imports what a load needs once and forks, so that hundreds of crashes take seconds.
"""

from __future__ import annotations

import ctypes
import json
import os
import select
import signal
import sys
from datetime import date
from pathlib import Path
from typing import Any

import polars as pl

from ingest import compact, facts_store, manifest
from ingest.errors import TaktbookError
from ingest.load import load


def child(order: dict[str, Any], answer: int) -> None:
    """Load the plant once, with the fault armed."""
    compact.MANY, manifest.CHECKPOINT = 2, 2  # type: ignore[misc]  # so that each load puts parts together
    faults = ctypes.CDLL(None) if "LD_PRELOAD" in os.environ else None
    if faults:
        faults.fault_arm(f"{order['plant']}/store".encode(), ctypes.c_long(order.get("at", -1)), order.get("errno", 0))
    try:
        if "facts" in order:
            tables = {name: pl.DataFrame({"key": [order["facts"]] * n}) for n, name in enumerate(("cycles", "stops"))}
            facts_store.write_facts(Path(order["plant"]) / "store", "c1", date(2026, 10, 23), order["facts"], tables)
        else:
            load(Path(order["plant"]), wait_s=5)
        outcome = "done"
    except TaktbookError as err:
        outcome = f"told: {err}"
    except BaseException as err:
        outcome = f"{type(err).__name__}: {err}"
    calls = faults.fault_calls() if faults else 0
    os.write(answer, json.dumps({"outcome": outcome, "calls": calls}).encode())
    os._exit(0)


def main() -> None:
    """Answer orders until there are no more."""
    for line in sys.stdin:
        order = json.loads(line)
        back, answer = os.pipe()
        pid = os.fork()
        if not pid:
            os.close(back)
            child(order, answer)
        os.close(answer)
        told = b""
        if "kill_after_s" in order:
            ended = select.select([back], [], [], order["kill_after_s"])[0]
            if not ended:
                os.kill(pid, signal.SIGKILL)
        while data := os.read(back, 1 << 16):
            told += data
        os.close(back)
        os.waitpid(pid, 0)
        print(told.decode() or json.dumps({"outcome": "killed", "calls": -1}), flush=True)


if __name__ == "__main__":
    main()
