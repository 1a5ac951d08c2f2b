"""A TCP server for listeners: bounded in clients, memory and patience, whatever the clients do."""

from __future__ import annotations

import asyncio
import contextlib
import socket
import ssl
import time
from collections.abc import Callable
from pathlib import Path
from typing import Final

from pydantic import BaseModel, ConfigDict, Field

from ingest.errors import InputError
from ingest.feeds.address import Address, listens_on, shown_address, split_address
from ingest.feeds.cut import Cutter, Held, RefusedError
from ingest.feeds.intake import Intake

PIECE: Final = 1 << 16


class ServerOptions(BaseModel):
    """Keys that all listeners of TCP have."""

    model_config = ConfigDict(extra="forbid", strict=True)

    address: Address = Field(description='where it listens: address = "127.0.0.1:5140"; "0.0.0.0:5140" for the network')
    clients: int = Field(256, ge=1, le=10_000, description="how many may be connected at once: clients = 256")
    idle_s: float = Field(
        3600, ge=0, description="a client that completes no line for so long is disconnected: idle_s = 3600; 0: never"
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


class Server:
    """Takes clients, cuts what they send into lines, and hands these on."""

    def __init__(self, options: ServerOptions, intake: Intake, cutter: Callable[[Held], Cutter]) -> None:
        self.options, self.intake, self.cutter = options, intake, cutter
        self.held = Held()
        self.tasks: set[asyncio.Task[None]] = set()

    async def listen(self, port: int | None = None) -> None:
        """Serve until it is cancelled; `port` stands in for that of the address. Raises InputError when it is taken."""
        host, told_port = split_address(self.options.address)
        port = told_port if port is None else port
        tls = tls_of(self.options, self.intake)
        try:
            server = await asyncio.start_server(self._client, host, port, limit=PIECE, backlog=1024, ssl=tls)
        except OSError as err:
            raise port_problem(err, self.intake, host, port) from err
        bound = server.sockets[0].getsockname()[1]
        self.intake.address = shown_address(host, bound)
        self.intake.state, self.intake.problem = listens_on(host, bound) + (" (TLS)" if tls else ""), ""
        try:
            await asyncio.Event().wait()
        finally:
            server.close()
            for task in self.tasks:
                task.cancel()
            await asyncio.gather(*self.tasks, return_exceptions=True)

    async def _client(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        counts, limit = self.intake.counts, self.options.clients
        if counts.clients >= limit:
            counts.refused += 1
            self.intake.tell("clients", f"a client was refused: {limit} are connected already (key `clients`)")
            writer.transport.abort()
            return
        task = asyncio.current_task()
        assert task is not None
        self.tasks.add(task)
        counts.clients += 1
        with contextlib.suppress(OSError):
            writer.get_extra_info("socket").setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
        try:
            await self._lines(reader, self.cutter(self.held))
        finally:
            counts.clients -= 1
            self.tasks.discard(task)
            writer.transport.abort()

    async def _lines(self, reader: asyncio.StreamReader, cutter: Cutter) -> None:
        """Read one client to its end."""
        last, patience = time.monotonic(), self.options.idle_s
        why = ""
        try:
            while True:
                left = last + patience - time.monotonic() if patience else None
                async with asyncio.timeout(left):
                    data = await reader.read(PIECE)
                if not data:
                    break
                if lines := cutter.feed(data):
                    await self.intake.put(lines)
                    last = time.monotonic()
        except TimeoutError:
            why = f"the client was disconnected after {patience:g} s without a whole line,"
            self.intake.tell("idle", f"a client sent no whole line for {patience:g} s: disconnected (key `idle_s`)")
        except RefusedError as err:
            self.intake.counts.refused += 1
            self.intake.tell("refused", f"{err.reason}; the connection was closed")
            self.intake.take(err.lines)
            why = "the connection was closed"
        except OSError:
            why = "the connection broke"
        except asyncio.CancelledError:
            why = "the listener stopped"
            raise
        finally:
            self.intake.take(cutter.broken(why) if why else cutter.finish())
