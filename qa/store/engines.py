"""Databases as the store needs them: addresses, connections, and their trouble put in words."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import URL, Connection, Engine, create_engine, make_url
from sqlalchemy import event as sqlalchemy_event
from sqlalchemy.exc import ArgumentError, DatabaseError, DataError, OperationalError
from sqlalchemy.exc import TimeoutError as NoConnection

from qa.errors import InvalidInput, StoreError, StoreUnavailable

BUSY_SECONDS = 20.0
# Any one number will do: it names the lock under which PostgreSQL's writers take turns.
_WRITERS = 7_083_197
_MORE = -1  # as many connections as there are threads that ask at once


def address(where: str | Path) -> URL:
    """Where a store is: a file, or a database's address.

    Raises
    ------
    StoreError
        If it is of another kind.
    """
    text = str(where)
    if "://" not in text:
        return URL.create("sqlite", database=text)
    try:
        url = make_url(text)
    except ArgumentError:
        raise StoreError("a store's address must be like postgresql://user@host/name") from None
    if url.get_backend_name() == "postgresql":
        return url.set(drivername="postgresql+psycopg")
    if url.get_backend_name() == "sqlite" and url.database:
        return url
    raise StoreError(f"a store is a file or a postgresql:// address, got {url.drivername}://")


def shown(url: URL) -> str:
    """An address for people to read: a file's path, or a URL without its password."""
    if url.get_backend_name() == "sqlite":
        return str(Path(url.database or ""))
    return url.render_as_string(hide_password=True)


def engine(url: URL, *, foreign_keys: bool) -> Engine:
    """Connections to a database, each set up so that what it acknowledges is kept."""
    if url.get_backend_name() != "sqlite":
        try:
            return create_engine(url, pool_pre_ping=True, max_overflow=_MORE)
        except ModuleNotFoundError:
            raise StoreError(
                'a PostgreSQL store needs its driver: pip install "toteproof[postgres]"'
            ) from None
    made = create_engine(url, connect_args={"timeout": BUSY_SECONDS}, max_overflow=_MORE)

    def connected(connection: Any, _: object) -> None:
        connection.isolation_level = None  # transactions begin where `begun` says
        connection.execute("PRAGMA synchronous=FULL")
        connection.execute(f"PRAGMA foreign_keys={'ON' if foreign_keys else 'OFF'}")

    def begun(connection: Connection) -> None:
        writes = connection.get_execution_options().get("writes", False)
        connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")

    sqlalchemy_event.listen(made, "connect", connected)
    sqlalchemy_event.listen(made, "begin", begun)
    return made


def wait_for_turn(connection: Connection) -> None:
    """Wait until no other writes, on PostgreSQL; SQLite's writers began by waiting."""
    if connection.dialect.name == "postgresql":
        connection.exec_driver_sql(f"SET LOCAL lock_timeout = {round(1000 * BUSY_SECONDS)}")
        connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({_WRITERS})")


@contextmanager
def told(name: str) -> Iterator[None]:
    """A database's own trouble, said in one sentence; a wrong statement stays a bug, and loud."""
    try:
        yield
    except NoConnection:
        raise StoreUnavailable(_BUSY.format(name)) from None
    except DataError as reason:
        if "NUL" not in str(reason.orig):
            raise
        raise InvalidInput("no text of the record holds a NUL character: take it out") from None
    except DatabaseError as reason:
        sentence = _KNOWN.get(_code(reason), "")
        if not sentence and isinstance(reason, OperationalError):
            sentence = f"the store {{}} does not answer: {_first_line(reason)}"
        if not sentence and type(reason) is DatabaseError:
            sentence = f"the store {{}} is damaged: {_first_line(reason)}"
        if not sentence:
            raise
        raise StoreUnavailable(sentence.format(name)) from None


_BUSY = "the store {} is kept busy by another program; nothing was changed, try again"
_FULL = "the disk of the store {} is full; nothing was changed"
_READ_ONLY = "the store {} may be read and not written; nothing was changed"
_NO_RIGHT = "the store {} does not let this user in, or not do that; nothing was changed"
# SQLite's names of what went wrong, and PostgreSQL's codes.
_KNOWN = {
    **dict.fromkeys(("SQLITE_BUSY", "SQLITE_BUSY_SNAPSHOT", "SQLITE_LOCKED", "55P03"), _BUSY),
    **dict.fromkeys(("SQLITE_FULL", "53100"), _FULL),
    **dict.fromkeys(("SQLITE_READONLY", "SQLITE_READONLY_DBMOVED", "25006"), _READ_ONLY),
    **dict.fromkeys(("42501", "28P01", "28000"), _NO_RIGHT),
}


def _code(reason: DatabaseError) -> str:
    name = getattr(reason.orig, "sqlite_errorname", None)
    return str(name or getattr(reason.orig, "sqlstate", None) or "")


def _first_line(reason: DatabaseError) -> str:
    return str(reason.orig).strip().partition("\n")[0]
