"""A PostgreSQL server of the tests' own, on loopback, and ways past the guards of a store."""

import os
import pwd
import shutil
import sqlite3
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from qa.store import schema
from tests import ports

# Words in the order of a language, as a plant's server may have them: no figure may hang on it.
INITDB = ("--locale-provider=icu", "--icu-locale=en", "--locale=C.UTF-8", "--encoding=UTF8")
SECONDS = 120  # at most, until it has started or stopped on a busy machine
# What is lost when the machine itself stops is not what these tests are about.
SERVER = ("fsync=off", "full_page_writes=off", "listen_addresses=127.0.0.1", "max_connections=100")

BOTH = ("sqlite", "postgresql")
both = pytest.mark.parametrize("database", BOTH, indirect=True)


class Cluster:
    """A private server, run by the user who runs the tests, or by "postgres" for root."""

    def __init__(self, binaries: Path) -> None:
        self._binaries = binaries
        self._folder = Path(tempfile.mkdtemp(prefix="toteproof-cluster-"))
        self._user = "postgres" if os.geteuid() == 0 else None  # initdb refuses root
        if self._user:
            owner = pwd.getpwnam(self._user)
            os.chown(self._folder, owner.pw_uid, owner.pw_gid)
        self.port = ports.free()
        self._count = 0
        self._run("initdb", "-A", "trust", "-U", "toteproof", "-N", *INITDB, "-D", self._data)
        self.start()

    @property
    def _data(self) -> str:
        return str(self._folder / "data")

    @property
    def _log(self) -> Path:
        return self._folder.with_name(f"{self._folder.name}.log")

    def _command(self, name: str, *words: str) -> list[str]:
        return [str(self._binaries / name), *words]

    def _run(self, name: str, *words: str) -> None:
        subprocess.run(
            self._command(name, *words),
            check=True,
            user=self._user,
            group=self._user,
            cwd="/",
            stdout=subprocess.DEVNULL,
        )

    def start(self) -> None:
        """Start it, and wait until it answers."""
        settings = [word for each in SERVER for word in ("-c", each)]
        words = ("-D", self._data, "-p", str(self.port), "-k", str(self._folder), *settings)
        with self._log.open("ab") as log:
            self._server = subprocess.Popen(
                self._command("postgres", *words),
                user=self._user,
                group=self._user,
                cwd="/",
                stdout=log,
                stderr=log,
            )
        for _ in range(20 * SECONDS):
            try:
                self.sql("SELECT 1")
                return
            except Exception:
                if self._server.poll() is not None:
                    raise
                time.sleep(0.05)
        raise TimeoutError("the private PostgreSQL server does not answer")

    def stop(self) -> None:
        """Break off every connection and stop."""
        self._server.send_signal(2)  # SIGINT: the server's "fast" way
        self._server.wait(SECONDS)

    def remove(self) -> None:
        """Stop it, and leave nothing behind."""
        self.stop()
        shutil.rmtree(self._folder)
        self._log.unlink()

    def sql(self, statement: str, database: str = "postgres") -> list[tuple[object, ...]]:
        """Run one statement by itself."""
        import psycopg  # noqa: PLC0415 - an extra

        with psycopg.connect(self.url(database, "postgresql"), autocommit=True) as connection:
            found = connection.execute(statement)
            return found.fetchall() if found.description else []

    def url(self, database: str, scheme: str = "postgresql") -> str:
        """The address of one of its databases."""
        return f"{scheme}://toteproof@127.0.0.1:{self.port}/{database}"

    def database(self, template: str = "template0") -> str:
        """A new database's address."""
        self._count += 1
        name = f"plant{self._count}"
        self.sql(f"CREATE DATABASE {name} TEMPLATE {template}")
        return self.url(name)

    def database_on(self, disk: Path, template: str = "plant") -> str:
        """A new database's address, all of whose tables are on a disk of the server's user."""
        self._count += 1
        name = f"plant{self._count}"
        self.sql(f"CREATE TABLESPACE {name} LOCATION '{disk}'")
        self.sql(f"CREATE DATABASE {name} TEMPLATE {template} TABLESPACE {name}")
        return self.url(name)

    def drop(self, url: str) -> None:
        """Take away a database that `database_on` made, and its hold on the disk."""
        name = url.rpartition("/")[2]
        self.sql(f"DROP DATABASE {name}")
        self.sql(f"DROP TABLESPACE {name}")


def binaries() -> Path | None:
    """Where the server's programs are, the newest version's; none where there are none."""
    on_path = shutil.which("initdb")
    if on_path:
        return Path(on_path).resolve().parent
    found = Path("/usr/lib/postgresql").glob("*/bin/initdb")
    return max((each.parent for each in found), key=lambda b: int(b.parent.name), default=None)


@contextmanager
def cluster() -> Iterator[Cluster]:
    """A private server while the block runs; the test is skipped where there is none."""
    found = binaries()
    if found is None and not os.environ.get("TOTEPROOF_NEEDS_POSTGRESQL"):
        pytest.skip("no PostgreSQL server is installed here (Debian: postgresql)")
    assert found is not None, "the tests were told that a PostgreSQL server is here"
    made = Cluster(found)
    try:
        yield made
    finally:
        made.remove()


@pytest.fixture(params=BOTH)
def on_both(request: pytest.FixtureRequest) -> str:
    """As `database = on_both` in a module: each of its tests that needs a store runs on both."""
    return str(request.param)


def place(database: str, folder: Path, request: pytest.FixtureRequest) -> str:
    """Where a store can be made that many tests share, and none is."""
    if database == "sqlite":
        return str(folder / "plant.db")
    return str(request.getfixturevalue("postgres").database())


def past_the_guards(store: schema.Store, *statements: str) -> None:
    """Run statements as somebody would who has every right to the database and takes it."""
    if store.engine.dialect.name == "sqlite":
        with sqlite3.connect(store.url) as file:
            triggers = file.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'")
            for (name,) in triggers.fetchall():
                file.execute(f"DROP TRIGGER {name}")
            for statement in statements:
                file.execute(statement)
        file.close()
        return
    with store.engine.begin() as connection:
        connection.exec_driver_sql("SET LOCAL session_replication_role = replica")
        for statement in statements:
            connection.exec_driver_sql(statement)
