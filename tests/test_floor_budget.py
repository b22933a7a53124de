"""The study of the floor's budget simulates what it says, and counts rightly."""

import csv
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import stats

from qa import drift
from qa.charts import cusum_limit, cusum_run_length
from qa.drift import Known
from qa.drift.baseline import Watch
from tests.coverage import __main__ as coverage
from tests.coverage import floor_budget as floor
from tests.coverage.floor_budget import Kind, Row

KIND = Kind("few", lanes=2, totes=2)
SHIFTS = "shifts differ, 8 weeks"
LEVELS = np.array([[0.01, 0.005, 0.002], [0.02, 0.005, 0.002]])
ROW = Row("few", 9, 4, 0.5, 0.1, 0.95, 0.01, 0.05, 300, 14.0, 1.0, 0.0, 12.0, 80.0)


def test_a_healthy_plant_is_as_its_kind_says() -> None:
    programme = KIND.programme()
    audits = floor.healthy(KIND, programme, LEVELS, 200, np.random.default_rng(1))
    codes = programme.category_codes
    found = audits.groupby("lane")[["inspected", *codes]].sum()
    shares = found[list(codes)].to_numpy() / found[["inspected"]].to_numpy()
    assert_allclose(shares, LEVELS, rtol=0.06)
    shifts = 200 * floor.WORKED * floor.SHIFTS
    assert_allclose(len(audits) / (2 * 2 * shifts), 1 - floor.MISSING, atol=0.015)
    assert set(audits["day"].dt.day_of_week) == set(range(5))
    assert set(audits["inspected"]) == set(floor.SIZES)
    assert audits["tote"].is_unique
    assert (audits["inspected"] == audits["correct"] + audits["incorrect"]).all()
    held = programme.baselines[0]
    assert ((held.last_day - held.first_day).days + 1) / 7 == KIND.baseline_weeks


@pytest.mark.parametrize(
    ("kind", "expected"),
    [
        (KIND, 0.01),
        (replace(KIND, correlation=0.0), 0.0),
        # one in ten at 3 p, nine at 7 p / 9: variance p^2 (0.9 + 0.9 x 49 / 81 - 1) = 4 p^2 / 9
        (replace(KIND, shape="mixture"), 4 / 9 * 0.02 / 0.98),
        # one in fifty at 10 p, the others at 0.8 p / 0.98
        (
            replace(KIND, shape="mixture", share=0.02, times=10.0),
            (0.02 * 100 + 0.8**2 / 0.98 - 1) * 0.02 / 0.98,
        ),
        (
            replace(KIND, shape="lognormal", deviation=0.7),
            (np.exp(0.7**2) - 1) * 0.02 / 0.98,
        ),
        (replace(KIND, correlation=0.0, shifts_differ=0.3), (np.exp(0.3**2) - 1) * 0.02 / 0.98),
    ],
)
def test_totes_differ_as_the_kind_says(kind: Kind, expected: float) -> None:
    n, p = np.full(60_000, 200), 0.02
    x = kind.found(n, p, np.random.default_rng(2))
    effect = x.var() / (200 * p * (1 - p))
    assert_allclose(x.mean() / 200, p, rtol=0.02)
    assert_allclose((effect - 1) / 199, expected, rtol=0.03, atol=0.0005)


def test_totes_of_a_shift_are_worse_together() -> None:
    kind = replace(KIND, totes=3, shifts_differ=0.5)
    n = np.full((2, 60_000), 200)
    x = kind.found(n, 0.02, np.random.default_rng(2)).reshape(2, -1, 3)
    between = np.cov(x[0].T) / (200 * 0.02) ** 2
    expected = np.exp(0.5**2) - 1
    assert_allclose(between[np.triu_indices(3, 1)], expected, atol=0.03)
    pairs = np.corrcoef(np.stack([x[0, :-1, 2], x[0, 1:, 0], x[1, :-1, 0]]))
    assert_allclose(pairs[np.triu_indices(3, 1)], 0, atol=0.03)
    apart = replace(kind, shifts_differ=0.0).found(n, 0.02, np.random.default_rng(2))
    assert abs(np.corrcoef(apart.reshape(2, -1, 3)[0].T)[0, 1]) < 0.03


def test_sizes_and_missing_shifts_are_those_of_the_kind() -> None:
    kind = replace(KIND, sizes=(50, 500), missing=0.5)
    audits = floor.healthy(kind, kind.programme(), LEVELS, 100, np.random.default_rng(1))
    assert set(audits["inspected"]) == {50, 500}
    shifts = 100 * floor.WORKED * floor.SHIFTS
    assert_allclose(len(audits) / (2 * 2 * shifts), 0.5, atol=0.03)


def _chart(limit: float) -> Watch:
    """A chart that knows the level."""
    found = replace(cusum_limit([200], center=0.01, correlation=0.01), limit=limit)
    return Watch(np.array([2]), np.array([200]), True, 0.01, 0.01, found)


def test_delays_are_those_of_a_chart_that_has_run_for_long() -> None:
    rng = np.random.default_rng(3)
    found = np.concatenate([floor.delays(KIND, _chart(3.5), rng) for _ in range(40)])
    law = {"center": 0.01, "correlation": 0.01, "limit": 3.5}
    steady = cusum_run_length([200], rate=0.02, start="steady", **law)
    error = steady.sd / np.sqrt(np.isfinite(found).sum())
    assert abs(np.nanmean(found) - steady.mean) < 3 * error + 0.1
    runs = cusum_run_length([200], **law)
    assert_allclose(np.isnan(found).mean(), 1 - np.exp(-floor.BEFORE / runs.mean), atol=0.04)


def test_a_doubling_that_is_not_found_counts_as_long_as_it_was_looked_for() -> None:
    assert (floor.delays(KIND, _chart(1e9), np.random.default_rng(1)) == floor.AFTER).all()


def test_the_p_chart_has_as_many_false_alarms(monkeypatch: pytest.MonkeyPatch) -> None:
    same, twice = (stats.betabinom(200, p * 99, (1 - p) * 99) for p in (0.01, 0.02))
    monkeypatch.setattr(floor, "cusum_arl", lambda *_, **__: 1 / same.sf(11))
    assert_allclose(floor.p_chart_delay(KIND, _chart(3.5)), 1 / twice.sf(11), rtol=1e-6)
    between = (same.sf(11) + same.sf(12)) / 2
    monkeypatch.setattr(floor, "cusum_arl", lambda *_, **__: 1 / between)
    half = (twice.sf(11) + twice.sf(12)) / 2
    assert_allclose(floor.p_chart_delay(KIND, _chart(3.5)), 1 / half, rtol=1e-6)
    assert np.isnan(floor.p_chart_delay(replace(KIND, shape="mixture"), _chart(3.5)))


def test_the_quickest_delay_is_that_of_a_known_level() -> None:
    assert_allclose(floor.known_delay(KIND, 500), 13.2, atol=0.3)  # zero-state: 14.6
    assert np.isnan(floor.known_delay(replace(KIND, shape="mixture"), 500))


def test_false_alarms_are_those_that_drift_tells_of(monkeypatch: pytest.MonkeyPatch) -> None:
    programme, weeks = KIND.programme(), 60
    asked = floor._plant(KIND, programme, weeks, np.random.default_rng(4))
    rng = np.random.default_rng(4)
    off = rng.normal(-(floor.LANES_DIFFER**2) / 2, floor.LANES_DIFFER, (2, 3))
    levels = np.array(floor.LEVELS) * np.exp(off)
    levels[0, 0] = floor.LEVEL
    audits = floor.healthy(KIND, programme, levels, 2 + weeks, rng)
    rises = [
        len(found.excursions)
        for lane in "12"
        for code in programme.category_codes
        if (found := drift.chart(audits, programme, lane, code)) is not None
    ]
    assert len(rises) == 6
    assert asked.alarms == sum(rises) > 0


def test_goals_are_told_by_name() -> None:
    assert floor.goals(ROW) == "all"
    assert floor.goals(replace(ROW, within=0.89)) == "not budget"
    assert floor.goals(replace(ROW, totes=15.1)) == "not 15 totes"
    assert floor.goals(replace(ROW, totes=90)) == "not 15 totes, p chart"
    assert floor.goals(replace(ROW, p_chart=np.nan)) == "all"


def test_rows_pass_on_into_the_table_and_the_file(tmp_path: Path) -> None:
    file = tmp_path / "floor.csv"
    lines = list(floor.table(floor.written([ROW], file)))
    assert lines[-1].startswith("| few | 0.50 (0.10) | 0.950 (0.010) | 0.050 | 300 | 14.0 (1.0) |")
    assert len({line.count("|") for line in lines}) == 1
    (row,) = csv.DictReader(file.read_text("utf-8").splitlines())
    assert (row["kind"], row["alarms"], row["p_chart"]) == ("few", "0.5", "80")


def test_lanes_are_cleaned_and_changed_over_as_the_kind_says() -> None:
    kind = replace(KIND, cleaned=7, changed=12)
    programme = kind.programme()
    audits = floor.healthy(kind, programme, LEVELS, 10, np.random.default_rng(1))
    found = floor.broken(kind, audits)
    first = audits[audits["lane"] == "1"]["pulled_at"].to_numpy()
    for name, every in (("sanitation", 7), ("changeover", 12)):
        rows = found[(found["lane"] == "1") & (found["kind"] == name)]
        assert rows["happened_at"].to_numpy().tolist() == first[every::every].tolist()
    assert floor.broken(KIND, audits).empty
    chart = drift.chart(audits, programme, "1", "stem", known=Known(events=found))
    assert chart is not None
    assert {each.kind for each in chart.breaks} == {"sanitation", "changeover"}


def test_a_changeover_starts_the_sum_afresh_where_it_falls() -> None:
    x, n, chart = np.full(30, 9), np.full(30, 200), _chart(3.5)
    path = floor.sums(replace(KIND, changed=12), x, n, chart, np.random.default_rng(3))
    whole = floor.sums(KIND, x, n, chart, np.random.default_rng(3))
    fresh = 1 + np.flatnonzero(np.diff(path) < 0)
    assert len(fresh) in (2, 3)
    assert set(np.diff(fresh)) == {12}
    assert_allclose(path[fresh], whole[0])
    assert (np.diff(whole) > 0).all()


def test_the_kept_table_is_of_todays_plants_and_keeps_the_budget() -> None:
    file = coverage.TABLE.with_name(coverage.FLOOR)
    rows = list(csv.DictReader(file.read_text("utf-8").splitlines()))
    assert [row["kind"] for row in rows] == [kind.name for kind in floor.kinds()]
    assert all(float(row["within"]) >= floor.OFTEN for row in rows)


# What people read of the floor's budget is what the table holds.
def test_the_sentences_on_the_budget_say_what_the_table_says() -> None:
    file = coverage.TABLE.with_name(coverage.FLOOR)
    rows = {row["kind"]: row for row in csv.DictReader(file.read_text("utf-8").splitlines())}
    said = Path("DEVELOPERS.md").read_text("utf-8")
    (plants,) = {row["plants"] for row in rows.values()}
    assert f"healthy plants of {len(rows)} kinds watched for 26 weeks, {plants} of each" in said
    within, errors, alarms = (
        [float(row[name]) for row in rows.values()] for name in ("within", "within_error", "alarms")
    )
    assert (
        f"Within the budget are {100 * min(within):.0f} to {100 * max(within):.0f} % of a kind's "
        f"plants (an error of up to {100 * max(errors):.0f} points), "
        f"at {min(alarms):.2f} to {max(alarms):.2f} alarms a week"
    ) in said
    four, six = "4 lanes, 26 audits a lane and week", "6 lanes, 51 audits a lane and week"
    for kind in (*(f"{size}, {of} weeks" for size in (four, six) for of in (8, 2)), SHIFTS):
        row = rows[kind]
        assert f" {float(row['totes']):.1f} ({float(row['totes_error']):.1f})" in said, kind
