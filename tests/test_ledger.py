"""The record a page at a time, held against all of it sorted and filtered by pandas."""

from collections.abc import Callable, Iterator
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pandas as pd
import pytest
from sqlalchemy import event

from qa.audit import Finding, parse
from qa.errors import InvalidInput
from qa.programme import Programme
from qa.store import deeds, ledger, records, schema
from qa.store.ledger import Asked
from tests.databases import BOTH, both, place
from tests.small_plant import NOW, small_plant

Fields = Callable[..., dict[str, object]]
DAY = date(2026, 4, 1)


@pytest.fixture(scope="module", params=BOTH)
def plant(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[schema.Store]:
    """The small plant with some audits corrected and some voided."""
    opened = small_plant(place(request.param, tmp_path_factory.mktemp("ledger"), request))
    some = records.tallies(opened, lane="3")
    programme = records.programme(opened)
    for at, key in enumerate(some["key"].iloc[:70]):
        if at % 7:
            row = some[some["key"] == key].iloc[0]
            fields = {name: row[name] for name in ("key", "pulled_at", "lane", "tote", "inspector")}
            fields |= {"inspected": 210, "stem": 3, "purpose": row["purpose"], "head": row["head"]}
            fields["fill_start"] = row["fill_start"]
            audit = parse(fields, programme)
            records.correct(opened, audit, by="lead", at=NOW, reason="again")
        else:
            records.void(opened, key, by="lead", at=NOW, reason="twice")
    yield opened
    opened.engine.dispose()


def every(store: schema.Store) -> pd.DataFrame:
    """The newest entry of every audit, read whole."""
    rows = pd.read_sql("select * from entry order by number", store.engine)
    rows["day"] = rows["day"].astype(str)  # SQLite's is a text
    return rows.drop_duplicates("key", keep="last").reset_index(drop=True)


def walked(store: schema.Store, asked: Asked = Asked(), **how: Any) -> pd.DataFrame:  # noqa: B008 - frozen
    first = ledger.audits(store, asked, **how)
    pages = [ledger.audits(store, asked, page=p, **how) for p in range(1, first.pages + 1)]
    found = pd.concat([each.rows for each in pages], ignore_index=True)
    assert len(found) == first.total
    return found


def test_pages_together_are_every_audit_once_newest_first(plant: schema.Store) -> None:
    found, whole = walked(plant), every(plant)
    assert found["key"].tolist() == whole["key"].tolist()[::-1]
    assert set(found["action"]) == {"logged", "corrected", "voided"}
    assert len(found) > 5 * ledger.PAGE


KEYS = {
    "recorded": ["number"],
    "pulled": ["day", "pulled_at", "number"],
    "lane": ["lane", "number"],
    "tote": ["tote", "number"],
    "inspector": ["inspector", "number"],
    "incorrect": ["share", "number"],
}


@pytest.mark.parametrize("descending", [True, False])
@pytest.mark.parametrize("order", ledger.ORDERS)
def test_each_order_is_what_sorting_all_of_it_gives(
    plant: schema.Store, order: str, descending: bool
) -> None:
    whole = every(plant)
    whole["share"] = (whole["inspected"] - whole["correct"]) / whole["inspected"]
    whole = whole.sort_values(KEYS[order], ascending=not descending)
    found = walked(plant, order=order, descending=descending)
    assert found["key"].tolist() == whole["key"].tolist()


@pytest.mark.parametrize(
    "asked",
    [
        {"lane": "2"},
        {"shift": "afternoon"},
        {"product": "sprout-whole", "purpose": "head-check"},
        {"inspector": "insp-02"},
        {"tote": "3011"},
        {"lot": "3011"},
        {"state": "corrected"},
        {"state": "voided", "lane": "3"},
        {"state": "voided", "lane": "4"},
        {"first_day": DAY, "last_day": DAY + timedelta(days=2)},
        {"first_day": DAY, "lane": "6"},
        {"last_day": DAY, "purpose": "routine"},
    ],
    ids=str,
)
def test_each_filter_is_what_filtering_all_of_it_gives(
    plant: schema.Store, asked: dict[str, Any]
) -> None:
    whole = every(plant).rename(columns={"action": "state"})
    keep = pd.Series(True, index=whole.index)
    for name, value in asked.items():
        if name == "first_day":
            keep &= whole["day"] >= value.isoformat()
        elif name == "last_day":
            keep &= whole["day"] <= value.isoformat()
        else:
            keep &= whole[name] == value
    found = walked(plant, Asked(**asked))
    assert sorted(found["key"]) == sorted(whole["key"][keep])
    if asked not in ({"state": "voided", "lane": "4"}, {"shift": "afternoon"}):
        assert len(found)


def test_no_more_rows_than_a_page_are_read(plant: schema.Store) -> None:
    said: list[str] = []

    def hear(connection: Any, cursor: Any, statement: str, *rest: Any) -> None:
        said.append(statement)

    event.listen(plant.engine, "before_cursor_execute", hear)
    try:
        for order in ledger.ORDERS:
            assert len(ledger.audits(plant, Asked(), order=order).rows) == ledger.PAGE
    finally:
        event.remove(plant.engine, "before_cursor_execute", hear)
    listing = [each for each in said if each.startswith("SELECT entry")]
    assert len(listing) == len(ledger.ORDERS)
    assert all("LIMIT" in each for each in listing)


def test_a_page_beyond_the_last_is_the_last(plant: schema.Store) -> None:
    far = ledger.audits(plant, Asked(), page=10**6)
    assert far.page == far.pages
    assert 1 <= len(far.rows) <= ledger.PAGE
    none = ledger.audits(plant, Asked(tote="nowhere"), page=3)
    assert (none.page, none.pages, none.total, len(none.rows)) == (1, 1, 0, 0)


def test_what_there_is_not_is_said(plant: schema.Store) -> None:
    with pytest.raises(InvalidInput, match=r"order must be one of recorded, .*, got \"size\""):
        ledger.audits(plant, Asked(), order="size")
    with pytest.raises(InvalidInput, match=r"state must be one of logged, corrected, voided"):
        ledger.audits(plant, Asked(state="lost"))
    with pytest.raises(InvalidInput, match=r"page must be 1 or more, got 0"):
        ledger.audits(plant, Asked(), page=0)
    with pytest.raises(InvalidInput, match=r"kind must be one of findings, events, dispositions"):
        ledger.deeds(plant, "audits")


@both
def test_what_people_did_is_listed_with_how_it_ended(
    store: schema.Store, programme: Programme
) -> None:
    at = datetime(2026, 4, 2, 12, tzinfo=UTC)
    for n in range(ledger.PAGE + 2):
        found = Finding(f"f{n:03}", "SP1", at + timedelta(minutes=n), "A", "1", f"T{n}", "metal")
        records.record_finding(store, found, by="Ines", at=at)
    records.lift_finding(store, "f051", by="lead", at=at, reason="a false alarm")
    first, second = ledger.deeds(store, "findings"), ledger.deeds(store, "findings", page=2)
    assert (first.total, first.pages, len(second.rows)) == (52, 2, 2)
    assert first.rows["key"].tolist()[:2] == ["f051", "f050"]
    assert first.rows["ended_reason"].tolist()[:2] == ["a false alarm", ""]
    assert first.rows["ended_at"].isna().tolist()[:2] == [False, True]
    happened = deeds.Event("e1", "SP1", "A", "2", at, "camera", "lens wiped")
    deeds.record_event(store, happened, by="Ines", at=at)
    deeds.withdraw_event(store, "e1", by="Ines", at=at, reason="wrong lane")
    events = ledger.deeds(store, "events").rows
    assert events[["key", "ended_by", "ended_reason"]].to_numpy().tolist() == [
        ["e1", "Ines", "wrong lane"]
    ]
    for n, what in enumerate(("re-sort", "release")):
        made = deeds.Disposition(f"d{n}", "SP1", "1", "T1", "T1", what)
        deeds.dispose(store, made, by="lead", at=at + timedelta(hours=n), reason="checked")
    done = ledger.deeds(store, "dispositions")
    assert done.rows["what"].tolist() == ["release", "re-sort"]  # the older ones stay on record
    assert done.total == 2
