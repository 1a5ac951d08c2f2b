"""RFC 5424 syslog over TCP (RFC 6587: octet counting, or one message per line) and UDP (RFC 5426, one per datagram).

Each message is a line of the log, as it came. A line feed inside a message is written as #012.
"""

from __future__ import annotations

import asyncio
import contextlib
import socket
from typing import Any, Final, Literal

from pydantic import Field

from ingest.feeds.address import listens_on, shown_address, split_address
from ingest.feeds.clean import LONGEST, SHOWN, clean, marked
from ingest.feeds.cut import MUCH, Held, Lines, RefusedError
from ingest.feeds.intake import Intake
from ingest.feeds.server import Server, ServerOptions, port_problem

NAME: Final = "syslog"

_COUNT_DIGITS: Final = 10  # of the number in front of a message; a longer one is none
_RECEIVE_BUFFER: Final = 4 << 20  # bytes of datagrams that may wait to be read; the system may give less


class Options(ServerOptions):
    """`[receive]` by syslog."""

    transports: list[Literal["tcp", "udp"]] = Field(
        ["tcp", "udp"], min_length=1, description='transports = ["tcp", "udp"]; both have the same port'
    )


class Frames:
    """Cuts a client's stream into messages. A message that begins with its length has so many bytes."""

    def __init__(self, held: Held) -> None:
        self.held = held
        self._line = Lines(held)
        self._rest = bytearray()
        self._in_line = False

    def feed(self, data: bytes) -> list[bytes]:
        """Take what came; returns the messages that are complete now. Raises RefusedError for one that is too long."""
        self.held.total += len(data)
        self._rest += data
        found: list[bytes] = []
        at = 0
        while at < len(self._rest):
            size, behind = (0, 0) if self._in_line else self._count(at)
            if size < 0:
                break  # the number is not complete
            if not behind:
                end = self._rest.find(b"\n", at) + 1 or len(self._rest)
                found += [line for line in self._line.feed(bytes(self._rest[at:end])) if line]
                self._in_line = self._line.inside
                at = end
            elif size > self._longest():
                raise self._refused(size, behind, found)
            elif len(self._rest) < behind + size:
                break
            else:
                found.append(clean(bytes(self._rest[behind : behind + size])))
                at = behind + size
        self._drop(at)
        return found

    def finish(self) -> list[bytes]:
        """Return a last line without an end as a message; one whose length was told is marked as not whole."""
        return self._line.finish() + self._not_whole("the connection ended")

    def broken(self, why: str) -> list[bytes]:
        """Return what has no end, marked as not whole."""
        return self._line.broken(why) + self._not_whole(why)

    def _count(self, at: int) -> tuple[int, int]:
        """Return the length told at this place and where the message begins; (0, 0): none is told, (-1, 0): not yet."""
        head = bytes(self._rest[at : at + _COUNT_DIGITS + 1])
        digits, blank, _ = head.partition(b" ")
        if not head[:1].isdigit() or head.startswith(b"0") or not digits.isdigit():
            return 0, 0
        if blank:
            return int(digits), at + len(digits) + 1
        return (-1, 0) if len(digits) <= _COUNT_DIGITS else (0, 0)

    def _longest(self) -> int:
        """Return how long a message may be. There is no reading over one: its length may be a lie, too."""
        return LONGEST if self.held.total < 2 * MUCH else self.held.longest()

    def _refused(self, size: int, behind: int, before: list[bytes]) -> RefusedError:
        reason = f"a message of {size:,} bytes was announced, at most {self._longest():,} are taken"
        line = marked(reason, bytes(self._rest[behind : behind + SHOWN]))
        self._drop(len(self._rest))
        return RefusedError(reason, [*before, line])

    def _not_whole(self, why: str) -> list[bytes]:
        left = [marked(f"{why} within this message", bytes(self._rest))] if self._rest else []
        self._drop(len(self._rest))
        return left

    def _drop(self, size: int) -> None:
        del self._rest[:size]
        self.held.total -= size


class _Datagrams(asyncio.DatagramProtocol):
    """Each datagram is a message. There is no holding back: while the disk refuses, they are counted and lost."""

    def __init__(self, intake: Intake) -> None:
        self.intake = intake

    def datagram_received(self, data: bytes, addr: Any) -> None:
        if self.intake.full:
            self.intake.counts.refused += 1
            self.intake.tell("datagrams", "a datagram was lost: too many wait for the spool")
        elif message := clean(data):
            self.intake.take([message])


async def listen(options: Options, intake: Intake) -> None:
    """Take messages until it is cancelled."""
    server = Server(options, intake, Frames)
    if "udp" not in options.transports:
        await server.listen()
        return
    host, port = split_address(options.address)
    loop = asyncio.get_running_loop()
    try:
        transport, _ = await loop.create_datagram_endpoint(lambda: _Datagrams(intake), (host, port))
    except OSError as err:
        raise port_problem(err, intake, host, port) from err
    try:
        bound = transport.get_extra_info("sockname")[1]
        with contextlib.suppress(OSError):
            transport.get_extra_info("socket").setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, _RECEIVE_BUFFER)
        if "tcp" in options.transports:
            await server.listen(bound)
        else:
            intake.address = shown_address(host, bound)
            intake.state, intake.problem = listens_on(host, bound) + " (UDP)", ""
            await asyncio.Event().wait()
    finally:
        transport.close()
