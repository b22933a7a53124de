"""What the pages show: each figure beside the same figure asked of `qa` directly."""

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from dashboard.views import choices, floor, keeping, lane, moments, record, shift, tally
from dashboard.views import deeds as deeds_view
from dashboard.views.choices import Choices
from qa import drift, efficiency, verdicts
from qa.audit import new_key, parse
from qa.drift.baseline import Budget
from qa.errors import Conflict, InvalidAudit, InvalidInput, StoreError
from qa.intervals import clustered
from qa.programme import Programme
from qa.store import records, schema
from qa.wording import Wording, load
from tests.small_plant import NOW, RISEN, small_plant

TODAY = date(2026, 4, 20)
WEEK_AGO = date(2026, 4, 14)


@pytest.fixture(scope="module")
def plant(tmp_path_factory: pytest.TempPathFactory) -> Iterator[schema.Store]:
    """Read by many tests and written to by none."""
    opened = small_plant(tmp_path_factory.mktemp("views") / "plant.db")
    yield opened
    opened.engine.dispose()


@pytest.fixture
def fields() -> dict[str, object]:
    return {
        "key": "0196f0c0-0000-7000-8000-000000000001",
        "pulled_at": NOW - timedelta(minutes=3),
        "lane": "4",
        "tote": "T9",
        "inspector": "insp-03",
        "inspected": "200",
        "stem": "1",
        "over_trim": "",
        "double": "0",
        "note": "",
    }


# Choices


def test_an_address_says_its_choices_and_back(programme: Programme) -> None:
    asked = Choices(date(2026, 5, 14), "night", "4", "stem", 14)
    query = choices.query(
        day=asked.day, shift=asked.shift, lane=asked.lane, category=asked.category, days=asked.days
    )
    assert query == "?day=2026-05-14&shift=night&lane=4&category=stem&days=14"
    assert choices.read(query, programme) == asked
    assert choices.read("", programme) == choices.read(None, programme) == Choices()
    assert choices.query(lane=None) == ""


@pytest.mark.parametrize(
    ("search", "said"),
    [
        ("?day=14.5.", 'day must be a date such as 2026-05-14, got "14.5."'),
        ("?shift=evening", 'shift must be one of morning, afternoon, night, got "evening"'),
        ("?lane=9", 'lane must be one of 1, 2, 3, 4, 5, 6, got "9"'),
        ("?lane=", 'lane must be one of 1, 2, 3, 4, 5, 6, got ""'),
        ("?category=x", 'category must be one of correct, stem, over_trim, double, got "x"'),
        ("?chart=p", 'chart must be one of limits, ewma, laney, standardised, got "p"'),
        ("?days=8", 'days must be one of 7, 14, 30, 90, got "8"'),
        ("?lame=4", 'an address may ask for day, shift, lane, category, days, chart, got "lame"'),
    ],
)
def test_a_bad_address_gets_a_sentence(search: str, said: str, programme: Programme) -> None:
    with pytest.raises(InvalidInput) as caught:
        choices.read(search, programme)
    assert str(caught.value) == said


# Floor


def test_floor_says_what_qa_says(plant: schema.Store) -> None:
    view = floor.view(plant, Choices(), NOW)
    programme = records.programme(plant)
    week = records.tallies(plant, first_day=WEEK_AGO, last_day=TODAY)
    by_lane = efficiency.estimate(week, programme, by=("lane",)).set_index("lane")
    for row in view.rows:
        assert row.week is not None
        told = by_lane.loc[row.lane, ["correct", "low", "high", "incorrect", "inspected", "totes"]]
        shown = (getattr(row.week, name) for name in ("fraction", "low", "high"))
        counts = (row.week.count, row.week.inspected, row.week.totes)
        assert_allclose([*shown, *counts], told.to_numpy(dtype=float), rtol=1e-12)
    this = week[(week["day"] == pd.Timestamp(TODAY)) & (week["shift"] == "morning")]
    line = efficiency.estimate(this, programme, by=()).iloc[0]
    assert view.line_shift is not None
    assert view.line_shift.fraction == pytest.approx(line["correct"], rel=1e-12)
    assert (view.day, view.shift, view.shift_name) == (TODAY, "morning", "Morning")


def test_floor_puts_the_neediest_first_in_the_words_of_drift(plant: schema.Store) -> None:
    view = floor.view(plant, Choices(), NOW)
    said = drift.lanes(drift.findings(records.tallies(plant), records.programme(plant), now=NOW))
    shown = [(row.lane, row.status, row.sentence) for row in view.rows]
    assert shown == list(said.itertuples(index=False, name=None))
    assert shown[0][:2] == ("2", "drifting")


def test_floor_marks_recent_audits_with_their_lot_s_verdict(plant: schema.Store) -> None:
    view = floor.view(plant, Choices(lane="2"), NOW)
    (row,) = view.rows
    lots = verdicts.lots(records.tallies(plant), records.programme(plant)).set_index("lot")
    assert len(row.recent) == floor.RECENT
    assert [mark.pulled_at for mark in row.recent] == sorted(mark.pulled_at for mark in row.recent)
    for mark in row.recent:
        assert mark.verdict == lots.loc[mark.tote, "verdict"]
    assert {mark.verdict for mark in row.recent} == {"reject"}


def test_floor_can_be_asked_how_it_stood(plant: schema.Store) -> None:
    before = date(2026, 4, 10)
    view = floor.view(plant, Choices(day=before, shift="morning"), NOW)
    assert {row.status for row in view.rows} == {"steady"}
    assert view.now < NOW
    assert all(mark.pulled_at <= view.now for row in view.rows for mark in row.recent)


def test_floor_of_a_fresh_store_is_empty_and_a_store_without_programme_says_so(
    store: schema.Store, tmp_path: Path
) -> None:
    view = floor.view(store, Choices(), NOW)
    assert view.empty
    assert [row.status for row in view.rows] == ["no audits"] * 6
    bare = schema.open_store(tmp_path / "bare.db", create=True)
    with pytest.raises(StoreError, match="the store has no programme yet"):
        floor.view(bare, Choices(), NOW)
    bare.engine.dispose()


def test_the_record_is_read_once_for_each_state(
    store: schema.Store, fields: dict[str, object]
) -> None:
    before, pulse = keeping.record(store), floor.pulse(store, NOW)
    assert keeping.record(store) is before
    tally.save(store, fields, NOW)
    assert keeping.record(store) is not before
    assert floor.pulse(store, NOW) != pulse


# Lane


def test_lane_points_are_the_totes_of_the_window(plant: schema.Store) -> None:
    view = lane.view(plant, Choices(lane="2", category="stem", days=14), NOW)
    first = date(2026, 4, 7)
    assert (view.first_day, view.last_day, view.latest) == (first, TODAY, True)
    told = records.tallies(plant, lane="2", purpose="routine", first_day=first, last_day=TODAY)
    assert [point.tote for point in view.points] == told["tote"].tolist()
    assert [point.count for point in view.points] == told["stem"].tolist()
    assert_allclose([point.value for point in view.points], told["stem"] / told["inspected"])
    chart = drift.chart(records.tallies(plant), records.programme(plant), "2", "stem", now=NOW)
    assert chart is not None
    upper = chart.chart.upper[-len(view.points) :]
    assert_allclose([point.upper for point in view.points], upper)
    assert view.limit == chart.limit
    (rise,) = view.rises
    assert rise.until is None
    assert rise.low <= pd.Timestamp("2026-04-13T06:20", tz="UTC") <= rise.high
    assert [point.rise for point in view.points if point.rise] == [rise]


def test_lane_draws_the_chart_that_is_asked_for(plant: schema.Store) -> None:
    usual = lane.view(plant, Choices(lane="2", category="stem", days=14), NOW)
    assert usual.kind == "limits"
    for kind in drift.KINDS:
        view = lane.view(plant, Choices(lane="2", category="stem", days=14, chart=kind), NOW)
        told = drift.chart(
            records.tallies(plant), records.programme(plant), "2", "stem", kind=kind, now=NOW
        )
        assert told is not None
        assert view.kind == kind
        values = told.chart.statistic[-len(view.points) :]
        assert_allclose([point.value for point in view.points], values)
        assert [point.share for point in view.points] == [each.share for each in usual.points]
        assert view.rises == usual.rises


def test_other_charts_of_percent_correct_are_mirrors_too(plant: schema.Store) -> None:
    asked = Choices(lane="2", category="correct", days=14)
    mean = lane.view(plant, replace(asked, chart="ewma"), NOW).points
    share = lane.view(plant, asked, NOW).points
    weighed = 0.1 * share[-1].share + 0.9 * mean[-2].value
    assert_allclose(mean[-1].value, weighed)
    off = lane.view(plant, replace(asked, chart="standardised"), NOW).points
    assert {(each.center, round(each.lower, 9)) for each in off} == {(0.0, -3.0)}
    assert all((each.value > 0) == (each.share > share[0].center) for each in off)


def test_a_mean_signals_where_it_gets_beyond_its_limit(plant: schema.Store) -> None:
    asked = Choices(lane="2", category="stem", days=14, chart="ewma")
    points = lane.view(plant, asked, NOW).points
    above = [each.value > each.upper for each in points]
    first = [now and not before for now, before in zip(above, [False, *above], strict=False)]
    assert [each.beyond == "above" for each in points] == first
    assert sum(first) < sum(above)


def test_lane_without_choices_is_the_neediest_one_and_its_drifting_category(
    plant: schema.Store,
) -> None:
    view = lane.view(plant, Choices(), NOW)
    assert (view.lane, view.category, view.status) == ("2", "stem", "drifting")
    steady = lane.view(plant, Choices(lane="1"), NOW)
    assert (steady.category, steady.status) == (choices.CORRECT, "steady")


def test_percent_correct_is_the_mirror_of_the_incorrect_pieces(plant: schema.Store) -> None:
    view = lane.view(plant, Choices(lane="2", category="correct", days=30), NOW)
    told = records.tallies(plant, lane="2", purpose="routine", first_day=view.first_day)
    assert [point.count for point in view.points] == told["correct"].tolist()
    assert_allclose([point.value for point in view.points], told["correct"] / told["inspected"])
    assert {point.beyond for point in view.points} <= {"", "below"}
    assert all(not point.upper <= point.center for point in view.points)
    (rise,) = view.rises
    assert rise.after.fraction < rise.before.fraction
    assert rise.after.low < rise.after.fraction < rise.after.high


def test_the_chart_of_all_categories_keeps_the_budget_of_one(programme: Programme) -> None:
    whole = record.together(programme)

    def budget(each: Programme) -> float:
        charts = len(each.lanes) * len(each.categories)
        return Budget(each.false_alarms_per_week, charts, 3.0).totes(400)

    assert budget(whole) == pytest.approx(budget(programme), rel=1e-12)


def test_heads_come_from_head_checks_alone(plant: schema.Store) -> None:
    view = lane.view(plant, Choices(lane="3", category="stem", days=90), NOW)
    checks = records.tallies(plant, lane="3", purpose="head-check")
    for head in view.heads:
        of_head = checks[checks["head"] == head.head]
        assert head.share is not None
        assert (head.share.count, head.share.inspected) == (
            of_head["stem"].sum(),
            of_head["inspected"].sum(),
        )
    assert [head.head for head in view.heads] == ["A", "B"]


def test_a_window_without_audits_has_no_points(plant: schema.Store) -> None:
    view = lane.view(plant, Choices(lane="2", day=date(2026, 3, 1), days=7), NOW)
    assert view.charted
    assert view.points == ()
    assert not view.latest


# Shift


def test_shift_says_what_qa_says(plant: schema.Store) -> None:
    view = shift.view(plant, Choices(day=TODAY, shift="morning"), NOW)
    told = records.tallies(plant, first_day=TODAY, last_day=TODAY, shift="morning")
    routine = told[told["purpose"] == "routine"]
    assert (view.audits, view.counted) == (len(told), told["inspected"].sum())
    lane_2 = routine[routine["lane"] == "2"]
    ends = clustered(lane_2["stem"], lane_2["inspected"]).interval
    cell = view.rows[1].cells["stem"]
    assert cell.now is not None
    assert_allclose(
        [cell.now.fraction, cell.now.low, cell.now.high], [ends.estimate, ends.low, ends.high]
    )
    before = records.tallies(
        plant,
        lane="2",
        shift="morning",
        purpose="routine",
        first_day=date(2026, 3, 16),
        last_day=date(2026, 4, 4),
    )
    assert cell.baseline is not None
    assert cell.baseline.count == before["stem"].sum()
    assert cell.apart
    assert not view.rows[0].cells["stem"].apart
    assert {lot.lane for lot in view.held} == {"2"}
    assert sum(view.lots.values()) == routine["lot"].nunique()


def test_a_signal_opens_in_the_shift_that_saw_it(plant: schema.Store) -> None:
    view = lane.view(plant, Choices(lane="2", category="stem"), NOW)
    day = view.rises[0].signalled_at.date()
    (signal,) = shift.view(plant, Choices(day=day, shift="morning"), NOW).signals
    assert (signal.lane, signal.category, signal.opened) == ("2", "stem", True)
    assert shift.view(plant, Choices(day=date(2026, 4, 1)), NOW).signals == ()


def test_a_shift_without_audits_is_empty(plant: schema.Store) -> None:
    view = shift.view(plant, Choices(day=TODAY, shift="night"), NOW)
    assert view.empty
    assert view.line is None
    assert all(cell.now is None for row in view.rows for cell in row.cells.values())


# Tally


def test_saving_twice_with_one_key_records_once(
    store: schema.Store, fields: dict[str, object]
) -> None:
    first, second = tally.save(store, fields, NOW), tally.save(store, fields, NOW)
    assert (first.new, second.new) == (True, False)
    assert first.verdict == second.verdict
    assert (first.verdict.verdict, first.verdict.floor) == ("accept", "release")
    row = records.tallies(store).iloc[0]
    assert (row["correct"], row["stem"], row["over_trim"]) == (199, 1, 0)
    with pytest.raises(Conflict):
        tally.save(store, {**fields, "stem": "2"}, NOW)


def test_every_problem_of_a_form_is_said_at_once(
    store: schema.Store, fields: dict[str, object]
) -> None:
    wrong = {**fields, "lane": "", "tote": " ", "stem": "two", "double": "201"}
    with pytest.raises(InvalidAudit) as caught:
        tally.save(store, wrong, NOW)
    assert set(caught.value.problems) == {"lane", "tote", "stem"}
    with pytest.raises(InvalidAudit) as caught:
        tally.save(store, {**fields, "double": "201"}, NOW)
    assert caught.value.problems == {"double": "must be from 0 to inspected, got 201 of 200"}
    assert records.tallies(store).empty


@pytest.mark.parametrize(
    ("typed", "utc"),
    [
        ("11:40", "2026-04-20T10:40:00"),
        ("9.05", "2026-04-20T08:05:00"),
        ("23:30", "2026-04-19T22:30:00"),
        ("", "2026-04-20T11:00:00"),
    ],
)
def test_a_time_of_day_is_the_last_such_time_in_the_plant(
    store: schema.Store, fields: dict[str, object], typed: str, utc: str
) -> None:
    tally.save(store, {**fields, "pulled_at": typed}, NOW)
    assert records.tallies(store)["pulled_at"].iloc[0] == pd.Timestamp(utc, tz="UTC")


def test_pieces_cannot_be_pulled_tomorrow(store: schema.Store, fields: dict[str, object]) -> None:
    with pytest.raises(InvalidAudit, match="pulled_at: must not lie in the future"):
        tally.save(store, {**fields, "pulled_at": NOW + timedelta(days=1)}, NOW)


def test_only_a_re_audit_after_the_re_sort_overturns_a_failure(
    store: schema.Store, fields: dict[str, object]
) -> None:
    def save(key: int, **changes: object) -> str:
        sent = {**fields, "key": f"0196f0c0-0000-7000-8000-00000000000{key}", **changes}
        return tally.save(store, sent, NOW).verdict.floor

    early, late = NOW - timedelta(hours=2), NOW - timedelta(hours=1)
    assert save(1, stem="9", pulled_at=early) == "hold"
    assert save(2, pulled_at=late) == "hold"
    again = {"purpose": "re-audit", "pulled_at": NOW}
    assert save(3, **again, re_sorted_at=early - timedelta(hours=1)) == "hold"
    assert save(4, **again, re_sorted_at=early + timedelta(minutes=30)) == "release"


def test_a_finding_locks_its_tote_whatever_the_sample_says(
    store: schema.Store, fields: dict[str, object]
) -> None:
    found = {"key": "f1", "tote": "T9", "lane": "4", "inspector": "insp-03", "what": "glass"}
    assert tally.save_finding(store, found, NOW)
    assert not tally.save_finding(store, found, NOW)
    saved = tally.save(store, fields, NOW)
    assert (saved.verdict.verdict, saved.verdict.floor) == ("accept", "locked")
    with pytest.raises(InvalidAudit) as caught:
        tally.save_finding(store, {"lane": "9"}, NOW)
    assert set(caught.value.problems) == {"key", "tote", "lane", "inspector", "what"}


def test_the_page_passes_its_language_to_the_validator(
    monkeypatch: pytest.MonkeyPatch, store: schema.Store, fields: dict[str, object]
) -> None:
    asked: list[str] = []

    def noted(language: str) -> Wording:
        asked.append(language)
        return load("en")

    monkeypatch.setattr("qa._form.load", noted)
    for wrong in ({"stem": "two"}, {"pulled_at": "soon"}):
        asked.clear()
        with pytest.raises(InvalidAudit):
            tally.save(store, {**fields, **wrong}, NOW, "de")
        assert set(asked) == {"de"}


def test_the_form_offers_who_pulled_lately(plant: schema.Store) -> None:
    view = tally.view(plant, NOW)
    assert set(view.inspectors) == {"insp-01", "insp-02"}
    today = records.tallies(plant, first_day=TODAY, last_day=TODAY, shift="morning")
    assert view.running.logged == len(today)


def test_the_small_plant_is_as_the_tests_suppose(plant: schema.Store) -> None:
    tallies = records.tallies(plant, lane="2", purpose="routine")
    risen = tallies["day"] >= pd.Timestamp("2026-03-16") + pd.Timedelta(days=RISEN)
    assert np.all(tallies.loc[risen, "stem"] >= 6)
    assert np.all(tallies.loc[~risen, "stem"] <= 1)


def test_a_wrong_lane_never_releases_a_held_tote(
    store: schema.Store, fields: dict[str, object]
) -> None:
    held = tally.save(store, {**fields, "key": new_key(NOW, bytes(10)), "stem": "20"}, NOW)
    assert held.verdict.floor == "hold"
    other = "3" if fields["lane"] != "3" else "4"
    wrong = {**fields, "key": new_key(NOW, bytes([1] * 10)), "lane": other, "stem": "0"}
    with pytest.raises(InvalidAudit, match="is recorded on lane"):
        tally.save(store, wrong, NOW)


@pytest.mark.parametrize("day", ["0001-01-01", "9999-12-31", "2026-W20-4", "20260514"])
def test_a_day_that_no_audit_can_have_gets_a_sentence(programme: Programme, day: str) -> None:
    with pytest.raises(InvalidInput, match="day must be a date such as"):
        choices.read(f"?day={day}", programme)


def test_inspection_that_is_not_normal_is_shown(plant: schema.Store) -> None:
    row = next(row for row in floor.view(plant, Choices(), NOW).rows if row.lane == "2")
    (stopped,) = row.inspections
    assert (stopped.severity, stopped.stopped) == ("major", True)
    assert not any(row.inspections for row in floor.view(plant, Choices(), NOW).rows[1:])
    earlier = floor.view(plant, Choices(day=date(2026, 4, 1), shift="morning"), NOW)
    assert not any(row.inspections for row in earlier.rows)  # what is in force, is so now
    assert lane.view(plant, Choices(lane="2"), NOW).inspections == (stopped,)
    pulls = {each.lane: each for each in tally.view(plant, NOW).pulls}
    assert pulls["2"].inspections == (stopped,)
    assert pulls["1"] == tally.Pull("1", "sprout-whole", 200, ())


FORM = {"key": "k1", "who": "Ines"}


def test_every_problem_of_a_disposition_is_told_beside_its_field(plant: schema.Store) -> None:
    with pytest.raises(InvalidAudit) as told:
        deeds_view.dispose(plant, {}, NOW)
    missing = dict.fromkeys(("key", "tote", "who", "why"), "is missing")
    chosen = dict.fromkeys(("what", "lane"), "must be chosen")
    assert told.value.problems == {**missing, **chosen}


def test_a_tote_that_was_audited_tells_its_lane_and_lot(plant: schema.Store) -> None:
    fields = {**FORM, "tote": "2353", "what": "scrap", "why": "stems", "lane": "1"}
    made = deeds_view.dispose(plant, fields, NOW)
    assert (made.lane, made.lot) == ("2", "2353")
    unknown = deeds_view.dispose(plant, {**fields, "key": "k2", "tote": "U1"}, NOW)
    assert (unknown.lane, unknown.lot) == ("1", "U1")
    held = shift.view(plant, Choices(day=date(2026, 4, 20), shift="morning"), NOW).held
    (done,) = (each for lot in held if lot.lot == "2353" for each in lot.totes if each.what)
    assert (done.tote, done.what, done.by) == ("2353", "scrap", "Ines")


@pytest.mark.parametrize(
    ("when", "told"),
    [("half past", "must be a date and time"), ("2026-12-01 10:00", "must not lie in the future")],
)
def test_an_event_says_when_it_happened(plant: schema.Store, when: str, told: str) -> None:
    fields = {**FORM, "lane": "3", "kind": "camera", "what": "lens wiped", "when": when}
    with pytest.raises(InvalidAudit) as problems:
        deeds_view.record_event(plant, fields, NOW)
    assert told in problems.value.problems["when"]
    good = deeds_view.record_event(plant, {**fields, "when": "11:45", "key": when}, NOW)
    assert good.happened_at == datetime(2026, 4, 20, 10, 45, tzinfo=UTC)


@pytest.mark.parametrize("pulled_at", ["half past", "2026-12-01 10:00"])
def test_a_finding_without_a_time_that_can_be_is_refused(
    plant: schema.Store, pulled_at: str
) -> None:
    fields = {"key": "f9", "tote": "Z", "lane": "1", "inspector": "Ines", "what": "a bolt"}
    with pytest.raises(InvalidAudit) as told:
        tally.save_finding(plant, {**fields, "pulled_at": pulled_at}, NOW)
    assert list(told.value.problems) == ["pulled_at"]
    assert "Z" not in set(records.findings(plant)["tote"])


def test_a_first_sample_larger_than_the_usual_pull_is_asked_for(plant: schema.Store) -> None:
    kept = keeping.record(plant)
    short = replace(kept.programme, pull=50)  # the plans want 80
    pulls = tally.pulls(replace(kept, programme=short, programmes={1: short}))
    assert {each.pieces for each in pulls} == {80}
    many = replace(short, lot="lane_shift")  # one of many pulls for a lot
    assert {each.pieces for each in tally.pulls(replace(kept, programme=many))} == {50}


def test_lots_of_an_earlier_shift_that_were_audited_again_are_counted_apart(
    store: schema.Store, programme: Programme
) -> None:
    first = {"tote": "T1", "lane": "1", "inspector": "Ines", "inspected": 200}
    made = [
        {**first, "pulled_at": "2026-03-16T09:00:00+00:00", "stem": 40},
        {**first, "pulled_at": "2026-03-16T16:00:00+00:00", "purpose": "re-audit",
         "re_sorted_at": "2026-03-16T15:00:00+00:00"},
        {**first, "pulled_at": "2026-03-16T16:30:00+00:00", "tote": "T2"},
    ]  # fmt: skip
    records.log_many(store, [parse(each, programme) for each in made], by="Ines", at=NOW)
    later = shift.view(store, Choices(day=date(2026, 3, 16), shift="afternoon"), NOW)
    assert (later.totes, sum(later.lots.values()), later.earlier_lots) == (2, 1, 1)
    before = shift.view(store, Choices(day=date(2026, 3, 16), shift="morning"), NOW)
    assert (before.totes, sum(before.lots.values()), before.earlier_lots) == (1, 1, 0)


def test_texts_beside_an_audit_are_plain_and_not_too_long(plant: schema.Store) -> None:
    fields = {**FORM, "lane": "3", "kind": "camera", "what": "x" * 201, "who": "a\x00b"}
    with pytest.raises(InvalidAudit) as told:
        deeds_view.record_event(plant, fields, NOW)
    assert told.value.problems == {
        "what": "must be at most 200 characters long, got 201",
        "who": "must be plain text, and has a character that cannot be shown",
    }
    found = {"key": "f7", "tote": "T", "lane": "1", "inspector": "Ines", "what": "y" * 201}
    with pytest.raises(InvalidAudit) as told:
        tally.save_finding(plant, found, NOW)
    assert list(told.value.problems) == ["what"]


def test_a_clock_a_little_fast_means_today(plant: schema.Store) -> None:
    zone = records.programme(plant).zone
    assert moments.last_clock("12:10", zone, NOW) == NOW + timedelta(minutes=10)  # it is 12:00
    assert moments.last_clock("12:20", zone, NOW) == NOW + timedelta(minutes=20, days=-1)


def test_a_locked_tote_is_not_released_by_a_disposition(plant: schema.Store) -> None:
    found = {"key": "f8", "tote": "5353", "lane": "5", "inspector": "Ines", "what": "a bolt"}
    tally.save_finding(plant, found, NOW)
    fields = {**FORM, "key": "k8", "tote": "5353", "what": "release", "why": "looked at"}
    with pytest.raises(InvalidAudit) as told:
        deeds_view.dispose(plant, fields, NOW)
    assert "lift the finding first" in told.value.problems["what"]
    assert deeds_view.dispose(plant, {**fields, "what": "scrap"}, NOW).what == "scrap"


def test_a_lane_with_a_locked_lot_needs_you_first(plant: schema.Store) -> None:
    fields = {"key": "f6", "tote": "6353", "lane": "6", "inspector": "Ines", "what": "a bolt"}
    tally.save_finding(plant, fields, NOW)
    rows = floor.view(plant, Choices(), NOW).rows
    assert rows[0].lane in ("5", "6")  # 5 has a lock from another test
    assert rows[0].locked >= 1
    two = next(row for row in rows if row.lane == "2")
    assert two.held > 0
    assert not any(row.held for row in rows if row.lane in ("1", "3"))


def test_a_finding_is_lifted_by_a_person_with_a_reason(plant: schema.Store) -> None:
    fields = {"key": "f5", "tote": "4353", "lane": "4", "inspector": "Ines", "what": "glass"}
    tally.save_finding(plant, fields, NOW)
    assert ("f5", "4353", "glass") in shift.view(plant, Choices(), NOW).findings
    with pytest.raises(InvalidAudit) as told:
        deeds_view.lift(plant, {"finding": "f5", "by": "Ines"}, NOW)
    assert told.value.problems == {"reason": "is missing"}
    with pytest.raises(InvalidAudit) as told:
        deeds_view.lift(plant, {"finding": "none", "by": "Ines", "reason": "x"}, NOW)
    assert told.value.problems == {"finding": "must be chosen"}
    lifted = {"finding": "f5", "by": "Ines", "reason": "all pieces looked at"}
    assert deeds_view.lift(plant, lifted, NOW) == "4353"
    assert "f5" not in {key for key, _, _ in shift.view(plant, Choices(), NOW).findings}


def test_what_nobody_at_a_tote_would_mean_is_asked_again(plant: schema.Store) -> None:
    fields = {"tote": "N1", "lane": "1", "inspector": "Ines", "inspected": "5000"}
    with pytest.raises(InvalidAudit) as told:
        tally.save(plant, fields, NOW)
    assert told.value.problems["inspected"].startswith("must be at most the 4,000 pieces of a tote")
    again = {**fields, "inspected": "200", "purpose": "re-audit", "re_sorted_at": "11:00"}
    with pytest.raises(InvalidAudit) as told:
        tally.save(plant, again, NOW)
    assert told.value.problems == {"tote": "tote N1 has no audit that a re-audit could follow"}
    with pytest.raises(InvalidAudit) as told:
        tally.save(plant, {**fields, "inspected": "200", "pulled_at": "2026-03-01 10:00"}, NOW)
    assert "must not be more than 31 days ago" in told.value.problems["pulled_at"]


def test_a_rejected_lot_is_not_released_by_a_disposition(plant: schema.Store) -> None:
    fields = {**FORM, "key": "k7", "tote": "2352", "what": "release", "why": "in a hurry"}
    with pytest.raises(InvalidAudit) as told:
        deeds_view.dispose(plant, fields, NOW)
    assert "its re-audit after a re-sort releases it" in told.value.problems["what"]


def test_what_was_done_is_listed(plant: schema.Store) -> None:
    fields = {**FORM, "key": "e7", "lane": "4", "kind": "head", "what": "nozzle"}
    deeds_view.record_event(plant, fields, NOW)
    (done,) = lane.view(plant, Choices(lane="4"), NOW).events
    assert (done.at, done.kind, done.what, done.by) == (NOW, "head", "nozzle", "Ines")
    made = {**FORM, "key": "k6", "tote": "2350", "what": "scrap", "why": "stems"}
    deeds_view.dispose(plant, made, NOW)
    listed = shift.view(plant, Choices(), NOW).dispositions
    assert "2350" in {each.tote for each in listed}
