"""What is stored of a person's name: a pseudonym by a key that never leaves the plant, nothing, or the name."""

from __future__ import annotations

import hashlib
import os
import secrets
from pathlib import Path

import polars as pl

from ingest.errors import InputError
from ingest.mapping import Operators
from ingest.plant_folder import Privacy

KEY_FILE = "operators.key"


def operators_as(privacy: Privacy, plant: Path) -> Operators:
    """Return the function that replaces operators' names.

    "pseudonym" makes and keeps a random key in `plant`/operators.key: who has the folder's logs but not the key cannot
    tell names from pseudonyms by trying names out. Deleting the key cuts old pseudonyms from new ones for good.
    """
    if privacy == "plain":
        return lambda names: names
    if privacy == "drop":
        return lambda names: pl.repeat(None, len(names), dtype=pl.String, eager=True).alias(names.name)
    key: list[bytes] = []

    def pseudonyms(names: pl.Series) -> pl.Series:
        known = names.drop_nulls().unique().to_list()
        if not known:
            return names
        if not key:
            key.append(_key(plant / KEY_FILE))
        new = [pseudonym(name, key[0]) for name in known]
        return names.replace_strict(known, new, default=None, return_dtype=pl.String)

    return pseudonyms


def pseudonym(name: str, key: bytes) -> str:
    """Return the pseudonym of a name: the same for the same key, and not to be turned back without it."""
    return "op-" + hashlib.blake2b(name.strip().encode(), key=key, digest_size=5).hexdigest()


def _key(path: Path) -> bytes:
    try:
        if not path.exists():
            handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
            with os.fdopen(handle, "w") as file:
                file.write(secrets.token_hex(32) + "\n")
        return bytes.fromhex(path.read_text().strip())
    except (OSError, ValueError) as err:
        raise InputError(
            f"The key for operators' pseudonyms cannot be used: {err}",
            where=path.name,
            fix="Delete the file; a new one is made. Pseudonyms from then on differ from those in the store.",
        ) from err
