"""A real MQTT broker for tests: Debian's mosquitto on a free port of this machine. No test in here."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import time
from pathlib import Path

import pytest
from paho.mqtt import publish

PROGRAM = shutil.which("mosquitto", path=os.environ.get("PATH", "") + ":/usr/sbin")
PASSWORDS = shutil.which("mosquitto_passwd", path=os.environ.get("PATH", "") + ":/usr/sbin")


class Broker:
    """A broker that can be stopped and started again; it keeps sessions meanwhile."""

    def __init__(self, folder: Path, user: str = "", password: str = "") -> None:
        if PROGRAM is None or PASSWORDS is None:
            pytest.skip("mosquitto is not installed: apt-get install -y --no-install-recommends mosquitto")
        folder.mkdir(parents=True, exist_ok=True)
        with socket.create_server(("127.0.0.1", 0)) as free:
            self.port = free.getsockname()[1]
        self.address = f"127.0.0.1:{self.port}"
        self.auth = {"username": user, "password": password} if user else None
        self.config = folder / "broker.conf"
        lines = [
            f"listener {self.port} 127.0.0.1",
            "persistence true",
            "max_queued_messages 0",
            f"persistence_location {folder}/",
        ]
        if os.geteuid() == 0:
            lines.append("user root")  # else it could not write to the folder
        if user:
            subprocess.run([PASSWORDS, "-b", "-c", folder / "users", user, password], check=True, capture_output=True)
            lines.append(f"password_file {folder}/users")
        lines.append(f"allow_anonymous {str(not user).lower()}")
        self.config.write_text("\n".join([*lines, ""]))
        self.process: subprocess.Popen[bytes] | None = None
        self.start()

    def start(self) -> None:
        """Start it and wait until it answers."""
        silent = subprocess.DEVNULL
        self.process = subprocess.Popen([str(PROGRAM), "-c", str(self.config)], stdout=silent, stderr=silent)
        for _ in range(200):
            try:
                socket.create_connection(("127.0.0.1", self.port), timeout=1).close()
                return
            except OSError:
                time.sleep(0.05)
        raise AssertionError("the broker did not start")

    def stop(self) -> None:
        """Stop it in order; it writes down its sessions."""
        if self.process is not None:
            self.process.terminate()
            self.process.wait(10)
            self.process = None

    def publish(self, topic: str, *payloads: str | bytes, qos: int = 1, retain: bool = False) -> None:
        """Publish messages, in their order."""
        messages = [{"topic": topic, "payload": payload, "qos": qos, "retain": retain} for payload in payloads]
        publish.multiple(messages, hostname="127.0.0.1", port=self.port, auth=self.auth)
