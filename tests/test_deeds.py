"""What people did: events on the line, and what became of held totes."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from sqlalchemy import select
from sqlalchemy.exc import IntegrityError

from qa import events
from qa.errors import Conflict, InvalidInput, StoreError
from qa.store import deeds, records, schema, trail
from qa.store.deeds import Disposition, Event
from tests.databases import both, past_the_guards

pytestmark = both

AT = datetime(2026, 3, 16, 12, tzinfo=UTC)
BY: dict[str, Any] = {"by": "Ines", "at": AT}
EVENT = Event("e1", "SP1", "A", "1", AT - timedelta(hours=1), "put-right", "nozzle changed")
DONE = Disposition("d1", "SP1", "1", "T1", "T1", "re-sort")


def test_an_event_is_recorded_once_and_sent_again_harmlessly(store: schema.Store) -> None:
    assert deeds.record_event(store, EVENT, **BY).new
    assert not deeds.record_event(store, EVENT, by="Otto", at=AT + timedelta(hours=2)).new
    found = deeds.events(store)
    assert found[["key", "lane", "kind", "what", "by"]].values.tolist() == [
        ["e1", "1", "put-right", "nozzle changed", "Ines"]
    ]
    assert found["happened_at"].tolist() == [EVENT.happened_at]
    with pytest.raises(Conflict, match="event e1 is recorded with other content: lane is 1 there"):
        deeds.record_event(store, replace(EVENT, lane="2"), **BY)


def test_only_causes_put_right_start_inspection_again(store: schema.Store) -> None:
    deeds.record_event(store, EVENT, **BY)
    deeds.record_event(store, replace(EVENT, key="e2", kind="camera"), **BY)
    assert deeds.resumed(store).values.tolist() == [["SP1", "1", EVENT.happened_at]]


def test_a_withdrawn_event_stays_on_record_and_counts_no_more(store: schema.Store) -> None:
    deeds.record_event(store, EVENT, **BY)
    why = {**BY, "reason": "the wrong lane"}
    assert deeds.withdraw_event(store, "e1", **why).new
    assert not deeds.withdraw_event(store, "e1", **why).new
    assert deeds.events(store).empty
    assert deeds.resumed(store).empty
    with schema.reading(store) as connection:
        rows = connection.execute(select(schema.event.c.action)).scalars().all()
    assert sorted(rows) == ["recorded", "withdrawn"]
    assert trail.check(store) == ()
    with pytest.raises(StoreError, match="there is no event e9 in the store"):
        deeds.withdraw_event(store, "e9", **why)


def test_an_end_without_a_beginning_is_told_by_the_check(store: schema.Store) -> None:
    deeds.record_event(store, EVENT, **BY)
    past_the_guards(store, "UPDATE event SET action = 'withdrawn'")
    assert trail.check(store)[1:] == ("event e1 is withdrawn, and was never recorded",)


def test_the_newest_disposition_of_a_tote_stands(store: schema.Store) -> None:
    assert deeds.dispose(store, DONE, **BY, reason="stems").new
    assert not deeds.dispose(store, DONE, **BY, reason="stems").new
    later = {"by": "Otto", "at": AT + timedelta(hours=1), "reason": "too far gone"}
    assert deeds.dispose(store, replace(DONE, key="d2", what="scrap"), **later).new
    deeds.dispose(store, replace(DONE, key="d3", tote="T2"), **BY, reason="stems")
    found = deeds.dispositions(store)
    assert found[["tote", "what", "by", "reason"]].values.tolist() == [
        ["T1", "scrap", "Otto", "too far gone"],
        ["T2", "re-sort", "Ines", "stems"],
    ]
    with pytest.raises(Conflict, match="disposition d1 is recorded with other content: what is"):
        deeds.dispose(store, replace(DONE, what="scrap"), **BY, reason="stems")


def test_of_two_dispositions_the_later_stands_though_the_clock_was_set_back(
    store: schema.Store,
) -> None:
    deeds.dispose(store, DONE, **BY, reason="stems")
    earlier = {"by": "Otto", "at": AT - timedelta(hours=1), "reason": "too far gone"}
    deeds.dispose(store, replace(DONE, key="a", what="scrap"), **earlier)
    assert deeds.dispositions(store)["what"].tolist() == ["scrap"]


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"kind": "magic"}, "kind must be one of put-right, head, camera"),
        ({"what": " "}, "what of the event must not be blank"),
        ({"what": "x" * 201}, "what of the event must be at most 200 characters long, got 201"),
        ({"happened_at": datetime(2026, 3, 16)}, "happened_at must have its zone"),
    ],
)
def test_an_event_must_say_what_and_when(
    store: schema.Store, change: dict[str, Any], told: str
) -> None:
    with pytest.raises(InvalidInput, match=told):
        deeds.record_event(store, replace(EVENT, **change), **BY)
    assert deeds.events(store).empty


def test_a_disposition_must_say_why_and_be_one_of_a_few(store: schema.Store) -> None:
    with pytest.raises(InvalidInput, match="reason must say why"):
        deeds.dispose(store, DONE, **BY, reason="")
    with pytest.raises(InvalidInput, match="what must be one of release, re-sort, rework"):
        deeds.dispose(store, replace(DONE, what="eat"), **BY, reason="hungry")
    with pytest.raises(InvalidInput, match="by must say who"):
        deeds.dispose(store, DONE, by=" ", at=AT, reason="stems")


@pytest.mark.parametrize("table", ["event", "disposition", "chain"])
def test_nothing_is_changed_or_deleted(store: schema.Store, table: str) -> None:
    deeds.record_event(store, EVENT, **BY)
    deeds.dispose(store, DONE, **BY, reason="stems")
    column = "key" if table == "chain" else "lane"
    statements = [f"DELETE FROM {table}", f"UPDATE {table} SET {column} = '2'"]
    if store.engine.dialect.name == "sqlite":
        statements.append(f"INSERT OR REPLACE INTO {table} SELECT * FROM {table}")
    else:
        statements.append(f"TRUNCATE {table}")
    for statement in statements:
        with (
            pytest.raises(IntegrityError, match=f"{table} is only ever added to"),
            schema.writing(store) as connection,
        ):
            connection.exec_driver_sql(statement)


def test_what_people_do_makes_a_new_state_of_the_record(store: schema.Store) -> None:
    before = records.newest(store)
    deeds.record_event(store, EVENT, **BY)
    between = records.newest(store)
    deeds.dispose(store, DONE, **BY, reason="stems")
    assert len({before, between, records.newest(store)}) == 3


def test_a_lane_that_does_not_run_is_an_event_of_its_own(store: schema.Store) -> None:
    deeds.record_event(store, replace(EVENT, kind="lane-down"), **BY)
    deeds.record_event(store, replace(EVENT, key="e2", kind="lane-up", happened_at=AT), **BY)
    assert deeds.events(store)["kind"].tolist() == [events.DOWN, events.UP]
