"""What a baseline counts: audits as they stood when it was fixed, whatever is recorded later."""

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_array_equal

from qa import drift, tally
from qa.audit import Audit, parse
from qa.drift import Known, LaneChart
from qa.drift.baseline import NEVER
from qa.drift.eras import FIRST_DAYS, Era, eras
from qa.drift.standing import Standing
from qa.programme import Baseline, Programme
from qa.store import changes, records, schema, signals
from qa.store.signals import ChosenBaseline
from tests.test_drift import BASELINE_DAYS, FIRST, at_day, finding, plant

WHOLE = "sprout-whole"
LIVE = timedelta(minutes=5)  # from pulling to recording


@pytest.fixture(scope="module")
def watched(programme: Programme) -> Programme:
    last = date(2026, 3, 16) + timedelta(days=BASELINE_DAYS - 1)
    return replace(programme, baselines=(Baseline(WHOLE, date(2026, 3, 16), last),))


@pytest.fixture(scope="module")
def bare(watched: Programme) -> Programme:
    return replace(watched, baselines=())


@pytest.fixture(scope="module")
def live(watched: Programme) -> pd.DataFrame:
    """Forty days of three lanes, each audit recorded as it was pulled; a rise on lane 2."""
    rows = plant(watched, 7, days=40, lanes="123", rises=(("2", "stem", 25, 99, 3.0),))
    return rows.assign(recorded_at=rows["pulled_at"] + LIVE)


def late(rows: pd.DataFrame, *, day: float = 36.0, lane: str = "2", stem: int = 60) -> pd.DataFrame:
    """Forty bad audits of a lane's first days, entered on a later day."""
    some = rows[rows["lane"] == lane].head(40)
    return some.assign(
        key=some["key"] + "-late",
        tote=some["tote"] + "-late",
        stem=stem,
        incorrect=stem,
        correct=some["inspected"] - stem,
        recorded_at=pd.Timestamp(at_day(day)),
    )


def with_late(rows: pd.DataFrame, **how: Any) -> pd.DataFrame:
    return pd.concat([rows, late(rows, **how)], ignore_index=True).sort_values(
        "pulled_at", kind="stable", ignore_index=True
    )


def same_limits(one: LaneChart, other: LaneChart) -> None:
    assert (one.limit, one.arl, one.correlation) == (other.limit, other.arl, other.correlation)
    assert one.chart.center[-1] == other.chart.center[-1]


def same_signals(one: LaneChart, other: LaneChart) -> None:
    same_limits(one, other)
    for before, after in zip(one.excursions, other.excursions, strict=True):
        for name in ("since", "since_low", "since_high", "until", "signalled_at", "tote"):
            assert getattr(before, name) == getattr(after, name)
        assert float(before.before.estimate) == float(after.before.estimate)


@pytest.mark.parametrize("first_days", [False, True])
def test_what_is_entered_late_into_a_baselines_days_moves_nothing(watched, bare, live, first_days):
    programme = bare if first_days else watched
    for lane in "12":  # lane 1 shares lane 2's correlation
        for category in programme.category_codes:
            one = drift.chart(live, programme, lane, category)
            other = drift.chart(with_late(live), programme, lane, category)
            same_signals(one, other)
            first = one.count.size - one.watched
            assert_array_equal(one.cusum.path_up[-first:], other.cusum.path_up[-first:])
    told = drift.chart(with_late(live), programme, "2", "stem").notes
    days = FIRST_DAYS if first_days else BASELINE_DAYS
    # The first audit after its days is pulled as they end, and recorded five minutes later.
    when = "00:05 on 26 March" if first_days else "01:05 on 5 April"
    note = (
        f"Of 40 totes of these days something was entered, corrected or voided after {when}, when "
        "the baseline was fixed; that counts from the next baseline on."
    )
    assert told.count(note) == 1
    assert f": {20 * days} totes" in told[0]
    assert not any("when the baseline was fixed" in each for each in one.notes)


def test_what_is_entered_late_but_before_anything_was_held_against_it_counts(watched, live):
    early = drift.chart(with_late(live, day=BASELINE_DAYS), watched, "2", "stem")
    assert early.baseline_totes.sum() == 20 * BASELINE_DAYS + 40
    missed = drift.chart(with_late(live, day=BASELINE_DAYS + 0.01), watched, "2", "stem")
    assert missed.baseline_totes.sum() == 20 * BASELINE_DAYS
    assert early.chart.center[-1] > 2 * missed.chart.center[-1]


@pytest.mark.parametrize("at_once", ["all", "lane", "month", "day"])
def test_an_old_file_counts_whichever_way_it_is_parted(watched, live, at_once):
    """Everything was recorded long after: the limits are those of audits recorded as pulled."""
    parts = {
        "all": pd.Series(0, live.index),
        "lane": live["lane"].astype(int),
        "month": live["day"].dt.month,
        "day": live["day"].dt.day_of_year,
    }
    imported = live.assign(
        recorded_at=pd.Timestamp(at_day(90)) + pd.to_timedelta(parts[at_once], unit="min")
    )
    for lane in "123":
        one = drift.chart(live, watched, lane, "stem")
        other = drift.chart(imported, watched, lane, "stem")
        assert_array_equal(one.baseline_totes, other.baseline_totes)
        assert one.chart.center[-1] == other.chart.center[-1]
        if at_once != "lane":  # the first lane's correlation is then of what was there: its own
            same_signals(one, other)
        assert not any("was fixed" in each for each in other.notes)


def test_old_audits_imported_later_make_a_baseline_once_they_are_there(watched, live):
    """The plant went live on day 25; its first weeks came from a file on day 30, and more later."""
    old = live["day"] < FIRST.tz_localize(None) + timedelta(days=25)
    none_yet = drift.findings(live[~old], watched, now=at_day(29))
    assert {each.sentence for each in none_yet if each.lane == "2"} == {
        "Nothing can be judged yet: there are no audits in the baseline."
    }
    came = live.assign(recorded_at=live["recorded_at"].mask(old, pd.Timestamp(at_day(30))))
    one = drift.chart(live, watched, "2", "stem")
    other = drift.chart(came, watched, "2", "stem")
    same_signals(one, other)
    again = drift.chart(with_late(came, day=30.01), watched, "2", "stem")
    same_signals(other, again)
    assert any("01:00 on 15 April, when the baseline was fixed" in each for each in again.notes)


def test_the_first_days_are_those_on_record_when_one_more_was(bare, live):
    """An older file that comes later does not take their place."""
    early = live.assign(
        **{name: live[name] - timedelta(days=60) for name in ("day", "pulled_at", "fill_start")},
        key=live["key"] + "-old",
        tote=live["tote"] + "-old",
        recorded_at=pd.Timestamp(at_day(35)),
    )
    both = pd.concat([early, live], ignore_index=True)
    one, other = (drift.chart(each, bare, "2", "stem") for each in (live, both))
    same_signals(one, other)
    assert other.baseline_totes.sum() == 20 * FIRST_DAYS
    assert other.count.size == 2 * one.count.size
    assert other.watched == one.count.size + one.watched
    # Imported as the very first, it is what came first.
    first = pd.concat([early.assign(recorded_at=FIRST - timedelta(days=1)), live])
    assert drift.chart(first, bare, "2", "stem").watched == 20 * FIRST_DAYS


def test_nothing_is_watched_before_the_first_days_are_complete(bare, live):
    begun = live[live["pulled_at"] < pd.Timestamp(at_day(FIRST_DAYS))]
    chart = drift.chart(begun, bare, "2", "stem")
    assert chart.watched == chart.count.size == chart.baseline_totes.sum() == 20 * FIRST_DAYS
    more = drift.chart(with_late(begun, day=FIRST_DAYS), bare, "2", "stem")
    assert more.baseline_totes.sum() == 20 * FIRST_DAYS + 40


def corrected(rows: pd.DataFrame, keys: pd.Series, at: float, **to: int) -> tuple[Any, Any]:
    """Audits with other counts since a day; what they were, until then."""
    named = rows["key"].isin(keys)
    before = rows[named].assign(replaced_at=pd.Timestamp(at_day(at)))
    after = rows.assign(recorded_at=rows["recorded_at"].mask(named, pd.Timestamp(at_day(at))))
    for name, count in to.items():
        after[name] = after[name].mask(named, count)
    after["incorrect"] = after[["stem", "over_trim", "double"]].sum(axis=1)
    after["correct"] = after["inspected"] - after["incorrect"]
    return after, before


@pytest.mark.parametrize("void", [False, True])
def test_a_correction_or_void_after_it_was_fixed_counts_from_the_next_baseline_on(
    watched, live, void
):
    keys = live.loc[live["lane"] == "2", "key"].head(100)
    now, before = corrected(live, keys, 30, stem=50)
    if void:
        now = now[~now["key"].isin(keys)]
    known = Known(replaced=before)
    one = drift.chart(live, watched, "2", "stem")
    other = drift.chart(now, watched, "2", "stem", known=known)
    same_signals(one, other)
    assert other.baseline_totes.sum() == (400 if not void else 300)  # as drawn: those that stand
    assert any("Of 100 totes of these days" in each for each in other.notes)
    # Chosen anew, the same days are what they are by now.
    row = {
        **{"key": "b1", "product": WHOLE, "lane": "", "set_aside": {}, "by": "Ines"},
        **{"first_day": pd.Timestamp("2026-03-16"), "last_day": pd.Timestamp("2026-04-04")},
        **{"at": pd.Timestamp(at_day(35)), "reason": "counts corrected"},
    }
    chosen = Known(baselines=pd.DataFrame([row]), replaced=before)
    again = drift.chart(now, watched, "2", "stem", known=chosen)
    base = now[(now["lane"] == "2") & (now["day"] <= row["last_day"])]
    level = (base["stem"].sum() + 0.5) / (base["inspected"].sum() + 1)
    assert again.chart.center[-1] == pytest.approx(level)
    assert not any("was fixed" in each for each in again.notes)


def test_a_correction_before_it_was_fixed_counts(watched, live):
    keys = live.loc[live["lane"] == "2", "key"].head(100)
    now, before = corrected(live, keys, 10, stem=50)
    with_ = drift.chart(now, watched, "2", "stem", known=Known(replaced=before))
    assert_array_equal(
        with_.chart.center,
        drift.chart(now.assign(recorded_at=pd.NaT), watched, "2", "stem").chart.center,
    )
    assert not any("was fixed" in each for each in with_.notes)


def test_voiding_the_first_audit_watched_does_not_open_the_baseline_again(watched, live):
    first = live[(live["lane"] == "2") & (live["day"] > pd.Timestamp("2026-04-04"))].head(30)
    came = with_late(live, day=BASELINE_DAYS + 1)  # while only some of those 30 were on record
    one = drift.chart(came, watched, "2", "stem")
    gone, before = corrected(came, first["key"], 35)
    gone = gone[~gone["key"].isin(first["key"])]
    same_limits(one, drift.chart(gone, watched, "2", "stem", known=Known(replaced=before)))


def test_a_lane_that_begins_later_moves_no_limit_of_a_lane_without_a_baseline(watched, live):
    """Lane 3 has too few totes of its own, so that all lanes stand for it."""
    days = live["day"] >= pd.Timestamp("2026-04-04")
    rows = live[(live["lane"] != "3") | days]
    more = live[(live["lane"] == "3") & (live["day"] > pd.Timestamp("2026-04-15"))]
    more = more.assign(lane="4", key=more["key"] + "-4", tote=more["tote"] + "-4")
    for category in watched.category_codes:
        one = drift.chart(rows, watched, "3", category)
        other = drift.chart(pd.concat([rows, more]), watched, "3", category)
        assert one.baseline_totes.sum() == 20 - 1 * (one.baseline_totes.sum() != 20)
        same_signals(one, other)


def test_a_code_that_a_plant_uses_again_is_another_tote(watched, live):
    again = live.assign(tote="T" + live.groupby(["lane", "day"]).cumcount().astype(str))
    one, other = (drift.chart(each, watched, "2", "stem") for each in (live, again))
    assert other.count.size == one.count.size
    assert_array_equal(one.cusum.path_up, other.cusum.path_up)
    assert_array_equal(one.baseline_totes, other.baseline_totes)


def test_a_programmes_baseline_of_days_to_come_holds_when_they_are_over(watched, live):
    """Version 2 names days 22 to 29, and is in force from day 21 on."""
    first = FIRST.tz_localize(None).normalize()
    own = {"key": "", "product": WHOLE, "lane": "", "set_aside": {}, "by": "lead", "reason": "x"}
    rows = pd.DataFrame(
        [
            {**own, "first_day": first, "last_day": first + timedelta(days=19), "at": pd.NaT},
            {
                **own,
                **{"first_day": first + timedelta(days=22), "at": pd.Timestamp(at_day(21))},
                "last_day": first + timedelta(days=29),
            },
        ]
    )
    rows["at"] = pd.to_datetime(rows["at"], utc=True)
    known = Known(baselines=rows)
    before = drift.chart(live, watched, "2", "stem", now=at_day(29), known=known)
    after = drift.chart(live, watched, "2", "stem", now=at_day(33), known=known)
    assert (before.watched, before.breaks) == (400, ())
    (cut,) = after.breaks
    assert (cut.kind, cut.position) == ("baseline", after.watched)
    # The last shift of day 29 ends at 06:00 in the plant, an hour sooner in UTC.
    assert cut.at == at_day(30) + timedelta(hours=5)
    assert after.baseline_totes.sum() == 160


# One audit a line: lane, day of production, and after how many steps it came on record; a step
# later something else is entered, corrected or voided.
MOVES = st.lists(
    st.tuples(
        st.sampled_from(["new", "new", "new", "correct", "void"]),
        st.sampled_from("12"),
        st.integers(0, 14),
        st.integers(0, 9),
    ),
    min_size=1,
    max_size=40,
)


def replayed(moves: list[tuple[str, str, int, int]]) -> list[tuple[pd.DataFrame, pd.DataFrame]]:
    """What stands and what stood after each step of a record, as its tables tell it."""
    stands: dict[int, dict[str, Any]] = {}
    stood: list[dict[str, Any]] = []
    states = []
    for step, (kind, lane, day, count) in enumerate(moves):
        at = FIRST + timedelta(days=20, hours=step)
        if kind == "new" or not stands:
            pulled = FIRST + timedelta(days=day, minutes=step)
            stands[step] = {
                **{"key": str(step), "tote": str(step), "lane": lane, "pulled_at": pulled},
                **{"day": pulled.tz_localize(None).normalize(), "recorded_at": at, "stem": count},
            }
        else:
            which = list(stands)[count % len(stands)]
            stood.append({**stands[which], "replaced_at": at})
            if kind == "void":
                del stands[which]
            else:
                stands[which] = {**stands[which], "stem": count, "recorded_at": at}
        states.append((_table(list(stands.values())), _table(stood)))
    return states


def _table(rows: list[dict[str, Any]]) -> pd.DataFrame:
    made = pd.DataFrame(
        rows, columns=["key", "tote", "lane", "pulled_at", "day", "recorded_at", "stem"]
    )
    made = made.assign(product=WHOLE, purpose="routine", inspected=200)
    table = tally.table(made, ["stem"])
    ends = [row.get("replaced_at", pd.NaT) for row in rows]
    return table.assign(replaced_at=pd.to_datetime(pd.Series(ends, table.index), utc=True))


def counted(
    programme: Programme, stands: pd.DataFrame, stood: pd.DataFrame, lane: str
) -> tuple[Era, np.datetime64, dict[str, list[Any]]] | None:
    """The baseline of a lane: its days, when it was fixed, and what it counts of each lane."""
    if stands.empty:
        return None
    standing = Standing(drift.totes(stands, programme), stood)
    (era,) = eras(Known(), programme, {WHOLE: standing.days(WHOLE)})[WHOLE]
    fixed = standing.fixed(era, lane)
    held = standing.held(era, standing.state(era, fixed))
    return era, fixed, {at: each.counts["stem"].tolist() for at, each in held.items()}


@pytest.mark.parametrize("named", [False, True])
@settings(max_examples=60, deadline=None)
@given(moves=MOVES)
def test_a_fixed_baseline_never_changes(programme: Programme, named: bool, moves: Any) -> None:
    stem = tuple(each for each in programme.categories if each.code == "stem")
    held = (Baseline(WHOLE, date(2026, 3, 16), date(2026, 3, 20)),) if named else ()
    programme = replace(programme, categories=stem, baselines=held)
    before: dict[str, Any] = {}
    for stands, stood in replayed(moves):
        for lane in "12":
            told = counted(programme, stands, stood, lane)
            if told is None:
                continue
            era, fixed, totes = told
            if lane in before:
                assert (era.first, era.last, fixed, totes) == before[lane]
            elif fixed < NEVER:
                before[lane] = (era.first, era.last, fixed, totes)
            else:  # nothing was held against it yet, so all that stands of its days counts
                days = (stands["day"] >= pd.Timestamp(era.first)) & (
                    stands["day"] <= pd.Timestamp(era.last)
                )
                assert sum(map(len, totes.values())) == days.sum()


def audit_of(programme: Programme) -> Callable[..., Audit]:
    def made(day: int, number: int, stem: int = 0, **more: Any) -> Audit:
        at = datetime(2026, 3, 16, 8, tzinfo=UTC) + timedelta(days=day, minutes=number)
        fields = {"pulled_at": at, "lane": "1", "tote": f"{day}-{number}", "inspector": "insp-01"}
        return parse({**fields, "inspected": 200, "stem": stem, **more}, programme)

    return made


def test_the_record_says_since_when_an_audit_says_what_it_says(store: schema.Store) -> None:
    made = audit_of(records.programme(store))
    first, then, last = (datetime(2026, 4, day, tzinfo=UTC) for day in (1, 2, 3))
    one, two = made(0, 1), made(0, 2, stem=3)
    records.log_many(store, [one, two], by="insp-01", at=first)
    assert set(records.tallies(store)["recorded_at"]) == {first}
    assert changes.replaced(store).empty
    mended = replace(one, correct=195, counts={**one.counts, "stem": 5})
    records.correct(store, mended, by="lead", at=then, reason="misread")
    records.void(store, two.key, by="lead", at=last, reason="wrong tote")
    (row,) = records.tallies(store).to_dict("records")
    assert (row["key"], row["stem"], row["recorded_at"]) == (one.key, 5, then)
    records.void(store, one.key, by="lead", at=last, reason="wrong tote")
    told = changes.replaced(store).set_index(["key", "stem"])[["recorded_at", "replaced_at"]]
    assert {key: tuple(times) for key, *times in told.itertuples()} == {
        (one.key, 0): (first, then),
        (one.key, 5): (then, last),
        (two.key, 3): (first, last),
    }
    every = records.history(store, one.key)
    assert every["recorded_at"].tolist() == every["at"].tolist() == [first, then, last]


def test_a_store_keeps_the_limits_of_a_baseline_that_is_corrected(store: schema.Store) -> None:
    """By the way of the dashboard: record, chart, correct, chart, choose anew, chart."""
    programme = records.programme(store)
    made, rng = audit_of(programme), np.random.default_rng(3)
    every = [made(day, n, stem=int(rng.poisson(1))) for day in range(24) for n in range(10)]
    for day in range(24):
        at = datetime(2026, 3, 16, 20, tzinfo=UTC) + timedelta(days=day)
        records.log_many(store, every[10 * day : 10 * day + 10], by="insp-01", at=at)
    now = datetime(2026, 4, 9, tzinfo=UTC)

    def level() -> float:
        known = Known(baselines=signals.baselines(store), replaced=changes.replaced(store))
        chart = drift.chart(records.tallies(store), programme, "1", "stem", now=now, known=known)
        assert chart is not None
        return float(chart.baseline.estimate)

    before = level()
    for old in every[:40]:
        mended = replace(old, correct=180, counts={**old.counts, "stem": 20})
        records.correct(store, mended, by="lead", at=now - timedelta(hours=2), reason="misread")
    records.log(store, made(1, 99, stem=90), by="insp-01", at=now - timedelta(hours=2))
    assert level() == before
    days = (date(2026, 3, 16), date(2026, 4, 4))
    chosen = ChosenBaseline("b1", "SP1", WHOLE, None, *days)
    signals.set_baseline(store, chosen, by="lead", at=now - timedelta(hours=1), reason="mended")
    x = 20 * 40 + 90 + sum(each.counts["stem"] for each in every[40:200])
    assert level() == pytest.approx(x / (201 * 200))


def test_findings_speak_of_the_late_audits_too(watched, live):
    told = finding(drift.findings(with_late(live), watched, now=at_day(40)), "2", "stem")
    assert any("Of 40 totes of these days" in each for each in told.notes)


def test_of_a_tote_audited_twice_what_came_late_does_not_count(watched, live):
    """The second audit of each tote was entered after the first ones were held against."""
    twice = live[live["lane"] == "2"].head(40)
    twice = twice.assign(key=twice["key"] + "-2", stem=60, recorded_at=pd.Timestamp(at_day(36)))
    both = pd.concat([live, twice], ignore_index=True)
    one, other = (drift.chart(each, watched, "2", "stem") for each in (live, both))
    same_signals(one, other)
    assert any("Of 40 totes of these days" in each for each in other.notes)
    early = both.assign(recorded_at=pd.Series(pd.NaT, both.index, dtype=both["recorded_at"].dtype))
    assert drift.chart(early, watched, "2", "stem").chart.center[-1] > one.chart.center[-1]


def test_the_first_days_are_complete_with_the_record_of_an_eleventh(bare):
    """Day by day, an older one last: which days they are, and when they were fixed for a lane."""
    days = [*range(1, FIRST_DAYS + 1), 0, 11, 12]  # the first day came on record as the eleventh
    rows = [
        {
            **{"key": str(day), "tote": str(day), "lane": "1", "stem": 1},
            **{"pulled_at": FIRST + timedelta(days=day), "recorded_at": FIRST + timedelta(days=n)},
            "day": (FIRST + timedelta(days=day)).tz_localize(None).normalize(),
        }
        for n, day in enumerate(days)
    ]
    codes = [each for each in bare.categories if each.code == "stem"]
    programme = replace(bare, categories=tuple(codes))

    def of(count: int) -> tuple[date, date, np.datetime64]:
        standing = Standing(drift.totes(_table(rows[:count]), programme), None)
        (era,) = eras(Known(), programme, {WHOLE: standing.days(WHOLE)})[WHOLE]
        return era.first, era.last, standing.fixed(era, "1")

    first = FIRST.date()
    assert of(10) == (first + timedelta(days=1), first + timedelta(days=10), NEVER)
    # The tenth day by date is now past the first ten, and was on record before they were complete.
    fixed = (FIRST + timedelta(days=10)).tz_localize(None).to_datetime64()
    assert of(11) == of(13) == (first, first + timedelta(days=9), fixed)
