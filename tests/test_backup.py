"""Backups: taken while others write, whole or not there at all, and a store again anywhere."""

import os
import sqlite3
from datetime import UTC, datetime
from itertools import count
from pathlib import Path
from threading import Event, Semaphore, Thread

import pytest
from sqlalchemy import select

from qa import audit
from qa.audit import Finding
from qa.errors import StoreError, StoreTooNew
from qa.store import backup, chain, migrations, records, schema, trail
from tests.databases import both, past_the_guards

AT = datetime(2026, 3, 16, 10, tzinfo=UTC)
BY = {"by": "Ines", "at": AT}


@pytest.fixture
def make(programme, audit_fields):
    def one(key, **changes):
        return audit.parse(audit_fields(key=key, tote=f"T{key}", **changes), programme)

    return one


@pytest.fixture
def filled(store, make):
    records.log_many(store, [make(f"K{number}") for number in range(40)], **BY)
    records.correct(store, make("K1", stem=4, raw_lot="field 7"), **BY, reason="recounted")
    records.void(store, "K2", **BY, reason="the wrong tote")
    found = Finding("F1", "SP1", AT, "A", "1", "T1", "a shard of glass, 3 × 2 mm")
    records.record_finding(store, found, **BY)
    return store


def everything(store):
    with schema.reading(store) as connection:
        return {
            table.name: sorted(map(repr, connection.execute(select(table)).all()))
            for table in schema.metadata.sorted_tables
        }


def head(store):
    return trail.checked(store).head


@both
def test_a_backup_is_the_whole_record_in_one_file(filled, tmp_path):
    folder = tmp_path / "backups"
    folder.mkdir()
    made = backup.back_up(filled, folder / "monday.db")
    assert made == head(filled)
    assert [each.name for each in folder.iterdir()] == ["monday.db"]
    opened = schema.open_store(folder / "monday.db")
    assert everything(opened) == everything(filled)
    opened.engine.dispose()


@pytest.mark.parametrize("database", ["sqlite", "postgresql"], indirect=True)
@pytest.mark.parametrize("target", ["sqlite", "postgresql"])
def test_a_backup_becomes_a_store_on_either_database(filled, tmp_path, make, request, target):
    backup.back_up(filled, tmp_path / "monday.db")
    before = (tmp_path / "monday.db").read_bytes()
    where = (
        str(tmp_path / "again.db")
        if target == "sqlite"
        else request.getfixturevalue("postgres").database()
    )
    assert backup.restore(tmp_path / "monday.db", where) == head(filled)
    assert (tmp_path / "monday.db").read_bytes() == before
    again = schema.open_store(where)
    assert everything(again) == everything(filled)
    records.log(again, make("new"), **BY)
    assert trail.check(again) == ()
    with pytest.raises(StoreError, match="only ever added to"), schema.writing(again) as connection:
        try:
            connection.exec_driver_sql("DELETE FROM finding")
        except Exception as reason:
            raise StoreError(str(reason)) from None
    if target == "sqlite":
        with schema.reading(again) as connection:
            assert connection.exec_driver_sql("PRAGMA journal_mode").scalar() == "wal"
    again.engine.dispose()


@both
def test_a_backup_is_taken_while_others_write(filled, tmp_path, make):
    """Each backup is whole, and one later is never behind one earlier."""
    stop, failed, written = Event(), [], Semaphore(0)

    def write():
        for number in count():
            if stop.is_set():
                return
            try:
                records.log(filled, make(f"W{number}"), **BY)
            except Exception as reason:
                failed.append(reason)
                return
            finally:
                written.release()

    def later(number):
        """A backup with something in it that the one before it has not."""
        while written.acquire(blocking=False):
            pass
        for _ in range(2):  # the first may be in that one
            assert written.acquire(timeout=60), "nothing is written meanwhile"
        return backup.back_up(filled, tmp_path / f"{number}.db")

    writer = Thread(target=write)
    writer.start()
    try:
        heads = [later(number) for number in range(4)]
    finally:
        stop.set()
        writer.join()
    assert failed == []
    links = [each.links for each in heads]
    assert links == sorted(set(links))
    for each in heads:
        assert trail.checked(filled, each.hash).breaks == ()


@both
def test_a_record_that_contradicts_itself_is_not_backed_up(filled, tmp_path):
    past_the_guards(filled, "UPDATE entry SET note = 'x' WHERE number = 3")
    with pytest.raises(StoreError, match=r"record of .* contradicts itself: entry 3, link 4 of"):
        backup.back_up(filled, tmp_path / "monday.db")
    assert not [each for each in tmp_path.iterdir() if "monday" in each.name]


@both
def test_what_is_there_is_never_written_over(filled, tmp_path, somewhere, database):
    (tmp_path / "monday.db").write_text("dear")
    told = "monday.db is there already, and nothing is ever written over it"
    with pytest.raises(StoreError, match=told):
        backup.back_up(filled, tmp_path / "monday.db")
    assert (tmp_path / "monday.db").read_text() == "dear"
    backup.back_up(filled, tmp_path / "tuesday.db")
    before = everything(filled)
    where = filled.url if database == "sqlite" else filled.engine.url.render_as_string()
    with pytest.raises(StoreError, match=r"(is there|has a store) already, and nothing is ever"):
        backup.restore(tmp_path / "tuesday.db", where)
    assert everything(filled) == before


def test_who_is_there_first_stays(filled, tmp_path, monkeypatch):
    """Another program makes the file between the look and the end."""
    checked = trail.checked

    def slow(store, *rest):
        (tmp_path / "monday.db").write_text("theirs")
        return checked(store, *rest)

    monkeypatch.setattr(trail, "checked", slow)
    with pytest.raises(StoreError, match="is there already"):
        backup.back_up(filled, tmp_path / "monday.db")
    assert (tmp_path / "monday.db").read_text() == "theirs"


@both
def test_a_wrong_file_is_no_backup(tmp_path, somewhere):
    (tmp_path / "list.csv").write_text("lane,tote\n1,T1\n")
    (tmp_path / "empty.db").write_bytes(b"")
    sqlite3.connect(tmp_path / "other.db").execute("CREATE TABLE entry (number)").connection.close()
    for name, told in [
        ("list.csv", "list.csv is not a Toteproof store"),
        ("empty.db", "empty.db is not a Toteproof store"),
        ("other.db", "other.db is not a Toteproof store"),
        ("none.db", "there is no store at .*none.db"),
    ]:
        with pytest.raises(StoreError, match=told):
            backup.restore(tmp_path / name, somewhere())
    left = {each.name for each in tmp_path.iterdir()}
    assert left == {"list.csv", "empty.db", "other.db"}


@both
def test_a_damaged_backup_makes_no_store(filled, tmp_path, somewhere):
    backup.back_up(filled, tmp_path / "monday.db")
    content = bytearray((tmp_path / "monday.db").read_bytes())
    for name, broken in [("torn", content[: len(content) // 2]), ("hurt", content)]:
        if name == "hurt":
            at = content.index(b"K17")
            content[at : at + 3] = b"K71"
        (tmp_path / name).write_bytes(broken)
        where = somewhere()
        with pytest.raises(StoreError, match=r"is damaged|cannot be read|contradicts|be written"):
            backup.restore(tmp_path / name, where)
        with pytest.raises(StoreError, match=r"there is no store|is not a Toteproof store"):
            schema.open_store(where)


@both
def test_a_newer_versions_backup_is_refused(filled, tmp_path, somewhere):
    backup.back_up(filled, tmp_path / "monday.db")
    file = sqlite3.connect(tmp_path / "monday.db")
    file.execute(f"UPDATE {migrations.VERSION_TABLE} SET version_num = '0999'")
    file.commit()
    file.close()
    with pytest.raises(StoreTooNew, match=r"monday.db was made by a newer version of Toteproof"):
        backup.restore(tmp_path / "monday.db", somewhere())


@both
def test_a_restore_that_fails_leaves_nothing(filled, tmp_path, somewhere, monkeypatch):
    backup.back_up(filled, tmp_path / "monday.db")
    where = somewhere()
    monkeypatch.setattr(backup, "_copy_rows", lambda *_: None)
    monkeypatch.setattr(schema, "write_ahead", lambda _: 1 / 0)
    with pytest.raises((StoreError, ZeroDivisionError)):
        backup.restore(tmp_path / "monday.db", where)
    with pytest.raises(StoreError, match=r"there is no store|is not a Toteproof store"):
        schema.open_store(where)


@pytest.mark.skipif(os.geteuid() == 0 and not Path("/proc/self").exists(), reason="needs /proc")
def test_places_where_no_file_can_be(filled, tmp_path):
    with pytest.raises(StoreError, match=r"there is no folder .*nowhere"):
        backup.back_up(filled, tmp_path / "nowhere" / "monday.db")
    with pytest.raises(StoreError, match=r"is there already"):
        backup.back_up(filled, tmp_path)
    with pytest.raises(StoreError, match=r"/proc/self/monday.db cannot be written: "):
        backup.back_up(filled, "/proc/self/monday.db")


def test_a_backup_needs_no_right_to_write_beside_it(filled, tmp_path):
    """A file on a medium that can only be read."""
    folder = tmp_path / "medium"
    folder.mkdir()
    made = backup.back_up(filled, folder / "monday.db")
    (folder / "monday.db").chmod(0o400)
    folder.chmod(0o500)
    assert backup.restore(folder / "monday.db", tmp_path / "again.db") == made
    folder.chmod(0o700)


def test_a_head_of_nothing_is_told_too(tmp_path):
    empty = schema.open_store(tmp_path / "empty.db", create=True)
    assert backup.back_up(empty, tmp_path / "monday.db") == chain.Head(0, chain.START.hex())
    assert backup.restore(tmp_path / "monday.db", tmp_path / "again.db").links == 0
    empty.engine.dispose()
