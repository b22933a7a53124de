"""Gross limits: who is called, for which audit, and when it no longer speaks of the lane."""

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from qa import gross
from qa.audit import parse
from qa.programme import GrossLimit, Programme
from qa.store import records, schema

AT = datetime(2026, 3, 16, 9, 30, tzinfo=UTC)
AUDIT = {"lane": "1", "tote": "T1", "pulled_at": AT, "inspected": 200}
CAUTION = "lockout, and the high-pressure water made safe"
NONE = {"stem": 0, "over_trim": 0, "double": 0}


def limited(programme: Programme, at: float) -> Programme:
    """The demo's programme with one limit alone, on stems."""
    first, *others = (replace(each, gross=None) for each in programme.categories)
    categories = (replace(first, gross=GrossLimit(at, "shift lead")), *others)
    return replace(programme, categories=categories)


# On the limit is not beyond it: 20 of 200 are 10 %, 14 of 200 are 7 %, 3 of 1,000 are 0.3 %, whose
# floats do not agree to the last digit.
@pytest.mark.parametrize(
    ("at", "count", "inspected", "beyond"),
    [
        *((10.0, 20, 200, False), (10.0, 21, 200, True), (7.0, 14, 200, False)),
        *((0.3, 3, 1000, False), (0.3, 4, 1000, True), (2.3, 23, 1000, False)),
    ],
)
def test_a_count_on_the_limit_does_not_pass_it(
    programme: Programme, at: float, count: int, inspected: int, *, beyond: bool
) -> None:
    audit = {**AUDIT, "inspected": inspected}
    found = gross.passed(audit, {**NONE, "stem": count}, limited(programme, at))
    assert bool(found) == beyond


def test_it_says_what_was_found_whom_to_call_and_the_caution(programme: Programme) -> None:
    (found,) = gross.passed(AUDIT, {**NONE, "stem": 30}, limited(programme, 12.5))
    assert (found.lane, found.tote, found.category, found.count) == ("1", "T1", "stem", 30)
    assert found.sentence.startswith(
        "Gross: stem left on in 30 of 200 pieces (15.0 %) of tote T1, lane 1, is beyond the gross "
        "limit of 12.5 %. Call the shift lead now."
    )
    assert CAUTION in found.sentence


def test_a_category_without_a_limit_calls_nobody(programme: Programme) -> None:
    assert gross.passed(AUDIT, {**NONE, "over_trim": 200}, limited(programme, 1)) == ()
    both = gross.passed(AUDIT, {"stem": 90, "over_trim": 90, "double": 17}, programme)
    assert [each.category for each in both] == ["stem", "over_trim", "double"]


@pytest.fixture
def stands(
    store: schema.Store, programme: Programme, audit_fields: Callable[..., dict[str, object]]
) -> Callable[..., dict[str, Any]]:
    """A function: log audits, and say which lanes stand gross an hour later."""

    def logged(*changes: dict[str, object], hours: float = 1) -> dict[str, Any]:
        for number, change in enumerate(changes):
            at = AT + timedelta(minutes=number)
            fields = audit_fields(**{"tote": f"T{number}", "pulled_at": at, **change})
            records.log(store, parse(fields, programme), by="Ines", at=AT + timedelta(days=1))
        return gross.standing(
            records.tallies(store),
            records.programmes_by_version(store),
            now=AT + timedelta(hours=hours),
        )

    return logged


def test_the_newest_audit_of_a_lane_speaks_of_it(stands: Callable[..., dict[str, Any]]) -> None:
    bad = {"stem": 40}
    found = stands({"lane": "2"}, {"lane": "2", **bad}, bad, {"stem": 0})
    assert list(found) == ["2"]
    assert found["2"][0].tote == "T1"


def test_a_re_audit_does_not_take_the_call_back(stands: Callable[..., dict[str, Any]]) -> None:
    again = {"purpose": "re-audit", "tote": "T0", "re_sorted_at": AT, "stem": 0, "over_trim": 0}
    assert list(stands({"stem": 40}, again)) == ["1"]


def test_after_a_day_the_call_stands_no_more(stands: Callable[..., dict[str, Any]]) -> None:
    assert list(stands({"stem": 40}, hours=23.9)) == ["1"]
    assert stands(hours=24) == {}


def test_it_is_not_known_before_it_was_pulled(stands: Callable[..., dict[str, Any]]) -> None:
    assert stands({"stem": 40}, hours=-0.1) == {}


def test_the_programme_in_force_when_pieces_were_pulled_decides(
    store: schema.Store, stands: Callable[..., dict[str, Any]]
) -> None:
    text = records.programmes(store)["text"].iloc[0]
    later = text.replace("at = 10.0", "at = 60.0")
    records.put_programme(store, later, by="lead", at=AT + timedelta(hours=2), reason="too low")
    assert list(stands({"stem": 40})) == ["1"]
