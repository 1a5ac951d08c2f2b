"""Passwords: from the environment or from a file that nobody else can read, never from a source file."""

from __future__ import annotations

import os
import stat
from pathlib import Path

from ingest.errors import InputError


def password(source: str, plant: Path, env: str | None, file: str | None) -> str | None:
    """Return the password that the keys `password_env` or `password_file` lead to; None when neither is given.

    Raises InputError when it cannot be had. No message shows it.
    """
    if env is not None:
        value = os.environ.get(env)
        if value is None:
            raise InputError(
                "The password's variable is not set.",
                where=f"sources/{source}.toml, receive.password_env",
                found=env,
                fix=f"Set {env} in the environment of the program that loads or follows.",
            )
        return value
    if file is None:
        return None
    where = f"sources/{source}.toml, receive.password_file"
    path = plant / file
    try:
        if os.name == "posix" and stat.S_IMODE(path.stat().st_mode) & 0o077:
            raise InputError(
                "The password's file can be read by others.", where=where, found=file, fix=f"chmod 600 {file}"
            )
        return path.read_text(encoding="utf-8").rstrip("\r\n")
    except (OSError, UnicodeDecodeError) as err:
        reason = getattr(err, "strerror", None) or "it is no text in UTF-8"
        raise InputError(
            f"The password's file cannot be read: {reason}",
            where=where,
            found=file,
            fix="Write the password into that file, alone; its path is relative to the plant folder.",
        ) from None
