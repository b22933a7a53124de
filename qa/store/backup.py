"""Backups: a store's whole record at one moment as one file, and a store made from it again.

The file is a SQLite store, whatever database it was taken from and whichever it goes back to; so
a backup is also the way from one to the other. Both are checked before they bear their names, and
neither ever takes the place of what is there.
"""

import sqlite3
import tempfile
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import cast

from sqlalchemy import URL, Connection, insert, inspect, select

from qa.errors import StoreError
from qa.store import engines, migrations, places, schema, trail
from qa.store.chain import Head
from qa.store.schema import Store

_BATCH = 5_000


def back_up(store: Store, file: str | Path) -> Head:
    """Write a store's record to a new file while others go on reading and writing it.

    Parameters
    ----------
    store : Store
    file : path
        Not there yet, in a folder that is.

    Returns
    -------
    Head
        The end of the chain in the backup, to be kept elsewhere.

    Raises
    ------
    StoreError
        If the file is there, cannot be written, or the record contradicts itself.
    """
    path = Path(file)
    _check_free(path)
    with _told(path), places.draft_of(path) as draft:
        if store.engine.dialect.name == "sqlite":
            with closing(store.engine.raw_connection()) as source:
                _copy_file(cast(sqlite3.Connection, source.driver_connection), draft)
        else:
            schema.make_file(draft, str(path))
            with (
                _opened(draft, str(path)) as copy,
                schema.reading(store) as there,
                schema.writing(copy) as here,
            ):
                _copy_rows(there, here)
        head = _checked(draft, store.url)
        _settle(draft, path)
    return head


def restore(file: str | Path, where: str | Path) -> Head:
    """Make a store from a backup; an older version's is brought up, and the file stays as it is.

    Parameters
    ----------
    file : path
    where : path or URL
        A SQLite file that is not there, or a PostgreSQL database that has no store.

    Returns
    -------
    Head
        The end of the chain in the store, to be held against the one that `back_up` told.

    Raises
    ------
    StoreTooNew
        If a newer version of the program made the backup.
    StoreError
        If it is no backup, or a damaged one, or something is there already.
    """
    path, url = Path(file), engines.address(where)
    places.check_file(path)
    if url.get_backend_name() == "sqlite":
        target = Path(url.database or "")
        _check_free(target)
        with _told(target), places.draft_of(target) as draft:
            head = _unpacked(path, draft)
            with _opened(draft, str(target)) as copy:
                schema.write_ahead(copy.engine)
            _settle(draft, target)
        return head
    with tempfile.TemporaryDirectory() as folder:
        draft = Path(folder) / "backup.db"
        with _told(draft):
            head = _unpacked(path, draft)
        with _opened(draft, str(path)) as copy, schema.reading(copy) as there:
            _fill(there, url, head)
    return head


def _check_free(path: Path) -> None:
    if path.exists():
        raise StoreError(f"{path} is there already, and nothing is ever written over it")
    places.check_folder(path)


@contextmanager
def _told(path: Path) -> Iterator[None]:
    """Trouble with a file, in one sentence."""
    try:
        yield
    except sqlite3.Error as reason:
        raise StoreError(f"{path} cannot be written: {reason}") from None
    except OSError as reason:
        raise StoreError(f"{path} cannot be written: {reason.strerror}") from None


def _copy_file(source: sqlite3.Connection, draft: Path) -> None:
    """SQLite's own way: all of it at one moment, and whoever writes meanwhile need not wait."""
    with closing(sqlite3.connect(draft)) as target:
        source.backup(target)
        target.execute("PRAGMA journal_mode=DELETE")  # one file, with nothing beside it


def _copy_rows(source: Connection, target: Connection) -> None:
    """Every row of every table, those of the chain too: what is sealed stays sealed."""
    for table in schema.metadata.sorted_tables:
        found = select(table).execution_options(yield_per=_BATCH)
        for rows in source.execute(found).mappings().partitions():
            target.execute(insert(table), [dict(row) for row in rows])


@contextmanager
def _opened(path: Path, name: str) -> Iterator[Store]:
    store = schema.open_store(path, name=name)
    try:
        yield store
    finally:
        store.engine.dispose()


def _checked(draft: Path, name: str) -> Head:
    with _opened(draft, name) as copy:
        found = trail.checked(copy)
    if found.breaks:
        raise StoreError(f"the record of {name} contradicts itself: {found.breaks[0]}")
    return found.head


def _unpacked(path: Path, draft: Path) -> Head:
    """A copy of the backup, brought up to this version and checked; the file stays as it is."""
    with closing(sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True)) as source:
        try:
            source.execute("SELECT * FROM sqlite_master").fetchall()
        except sqlite3.Error as reason:
            raise StoreError(f"the backup {path} cannot be read: {reason}") from None
        _copy_file(source, draft)
    return _checked(draft, str(path))


def _fill(there: Connection, url: URL, head: Head) -> None:
    """All of it in one transaction, in which it is checked too."""
    name, engine = engines.shown(url), engines.engine(url, foreign_keys=False)
    try:
        with engines.told(name), engine.begin() as here:
            engines.wait_for_turn(here)
            if inspect(here).has_table(migrations.VERSION_TABLE):
                raise StoreError(f"{name} has a store already, and nothing is ever written over it")
            migrations.upgrade(here, schema.metadata)
            _copy_rows(there, here)
            found = trail.checked_within(here)
            if found.breaks or found.head != head:
                told = [*found.breaks, f"its head is {found.head.hash}"][0]
                raise StoreError(f"the record comes out otherwise in {name}: {told}")
    finally:
        engine.dispose()


def _settle(draft: Path, path: Path) -> None:
    if not places.settle(draft, path):
        raise StoreError(f"{path} is there already, and nothing is ever written over it")
