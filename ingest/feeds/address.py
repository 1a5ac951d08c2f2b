"""Where a listener listens: "host:port", on this machine alone unless told otherwise."""

from __future__ import annotations

import ipaddress
import re
from typing import Annotated, Final

from pydantic import AfterValidator

_FORM: Final = re.compile(r"(?:(?P<host>[\w.-]+|\[[0-9a-fA-F:.]+\]):)?(?P<port>\d{1,5})")
LOOPBACK: Final = "127.0.0.1"


def split_address(address: str) -> tuple[str, int]:
    """Return host and port; without a host, this machine's own."""
    found = _FORM.fullmatch(address)
    if not found or int(found["port"]) > 65535:
        raise ValueError(
            'this is no address; do: write "127.0.0.1:5140" (this machine alone), or "0.0.0.0:5140" (the whole network)'
        )
    return (found["host"] or LOOPBACK).strip("[]"), int(found["port"])


def _checked(address: str) -> str:
    split_address(address)
    return address


Address = Annotated[str, AfterValidator(_checked)]


def shown_address(host: str, port: int) -> str:
    """Write an address as people do."""
    return f"[{host}]:{port}" if ":" in host else f"{host}:{port}"


def is_loopback(host: str) -> bool:
    """Can only this machine reach it?"""
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def listens_on(host: str, port: int) -> str:
    """Say where it listens, and who can reach it."""
    where = f"listens on {shown_address(host, port)}"
    return where if is_loopback(host) else f"{where}: reachable from the network, without authentication"
