"""The tables of a store, and opening one: a SQLite file, or a PostgreSQL database by its address.

`entry` is the record: one row a version of an audit, only ever added to. `current` (the newest
entry of each audit) and `sums` (the six sums of each cell) are derived from it, kept in the same
transaction, and can be made again from it.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from sqlalchemy import (
    URL,
    BigInteger,
    CheckConstraint,
    Column,
    Connection,
    Date,
    DateTime,
    Dialect,
    Engine,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    PrimaryKeyConstraint,
    Table,
    Text,
    TypeDecorator,
    UniqueConstraint,
    inspect,
    select,
)

from qa.errors import InvalidInput, StoreError, StoreTooNew
from qa.store import engines, migrations, places

MOST_PIECES = 1_000_000
ACTIONS = ("logged", "corrected", "voided")


class Moment(TypeDecorator[datetime]):
    """A time in UTC: needs its zone on the way in, has it on the way out, on every database."""

    impl = DateTime(timezone=True)
    cache_ok = True

    @property
    def python_type(self) -> type[datetime]:
        """What a value of it is."""
        return datetime

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """To UTC."""
        del dialect
        if value is None:
            return None
        if value.tzinfo is None:
            raise InvalidInput(f"a time to store must have its zone, got {value}")
        return value.astimezone(UTC)

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """With its zone, which SQLite does not keep."""
        del dialect
        if value is None or value.tzinfo is None:
            return value and value.replace(tzinfo=UTC)
        return value.astimezone(UTC)


metadata = MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "ck": "ck_%(table_name)s_%(constraint_name)s",
        "fk": "fk_%(table_name)s_%(column_0_N_name)s",
        "pk": "pk_%(table_name)s",
    }
)

# SQLite finds a row by an INTEGER key directly, and by one of any other type through an index.
NUMBER = BigInteger().with_variant(Integer(), "sqlite")

# What a table that may be changed says of itself. Every other is of the record: added to by
# `rows.add` alone, chained, in every backup, and kept by triggers from being changed.
NOT_RECORDED = {"recorded": False}

programme_version = Table(
    "programme_version",
    metadata,
    Column("version", Integer, primary_key=True, autoincrement=False),
    Column("at", Moment, nullable=False),
    Column("by", Text, nullable=False),
    Column("reason", Text, nullable=False),
    Column("text", Text, nullable=False),
)

entry = Table(
    "entry",
    metadata,
    # Numbered without a gap under the writers' lock, so that a lost entry shows.
    Column("number", NUMBER, primary_key=True, autoincrement=False),
    Column("key", Text, nullable=False),
    Column("revision", Integer, nullable=False),
    Column("action", Text, nullable=False),
    Column("at", Moment, nullable=False),
    Column("by", Text, nullable=False),
    Column("reason", Text, nullable=False),
    Column("programme", ForeignKey("programme_version.version"), nullable=False),
    Column("site", Text, nullable=False),
    Column("day", Date, nullable=False),
    Column("shift", Text, nullable=False),
    Column("line", Text, nullable=False),
    Column("lane", Text, nullable=False),
    Column("head", Text),
    Column("product", Text, nullable=False),
    Column("raw_lot", Text),
    Column("tote", Text, nullable=False),
    Column("lot", Text, nullable=False),
    Column("pulled_at", Moment, nullable=False),
    Column("inspector", Text, nullable=False),
    Column("purpose", Text, nullable=False),
    Column("inspected", Integer, nullable=False),
    Column("correct", Integer, nullable=False),
    # {"stem": 2, ...} with sorted keys. Few texts differ among many audits, so a reader parses
    # each once; a row a category would make a million audits four million rows to turn sideways.
    Column("counts", Text, nullable=False),
    Column("pieces_in_tote", Integer),
    Column("fill_start", Moment),
    Column("fill_end", Moment),
    Column("re_sorted_at", Moment),
    Column("note", Text, nullable=False),
    Column("source", Text, nullable=False),
    UniqueConstraint("key", "revision"),
    CheckConstraint("action in ('logged', 'corrected', 'voided')", name="action"),
    CheckConstraint(f"inspected between 1 and {MOST_PIECES}", name="inspected"),
    CheckConstraint("correct between 0 and inspected", name="correct"),
    Index(None, "tote"),
    Index(None, "lot"),
    Index(None, "day", "lane"),
)

current = Table(
    "current",
    metadata,
    Column("key", Text, primary_key=True),
    Column("entry", ForeignKey("entry.number"), nullable=False, unique=True),
    info=NOT_RECORDED,
)

CELL = ("site", "day", "shift", "line", "lane", "head", "product", "purpose")
SIX = ("totes", "n", "x", "n2", "x2", "nx")

sums = Table(
    "sums",
    metadata,
    *(Column(name, Date if name == "day" else Text, nullable=False) for name in CELL),
    Column("counted", Text, nullable=False),
    *(Column(name, BigInteger, nullable=False) for name in SIX),
    # What a question always names comes first, then the days that it spans.
    PrimaryKeyConstraint(
        "counted", "purpose", "day", "site", "shift", "line", "lane", "head", "product"
    ),
    info=NOT_RECORDED,
)

finding = Table(
    "finding",
    metadata,
    Column("key", Text, nullable=False),
    Column("action", Text, nullable=False),
    Column("at", Moment, nullable=False),
    Column("by", Text, nullable=False),
    Column("reason", Text, nullable=False),
    Column("site", Text, nullable=False),
    Column("found_at", Moment, nullable=False),
    Column("line", Text, nullable=False),
    Column("lane", Text, nullable=False),
    Column("tote", Text, nullable=False),
    Column("what", Text, nullable=False),
    PrimaryKeyConstraint("key", "action"),
    CheckConstraint("action in ('recorded', 'lifted')", name="action"),
)

event = Table(
    "event",
    metadata,
    Column("key", Text, nullable=False),
    Column("action", Text, nullable=False),
    Column("at", Moment, nullable=False),
    Column("by", Text, nullable=False),
    Column("reason", Text, nullable=False),
    Column("site", Text, nullable=False),
    Column("line", Text, nullable=False),
    Column("lane", Text, nullable=False),
    Column("happened_at", Moment, nullable=False),
    Column("kind", Text, nullable=False),
    Column("what", Text, nullable=False),
    PrimaryKeyConstraint("key", "action"),
    CheckConstraint("action in ('recorded', 'withdrawn')", name="action"),
)

disposition = Table(
    "disposition",
    metadata,
    Column("key", Text, primary_key=True),
    Column("at", Moment, nullable=False),
    Column("by", Text, nullable=False),
    Column("reason", Text, nullable=False),
    Column("site", Text, nullable=False),
    Column("lane", Text, nullable=False),
    Column("lot", Text, nullable=False),
    Column("tote", Text, nullable=False),
    Column("what", Text, nullable=False),
    CheckConstraint("what in ('release', 're-sort', 'rework', 'downgrade', 'scrap')", name="what"),
    Index(None, "lot"),
)

# Who may do what. Secrets are kept as argon2's or SHA-256's digests, and the newest row of a name
# says what holds.
account = Table(
    "account",
    metadata,
    Column("number", NUMBER, primary_key=True, autoincrement=False),
    Column("name", Text, nullable=False),
    Column("action", Text, nullable=False),
    Column("value", Text, nullable=False),  # a role, or the digest of a password or PIN
    Column("at", Moment, nullable=False),
    Column("by", Text, nullable=False),
    Column("reason", Text, nullable=False),
    CheckConstraint(
        "action in ('added', 'role', 'password', 'pin', 'disabled', 'enabled')", name="action"
    ),
    Index(None, "name"),
)

device = Table(
    "device",
    metadata,
    Column("number", NUMBER, primary_key=True, autoincrement=False),
    Column("name", Text, nullable=False),
    Column("action", Text, nullable=False),
    Column("kind", Text, nullable=False),
    Column("role", Text, nullable=False),
    Column("digest", Text, nullable=False),
    Column("at", Moment, nullable=False),
    Column("by", Text, nullable=False),
    Column("reason", Text, nullable=False),
    CheckConstraint("action in ('registered', 'revoked')", name="action"),
    CheckConstraint("kind in ('station', 'token')", name="kind"),
    Index(None, "digest"),
)

# When a device's key was last used, to about an hour.
device_use = Table(
    "device_use",
    metadata,
    Column("digest", Text, primary_key=True),
    Column("at", Moment, nullable=False),
    info=NOT_RECORDED,
)

# Every try to sign in, what came of it, and when it ended.
sign_in = Table(
    "sign_in",
    metadata,
    Column("number", NUMBER, primary_key=True, autoincrement=False),
    Column("action", Text, nullable=False),
    Column("name", Text, nullable=False),  # an account's; the digest of any other that was typed
    Column("place", Text, nullable=False),  # a network address, or a station's name
    Column("session", Text, nullable=False),  # the digest of the browser's key; "" for a try
    Column("account", NUMBER, nullable=False),  # the account's newest row then; 0 for a try
    Column("at", Moment, nullable=False),
    CheckConstraint("action in ('tried', 'passed', 'ended')", name="action"),
    Index(None, "session"),
    Index(None, "at"),
)

# What signs the cookies. It alone opens nothing: a session's key is known to its browser alone.
secret = Table(
    "secret",
    metadata,
    Column("name", Text, primary_key=True),
    Column("value", Text, nullable=False),
    Column("at", Moment, nullable=False),
    Column("by", Text, nullable=False),
)

acknowledgement = Table(
    "acknowledgement",
    metadata,
    Column("key", Text, nullable=False),
    Column("action", Text, nullable=False),
    Column("at", Moment, nullable=False),
    Column("by", Text, nullable=False),
    Column("reason", Text, nullable=False),
    Column("site", Text, nullable=False),
    Column("lane", Text, nullable=False),
    Column("product", Text, nullable=False),
    Column("category", Text, nullable=False),
    Column("signalled_at", Moment, nullable=False),
    Column("cause", Text, nullable=False),
    Column("done", Text, nullable=False),
    PrimaryKeyConstraint("key", "action"),
    CheckConstraint("action in ('recorded', 'withdrawn')", name="action"),
)

baseline = Table(
    "baseline",
    metadata,
    Column("key", Text, primary_key=True),
    Column("at", Moment, nullable=False),
    Column("by", Text, nullable=False),
    Column("reason", Text, nullable=False),
    Column("site", Text, nullable=False),
    Column("product", Text, nullable=False),
    Column("lane", Text),
    Column("first_day", Date, nullable=False),
    Column("last_day", Date, nullable=False),
    # {"T12": "camera covered", ...} with sorted keys: each tote set aside, and its cause.
    Column("set_aside", Text, nullable=False),
    CheckConstraint("last_day >= first_day", name="days"),
)

chain = Table(
    "chain",
    metadata,
    # Every row of the record in the order in which it came, numbered from 1 without a gap.
    Column("number", NUMBER, primary_key=True, autoincrement=False),
    Column("recorded", Text, nullable=False),  # the row's table, and its key there
    Column("key", Text, nullable=False),
    Column("hash", LargeBinary, nullable=False),
    UniqueConstraint("recorded", "key"),
    info=NOT_RECORDED,
)


def recorded() -> list[Table]:
    """The tables of the record, each after those that it refers to."""
    return [table for table in metadata.sorted_tables if table.info.get("recorded", True)]


@dataclass(frozen=True, slots=True)
class Store:
    """An open store; `url` is its address, without a password, and for people to read."""

    engine: Engine
    url: str


def open_store(where: str | Path, *, create: bool = False, name: str | None = None) -> Store:
    """The store at a place, brought up to this version's tables if an older version made it.

    Parameters
    ----------
    where : path or URL
        A SQLite file, or an address such as ``postgresql://user@host/name``.
    create : bool
        Make the store if there is none; its file appears whole or not at all.
    name : str or None
        What errors call it, where that is not its place.

    Raises
    ------
    StoreTooNew
        If a newer version of the program made it.
    StoreError
        If there is none, it is no store of this program, or it cannot be opened.
    """
    url = engines.address(where)
    if url.get_backend_name() == "sqlite":
        path = Path(url.database or "")
        places.check_folder(path)
        if create and not path.exists():
            with places.draft_of(path) as draft:
                make_file(draft, str(path))
                places.settle(draft, path)  # if another program was first, its store stays
        places.check_file(path)
        create = False
    return _opened(url, name or engines.shown(url), create=create)


@contextmanager
def reading(store: Store) -> Iterator[Connection]:
    """A connection that sees the store as it stands at one moment.

    Raises
    ------
    StoreError
        If the database cannot answer.
    """
    engine = store.engine
    if engine.dialect.name == "postgresql":
        engine = engine.execution_options(isolation_level="REPEATABLE READ")
    with engines.told(store.url), engine.begin() as connection:
        yield connection


@contextmanager
def writing(store: Store) -> Iterator[Connection]:
    """A connection for one change, whole or not at all; writers take turns from its beginning.

    SQLite: ``BEGIN IMMEDIATE``, without which updates are lost with no error. PostgreSQL: one
    advisory lock, held to the end of the transaction.

    Raises
    ------
    StoreError
        If the database cannot take it, or is kept busy by another for too long.
    """
    writer = store.engine.execution_options(writes=True)
    with engines.told(store.url), writer.begin() as connection:
        engines.wait_for_turn(connection)
        yield connection


def make_file(path: Path, name: str) -> None:
    """The tables of a store in a file that is not there; `name` says whose it will be."""
    engine = engines.engine(URL.create("sqlite", database=str(path)), foreign_keys=False)
    try:
        with engines.told(name):
            write_ahead(engine)
            _upgrade(engine)
    finally:
        engine.dispose()


def write_ahead(engine: Engine) -> None:
    """Readers and a writer at once; the file remembers it."""
    connection = engine.raw_connection()
    try:
        connection.cursor().execute("PRAGMA journal_mode=WAL")
    finally:
        connection.close()


def _opened(url: URL, name: str, *, create: bool) -> Store:
    engine = engines.engine(url, foreign_keys=True)
    try:
        with engines.told(name):
            found = _revision(engine)
            if found is None and not create:
                raise StoreError(f"{name} is not a Toteproof store")
            if found != migrations.HEAD:
                _check_known(name, found)
                _upgrade_apart(url)
    except BaseException:
        engine.dispose()
        raise
    return Store(engine, name)


def _check_known(name: str, found: str | None) -> None:
    if found is not None and found not in migrations.known():
        raise StoreTooNew(
            f"{name} was made by a newer version of Toteproof: its tables are of revision {found}, "
            f"and this version knows {migrations.HEAD} at most"
        )


def _revision(engine: Engine) -> str | None:
    with engine.connect() as connection:
        if not inspect(connection).has_table(migrations.VERSION_TABLE):
            return None
        table = Table(migrations.VERSION_TABLE, MetaData(), Column("version_num", Text))
        return connection.execute(select(table.c.version_num)).scalar()


def _upgrade_apart(url: URL) -> None:
    """By a connection that does not enforce foreign keys, since a step may rebuild a table."""
    engine = engines.engine(url, foreign_keys=False)
    try:
        _upgrade(engine)
    finally:
        engine.dispose()


def _upgrade(engine: Engine) -> None:
    with engine.execution_options(writes=True).begin() as connection:
        engines.wait_for_turn(connection)
        migrations.upgrade(connection, metadata)
