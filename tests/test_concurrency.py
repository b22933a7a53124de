"""Many at once on one store: nothing lost, nothing doubled, and no lock's error reaches anybody."""

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime
from threading import Barrier, Event

import pytest
from sqlalchemy import func, select

from qa import audit
from qa.errors import Conflict
from qa.store import records, schema, trail
from tests.databases import both

pytestmark = both
AT = datetime(2026, 3, 16, 10, tzinfo=UTC)
BY = {"by": "Ines", "at": AT}
WRITERS, READERS, EACH = 8, 20, 6
SECONDS = 120  # at most, until all are there


@pytest.fixture
def make(programme, audit_fields):
    def one(key, **changes):
        return audit.parse(audit_fields(key=key, **changes), programme)

    return one


@pytest.fixture
def address(store, database):
    return store.url if database == "sqlite" else store.engine.url.render_as_string()


def at_once(count: int, act: Callable[[int], object]) -> list[object]:
    """What each of some threads gave, all set off together; an error anywhere is raised."""
    start = Barrier(count)

    def one(number: int) -> object:
        start.wait()
        return act(number)

    with ThreadPoolExecutor(count) as threads:
        return [each.result() for each in [threads.submit(one, n) for n in range(count)]]


def test_eight_write_and_twenty_read(address, make):
    """Each writer has a connection of its own, as another process would; so has each reader.

    Every audit is sent by two writers, and every tote is audited by many, so that all fight for
    the same sums.
    """
    done, begun = Event(), Barrier(READERS + 1)
    totes = ["T1", "T2", "T3"]

    def write(number: int) -> int:
        own = schema.open_store(address)
        new = 0
        for each in range(EACH):
            for writer in (number, (number + 1) % WRITERS):
                key = f"K{writer}-{each}"
                new += records.log(own, make(key, tote=totes[each % 3]), **BY).new
        own.engine.dispose()
        return new

    def read(_: int) -> int:
        own, last, looks = schema.open_store(address), 0, 0
        while not done.wait(0.03):
            if looks == 1:
                begun.wait(SECONDS)  # every reader looks before and while others write
            with schema.reading(own) as connection:
                kept = connection.execute(select(func.count()).select_from(schema.current)).scalar()
                links = connection.execute(select(func.count()).select_from(schema.chain)).scalar()
                n = func.sum(schema.sums.c.n)
                incorrect = select(n).where(schema.sums.c.counted == "incorrect")
                seen = connection.execute(incorrect).scalar() or 0
            assert seen == 200 * kept, "a reader saw an audit without its sums"
            assert links == 1 + kept, "a reader saw an audit without its link"
            assert kept >= last, "a reader saw an audit and then did not"
            last, looks = kept, looks + 1
        assert len(records.tallies(own)) >= last
        own.engine.dispose()
        return looks

    with ThreadPoolExecutor(READERS) as readers:
        reading = [readers.submit(read, number) for number in range(READERS)]
        try:
            begun.wait(SECONDS)
            new = at_once(WRITERS, write)
        finally:
            done.set()
        looks = [each.result() for each in reading]
    assert sum(new) == WRITERS * EACH
    assert min(looks) > 0
    whole = schema.open_store(address)
    assert len(records.tallies(whole)) == WRITERS * EACH
    assert records.sums(whole).loc[0, ["totes", "n"]].tolist() == [3, 200 * WRITERS * EACH]
    assert trail.check(whole) == ()
    whole.engine.dispose()


def test_threads_of_one_server_share_a_store(store, make):
    new = at_once(24, lambda number: records.log(store, make(f"K{number // 2}"), **BY).new)
    assert sum(new) == 12
    assert trail.check(store) == ()


def test_of_many_who_change_one_audit_one_is_first_and_the_others_are_told(store, make):
    records.log(store, make("K1"), **BY)

    def change(number: int) -> str:
        stamp = {"by": f"I{number}", "at": AT, "reason": f"recounted by {number}", "revision": 1}
        try:
            if number % 3 == 0:
                records.void(store, "K1", **stamp)
            else:
                records.correct(store, make("K1", stem=3 + number), **stamp)
        except Conflict as told:
            return str(told)
        return ""

    told = at_once(6, change)
    kept = records.history(store, "K1")
    assert len(kept) == 2
    assert told.count("") == 1 or kept["action"].iloc[-1] == "voided"  # a void again is harmless
    first = f"{kept['action'].iloc[-1]} by {kept['by'].iloc[-1]}"
    assert all(first in each for each in told if each)
    assert trail.check(store) == ()


def test_many_who_make_one_store_make_it_once(somewhere):
    """Programs started at once where there is no store yet."""
    where = somewhere()

    def open_it(_: int) -> None:
        schema.open_store(where, create=True).engine.dispose()

    at_once(4, open_it)
    opened = schema.open_store(where)
    assert trail.check(opened) == ()
    opened.engine.dispose()
