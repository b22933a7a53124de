"""Audits kept in memory are those that the store gives, whatever was recorded meanwhile."""

import threading
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import numpy as np
import pandas as pd
import pytest

from dashboard.views import choices, floor, keeping, lane, shift, sources
from dashboard.views import record as kept_record
from qa import drift, verdicts
from qa.audit import Audit, Finding, parse
from qa.store import changes, deeds, following, records
from qa.store.schema import Store
from tests.conftest import PLANT
from tests.databases import both

NOW = datetime(2026, 4, 1, tzinfo=UTC)
Fields = Callable[..., dict[str, object]]


def audits(store: Store, fields: Fields, count: int, seed: int) -> list[Audit]:
    """Audits of three weeks, in no order."""
    rng = np.random.default_rng(seed)
    made = []
    for number in range(count):
        at = datetime(2026, 3, 16, 7, tzinfo=UTC) + timedelta(minutes=int(rng.integers(0, 30000)))
        changes = {
            "key": f"k{seed}-{number}",
            "pulled_at": at.isoformat(),
            "lane": str(rng.choice(["1", "2"])),
            "tote": f"T{seed}-{number // 2}",
            "purpose": str(rng.choice(["routine", "routine", "routine", "study"])),
            "inspected": 200,
            "stem": int(rng.integers(0, 9)),
            "over_trim": int(rng.integers(0, 3)),
        }
        made.append(parse(fields(**changes), records.programme(store)))
    return made


def alike(audits: following.Audits, store: Store) -> None:
    """Every audit, and those of some days of a lane."""
    pd.testing.assert_frame_equal(
        audits.where(lambda part: part["number"] > 0), records.tallies(store)
    )
    days = date(2026, 3, 20), date(2026, 3, 25)
    wanted = records.tallies(store, first_day=days[0], last_day=days[1], lane="2")
    pd.testing.assert_frame_equal(audits.of_days(*days, lane="2"), wanted)
    since = pd.Timestamp("2026-03-22", tz="UTC")
    kept = records.tallies(store)
    assert list(audits.since(since)["key"]) == list(kept.loc[kept["pulled_at"] >= since, "key"])
    assert set(audits.column("tote")) == set(kept["tote"])
    assert len(audits) == len(kept)


@both
def test_what_is_recorded_later_is_followed(
    store: Store, audit_fields: Fields, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(following, "MOST_LATE", 12)
    known = following.read(store)
    alike(known, store)
    first = audits(store, audit_fields, 30, 1)
    records.log_many(store, first, by="test", at=NOW)
    known, change = following.follow(store, known)
    assert (len(change.gone), len(change.new)) == (0, 30)
    alike(known, store)
    for each in audits(store, audit_fields, 15, 2):  # some of them among the others again
        records.log(store, each, by="test", at=NOW)
        known, change = following.follow(store, known)
        assert list(change.new["key"]) == [each.key]
        alike(known, store)
    moved = replace(first[3], pulled_at=first[3].pulled_at - timedelta(days=1), tote="moved")
    records.correct(store, moved, by="test", at=NOW, reason="typed wrongly")
    records.void(store, first[4].key, by="test", at=NOW, reason="twice")
    known, change = following.follow(store, known)
    assert sorted(change.gone["key"]) == sorted([first[3].key, first[4].key])
    assert list(change.new["key"]) == [first[3].key]
    alike(known, store)
    more = PLANT.replace("[plans.major]", PLANT_CATEGORY + "[plans.major]")
    records.put_programme(store, more, by="lead", at=NOW, reason="bruises too")
    known, change = following.follow(store, known)
    assert known.categories[-1] == "bruise"
    assert not len(change.new)
    alike(known, store)


PLANT_CATEGORY = """[[categories]]
code = "bruise"
name = "bruised"
class = "minor"

"""


def test_views_of_a_record_kept_up_are_those_of_one_read_anew(
    store: Store, audit_fields: Fields
) -> None:
    made = audits(store, audit_fields, 60, 3)
    records.log_many(store, made[:40], by="test", at=NOW)
    keeping.record(store)
    steps: list[Callable[[], object]] = [
        lambda: records.log_many(store, made[40:], by="test", at=NOW),
        lambda: records.void(store, made[2].key, by="test", at=NOW, reason="twice"),
        lambda: records.record_finding(
            store,
            Finding("F1", "SP1", made[7].pulled_at, "A", made[7].lane, made[7].tote, "a screw"),
            by="test",
            at=NOW,
        ),
        lambda: corrected_at_once(store, made[0]),
        lambda: records.lift_finding(store, "F1", by="test", at=NOW, reason="it was not"),
        lambda: records.put_programme(
            store, PLANT + "\n# again\n", by="lead", at=NOW, reason="a word"
        ),
    ]
    for step in steps:
        step()
        kept = keeping.record(store)
        anew = keeping.Kept(store).at(records.newest(store), "en")
        for day in ("2026-03-30", "2026-04-01"):
            asked = choices.read(f"?day={day}", kept.programme)
            told = [view.view(store, asked, NOW) for view in (floor, lane, shift)]
            found = [repr(each) for each in told]
            assert found == [repr(each) for each in _with(anew, store, asked)]
        every, found = records.tallies(store), records.findings(store)
        of = (records.programmes_by_version(store), found, deeds.resumed(store))
        lots, in_force = verdicts.lots_and_inspection(every, *of)
        order = ["began", "site", "lot"]
        one, other = (
            each.sort_values(order).reset_index(drop=True).astype(object)
            for each in (kept_record.lots(kept), lots)
        )
        pd.testing.assert_frame_equal(one, other)
        pd.testing.assert_frame_equal(kept.judged.in_force, in_force)
        assert kept.known.replaced is not None
        pd.testing.assert_frame_equal(kept.known.replaced, changes.replaced(store))
        drifts = drift.findings(every, kept.programme, now=kept_record._tick(NOW), known=kept.known)
        assert repr(kept_record.findings(kept, NOW)) == repr(drifts)


def corrected_at_once(store: Store, like: Audit) -> None:
    """An audit that nobody looked at before it was corrected."""
    late = replace(like, key="late", tote="late")
    records.log(store, late, by="test", at=NOW)
    records.correct(store, replace(late, tote="later"), by="test", at=NOW, reason="typed wrongly")


def _with(kept: keeping.Record, store: Store, asked: choices.Choices) -> list[object]:
    """The views, were a record the one that is kept."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(keeping, "record", lambda *_: kept)
        return [view.view(store, asked, NOW) for view in (floor, lane, shift)]


def test_over_many_audits_a_page_does_not_wait_for_what_differs(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    kept = keeping.record(store)
    told, found = threading.Event(), (object(),)
    monkeypatch.setattr(sources, "MANY", 0)
    monkeypatch.setattr(sources, "_worked_out", lambda _: told.wait(60) and found)
    assert sources._beyond(kept) == ()
    assert sources._beyond(kept) == ()  # it is worked out once
    told.set()
    answer = sources._ANSWERS[kept.memory]["en"]
    for _ in range(600):
        if not answer.running:
            break
        time.sleep(0.1)
    assert sources._beyond(kept) == found
    assert answer.of is kept


def test_a_page_is_not_kept_waiting_for_the_first_reading(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(keeping, "PATIENCE", 0.01)
    kept = keeping.of(store)
    kept.patience = keeping.PATIENCE

    with ThreadPoolExecutor(1) as other:
        other.submit(kept.turn.acquire).result()
        with pytest.raises(keeping.StillReading, match="still being read"):
            keeping.record(store)
        other.submit(kept.turn.release).result()
        before = keeping.record(store)
        other.submit(kept.turn.acquire).result()
        records.record_finding(
            store, Finding("F9", "SP1", NOW, "A", "1", "T1", "a screw"), by="test", at=NOW
        )
        assert keeping.record(store) is before  # shown as it was, until it is read
        other.submit(kept.turn.release).result()
    assert len(keeping.record(store).findings) == 1


def rejecting(store: Store, fields: Fields, key: str, stem: int) -> Audit:
    changes = {"key": key, "tote": "X1", "inspected": 200, "stem": stem, "lane": "1"}
    made = parse(fields(**changes), records.programme(store))
    records.log(store, made, by="test", at=NOW)
    return made


def test_a_verdict_is_never_told_from_an_older_state(
    store: Store, audit_fields: Fields, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(keeping, "PATIENCE", 0.01)
    accepted = rejecting(store, audit_fields, "first", 0)
    keeping.begin(store)
    assert kept_record.verdict_of(store, accepted, "en").verdict == "accept"
    turn = keeping.of(store).turn
    with ThreadPoolExecutor(1) as other:
        other.submit(turn.acquire).result()
        rejected = rejecting(store, audit_fields, "second", 60)
        with ThreadPoolExecutor(1) as asking:
            answer = asking.submit(kept_record.verdict_of, store, rejected, "en")
            with pytest.raises(TimeoutError):
                answer.result(0.3)
            other.submit(turn.release).result()
            assert answer.result(30).verdict == "reject"


def test_an_error_amid_what_is_new_loses_nothing(
    store: Store, audit_fields: Fields, monkeypatch: pytest.MonkeyPatch
) -> None:
    for number, audit in enumerate(
        sorted(audits(store, audit_fields, 60, 4), key=lambda a: a.pulled_at)
    ):
        records.log(store, replace(audit, key=f"k{number}"), by="test", at=NOW)
    before = kept_record.lots(keeping.record(store))
    late = rejecting(store, audit_fields, "late", 60)
    with monkeypatch.context() as patch:
        patch.setattr(verdicts.Following, "_take", _fails)
        with pytest.raises(MemoryError):
            keeping.record(store)
    after = kept_record.lots(keeping.record(store))
    assert set(after["lot"]) == {*before["lot"], late.lot}


def _fails(*_: object) -> None:
    raise MemoryError


def test_what_comes_late_has_no_text_of_the_long_past(store: Store, audit_fields: Fields) -> None:
    """Else every look would go through the names of all totes for the few that are new."""
    programme = records.programme(store)
    old = [
        audit_fields(tote=f"old-{n}", pulled_at=f"2026-03-16T09:3{n}:00+00:00") for n in range(9)
    ]
    records.log_many(store, [parse(each, programme) for each in old], by="Ines", at=NOW)
    known = following.read(store)
    new = parse(audit_fields(tote="new", pulled_at="2026-03-16T10:30:00+00:00"), programme)
    records.log(store, new, by="Ines", at=NOW)
    now, change = following.follow(store, known)
    assert list(now.late["tote"].cat.categories) == ["new"]
    pd.testing.assert_frame_equal(now.late, change.new)
