"""An MQTT subscriber (3.1.1): each message becomes one JSON line, and is acknowledged when that line is on the disk."""

from __future__ import annotations

import asyncio
import base64
import concurrent.futures
import hashlib
import json
import re
import socket
import ssl
import time
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Annotated, Any, Final

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, model_validator

from ingest.errors import InputError
from ingest.feeds.address import Address, is_loopback, shown_address, split_address
from ingest.feeds.clean import LONGEST, clean, marked
from ingest.feeds.intake import Intake
from ingest.feeds.secret import password
from ingest.feeds.server import where

if TYPE_CHECKING:
    from paho.mqtt.client import Client

NAME: Final = "mqtt"
GROUP_S: Final = 0.005  # a broker sends only so many messages ahead (often 20), so the disk must answer quickly

_SPACE: Final = re.compile(r"[\t\r\n]")  # in JSON, outside of texts, all the same as a blank
_MOST_WAIT_S: Final = 60


_TOPIC: Final = re.compile(r"(?:(?:\+|[^+#/\0]*)/)*(?:#|\+|[^+#/\0]*)")


def _topic(topic: str) -> str:
    if not topic or not _TOPIC.fullmatch(topic) or len(topic.encode()) > 65535:
        raise ValueError('this is no topic; do: + stands for one level, # at the end for all below: "cell7/+/state"')
    return topic


class Options(BaseModel):
    """`[receive]` by mqtt."""

    model_config = ConfigDict(extra="forbid", strict=True)

    address: Address = Field(description='the broker: address = "127.0.0.1:1883"')
    topics: list[Annotated[str, AfterValidator(_topic)]] = Field(
        min_length=1, description='what is subscribed to: topics = ["cell7/+/state", "cell7/#"]'
    )
    client_id: str | None = Field(
        None, min_length=1, description="the name under which the broker keeps what comes while nobody listens"
    )
    keep_alive_s: int = Field(30, ge=5, le=3600, description="a silent broker is asked so often: keep_alive_s = 30")
    user: str | None = Field(None, description="the user's name at the broker")
    password_env: str | None = Field(None, description='the variable that holds the password: password_env = "MQTT_PW"')
    password_file: str | None = Field(
        None, description="the file that holds the password, relative to the plant folder; no one else may read it"
    )
    tls: bool = Field(False, description="tls = true: encrypted; the broker's certificate is checked")
    ca_file: str | None = Field(None, description="TLS: certificates to trust instead of the system's, PEM")

    @model_validator(mode="after")
    def _user_with_password(self) -> Options:
        if self.user is None and (self.password_env or self.password_file):
            raise ValueError("a password needs `user`, too")
        return self


def line_of(topic: str, payload: bytes, qos: int, retained: bool, received: datetime) -> bytes:
    """Return a message as a line: received, topic, retained, qos, and payload (JSON or text) or payload_base64."""
    told: dict[str, Any] = {
        "received": received.isoformat(timespec="microseconds").replace("+00:00", "Z"),
        "topic": topic,
        "retained": retained,
        "qos": qos,
    }
    if len(payload) > LONGEST:
        head = json.dumps(told, ensure_ascii=False).encode()
        return marked(f"a payload of {len(payload):,} bytes was cut off", head + b" " + payload)
    front = json.dumps(told, ensure_ascii=False)[:-1]
    try:
        text = payload.decode("utf-8")
    except UnicodeDecodeError:
        return clean(f'{front}, "payload_base64": "{base64.b64encode(payload).decode()}"}}'.encode())
    shown = _SPACE.sub(" ", text) if _is_json(text) else json.dumps(text, ensure_ascii=False)
    return clean(f'{front}, "payload": {shown}}}'.encode())


def _is_json(text: str) -> bool:
    """Can the text stand in a line as it is?"""
    try:
        json.loads(text, parse_constant=_no_constant)
    except (ValueError, RecursionError):
        return False
    return "\x7f" not in text


def _no_constant(word: str) -> None:
    raise ValueError(f"{word} is no JSON")


async def listen(options: Options, intake: Intake) -> None:
    """Subscribe, and take messages until it is cancelled; a broker that is gone is tried again for ever."""
    intake.group_s = GROUP_S
    subscriber = _Subscriber(options, intake, asyncio.get_running_loop())
    subscriber.begin()
    try:
        await asyncio.Event().wait()
    finally:
        subscriber.stopping = True
        await asyncio.to_thread(subscriber.end)


class _Subscriber:
    """One connection to a broker. Its callbacks run in a thread of their own, and only hand on."""

    def __init__(self, options: Options, intake: Intake, loop: asyncio.AbstractEventLoop) -> None:
        self.options, self.intake, self.loop = options, intake, loop
        self.host, self.port = split_address(options.address)
        self.stopping = self.subscribed = False
        self.client = self._client()

    def begin(self) -> None:
        """Connect in the background."""
        self.intake.address = shown_address(self.host, self.port)
        self._state("connects", "")
        self.client.connect_async(self.host, self.port, self.options.keep_alive_s)
        self.client.loop_start()

    def end(self) -> None:
        """Disconnect; the broker keeps the session."""
        self.client.disconnect()
        self.client.loop_stop()

    def _client(self) -> Client:
        from paho.mqtt.client import Client, MQTTv311  # here: only a plant with a broker needs it
        from paho.mqtt.enums import CallbackAPIVersion

        options, plant = self.options, self.intake.spool.folder.parent.parent
        client = Client(
            CallbackAPIVersion.VERSION2, self._id(), clean_session=False, protocol=MQTTv311, manual_ack=True
        )
        client.reconnect_delay_set(1, _MOST_WAIT_S)
        client.suppress_exceptions = True  # in callbacks: logged, so that the connection goes on
        if options.user is not None:
            secret = password(self.intake.source, plant, options.password_env, options.password_file)
            client.username_pw_set(options.user, secret)
        if options.tls:
            try:
                client.tls_set(None if options.ca_file is None else str(plant / options.ca_file))
            except (OSError, ValueError, ssl.SSLError) as err:
                raise InputError(
                    f"The certificates cannot be used: {err}", where=where(self.intake, "ca_file"),
                    found=options.ca_file, fix="Give a PEM file; its path is relative to the plant folder.",
                ) from err  # fmt: skip
        client.on_connect, client.on_connect_fail = self._connected, self._failed
        client.on_disconnect, client.on_subscribe = self._disconnected, self._granted
        client.on_message = self._message
        return client

    def _id(self) -> str:
        """Return the session's name: the same at each start, and another one for each plant and machine."""
        if self.options.client_id is not None:
            return self.options.client_id
        told = f"{socket.gethostname()} {self.intake.spool.folder.resolve()}"
        return f"taktbook-{self.intake.source}-{hashlib.sha256(told.encode()).hexdigest()[:8]}"

    # ---- callbacks, in the client's thread

    def _connected(self, client: Client, _: Any, flags: Any, reason: Any, __: Any) -> None:
        if reason.is_failure:
            self._state("refused by the broker", f"the broker refuses the connection: {reason} (user, password)")
            return
        if self.subscribed and flags.session_present:  # to subscribe again would bring all that is retained again
            self._state(self._all_well(), "")
        else:
            client.subscribe([(topic, 1) for topic in self.options.topics])

    def _all_well(self) -> str:
        well = f"subscribed at {shown_address(self.host, self.port)}"
        if self.options.user is None or self.options.tls or is_loopback(self.host):
            return well
        return f"{well}: the password crosses the network in the clear (tls = false)"

    def _granted(self, _: Client, __: Any, ___: int, reasons: Any, ____: Any) -> None:
        refused = [topic for topic, reason in zip(self.options.topics, reasons, strict=False) if reason.is_failure]
        self.subscribed = not refused
        if refused:
            self._state("subscribed in part", f"the broker does not allow: {', '.join(refused)} (topics)")
        else:
            self._state(self._all_well(), "")

    def _failed(self, _: Client, __: Any) -> None:
        self._state("connects", "the broker cannot be reached; it is tried again")

    def _disconnected(self, _: Client, __: Any, ___: Any, reason: Any, ____: Any) -> None:
        if not self.stopping and not self.intake.problem:
            self._state("connects", f"the connection to the broker ended ({reason}); it is tried again")

    def _message(self, client: Client, _: Any, message: Any) -> None:
        try:
            topic = message.topic
        except UnicodeDecodeError:  # which no broker should let through
            topic = "\ufffd"
        line = line_of(topic, bytes(message.payload), message.qos, bool(message.retain), datetime.now(UTC))
        while self.intake.full and not self.stopping:  # so the broker is held back
            time.sleep(0.05)
        if self.stopping:
            return  # not acknowledged, so the broker sends it again
        kept = asyncio.run_coroutine_threadsafe(self.intake.keep([line]), self.loop)
        if message.qos:
            kept.add_done_callback(lambda done: self._acknowledge(client, done, message.mid, message.qos))

    @staticmethod
    def _acknowledge(client: Client, kept: concurrent.futures.Future[None], mid: int, qos: int) -> None:
        if not kept.cancelled() and kept.exception() is None:
            client.ack(mid, qos)

    def _state(self, state: str, problem: str) -> None:
        """Note how things stand; a new problem is told."""
        if problem and problem != self.intake.problem:
            self.intake.tell(problem, problem)
        if not self.loop.is_closed():
            self.loop.call_soon_threadsafe(self._note, state, problem)

    def _note(self, state: str, problem: str) -> None:
        self.intake.state, self.intake.problem = state, problem
        self.intake.counts.clients = int(state.startswith("subscribed"))
