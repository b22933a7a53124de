"""Charts that go on from what an earlier run saw answer as charts run anew."""

from dataclasses import fields, replace
from datetime import timedelta
from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from qa import drift, tally
from qa.charts import CusumLimit, cusum
from qa.drift import watching
from qa.drift.baseline import Watch, series
from qa.drift.watching import Earlier, Watched, watched
from qa.programme import Baseline, Programme
from tests.test_drift import BASELINE_DAYS, FIRST, plant

BASE = np.array([1, 0, 2, 1, 0, 1, 1, 0] * 5), np.full(40, 200)


def chart(rho: float = 0.01) -> Watch:
    return Watch(*BASE, True, 0.004, rho, CusumLimit(3.0, 300.0, 0.005, 2.0))


def in_one_go(x: np.ndarray, n: np.ndarray, start: int, watch: Watch, breaks: list[int]) -> Watched:
    """The definition, with a sum over all totes to come for each search, by the public chart."""
    path, rises = np.zeros(x.size), []
    stops = (*sorted(each for each in set(breaks) if start < each < x.size), x.size)

    def sums(begin: int, end: int) -> np.ndarray:
        limit = watch.limit
        how = {"center": limit.center, "rise": limit.ratio, "limit": limit.limit}
        how |= {"correlation": watch.correlation, "fall": None, "reset": False}
        return cusum(x[begin:end], n[begin:end], **how).path_up

    while start < x.size:
        stop = next(each for each in stops if each > start)
        path[start:stop] = sums(start, stop)
        over = np.flatnonzero(path[start:stop] > watch.limit.limit)
        if over.size:
            rise = watching._rise(x, n, start, start + int(over[0]), watch, stops)
            rises.append(rise)
            stop = x.size if rise.shown is None else rise.shown + 1
            ends = [start, *(each for each in stops if start < each < stop), stop]
            path[start:stop] = np.concatenate([sums(a, b) for a, b in pairwise(ends)])
        start = stop
    return Watched(path, tuple(rises))


@st.composite
def totes(draw: st.DrawFn) -> tuple[np.ndarray, np.ndarray]:
    """Stretches of totes at levels from none to five times the baseline's."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    levels = draw(st.lists(st.sampled_from([0.0, 0.005, 0.01, 0.025]), min_size=1, max_size=5))
    sizes = [rng.choice([60, 120, 200], int(rng.integers(5, 90))) for _ in levels]
    counts = [rng.binomial(n, level) for n, level in zip(sizes, levels, strict=True)]
    return np.concatenate(counts), np.concatenate(sizes)


def same(one: Watched, other: Watched) -> None:
    assert one.rises == other.rises
    assert np.array_equal(one.path, other.path)


@settings(max_examples=60)
@given(totes(), st.data())
def test_a_chart_that_goes_on_sees_what_one_run_anew_sees(
    made: tuple[np.ndarray, np.ndarray], data: st.DataObject
) -> None:
    x, n = made
    watch, start = chart(data.draw(st.sampled_from([0.0, 0.01]))), data.draw(st.integers(0, 9))
    places = st.lists(st.integers(1, x.size), max_size=3)
    breaks, before = data.draw(places), data.draw(places)
    anew = watched(x, n, start, watch, breaks=breaks)
    same(in_one_go(x, n, start, watch, breaks), anew)
    # What was seen before: of fewer or more totes, one of them another, the breaks others or not.
    size = data.draw(st.integers(0, x.size))
    old = np.concatenate([x[:size], data.draw(st.sampled_from([x[size:], x[:30]]))])
    sizes = np.concatenate([n[:size], data.draw(st.sampled_from([n[size:], n[:30]]))])
    old, sizes = old[: min(old.size, sizes.size)], sizes[: min(old.size, sizes.size)]
    old = np.minimum(old, sizes)
    then = data.draw(st.sampled_from([breaks, before]))
    seen = watched(old, sizes, start, watch, breaks=then)
    earlier = Earlier(old, sizes, start, watch, tuple(then), seen)
    same(anew, watched(x, n, start, watch, breaks=breaks, earlier=earlier))


def test_a_run_held_against_something_else_is_not_gone_on_with() -> None:
    x, n = np.array([0, 1, 9, 8, 9, 8] * 8), np.full(48, 200)
    seen = watched(x, n, 0, chart())
    earlier = Earlier(x, n, 0, chart(), (), seen)
    for other in (
        chart(0.2),
        replace(chart(), count=BASE[0] + 5),
        replace(chart(), inspected=BASE[1] + 50),
        replace(chart(), limit=CusumLimit(30.0, 300.0, 0.005, 2.0)),
    ):
        same(watched(x, n, 0, other), watched(x, n, 0, other, earlier=earlier))
    same(watched(x, n, 7, chart()), watched(x, n, 7, chart(), earlier=earlier))


@pytest.fixture(scope="module")
def settled(programme: Programme) -> Programme:
    last = (FIRST + timedelta(days=BASELINE_DAYS - 1)).date()
    return replace(programme, baselines=(Baseline("sprout-whole", FIRST.date(), last),))


def mixed(programme: Programme) -> pd.DataFrame:
    """A floor with a rise, head checks, totes audited twice and a lane that changed over."""
    made = plant(programme, 5, days=34, lanes="123", rises=(("2", "stem", 25, 34, 4.0),))
    changes = (made["lane"] == "3") & made["key"].str.len().gt(0) & (made["pulled_at"] > FIRST)
    middle = FIRST + timedelta(days=29)
    made.loc[changes & (made["pulled_at"] > middle), "product"] = "sprout-cut"
    checks = made[made["lane"] == "2"].iloc[-30:].assign(purpose="head-check")
    checks = checks.assign(head=["A", "B"] * 15, key=[f"check{k}" for k in range(30)])
    twice = made.iloc[::40].assign(key=[f"twice{k}" for k in range(len(made.iloc[::40]))])
    twice = twice.assign(pulled_at=twice["pulled_at"] + timedelta(minutes=20))
    both = pd.concat([made, checks, twice]).sort_values(["pulled_at", "key"])
    return tally.table(both.reset_index(drop=True), programme.category_codes)


def keys(lane: Any) -> list[str]:
    return [key for part in lane.parts for key in part["key"]]


def alike(one: drift.Totes, other: drift.Totes, *, checks: bool = True) -> None:
    """Every lane's totes are the same, array by array."""
    assert one.series.keys() == other.series.keys()
    assert one.running == other.running
    for key, each in one.series.items():
        for field in fields(each):
            left, right = getattr(each, field.name), getattr(other.series[key], field.name)
            if field.name == "counts":
                assert left.keys() == right.keys()
                assert all(np.array_equal(left[code], right[code]) for code in left)
            else:
                assert np.array_equal(left, right), (key, field.name)
    if not checks:
        return
    order = ["pulled_at", "key"]
    tables = [each.checks.sort_values(order).reset_index(drop=True) for each in (one, other)]
    pd.testing.assert_frame_equal(*tables)


def test_totes_kept_up_are_those_of_all_audits_at_once(settled: Programme) -> None:
    every = mixed(settled)
    whole = drift.totes(every, settled)
    assert whole.series.keys() == series(every, settled).keys()
    rng = np.random.default_rng(3)
    none = every.iloc[:0]
    # In the order of pulling, at first many at once; then late ones, and others out again.
    known = drift.totes(every.iloc[:1500], settled)
    for part in np.array_split(np.arange(1500, 1700), 60):
        known = drift.followed(known, none, every.iloc[part])
    alike(known, drift.totes(every.iloc[:1700], settled))
    late = rng.permutation(np.arange(1700, len(every)))
    for part in np.array_split(late, 12):
        known = drift.followed(known, none, every.iloc[part])
        here = every[every["key"].isin([key for one in known.lanes.values() for key in keys(one)])]
        alike(known, drift.totes(here, settled), checks=False)
    alike(known, whole)
    gone = every.iloc[rng.permutation(len(every))[:25]]
    put = gone.iloc[:20].assign(stem=3, incorrect=lambda rows: rows["incorrect"] + 1)
    now = pd.concat([every[~every["key"].isin(gone["key"])], put])
    now = now.sort_values(["pulled_at", "key"]).reset_index(drop=True)
    alike(drift.followed(known, gone, put), drift.totes(now, settled))


def test_totes_up_to_a_moment_are_those_of_the_audits_up_to_it(settled: Programme) -> None:
    every = mixed(settled)
    # A lane that changed over again and again, some totes audited hours after filling.
    rng, cut = np.random.default_rng(4), []
    waits, turns = ((every["lane"] == "3") & (rng.random(len(every)) < each) for each in (0.2, 0.4))
    every = every.assign(
        product=every["product"].mask(turns, "sprout-cut"),
        fill_start=every["fill_start"].mask(waits, every["pulled_at"]),
        pulled_at=every["pulled_at"].mask(waits, every["pulled_at"] + timedelta(hours=5)),
    )
    every = every.sort_values(["pulled_at", "key"]).reset_index(drop=True)
    known = drift.totes(every.iloc[:1500], settled)
    known = drift.followed(known, every.iloc[:0], every.iloc[1500:])
    for at in [0, 1, len(every) - 1, *rng.integers(0, len(every), 60)]:
        now = every["pulled_at"].iloc[at].to_pydatetime()
        until = known.until(now)
        alike(until, drift.totes(every[every["pulled_at"] <= now], settled))
        cut += [lane for lane in until.lanes.values() if len(lane.series) > 1]
    assert cut


def test_a_lane_may_go_and_come_again(settled: Programme) -> None:
    every = mixed(settled)
    third = every["lane"] == "3"
    known = drift.followed(drift.totes(every, settled), every[third], every.iloc[:0])
    alike(known, drift.totes(every[~third], settled))
    alike(drift.followed(known, every.iloc[:0], every[third]), drift.totes(every, settled))


def test_findings_with_a_memory_are_findings_without(settled: Programme) -> None:
    every, memory = mixed(settled), drift.Memory()
    known, none = drift.totes(every.iloc[:1900], settled), every.iloc[:0]
    ends = [1900, 1901, 1950, len(every)]
    for begin, end in pairwise(ends):
        known = drift.followed(known, none, every.iloc[begin:end])
        for back in (timedelta(0), timedelta(days=6)):
            now = (every["pulled_at"].iloc[end - 1] - back).to_pydatetime()
            told = drift.findings(known, settled, now=now, memory=memory)
            anew = drift.findings(every.iloc[:end], settled, now=now)
            assert [repr(each) for each in told] == [repr(each) for each in anew]
