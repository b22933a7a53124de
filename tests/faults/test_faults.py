"""What breaks beneath a store: processes killed, disks full, servers restarted, clocks set back."""

import os
import resource
import shutil
import sqlite3
import tempfile
import time
from collections.abc import Callable
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from threading import Event, Thread

import pytest

from qa import audit
from qa.errors import StoreError
from qa.store import backup, records, schema, trail
from tests.databases import both
from tests.faults import killing, serving

AT = datetime(2026, 3, 16, 10, tzinfo=UTC)
BY = {"by": "Ines", "at": AT}
NOBODY = 65534
SECONDS = 120  # at most, until something is done on a busy machine


@pytest.fixture
def make(programme, audit_fields):
    def one(key, **changes):
        return audit.parse(audit_fields(key=key, tote=f"T{key}", **changes), programme)

    return one


def apart(act: Callable[[], object]) -> str:
    """What another process gave, or was told in a `StoreError`; any other error fails."""
    read_end, write_end = os.pipe()
    child = os.fork()
    if child == 0:
        try:
            try:
                said = repr(act())
            except StoreError as told:
                said = str(told)
            os.write(write_end, said.encode())
            os._exit(0)
        except BaseException as bug:
            os.write(write_end, repr(bug).encode())
        finally:
            os._exit(1)
    os.close(write_end)
    with os.fdopen(read_end, "rb") as pipe:
        said = pipe.read().decode()
    _, status = os.waitpid(child, 0)
    assert status == 0, said
    return said


@both
def test_a_process_killed_while_recording_or_importing_loses_nothing(store, database):
    """`python -m tests.faults` does it a thousand times."""
    address = store.url if database == "sqlite" else store.engine.url.render_as_string()
    store.engine.dispose()
    figures = killing.run(address, 12)
    assert figures.kills == 12
    assert figures.acknowledged > 50


@both
def test_a_serving_process_killed_while_devices_send_loses_and_doubles_nothing(store, database):
    """`python -m tests.faults --served` does it as often as asked."""
    address = store.url if database == "sqlite" else store.engine.url.render_as_string()
    store.engine.dispose()
    figures = serving.run(address, 3)
    assert figures.kills == 3
    assert figures.acknowledged >= 3
    assert figures.repeated > 0


def test_a_full_disk_is_told_and_changes_nothing(store, make):
    """The database may not grow by more than a few pages, which SQLite tells as a full disk."""
    pages = sqlite3.connect(store.url).execute("PRAGMA page_count").fetchone()[0]
    full = schema.open_store(store.url)
    with closing(full.engine.raw_connection()) as connection:
        connection.cursor().execute(f"PRAGMA max_page_count={pages + 4}")
    kept = 0
    told = f"the disk of the store {store.url} is full; nothing was changed"
    with pytest.raises(StoreError, match=told):
        for number in range(1000):
            records.log_many(full, [make(f"K{number}-{each}") for each in range(9)], **BY)
            kept += 9
    assert len(records.tallies(full)) == kept
    assert trail.check(full) == ()
    full.engine.dispose()
    assert records.log(store, make("K999-0"), **BY).new, "there is room again"
    assert trail.check(store) == ()


def test_a_file_that_may_not_grow_is_told_and_keeps_what_it_has(store, make, tmp_path):
    records.log_many(store, [make(f"K{number}") for number in range(50)], **BY)
    store.engine.dispose()

    def log() -> None:
        size = Path(store.url).stat().st_size
        resource.setrlimit(resource.RLIMIT_FSIZE, (size // 2, size // 2))
        own = schema.open_store(store.url)
        records.log_many(own, [make(f"L{number}") for number in range(500)], **BY)

    told = apart(log)
    assert told.startswith(f"the store {store.url} does not answer: disk I/O error") or (
        told == f"the disk of the store {store.url} is full; nothing was changed"
    )

    def copy() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (50_000, 50_000))
        backup.back_up(schema.open_store(store.url), tmp_path / "monday.db")

    assert apart(copy).startswith(f"{tmp_path / 'monday.db'} cannot be written: ")
    assert not [each.name for each in tmp_path.iterdir() if "monday" in each.name]
    assert len(records.tallies(store)) == 50
    assert trail.check(store) == ()


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can become somebody with fewer rights")
def test_a_file_that_may_only_be_read_is_told(store, make):
    records.log(store, make("K1"), **BY)
    store.engine.dispose()
    folder = Path(tempfile.mkdtemp(prefix="toteproof-read-only-"))  # tests' own folders are root's
    folder.chmod(0o1777)
    place = Path(shutil.move(store.url, folder / "plant.db"))
    try:
        place.chmod(0o444)

        def log() -> object:
            os.setuid(NOBODY)
            own = schema.open_store(place)
            return records.log(own, make("K2"), **BY)

        assert apart(log) == f"the store {place} may be read and not written; nothing was changed"

        def look() -> object:
            os.setuid(NOBODY)
            place_seen = schema.open_store(place)
            return len(records.tallies(place_seen))

        assert apart(look) == "1"
        place.chmod(0o000)
        assert apart(look) == f"the store {place} cannot be read: Permission denied"
    finally:
        shutil.rmtree(folder)


def test_a_server_restarted_under_load_is_told_and_comes_back_by_itself(postgres, make):
    """Whoever was told that it does not answer sends again, as the outbox does."""
    store = schema.open_store(postgres.database("plant"))
    done, told, failed, acknowledged = Event(), [], [], []

    def write(writer: int) -> None:
        number = 0
        while not done.is_set():
            key = f"K{writer}-{number}"
            try:
                records.log(store, make(key), **BY)
            except StoreError as reason:
                told.append(str(reason))
                time.sleep(0.02)
            except Exception as reason:
                failed.append(reason)
                return
            else:
                acknowledged.append(key)
                number += 1

    writers = [Thread(target=write, args=(number,)) for number in range(4)]
    for each in writers:
        each.start()
    try:
        for _ in range(2):
            _until_longer(acknowledged, 8)
            postgres.stop()
            _until_longer(told, 1)
            postgres.start()
        _until_longer(acknowledged, 8)
    finally:
        done.set()
        for each in writers:
            each.join()
    assert failed == []
    assert all("does not answer: " in each for each in told), set(told)
    assert not any("toteproof:" in each or "\n" in each for each in told)
    kept = records.tallies(store)["key"]
    assert set(acknowledged) <= set(kept)
    assert kept.is_unique
    assert len(kept) <= len(acknowledged) + 4, "at most the one under way of each"
    assert trail.check(store) == ()
    store.engine.dispose()


def _until_longer(listed: list[str], more: int) -> None:
    before = len(listed)
    for _ in range(20 * SECONDS):
        if len(listed) >= before + more:
            return
        time.sleep(0.05)
    raise TimeoutError


@both
def test_a_clock_set_back_disorders_nothing(store, make):
    records.log(store, make("K1"), **BY)
    back = {"by": "Ivo", "at": AT - timedelta(days=30), "reason": "recounted"}
    records.correct(store, make("K1", stem=9), **back)
    records.log(store, make("K2"), by="Ivo", at=AT - timedelta(days=31))
    assert records.history(store, "K1")["stem"].tolist() == [2, 9]
    assert records.tallies(store).set_index("key")["stem"].to_dict() == {"K1": 9, "K2": 2}
    text = records.programmes(store)["text"].iloc[0]
    told = "a programme is in force since 2026-03-01 00:00:00 UTC, and the next one must begin"
    with pytest.raises(StoreError, match=told):
        records.put_programme(store, f"{text}\n# changed", **back)
    assert trail.check(store) == ()


def test_a_copy_taken_in_mid_write_is_whole_or_said_to_be_hurt(store, make, tmp_path):
    """Files copied by hand, one after the other, while somebody records: never silently wrong."""
    done, begun = Event(), Event()

    def write() -> None:
        number = 0
        while not done.is_set():
            records.log_many(store, [make(f"K{number}-{each}") for each in range(5)], **BY)
            begun.set()
            number += 1

    writer = Thread(target=write)
    writer.start()
    whole = hurt = 0
    try:
        assert begun.wait(SECONDS)
        for number in range(12):
            copy = tmp_path / f"copy{number}" / "plant.db"
            copy.parent.mkdir()
            for end in ("", "-wal", "-shm")[: 1 + number % 3]:
                shutil.copy(f"{store.url}{end}", f"{copy}{end}")
                time.sleep(0.01)
            try:
                opened = schema.open_store(copy)
                found = trail.checked(opened)
                opened.engine.dispose()
            except StoreError:
                hurt += 1
                continue
            if found.breaks:
                hurt += 1
                continue
            assert not trail.checked(store, found.head.hash).breaks, "it is no earlier state"
            whole += 1
    finally:
        done.set()
        writer.join()
    assert whole + hurt == 12
    assert trail.check(store) == ()


def test_a_copy_with_one_page_of_another_moment_is_said_to_be_hurt(store, make, tmp_path):
    """As a slow copy has them: SQLite itself does not see most of these, and the check must."""
    moments, first = [], trail.checked(store).head.links
    for moment in range(2):
        records.log_many(store, [make(f"K{moment}-{n}") for n in range(200)], **BY)
        with closing(sqlite3.connect(store.url)) as file:
            file.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            (size,) = file.execute("PRAGMA page_size").fetchone()
        content = Path(store.url).read_bytes()
        moments.append([content[at : at + size] for at in range(0, len(content), size)])
    older, newer = moments
    late = [at for at, page in enumerate(older) if page != newer[at]]
    seen_by_check = 0
    for at in late:
        copy = tmp_path / f"late{at}.db"
        copy.write_bytes(b"".join([*newer[:at], older[at], *newer[at + 1 :]]))
        try:
            opened = schema.open_store(copy)
            found, kept = trail.checked(opened), len(records.tallies(opened))
            opened.engine.dispose()
        except StoreError:
            continue
        seen_by_check += bool(found.breaks)
        if not found.breaks:
            assert found.head.links - first == kept == 400, "lost, and nothing said so"
    assert len(late) > 5
    assert seen_by_check


def test_nobody_is_told_of_a_restart_while_nobody_asked(postgres, make):
    store = schema.open_store(postgres.database("plant"))
    records.log(store, make("K1"), **BY)
    postgres.stop()
    postgres.start()
    assert records.log(store, make("K2"), **BY).new
    assert len(records.tallies(store)) == 2
    store.engine.dispose()
