"""Drift with what people recorded: dated baselines, breaks, lanes that are down, signals worked."""

from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from qa import drift
from qa.drift import Known
from qa.programme import Baseline, Product, Programme
from tests.test_drift import BASELINE_DAYS, FIRST, at_day, finding, plant

WHOLE = "sprout-whole"


@pytest.fixture(scope="module")
def watched(programme: Programme) -> Programme:
    """The demo's programme, its baseline the first 20 days, and a second product."""
    last = date(2026, 3, 16) + timedelta(days=BASELINE_DAYS - 1)
    products = (*programme.products, Product("sprout-half", "Halved sprouts"))
    held = (Baseline(WHOLE, date(2026, 3, 16), last),)
    return replace(programme, baselines=held, products=products)


def events(*rows: tuple[str, float, str]) -> pd.DataFrame:
    """Events on lanes: lane, day of happening, kind."""
    return pd.DataFrame(
        [
            {"lane": lane, "happened_at": pd.Timestamp(at_day(day)), "kind": kind, "what": "belt"}
            for lane, day, kind in rows
        ],
        columns=["lane", "happened_at", "kind", "what"],
    )


def baseline_row(
    first: int, last: int, at: float | None, lane: str = "", aside: dict[str, str] | None = None
) -> dict[str, Any]:
    day = FIRST.tz_localize(None)
    return {
        "key": "" if at is None else f"b{at}",
        "product": WHOLE,
        "lane": lane,
        "first_day": day + timedelta(days=first),
        "last_day": day + timedelta(days=last),
        "set_aside": aside or {},
        "by": "Ines",
        "at": pd.NaT if at is None else pd.Timestamp(at_day(at)),
        "reason": "new heads",
    }


def known(*chosen: dict[str, Any], **more: Any) -> Known:
    """Baselines chosen after the programme's own."""
    rows = pd.DataFrame([baseline_row(0, BASELINE_DAYS - 1, None), *chosen])
    rows["at"] = pd.to_datetime(rows["at"], utc=True)
    return Known(baselines=rows, **more)


def said(lane: str, category: str, day: float, *, at: float, key: str = "a1") -> pd.DataFrame:
    """An acknowledgement of the signal that goes on at a day."""
    return pd.DataFrame(
        [
            {
                "key": key,
                "lane": lane,
                "product": WHOLE,
                "category": category,
                "signalled_at": pd.Timestamp(at_day(day)),
                "cause": "worn nozzle",
                "done": "changed it",
                "by": "Ines",
                "at": pd.Timestamp(at_day(at)),
            }
        ]
    )


RISE = (("2", "stem", 24, 99, 3.0),)


@pytest.fixture(scope="module")
def risen(watched: Programme) -> pd.DataFrame:
    return plant(watched, 7, days=40, lanes="12", rises=RISE)


def test_a_new_baseline_holds_from_its_moment_and_rewrites_no_signal(watched, risen):
    then = drift.chart(risen, watched, "2", "stem", now=at_day(33.99), known=known())
    chosen = known(baseline_row(28, 33, 34.0))
    now = drift.chart(risen, watched, "2", "stem", now=at_day(40), known=chosen)
    (before,), (after,) = then.excursions, now.excursions
    for name in ("since", "since_low", "since_high", "signalled_at", "tote", "position", "signal"):
        assert getattr(before, name) == getattr(after, name)
    assert_allclose(before.after.estimate, after.after.estimate)
    assert (before.state, before.closed_by) == ("open", "")
    assert (after.state, after.closed_by, after.until) == ("closed", "baseline", at_day(34))
    old = then.count.size
    assert_array_equal(now.cusum.path_up[:old], then.cusum.path_up)
    assert_array_equal(now.chart.upper[:old], then.chart.upper)
    assert_array_equal(now.sum_limit[:old], then.sum_limit)
    # The raised level is the new baseline's own, from these totes alone.
    days = pd.Timestamp("2026-04-13"), pd.Timestamp("2026-04-18")
    held = (risen["lane"] == "2") & risen["day"].between(*days)
    x, n = risen.loc[held, "stem"].sum(), risen.loc[held, "inspected"].sum()
    assert_allclose(now.chart.center[old:], (x + 0.5) / (n + 1))
    assert now.baseline_totes.sum() == held.sum() == 120
    assert now.watched == old
    assert [(each.kind, each.position) for each in now.breaks] == [("baseline", old)]
    told = finding(drift.findings(risen, watched, now=at_day(40), known=chosen), "2", "stem")
    assert told.status == "steady"
    assert [each.closed_by for each in told.past] == ["baseline"]
    assert "13 April to 18 April: 120 totes" in told.notes[0]
    assert "chosen by Ines (new heads), and in force from 01:00 on 19 April" in told.notes[0]


def test_a_baseline_is_not_known_before_it_was_chosen(watched, risen):
    chosen = known(baseline_row(28, 33, 34.0))
    without = drift.findings(risen, watched, now=at_day(33), known=known())
    with_it = drift.findings(risen, watched, now=at_day(33), known=chosen)
    assert [each.sentence for each in with_it] == [each.sentence for each in without]
    assert finding(with_it, "2", "stem").status == "drifting"


def test_a_baseline_of_one_lane_leaves_the_others_as_they_are(watched, risen):
    chosen = known(baseline_row(28, 33, 34.0, lane="2"))
    for category in watched.category_codes:
        one = drift.chart(risen, watched, "1", category, known=known())
        other = drift.chart(risen, watched, "1", category, known=chosen)
        assert (one.limit, one.arl, one.correlation) == (other.limit, other.arl, other.correlation)
        assert_array_equal(one.chart.upper, other.chart.upper)
        assert other.breaks == ()
    own = drift.chart(risen, watched, "2", "stem", known=chosen)
    assert [each.kind for each in own.breaks] == ["baseline"]
    days = risen["day"].between(pd.Timestamp("2026-04-13"), pd.Timestamp("2026-04-18"))
    assert own.baseline_totes.sum() == (days & (risen["lane"] == "2")).sum()


def test_totes_set_aside_do_not_speak_and_their_cause_is_told(watched, risen):
    aside = {"2-600": "camera covered", "2-601": "wrong tote"}
    chosen = known(baseline_row(28, 33, 34.0, aside=aside))
    chart = drift.chart(risen, watched, "2", "stem", known=chosen)
    assert chart.baseline_totes.sum() == 118
    assert not chart.baseline_totes[600:602].any()
    told = " ".join(chart.notes)
    assert "Set aside from the baseline" in told
    assert "2-600 (camera covered) and 2-601 (wrong tote)" in told


def test_totes_filled_after_a_baseline_was_chosen_are_not_of_it(watched, risen):
    chosen = known(baseline_row(28, 33, 33.5))
    early = risen[risen["pulled_at"] <= pd.Timestamp(at_day(33.5))]
    one = drift.chart(early, watched, "2", "stem", known=chosen)
    other = drift.chart(risen, watched, "2", "stem", known=chosen)
    assert one.baseline_totes.sum() == other.baseline_totes.sum() == 110
    assert (one.limit, one.baseline.estimate) == (other.limit, other.baseline.estimate)


def test_the_sum_starts_afresh_at_a_changeover_and_goes_on_over_sanitation(watched, risen):
    broken = Known(events=events(("1", 24.22, "changeover"), ("1", 30, "sanitation")))
    chart = drift.chart(risen, watched, "1", "stem", known=broken)
    assert [(each.position, each.kind) for each in chart.breaks] == [
        (485, "changeover"),
        (600, "sanitation"),
    ]
    # What a tote adds does not depend on the break; from the changeover on it is added to 0.
    plain, path = drift.chart(risen, watched, "1", "stem").cusum.path_up, chart.cusum.path_up
    assert_allclose(path[:485], plain[:485])
    adds = np.diff(plain)
    known_adds = (plain[:-1] > 0) & (plain[1:] > 0)
    for k in range(486, 800):
        if known_adds[k - 1]:
            assert path[k] == pytest.approx(max(path[k - 1] + adds[k - 1], 0), abs=1e-12)
    assert plain[484] > 1 < plain[485]
    assert path[485] == pytest.approx(max(plain[485] - plain[484], 0))
    assert any("started afresh at 1 changeover" in note for note in chart.notes)
    assert any("drawn broken at 1 sanitation;" in note for note in chart.notes)


def test_sanitation_hides_no_rise_and_moves_no_date(watched, risen):
    nightly = Known(events=events(*(("2", 20.0 + night, "sanitation") for night in range(20))))
    plain = drift.chart(risen, watched, "2", "stem")
    cleaned = drift.chart(risen, watched, "2", "stem", known=nightly)
    assert len(cleaned.breaks) == 20
    assert_array_equal(plain.cusum.path_up, cleaned.cusum.path_up)
    for one, other in zip(plain.excursions, cleaned.excursions, strict=True):
        for name in ("since", "since_low", "since_high", "until", "signalled_at", "tote"):
            assert getattr(one, name) == getattr(other, name)


def test_events_of_other_kinds_and_lanes_break_nothing(watched, risen):
    other = Known(
        events=events(("1", 25, "head"), ("2", 25, "sanitation"), ("1", -3, "changeover"))
    )
    assert drift.chart(risen, watched, "1", "stem", known=other).breaks == ()
    one = drift.chart(risen, watched, "1", "stem")
    assert_array_equal(
        one.cusum.path_up, drift.chart(risen, watched, "1", "stem", known=other).cusum.path_up
    )


def test_no_change_is_dated_across_a_changeover(watched, risen):
    plain = drift.chart(risen, watched, "2", "stem").excursions[0]
    at = 24 + (plain.signal - 480) / 40  # half-way between the rise and its signal
    broken = Known(events=events(("2", at, "changeover")))
    chart = drift.chart(risen, watched, "2", "stem", known=broken)
    (rise,), (cut,) = chart.excursions, chart.breaks
    assert plain.position < cut.position <= rise.position
    assert rise.since_low >= drift.chart(risen, watched, "2", "stem").excursions[0].since_low
    assert rise.signal >= cut.position


def test_a_signal_goes_on_over_changeovers_until_the_level_is_shown_to_be_back(watched):
    rises = (("2", "double", 24, 32, 5.0),)
    rows = plant(watched, 5, days=45, lanes="12", rises=rises)
    nightly = events(*(("2", 20.0 + night, "changeover") for night in range(25)))
    chart = drift.chart(rows, watched, "2", "double", known=Known(events=nightly))
    first = chart.excursions[0]
    assert first.state == "closed"
    assert first.closed_by == "level"
    # It went on over more than one night, and was not over before the level came back.
    nights = [each for each in chart.breaks if first.signal < each.position <= first.end]
    assert len(nights) > 1
    assert first.until >= at_day(32) - timedelta(days=1)
    assert first.end >= max(each.position for each in nights)


def test_a_change_of_product_breaks_the_lane_and_moves_no_limit_of_another(watched):
    rows = plant(watched, 11, days=40, lanes="123")
    for lane in "12":  # one change out, one out and back
        away = (rows["lane"] == lane) & (rows["pulled_at"] >= pd.Timestamp(at_day(30)))
        if lane == "2":
            away &= rows["pulled_at"] < pd.Timestamp(at_day(33))
        rows.loc[away, "product"] = "sprout-half"
    whole = plant(watched, 11, days=40, lanes="123")
    for category in watched.category_codes:
        one = drift.chart(whole, watched, "3", category)
        other = drift.chart(rows, watched, "3", category)
        assert (one.limit, one.arl, one.correlation) == (other.limit, other.arl, other.correlation)
    back = drift.chart(rows, watched, "2", "stem")
    assert [(each.position, each.kind) for each in back.breaks] == [(600, "changeover")]
    assert back.count.size == 740
    assert drift.chart(rows, watched, "1", "stem").product == "sprout-half"


def test_a_lane_that_is_down_is_told_from_one_that_is_not_audited(watched):
    rows = plant(watched, 3, days=30, lanes="1234")
    stopped = rows["pulled_at"] < pd.Timestamp(at_day(29.9))
    rows = rows[stopped | rows["lane"].isin(["3", "4"])]
    down = Known(
        events=events(
            ("1", 29.95, "lane-down"),
            ("3", 29.8, "lane-down"),  # totes filled since show that it runs
            ("4", 29.0, "lane-down"),
            ("4", 29.5, "lane-up"),
            ("5", 29.0, "lane-down"),  # never audited
        )
    )
    found = drift.findings(rows, watched, now=at_day(30), known=down)
    one = finding(found, "1", "stem")
    assert (one.status, one.down_since) == ("no audits", at_day(29.95))
    assert one.sentence == "The lane is down since 23:48 on 14 April: belt."
    assert finding(found, "5", "stem").sentence == "The lane is down since 01:00 on 14 April: belt."
    assert finding(found, "6", "stem").sentence == "No routine audit yet."
    assert {finding(found, lane, "stem").status for lane in "34"} == {"steady"}
    assert {finding(found, lane, "stem").down_since for lane in "346"} == {None}
    order = drift.lanes(found)["lane"].tolist()
    assert order.index("6") < min(order.index("3"), order.index("4"))
    assert set(order[-2:]) == {"1", "5"}
    earlier = drift.findings(rows, watched, now=at_day(29.9), known=down)
    assert finding(earlier, "1", "stem").status == "steady"


def test_a_rise_on_a_lane_that_went_down_stays_drifting_and_says_so(watched, risen):
    rows = risen[risen["pulled_at"] < pd.Timestamp(at_day(34))]
    down = Known(events=events(("2", 34.0, "lane-down")))
    told = finding(drift.findings(rows, watched, now=at_day(36), known=down), "2", "stem")
    assert told.status == "drifting"
    assert "; the lane is down since 01:00 on 19 April." in told.sentence
    assert "no routine audit since" not in told.sentence


def test_an_acknowledged_signal_says_cause_action_who_and_when(watched, risen):
    answered = Known(acknowledgements=said("2", "stem", 30, at=35.5))
    told = finding(drift.findings(risen, watched, now=at_day(40), known=answered), "2", "stem")
    assert told.status == "drifting"
    assert (told.acknowledged.by, told.acknowledged.at) == ("Ines", at_day(35.5))
    assert "Acknowledged by Ines at 13:00 on 20 April: worn nozzle; changed it." in told.sentence
    (signal,) = drift.chart(risen, watched, "2", "stem", known=answered).excursions
    assert (signal.state, signal.acknowledged) == ("acknowledged", told.acknowledged)
    open_still = finding(
        drift.findings(risen, watched, now=at_day(35), known=answered), "2", "stem"
    )
    assert open_still.acknowledged is None


@pytest.mark.parametrize("other", [("1", "stem", 30), ("2", "double", 30), ("2", "stem", 15)])
def test_an_acknowledgement_answers_its_own_signal_alone(watched, risen, other):
    answered = Known(acknowledgements=said(*other, at=35))
    told = finding(drift.findings(risen, watched, now=at_day(40), known=answered), "2", "stem")
    assert told.acknowledged is None
    assert "Acknowledged" not in told.sentence


def test_the_newest_acknowledgement_stands_and_a_closed_signal_keeps_it(watched):
    rises = (("2", "double", 24, 32, 4.0), ("2", "double", 50, 99, 4.0))
    rows = plant(watched, 5, days=60, lanes="12", rises=rises)
    both = pd.concat(
        [
            said("2", "double", 30, at=31),
            said("2", "double", 30, at=32, key="a2").assign(cause="dirt on the lens"),
        ]
    )
    chart = drift.chart(rows, watched, "2", "double", known=Known(acknowledgements=both))
    first, last = chart.excursions[0], chart.excursions[-1]
    assert (first.state, first.closed_by, first.acknowledged.cause) == (
        *("closed", "level", "dirt on the lens"),
    )
    assert (last.state, last.acknowledged) == ("open", None)


def test_open_signals_come_before_acknowledged_ones(watched):
    rises = (("1", "stem", 24, 99, 6.0), ("2", "stem", 24, 99, 3.0))
    rows = plant(watched, 9, days=32, lanes="12", rises=rises)
    answered = Known(acknowledgements=said("1", "stem", 30, at=31))
    order = drift.lanes(drift.findings(rows, watched, now=at_day(32)))["lane"].tolist()
    assert order[:2] == ["1", "2"]
    found = drift.findings(rows, watched, now=at_day(32), known=answered)
    assert drift.lanes(found)["lane"].tolist()[:2] == ["2", "1"]


def test_without_a_baseline_from_the_beginning_the_first_days_stand_until_one_is_chosen(watched):
    bare = replace(watched, baselines=())
    rows = plant(bare, 1, days=40, lanes="12")
    chosen = known(baseline_row(20, 33, 34.0))
    chosen = Known(baselines=chosen.baselines.iloc[1:])
    chart = drift.chart(rows, bare, "1", "stem", known=chosen)
    assert chart.cusum.path_up[:200].sum() == 0
    assert np.flatnonzero(chart.cusum.path_up)[0] < 300
    assert chart.watched == 680
    assert chart.baseline_totes.sum() == 280


def withdrawn(rows: pd.DataFrame, day: float | None) -> pd.DataFrame:
    """Rows as the store gives them with those withdrawn since; None for rows that stand."""
    at = pd.NaT if day is None else pd.Timestamp(at_day(day))
    return rows.assign(withdrawn_at=pd.to_datetime(pd.Series(at, rows.index), utc=True))


def test_what_was_withdrawn_later_stood_until_then(watched, risen):
    answered = Known(acknowledgements=withdrawn(said("2", "stem", 30, at=31), 36))

    def acknowledged(day: float) -> bool:
        found = drift.findings(risen, watched, now=at_day(day), known=answered)
        return finding(found, "2", "stem").acknowledged is not None

    assert [acknowledged(day) for day in (30.9, 31.1, 35.9, 36.1)] == [False, True, True, False]
    # Without a moment only what stands is known.
    (signal,) = drift.chart(risen, watched, "2", "stem", known=answered).excursions
    assert signal.state == "open"
    stands = Known(acknowledgements=withdrawn(said("2", "stem", 30, at=31), None))
    (signal,) = drift.chart(risen, watched, "2", "stem", known=stands).excursions
    assert signal.state == "acknowledged"


def test_an_event_that_was_withdrawn_later_was_so_until_then(watched):
    rows = plant(watched, 3, days=30, lanes="12")
    rows = rows[rows["pulled_at"] < pd.Timestamp(at_day(29))]
    down = Known(events=withdrawn(events(("1", 29.1, "lane-down")), 29.5))
    for day, since in ((29.2, at_day(29.1)), (29.6, None)):
        found = drift.findings(rows, watched, now=at_day(day), known=down)
        assert finding(found, "1", "stem").down_since == since


@pytest.mark.parametrize(("table", "standing"), [("events", 1), ("acknowledgements", 1)])
def test_nothing_is_known_of_what_never_was(table, standing):
    rows = withdrawn(events(("1", 3, "sanitation"), ("1", 4, "changeover")), None)
    rows.loc[0, "withdrawn_at"] = pd.Timestamp(at_day(5))
    every = rows.assign(at=rows["happened_at"])
    assert len(getattr(Known(**{table: every}).until(None), table)) == standing
    assert len(getattr(Known(**{table: every.iloc[:0]}).until(at_day(9)), table)) == 0
    assert getattr(Known().until(at_day(9)), table) is None


def test_before_anything_can_be_judged_the_floor_says_so(watched):
    rows = plant(watched, 3, days=30, lanes="12")
    bare = replace(watched, baselines=())
    first = rows[rows["pulled_at"] < pd.Timestamp(at_day(9))]

    def told(some: pd.DataFrame, programme: Programme, day: float, **more: Any) -> dict[str, Any]:
        found = drift.findings(some, programme, now=at_day(day), known=Known(**more))
        table = drift.lanes(found).set_index("lane")
        return {"status": table.loc["2", "status"], "said": table.loc["2", "sentence"]}

    assert told(first, bare, 9) == {
        "status": "watch",
        "said": "Nothing can be judged yet: the first 10 days of production stand for a baseline, "
        "and no later day is on record.",
    }
    assert told(first, watched, 9) == {
        "status": "watch",
        "said": "Nothing can be judged yet: no tote from after the baseline's days, 16 March to "
        "4 April, has been audited.",
    }
    assert told(first, watched, 11)["status"] == "no audits"
    assert told(rows, watched, 22)["status"] == "steady"
    stays = rows[(rows["lane"] == "1") | (rows["pulled_at"] < pd.Timestamp(at_day(9)))]
    later = told(stays, bare, 9.9)
    assert later["said"].startswith("Nothing can be judged yet: the first 10 days")
    chosen = known(baseline_row(2, 20, 21.5)).baselines
    until = rows[rows["pulled_at"] < pd.Timestamp(at_day(21.5))]
    assert told(until, watched, 21.8, baselines=chosen) == {
        "status": "watch",
        "said": "Nothing can be judged yet: no tote has been audited since 13:00 on 6 April, when "
        "the baseline of 18 March to 5 April began to hold.",
    }
