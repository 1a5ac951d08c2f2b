"""A TCP server for listeners: bounded in clients, memory and patience, whatever the clients do."""

from __future__ import annotations

import asyncio
import contextlib
import socket
import ssl
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from pydantic import BaseModel, ConfigDict, Field

from ingest.errors import InputError
from ingest.feeds.address import Address, listens_on, shown_address, split_address
from ingest.feeds.cut import Cutter, Held, RefusedError
from ingest.feeds.intake import Intake

PIECE: Final = 1 << 16
HANDSHAKE_S: Final = 10.0  # of TLS; until then a client takes no place


class ServerOptions(BaseModel):
    """Keys that all listeners of TCP have."""

    model_config = ConfigDict(extra="forbid", strict=True)

    address: Address = Field(description='where it listens: address = "127.0.0.1:5140"; "0.0.0.0:5140" for the network')
    clients: int = Field(256, ge=1, le=10_000, description="how many may be connected at once: clients = 256")
    idle_s: float = Field(
        3600, gt=0, description="a client without a whole line for so long makes room for others: idle_s = 3600"
    )
    cert_file: str | None = Field(None, description="TLS: the server's certificate, PEM, with its chain")
    key_file: str | None = Field(None, description="TLS: its private key, PEM; default: it stands in cert_file")


def tls_of(options: ServerOptions, intake: Intake) -> ssl.SSLContext | None:
    """Return what TLS needs; None without. Raises InputError when the files cannot be used."""
    if options.cert_file is None:
        return None
    plant = intake.spool.folder.parent.parent
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    key = None if options.key_file is None else str(plant / options.key_file)
    try:
        context.load_cert_chain(str(plant / options.cert_file), key, lambda: "")  # a key with a passphrase: refused
    except (OSError, ValueError) as err:
        raise InputError(
            f"The certificate or its key cannot be used: {err}",
            where=where(intake, "cert_file"),
            found=", ".join(Path(p).name for p in (options.cert_file, options.key_file) if p),
            fix="Give PEM files, the key without a passphrase; paths are relative to the plant folder.",
        ) from err
    return context


def where(intake: Intake, key: str) -> str:
    """Name a key of the source for messages."""
    return f"sources/{intake.source}.toml, receive.{key}"


def port_problem(err: OSError, intake: Intake, host: str, port: int) -> InputError:
    """Return the error for an address that cannot be listened on."""
    reason = err.strerror or str(err)
    return InputError(
        f"It cannot listen there: {reason.lower() if isinstance(err, socket.gaierror) else reason}",
        where=where(intake, "address"),
        found=shown_address(host, port),
        fix="Choose a port that is free, or end the program that has it. It is tried again every few seconds.",
    )


@dataclass(eq=False)
class _Client:
    """One connection: its task, when it last completed a line, and why it was ended if it was."""

    task: asyncio.Task[None]
    last: float
    why: str = ""


class Server:
    """Takes clients, cuts what they send into lines, and hands these on."""

    def __init__(self, options: ServerOptions, intake: Intake, cutter: Callable[[Held], Cutter]) -> None:
        self.options, self.intake, self.cutter = options, intake, cutter
        self.held = Held()
        self.open: set[_Client] = set()

    async def listen(self, port: int | None = None) -> None:
        """Serve until it is cancelled; `port` stands in for that of the address. Raises InputError when it is taken."""
        host, told_port = split_address(self.options.address)
        port = told_port if port is None else port
        tls = tls_of(self.options, self.intake)
        try:
            server = await asyncio.start_server(
                self._client, host, port, limit=PIECE, backlog=1024,
                ssl=tls, ssl_handshake_timeout=HANDSHAKE_S if tls else None,
            )  # fmt: skip
        except OSError as err:
            raise port_problem(err, self.intake, host, port) from err
        bound = server.sockets[0].getsockname()[1]
        self.intake.address = shown_address(host, bound)
        self.intake.state, self.intake.problem = listens_on(host, bound) + (" (TLS)" if tls else ""), ""
        try:
            await asyncio.Event().wait()
        finally:
            server.close()
            tasks = [client.task for client in self.open]
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)

    async def _client(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        if not self._room():
            self.intake.counts.refused += 1
            limit = self.options.clients
            self.intake.tell("clients", f"a client was refused: {limit} are connected already (key `clients`)")
            writer.transport.abort()
            return
        task = asyncio.current_task()
        assert task is not None
        client = _Client(task, time.monotonic())
        self.open.add(client)
        self.intake.counts.clients = len(self.open)
        _notice_dead_peers(writer.get_extra_info("socket"))
        try:
            await self._lines(client, reader, self.cutter(self.held))
        finally:
            self.open.discard(client)
            self.intake.counts.clients = len(self.open)
            writer.transport.abort()

    def _room(self) -> bool:
        """Is there room for one more? The client that has been idle for longest, and too long, has to make it.

        As long as there is room, nobody is disconnected for being silent: a controller notices by losing a line.
        """
        if len(self.open) < self.options.clients:
            return True
        idle_s, longest = self.options.idle_s, min(self.open, key=lambda client: client.last)
        if time.monotonic() - longest.last < idle_s:
            return False
        longest.why = f"the client was disconnected after {idle_s:g} s without a whole line,"
        self.intake.tell("idle", f"a client without a whole line for {idle_s:g} s made room for another (key `idle_s`)")
        longest.task.cancel()
        self.open.discard(longest)
        return True

    async def _lines(self, client: _Client, reader: asyncio.StreamReader, cutter: Cutter) -> None:
        """Read one client to its end."""
        try:
            while data := await reader.read(PIECE):
                if lines := cutter.feed(data):
                    await self.intake.put(lines)
                    client.last = time.monotonic()
        except RefusedError as err:
            self.intake.counts.refused += 1
            self.intake.tell("refused", f"{err.reason}; the connection was closed")
            self.intake.take(err.lines)
            client.why = "the connection was closed"
        except OSError:
            client.why = "the connection broke"
        except asyncio.CancelledError:
            if not client.why:
                client.why = "the listener stopped"
                raise
        finally:
            self.intake.take(cutter.broken(client.why) if client.why else cutter.finish())


def _notice_dead_peers(connection: socket.socket) -> None:
    """Let the system ask silent clients whether they are still there, so that those whose cable was pulled go away."""
    for level, name, value in (
        (socket.SOL_SOCKET, "SO_KEEPALIVE", 1),
        (socket.IPPROTO_TCP, "TCP_KEEPIDLE", 60),
        (socket.IPPROTO_TCP, "TCP_KEEPINTVL", 20),
        (socket.IPPROTO_TCP, "TCP_KEEPCNT", 5),
    ):
        with contextlib.suppress(OSError, AttributeError):  # not every system knows all of them
            connection.setsockopt(level, getattr(socket, name), value)
