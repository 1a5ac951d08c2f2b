"""SQLite and PostgreSQL through ADBC: a question -> Arrow batches. No message shows a password."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Protocol
from urllib.parse import SplitResult, parse_qsl, quote, unquote, urlencode, urlsplit

import pyarrow as pa
from adbc_driver_manager import Error as DriverError

from ingest.errors import InputError, suggest

if TYPE_CHECKING:  # it takes half a second to import, which only those pay who use it
    from adbc_driver_manager import dbapi

ROWS: Final = 20_000
_BYTES: Final = 4 << 20


@dataclass(frozen=True, slots=True)
class Question:
    """Which rows are wanted: all of a table or query, or those above the highest key and the last keys once more."""

    table: str | None
    query: str | None
    key: str | None = None
    highest: int | str | None = None  # times and dates as the number that Arrow keeps
    overlap: int = 0


class Database(Protocol):
    """Something that answers questions."""

    def rows(self, question: Question) -> Iterator[pa.RecordBatch]:
        """Yield the rows, by key if there is one. Raises InputError."""

    def silent(self) -> InputError:
        """Return the error for a database that does not answer."""


def database_of(uri: str, secret: str | None, root: Path, where: str, timeout_s: int) -> Database:
    """Return the database of a uri. Raises InputError, without the uri, when it cannot be understood."""
    if uri.startswith("sqlite:"):
        path = root / uri.removeprefix("sqlite:").removeprefix("//")
        if not path.is_file():
            fix = "Correct the path behind sqlite: (relative to the plant folder), or put the file there."
            raise InputError("There is no such SQLite file.", where=f"{where}.uri", found=str(path), fix=fix)
        return _Sqlite(f"{path.resolve().as_uri()}?mode=ro", str(path), (), where, timeout_s)
    if uri.startswith(("postgresql://", "postgres://")):
        return _postgresql(uri, secret, where, timeout_s)
    fix = 'Write "sqlite:data/host.sqlite" or "postgresql://user@host:5432/name".'
    raise InputError("This is no database that can be read.", where=f"{where}.uri", fix=fix)


def _postgresql(uri: str, secret: str | None, where: str, timeout_s: int) -> Database:
    fix = 'Write "postgresql://user@host:5432/name" and the password into password_file or password_env.'
    try:
        parts = urlsplit(uri)
        port = parts.port
        settings = dict(parse_qsl(parts.query, keep_blank_values=True))
    except ValueError:
        raise InputError("The uri cannot be understood.", where=f"{where}.uri", fix=fix) from None
    if "@" in parts.path + parts.fragment or "password" in settings or "sslpassword" in settings:
        raise InputError("The uri holds signs or a password where none can be.", where=f"{where}.uri", fix=fix)
    secret = secret if secret is not None else _plain(parts.password)
    for setting, value in (
        ("connect_timeout", max(2, timeout_s)), ("application_name", "taktbook"), ("keepalives_idle", 10),
        ("keepalives_interval", 5), ("keepalives_count", 3), ("client_encoding", "UTF8"),
    ):  # fmt: skip
        settings.setdefault(setting, str(value))
    user = quote(_plain(parts.username) or "", safe="")
    login = f"{user}:{quote(secret, safe='')}@" if secret else f"{user}@" if user else ""
    host = f"[{parts.hostname}]" if ":" in (parts.hostname or "") else parts.hostname or ""
    address = f"{host}:{port}" if port else host
    full = f"postgresql://{login}{address}{quote(parts.path)}?{urlencode(settings, quote_via=quote)}"
    secrets = tuple(s for s in (secret, quote(secret or "", safe=""), parts.password) if s)
    return _PostgreSQL(full, _shown(parts, address), secrets, where, timeout_s)


def _plain(text: str | None) -> str | None:
    return None if text is None else unquote(text)


def _shown(parts: SplitResult, address: str) -> str:
    user = f"{_plain(parts.username)}@" if parts.username else ""
    return f"postgresql://{user}{address}{parts.path}"


class _Any:
    """What both have in common. `shown` is the address for people, `secrets` what no message may hold."""

    def __init__(self, uri: str, shown: str, secrets: tuple[str, ...], where: str, timeout_s: int) -> None:
        self.uri, self.shown, self.secrets, self.where, self.timeout_s = uri, shown, secrets, where, timeout_s

    def connect(self) -> dbapi.Connection:
        raise NotImplementedError

    def as_column(self, field: pa.Field, is_key: bool) -> str:
        raise NotImplementedError

    def silent(self) -> InputError:
        return InputError(
            f"The database did not answer for {self.timeout_s} s.", where=f"{self.where}.uri", found=self.shown,
            fix="Check that it runs and can be reached, or raise timeout_s; the next load tries again.",
        )  # fmt: skip

    def rows(self, question: Question) -> Iterator[pa.RecordBatch]:
        """Yield the rows, by key if there is one. Raises InputError."""
        try:
            with self.connect() as connection, connection.cursor() as cursor:
                self.prepare(cursor)
                relation = self._relation(question)
                cursor.execute(f"select * from {relation} limit 0")
                fields = self._checked(cursor.fetch_arrow_table().schema, question)
                cursor.execute(self._select(question, relation, fields))
                for batch in cursor.fetch_record_batch():
                    for start in range(0, batch.num_rows, ROWS):
                        yield batch.slice(start, ROWS)
        except (DriverError, pa.ArrowException) as err:
            raise self._told(err, question) from None  # its text may hold what must not be shown

    def prepare(self, cursor: dbapi.Cursor) -> None:
        """Set what holds for this connection."""

    def _relation(self, question: Question) -> str:
        if question.table is not None:
            return ".".join(_quoted(part) for part in question.table.split("."))
        return f"(\n{(question.query or '').strip().rstrip(';')}\n) as q"

    def _checked(self, schema: pa.Schema, question: Question) -> list[pa.Field]:
        names = list(schema.names)
        if twice := sorted({name for name in names if names.count(name) > 1}):
            fix = 'Give each column of the query a name of its own: … as "name".'
            raise InputError("Columns have the same name.", where=f"{self.where}.query", found=twice[0], fix=fix)
        if question.key is not None and question.key not in names:
            raise InputError(
                "There is no such column.", where=f"{self.where}.key", found=question.key, allowed=", ".join(names),
                fix=suggest(question.key, names) or "Name a column that grows with each row.",
            )  # fmt: skip
        return list(schema)

    def _select(self, question: Question, relation: str, fields: list[pa.Field]) -> str:
        columns = ", ".join(f"{self.as_column(f, f.name == question.key)} as {_quoted(f.name)}" for f in fields)
        if question.key is None:
            return f"select {columns} from {relation}"
        key = _quoted(question.key)
        where = ""
        if question.highest is not None:
            highest = self.literal(question.highest, next(f.type for f in fields if f.name == question.key))
            where = f" where {key} > {highest}"
            if question.overlap:
                last = f"select distinct {key} as k from {relation} where {key} <= {highest} order by 1 desc"
                first = f"select min(k) from ({last} limit {question.overlap}) as last_keys"
                where = f" where {key} >= coalesce(({first}), {highest})"
        inner = f"select * from {relation}{where}"
        return f"select {columns} from ({inner}) as r order by r.{key}"

    def literal(self, value: int | str, dtype: pa.DataType) -> str:
        """Write a key as SQL. As a literal, for answers to bound values are not streamed."""
        if isinstance(value, str):
            return "'" + value.replace("'", "''").replace("\0", "") + "'"
        return str(value)

    def _told(self, err: Exception, question: Question) -> InputError:
        text = str(err).split("\nQuery was")[0].strip()
        text = " ".join(text.split())[:300]
        if any(secret in str(err) for secret in self.secrets):
            text = "its message is not shown, for it holds the password"
        low, state = text.lower(), getattr(err, "sqlstate", None)
        key = "table" if question.table is not None else "query"
        if state == "42P01" or "no such table" in low or ("relation" in low and "does not exist" in low):
            fix = "Correct the name, or create it."
            return InputError(f"There is no such table or view: {text}", where=f"{self.where}.{key}", fix=fix)
        if state == "42501":
            fix = "Give the user the right to read it."
            return InputError(f"The user may not read it: {text}", where=f"{self.where}.{key}", fix=fix)
        if "password" in low or "authentication" in low:
            return InputError(
                f"The database does not accept the user or the password: {text}", where=f"{self.where}.uri",
                found=self.shown, fix="Correct the user in uri, or the password in password_file or password_env.",
            )  # fmt: skip
        what = "The database cannot be reached" if state is None and "connect" in low else "The database refuses"
        return InputError(
            f"{what}: {text}", where=f"{self.where}.{'uri' if 'reached' in what else key}", found=self.shown,
            fix="Check that it runs, and [receive] in the source; the next load tries again.",
        )  # fmt: skip


class _Sqlite(_Any):
    """An SQLite file. Columns are read as text: a column there may hold values of any type."""

    def connect(self) -> dbapi.Connection:
        import adbc_driver_sqlite.dbapi as driver

        connection: dbapi.Connection = driver.connect(self.uri)
        return connection

    def prepare(self, cursor: dbapi.Cursor) -> None:
        cursor.adbc_statement.set_options(**{"adbc.sqlite.query.batch_rows": str(ROWS)})

    def as_column(self, field: pa.Field, is_key: bool) -> str:
        name = _quoted(field.name)
        return name if is_key else f"case typeof({name}) when 'blob' then hex({name}) else cast({name} as text) end"


class _PostgreSQL(_Any):
    """A PostgreSQL server. Columns of types that Parquet does not have are read as text."""

    def connect(self) -> dbapi.Connection:
        import adbc_driver_postgresql.dbapi as driver

        connection: dbapi.Connection = driver.connect(self.uri)
        return connection

    def prepare(self, cursor: dbapi.Cursor) -> None:
        cursor.execute("set transaction isolation level repeatable read, read only")
        cursor.execute("set standard_conforming_strings = on")
        cursor.adbc_statement.set_options(**{"adbc.postgresql.batch_size_hint_bytes": str(_BYTES)})

    def as_column(self, field: pa.Field, is_key: bool) -> str:
        t: Any = pa.types
        plain = (t.is_integer, t.is_floating, t.is_boolean, t.is_string, t.is_large_string, t.is_timestamp, t.is_date,
                 t.is_time, t.is_binary, t.is_large_binary)  # fmt: skip
        name = _quoted(field.name)
        return name if any(test(field.type) for test in plain) else f"cast({name} as text)"

    def literal(self, value: int | str, dtype: pa.DataType) -> str:
        if isinstance(value, int) and pa.types.is_timestamp(dtype):
            kind = "timestamptz" if dtype.tz else "timestamp"
            at = pa.scalar(value, pa.int64()).cast(pa.timestamp(dtype.unit)).cast(pa.string()).as_py()
            return f"{kind} '{at}{'+00' if dtype.tz else ''}'"
        if isinstance(value, int) and pa.types.is_date(dtype):
            return f"(date '1970-01-01' + {value})"
        return super().literal(value, dtype)


def _quoted(name: str) -> str:
    return '"' + name.replace('"', '""') + '"'
