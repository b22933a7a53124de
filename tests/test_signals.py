"""What people say of signals, and the baselines that they choose: kept, dated, never rewritten."""

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pandas as pd
import pytest
from sqlalchemy import select
from sqlalchemy.exc import DBAPIError

from qa.errors import Conflict, InvalidInput, StoreError
from qa.store import records, schema, signals, trail
from qa.store.signals import Acknowledgement, ChosenBaseline
from tests.conftest import PLANT
from tests.databases import on_both, past_the_guards

database = on_both
AT = datetime(2026, 4, 16, 12, tzinfo=UTC)
BY: dict[str, Any] = {"by": "Ines", "at": AT}
SAID = Acknowledgement(
    "k1", "SP1", "4", "sprout-whole", "stem", AT - timedelta(hours=3), "worn nozzle", "changed it"
)
DAYS = (date(2026, 4, 1), date(2026, 4, 14))
CHOSEN = ChosenBaseline("b1", "SP1", "sprout-whole", "4", *DAYS, {"T7": "camera covered"})
WHY: dict[str, Any] = {**BY, "reason": "new heads"}


def test_an_acknowledgement_says_cause_and_action_by_whom_and_when(store: schema.Store) -> None:
    assert signals.acknowledge(store, SAID, **BY).new
    assert not signals.acknowledge(store, SAID, by="Otto", at=AT + timedelta(hours=2)).new
    (found,) = signals.acknowledgements(store).to_dict("records")
    wanted = ("key", "lane", "product", "category", "cause", "done", "by")
    assert [found[name] for name in wanted] == [
        *("k1", "4", "sprout-whole", "stem", "worn nozzle", "changed it", "Ines")
    ]
    assert (found["signalled_at"], found["at"]) == (SAID.signalled_at, AT)
    with pytest.raises(Conflict, match="acknowledgement k1 is recorded with other content: cause"):
        signals.acknowledge(store, replace(SAID, cause="bad luck"), **BY)


def test_a_withdrawn_acknowledgement_stays_on_record_and_answers_no_more(
    store: schema.Store,
) -> None:
    signals.acknowledge(store, SAID, **BY)
    signals.acknowledge(store, replace(SAID, key="k2", lane="5"), **BY)
    why = {**BY, "reason": "the wrong lane"}
    assert signals.withdraw_acknowledgement(store, "k1", **why).new
    assert not signals.withdraw_acknowledgement(store, "k1", **why).new
    assert signals.acknowledgements(store)["key"].tolist() == ["k2"]
    every = signals.acknowledgements(store, withdrawn=True).set_index("key")
    assert every["withdrawn_at"].to_dict() == {"k1": AT, "k2": pd.NaT}
    assert every.loc["k1", "by"] == "Ines"
    table = schema.acknowledgement
    with schema.reading(store) as connection:
        rows = connection.execute(
            select(table.c.action, table.c.reason).where(table.c.key == "k1")
        ).all()
    assert sorted(map(tuple, rows)) == [("recorded", ""), ("withdrawn", "the wrong lane")]
    assert trail.check(store) == ()
    with pytest.raises(StoreError, match="there is no acknowledgement k9 in the store"):
        signals.withdraw_acknowledgement(store, "k9", **why)


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"cause": " "}, "cause of the acknowledgement must not be blank"),
        ({"done": ""}, "done of the acknowledgement must not be blank"),
        ({"done": "x" * 201}, "done of the acknowledgement must be at most 200 characters"),
        ({"signalled_at": datetime(2026, 4, 16)}, "signalled_at must have its zone"),
    ],
)
def test_an_acknowledgement_must_say_cause_and_action(
    store: schema.Store, change: dict[str, Any], told: str
) -> None:
    with pytest.raises(InvalidInput, match=told):
        signals.acknowledge(store, replace(SAID, **change), **BY)
    assert signals.acknowledgements(store).empty


def test_an_acknowledgement_withdrawn_that_never_was_is_told_by_the_check(
    store: schema.Store,
) -> None:
    signals.acknowledge(store, SAID, **BY)
    past_the_guards(store, "UPDATE acknowledgement SET action = 'withdrawn'")
    assert trail.check(store)[1:] == ("acknowledgement k1 is withdrawn, and was never recorded",)


def test_the_programmes_baseline_holds_from_the_beginning(store: schema.Store) -> None:
    (found,) = signals.baselines(store).to_dict("records")
    assert (found["key"], found["lane"], found["set_aside"]) == ("", "", {})
    assert found["first_day"] == pd.Timestamp("2026-03-16")
    assert found["at"] is pd.NaT


def test_a_baseline_chosen_holds_from_its_moment_and_keeps_its_causes(store: schema.Store) -> None:
    assert signals.set_baseline(store, CHOSEN, **WHY).new
    assert not signals.set_baseline(store, CHOSEN, by="Otto", at=AT, reason="again").new
    later = {**WHY, "at": AT + timedelta(days=1)}
    signals.set_baseline(store, replace(CHOSEN, key="b0", lane=None, set_aside={}), **later)
    found = signals.baselines(store)
    assert found["key"].tolist() == ["", "b1", "b0"]
    assert found["lane"].tolist() == ["", "4", ""]
    assert found["at"].tolist()[1:] == [AT, AT + timedelta(days=1)]
    one = found.iloc[1]
    assert (one["by"], one["reason"], one["set_aside"]) == (
        *("Ines", "new heads", {"T7": "camera covered"}),
    )
    assert (one["first_day"].date(), one["last_day"].date()) == DAYS
    with pytest.raises(Conflict, match="baseline b1 is recorded with other content: lane is 4"):
        signals.set_baseline(store, replace(CHOSEN, lane="5"), **WHY)
    assert trail.check(store) == ()


def test_a_version_of_the_programme_with_another_baseline_is_dated_by_the_version(
    store: schema.Store,
) -> None:
    moved = PLANT.replace("last_day = 2026-04-04", "last_day = 2026-04-08")
    records.put_programme(store, moved, by="lead", at=AT, reason="more days")
    same = moved.replace("target = 0.99", "target = 0.98")
    records.put_programme(store, same, by="lead", at=AT + timedelta(days=1), reason="target")
    found = signals.baselines(store)
    assert found["last_day"].dt.day.tolist() == [4, 8]
    assert found["at"].isna().tolist() == [True, False]
    assert found["at"].iloc[1] == AT


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"last_day": date(2026, 3, 31)}, "last_day must not be before first_day 2026-04-01, got"),
        ({"last_day": date(2026, 4, 17)}, "last_day must not lie after today 2026-04-16, got 2026"),
        ({"product": "beet"}, 'product must be one of sprout-whole, got "beet"'),
        ({"lane": "9"}, 'lane must be one of 1, 2, 3, 4, 5, 6, got "9"'),
        ({"set_aside": {"T7": " "}}, "cause of tote T7 of the baseline must not be blank"),
        ({"set_aside": {" ": "wet"}}, "tote of the baseline must not be blank"),
    ],
)
def test_a_baseline_must_be_of_days_gone_by_with_every_cause_said(
    store: schema.Store, change: dict[str, Any], told: str
) -> None:
    with pytest.raises(InvalidInput, match=told):
        signals.set_baseline(store, replace(CHOSEN, **change), **WHY)
    assert len(signals.baselines(store)) == 1


def test_a_baseline_must_say_who_and_why(store: schema.Store) -> None:
    with pytest.raises(InvalidInput, match="reason must say why"):
        signals.set_baseline(store, CHOSEN, **BY, reason=" ")
    with pytest.raises(InvalidInput, match="by must say who"):
        signals.set_baseline(store, CHOSEN, by="", at=AT, reason="new heads")


@pytest.mark.parametrize("table", ["acknowledgement", "baseline"])
def test_nothing_is_changed_or_deleted(store: schema.Store, table: str) -> None:
    signals.acknowledge(store, SAID, **BY)
    signals.set_baseline(store, CHOSEN, **WHY)
    statements = [f"DELETE FROM {table}", f"UPDATE {table} SET lane = '2'"]
    if store.engine.dialect.name == "sqlite":
        statements.append(f"INSERT OR REPLACE INTO {table} SELECT * FROM {table}")
    for statement in statements:
        with (
            pytest.raises(DBAPIError, match=f"{table} is only ever added to"),
            store.engine.begin() as connection,
        ):
            connection.exec_driver_sql(statement)


def test_what_people_say_makes_a_new_state_of_the_record(store: schema.Store) -> None:
    before = records.newest(store)
    signals.acknowledge(store, SAID, **BY)
    between = records.newest(store)
    signals.set_baseline(store, CHOSEN, **WHY)
    assert len({before, between, records.newest(store)}) == 3
