"""taktbook app: the pages in a browser, served to this machine only."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
from argparse import ArgumentParser, Namespace
from pathlib import Path

from analytics.book import open_plant
from app.theme import STREAMLIT_THEME
from ingest.errors import InputError

NAME = "app"
HELP = "Show the pages of a plant in the browser (on this machine only)."
EXAMPLE = "taktbook app --plant demo-plant"
HOST = "127.0.0.1"
PLANT_VARIABLE = "TAKTBOOK_PLANT"


def add_arguments(parser: ArgumentParser) -> None:
    """Add the command's own arguments."""
    parser.add_argument("--port", type=int, default=8517, help="port of the address (default: 8517)")


def run(args: Namespace) -> int:
    """Start Streamlit and stay until it is stopped."""
    folder = Path(args.plant).resolve()
    open_plant(folder)
    if not free(args.port):
        raise InputError(
            "this port is taken",
            where="--port",
            found=str(args.port),
            fix=f"give another, e.g.  --port {args.port + 1}",
        )
    print(f"Plant {args.plant} at  http://{HOST}:{args.port}   (Ctrl+C stops it)", flush=True)
    env = os.environ | {PLANT_VARIABLE: str(folder)}
    if os.name == "posix":
        os.execve(sys.executable, command(args.port), env)  # becomes Streamlit: whoever stops this process stops that
    return subprocess.run(command(args.port), env=env, check=False).returncode


def command(port: int) -> list[str]:
    """Return the command that serves the pages."""
    main = Path(__file__).parent.parent / "main.py"
    options = {
        "server.address": HOST,
        "server.port": str(port),
        "server.headless": "true",
        "server.fileWatcherType": "none",
        "browser.gatherUsageStats": "false",
        "client.toolbarMode": "minimal",
        "runner.magicEnabled": "false",
        "client.showErrorDetails": "none",
        **STREAMLIT_THEME,
    }
    return [
        sys.executable,
        "-m",
        "streamlit",
        "run",
        str(main),
        *(f"--{key}={value}" for key, value in options.items()),
    ]


def free(port: int) -> bool:
    """Tell whether nothing listens on a port of this machine."""
    with socket.socket() as probe:
        probe.settimeout(0.5)
        return probe.connect_ex((HOST, port)) != 0
