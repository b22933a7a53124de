"""What people do on a lane's page: answer a signal, choose a baseline, withdraw what was wrong."""

from collections.abc import Callable, Iterator
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest

from dashboard.pages.lane import body
from dashboard.pages.lane.forms import ends
from dashboard.texts import words
from dashboard.views import keeping, lane, record
from dashboard.views import shift as shift_view
from dashboard.views import signals as signals_view
from dashboard.views.choices import Choices
from qa.errors import InvalidAudit
from qa.programme import Programme
from qa.store import deeds, records, schema, signals
from qa.store.deeds import Event
from tests.databases import on_both
from tests.small_plant import NOW, small_plant

database = on_both
ANSWER: dict[str, object] = {
    "key": "k1",
    "lane": "2",
    "cause": "worn nozzle",
    "done": "changed it",
    "who": "Ines",
}
BASE: dict[str, object] = {
    **{"key": "b1", "lane": "2", "reach": "lane", "first": "2026-04-01", "last": "2026-04-08"},
    **{"aside": "", "why": "new heads", "who": "Ines"},
}


@pytest.fixture
def plant(somewhere: Callable[[], str]) -> Iterator[schema.Store]:
    opened = small_plant(somewhere())
    yield opened
    opened.engine.dispose()


def known(store: schema.Store, **more: Any) -> tuple[signals_view.Signal, ...]:
    return signals_view.of_lane(keeping.record(store), "2", NOW, **more)


def problems(call: Any, store: schema.Store, fields: dict[str, object]) -> dict[str, str]:
    with pytest.raises(InvalidAudit) as told:
        call(store, fields, NOW)
    return dict(told.value.problems)


def test_a_signal_is_answered_with_cause_and_action(plant: schema.Store) -> None:
    (before,) = known(plant)
    assert (before.category, before.state) == ("stem", "open")
    signals_view.acknowledge(plant, {**ANSWER, "signal": before.key}, NOW)
    (after,) = known(plant)
    assert after.state == "acknowledged"
    assert after.said is not None
    assert (after.said.cause, after.said.done, after.said.by) == (
        *("worn nozzle", "changed it", "Ines"),
    )
    finding = next(
        each
        for each in record.findings(keeping.record(plant), NOW)
        if (each.lane, each.category) == ("2", "stem")
    )
    assert "Acknowledged by Ines at 12:00 on 20 April: worn nozzle; changed it." in finding.sentence


def test_the_signal_of_all_categories_together_can_be_answered_too(plant: schema.Store) -> None:
    whole = next(each for each in known(plant, whole=True) if each.category == keeping.ALL)
    signals_view.acknowledge(plant, {**ANSWER, "signal": whole.key}, NOW)
    states = {each.category: each.state for each in known(plant, whole=True)}
    assert states == {keeping.ALL: "acknowledged", "stem": "open"}


def test_every_problem_of_an_answer_is_told_beside_its_field(plant: schema.Store) -> None:
    told = problems(signals_view.acknowledge, plant, {"key": "k1", "lane": "9", "signal": "x"})
    assert told == {
        **dict.fromkeys(("cause", "done", "who"), "is missing"),
        **dict.fromkeys(("lane", "signal"), "must be chosen"),
    }
    assert signals.acknowledgements(plant).empty


def test_a_baseline_is_chosen_for_a_lane_or_for_all(plant: schema.Store) -> None:
    totes = records.tallies(plant, lane="2", first_day=date(2026, 4, 1), last_day=date(2026, 4, 8))
    routine = totes[totes["purpose"] == "routine"]["tote"].tolist()
    aside = f"{routine[0]}: lens was wet; {routine[5]} : wrong tote;"
    signals_view.choose_baseline(plant, {**BASE, "aside": aside}, NOW)
    signals_view.choose_baseline(plant, {**BASE, "key": "b2", "reach": "all"}, NOW)
    kept = signals.baselines(plant)
    assert kept["lane"].tolist() == ["", "2", ""]
    assert kept["set_aside"].iloc[1] == {routine[0]: "lens was wet", routine[5]: "wrong tote"}
    assert kept["reason"].tolist()[1:] == ["new heads"] * 2
    (signal,) = known(plant)
    assert (signal.state, signal.excursion.closed_by, signal.excursion.until) == (
        *("closed", "baseline", NOW),
    )


def test_a_shift_is_held_against_the_baseline_in_force_of_each_lane(plant: schema.Store) -> None:
    totes = records.tallies(plant, lane="2", first_day=date(2026, 4, 1), last_day=date(2026, 4, 8))
    shift = totes.loc[totes["purpose"] == "routine", "shift"].iloc[0]
    told = totes[(totes["purpose"] == "routine") & (totes["shift"] == shift)]
    first = told["tote"].iloc[0]
    before = shift_view.view(plant, Choices(shift=shift), NOW)
    assert before.baselines == ((date(2026, 3, 16), date(2026, 4, 4)),)
    made = signals_view.choose_baseline(plant, {**BASE, "aside": f"{first}: wet"}, NOW)
    after = shift_view.view(plant, Choices(shift=shift), NOW)
    assert after.baselines == (*before.baselines, (made.first_day, made.last_day))
    assert after.rows[0].cells["stem"] == before.rows[0].cells["stem"]
    own = after.rows[1].cells["stem"].baseline
    kept = told[told["tote"] != first]
    assert own is not None
    assert (own.count, own.totes) == (kept["stem"].sum(), len(kept))
    earlier = shift_view.view(plant, Choices(day=date(2026, 4, 10), shift=shift), NOW)
    assert earlier.baselines == before.baselines  # what was told before stays


@pytest.mark.parametrize(
    ("change", "field", "told"),
    [
        ({"first": "1 April"}, "first", "must be a date such as 2026-05-14, got 1 April"),
        ({"last": "2026-03-31"}, "last", "must not be before the first day"),
        ({"last": "2026-04-21"}, "last", "must not lie in the future"),
        ({"first": "2026-04-05"}, "first", "16 were audited and not set aside, and 20 are needed"),
        ({"reach": "some"}, "reach", "must be chosen"),
        ({"lane": "9"}, "lane", "must be chosen"),
        ({"aside": "T7"}, "aside", "must name each tote and its cause"),
        ({"aside": ": wet"}, "aside", "must name each tote and its cause"),
        ({"aside": "T7: wet"}, "aside", "must be totes of this lane in these days, got T7"),
        ({"aside": f"T7: {'x' * 201}"}, "aside", "at most 200"),
        ({"why": " "}, "why", "is missing"),
    ],
)
def test_a_baseline_that_cannot_be_is_refused_beside_its_field(
    plant: schema.Store, change: dict[str, object], field: str, told: str
) -> None:
    assert told in problems(signals_view.choose_baseline, plant, {**BASE, **change})[field]
    assert len(signals.baselines(plant)) == 1


def test_what_was_entered_wrongly_is_withdrawn(plant: schema.Store) -> None:
    event = Event("e1", "SP1", "A", "2", NOW - timedelta(days=3), "sanitation", "weekly clean")
    deeds.record_event(plant, event, by="Ines", at=NOW)
    (signal,) = known(plant)
    signals_view.acknowledge(plant, {**ANSWER, "signal": signal.key}, NOW)
    why: dict[str, object] = {"why": "the wrong lane", "who": "Otto"}
    for which in ("event|e1", "acknowledgement|k1"):
        signals_view.withdraw(plant, {**why, "which": which}, NOW)
    assert deeds.events(plant).empty
    assert [each.state for each in known(plant)] == ["open"]
    for which in ("event|e1", "acknowledgement|k9", "finding|f1", ""):
        told = problems(signals_view.withdraw, plant, {**why, "which": which})
        assert told == {"which": "must be chosen"}


# The night of 15 April began on 15 April and ends at 06:00 on 16 April, plant time.
@pytest.mark.parametrize(
    ("low", "high"),
    [("2026-04-15 06:30", "2026-04-17 05:00:00.25"), ("2026-04-17 05:00", "2026-04-15 06:30")],
)
def test_a_stretch_that_was_dragged_over_is_days_of_production(
    programme: Programme, low: str, high: str
) -> None:
    days = (date(2026, 4, 15), date(2026, 4, 16))
    assert signals_view.days_between(programme, low, high) == days


def test_the_chart_tells_a_stretch_by_its_ends() -> None:
    assert ends("2026-04-01 06:00:00/2026-04-03") == ("2026-04-01 06:00:00", "2026-04-03")
    assert ends(None) is None
    assert ends("2026-04-01") is None
    assert ends("") is None


def test_events_holds_and_findings_stand_on_the_time_axis(plant: schema.Store) -> None:
    at = NOW - timedelta(days=3)
    for key, kind, of in (("e1", "sanitation", "2"), ("e2", "head", "3")):
        event = Event(key, "SP1", "A", of, at, kind, "weekly clean")
        deeds.record_event(plant, event, by="Ines", at=NOW)
    view = lane.view(plant, Choices(lane="2", category="stem", days=14), NOW)
    marks = [(each.row, each.kind, each.what) for each in view.marks]
    assert ("event", "sanitation", "weekly clean") in marks
    assert "head" not in {kind for _, kind, _ in marks}
    lots = record.lots(keeping.record(plant))
    held = lots[(lots["lane"] == "2") & (lots["floor"] == "hold")]
    recent = held[held["last_pulled_at"] >= datetime(2026, 4, 7, 5, tzinfo=UTC)]
    assert [what for row, _, what in marks if row == "hold"] == recent["lot"].tolist()
    assert [each.kind for each in view.breaks] == ["sanitation"]
    assert all(view.first_day <= each.at.date() <= view.last_day for each in view.marks)
    shown = str(body(words(), view))
    assert "sanitation" in shown
    assert "Acknowledge a signal" in shown
    assert "open: it goes on, and nobody has acknowledged it" in shown
