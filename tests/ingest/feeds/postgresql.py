"""A real PostgreSQL server on a free port of this machine, in a folder of its own; no test in here."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
from pathlib import Path
from typing import Any

import adbc_driver_postgresql.dbapi as driver

PASSWORD = "s3cr/et @:?#ü"
USER = "plant"


def programs() -> Path | None:
    """Return the folder of the server's programs, None when it is not installed."""
    found = [
        *sorted(Path("/usr/lib/postgresql").glob("*/bin")),
        *(Path(p) for p in os.environ["PATH"].split(os.pathsep)),
    ]
    return next((folder for folder in reversed(found) if (folder / "initdb").is_file()), None)


class Server:
    """A server with one user, whose password is asked for. It refuses to run as root, so it runs as nobody then."""

    def __init__(self, folder: Path, binaries: Path) -> None:
        self.folder, self.binaries = folder, binaries
        self.as_nobody = os.getuid() == 0
        self.data = folder / "data"
        (folder / "password").write_text(PASSWORD, encoding="utf-8")
        if self.as_nobody:
            for path in (folder, folder / "password"):
                shutil.chown(path, "nobody")
        self.run("initdb", "-D", "data", "-U", USER, "-A", "scram-sha-256", "--pwfile=password", "-E", "UTF8", "-N")
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            self.port = probe.getsockname()[1]
        self.start()

    def run(self, program: str, *arguments: str) -> None:
        """Run one of the server's programs."""
        user: dict[str, Any] = {"user": "nobody", "group": "nogroup", "extra_groups": []} if self.as_nobody else {}
        command = [str(self.binaries / program), *arguments]
        with (self.folder / f"{program}.log").open("w") as log:
            done = subprocess.run(command, cwd=self.folder, check=False, stdout=log, stderr=log, **user)
        if done.returncode:
            raise RuntimeError((self.folder / f"{program}.log").read_text())

    def start(self) -> None:
        """Start it and wait until it answers."""
        settings = f"-p {self.port} -c listen_addresses=127.0.0.1 -c unix_socket_directories='' -c fsync=off"
        self.run("pg_ctl", "-D", "data", "-w", "-o", settings, "-l", "server.log", "start")

    def stop(self) -> None:
        """Stop it, whoever is connected."""
        self.run("pg_ctl", "-D", "data", "-w", "-m", "immediate", "stop")

    @property
    def uri(self) -> str:
        """The address without the password."""
        return f"postgresql://{USER}@127.0.0.1:{self.port}/postgres"

    def execute(self, *statements: str) -> None:
        """Run statements in one transaction."""
        from urllib.parse import quote

        uri = self.uri.replace("@", f":{quote(PASSWORD, safe='')}@")
        with driver.connect(uri) as connection, connection.cursor() as cursor:
            for statement in statements:
                cursor.execute(statement)
            connection.commit()
