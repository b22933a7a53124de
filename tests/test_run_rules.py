"""Run rules: what signals, and what each costs in false alarms."""

import csv
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal
from scipy import special, stats

from qa import wording
from qa.charts import (
    RUN_RULES,
    RunRule,
    c_chart,
    ewma,
    np_chart,
    p_chart,
    rule_run_lengths,
    run_rules,
    shewhart_run_length,
)
from qa.charts.run_length import chain
from qa.charts.run_rules import _chain, _moves
from qa.errors import InvalidInput

TABLE = Path(__file__).parent / "reference" / "charts" / "run_lengths.csv"
ROWS = [
    row
    for row in csv.DictReader(TABLE.read_text(encoding="utf-8").splitlines())
    if row["chart"] == "Shewhart+runs rules"
]
# The paper's numbers, to read its table by; nowhere else does a rule have one.
PAPER = {"2": RunRule(2, 3, 2.0), "3": RunRule(4, 5, 1.0), "4": RunRule(8, 8)}
LINES = [0.0, 1.0, 2.0]


# Champ & Woodall (1987), Technometrics 29, table 1 (memory; all rules in control 91.75 seen in the
# NIST/SEMATECH e-Handbook, 6.3.2): normal values, limits at three standard deviations.
@pytest.mark.parametrize("row", ROWS, ids=lambda row: row["parameters"] + " " + row["shift"])
def test_printed_run_lengths_of_rules(row):
    rules = [PAPER[number] for number in row["parameters"].split()[1] if number != "1"]
    chance = np.diff(special.ndtr(np.arange(-3.0, 4.0) - float(row["shift"])))
    levels = np.insert(chance, 3, 0.0)  # no value lies on the centre line
    run = chain.run_length(_chain(_moves(rules, LINES), levels))
    assert_allclose(run.mean, float(row["recomputed"]), rtol=1e-5)
    assert_allclose(run.mean, float(row["ARL"]), atol=0.0061)  # two of 38 are cut, not rounded


def plainly(z: np.ndarray, rule: RunRule) -> list[bool]:
    """The rule as it is said, point by point."""
    found = []
    for at in range(z.size):
        last = z[max(at + 1 - rule.of, 0) : at + 1]
        sides = [side * last > rule.beyond + 1e-9 for side in (1, -1)]
        found.append(any(side[-1] and side.sum() >= rule.points for side in sides))
    return found


@given(
    st.lists(st.integers(0, 9), min_size=1, max_size=60),
    st.integers(1, 8),
    st.integers(0, 4),
    st.sampled_from([0.0, 0.7, 1.0, 2.0]),
)
def test_a_rule_signals_where_its_words_say(count, points, more, beyond):
    chart = p_chart(count, 150, center=0.02)
    rule = RunRule(points, points + more, beyond)
    z = (chart.statistic - chart.center) / chart.sigma
    assert run_rules(chart, [rule])[0].tolist() == plainly(z, rule)


def test_series_do_not_run_into_each_other():
    rng = np.random.default_rng(2)
    label, count = rng.integers(0, 5, 400), rng.binomial(200, 0.016, 400)
    together = run_rules(p_chart(count, 200, center=0.01), series=label)
    blocks = run_rules(
        p_chart(count[np.argsort(label, kind="stable")], 200, center=0.01), series=np.sort(label)
    )
    for each in range(5):
        own = run_rules(p_chart(count[label == each], 200, center=0.01))
        assert_array_equal(together[:, label == each], own)
        assert_array_equal(blocks[:, np.sort(label) == each], own)
        assert own.any()


def test_a_point_on_a_line_is_not_beyond_it():
    chart = c_chart([16] * 8 + [24, 24, 24], center=16)
    rules = [RunRule(1, 1), RunRule(2, 3, 2.0), RunRule(3, 3)]
    assert run_rules(chart, rules).any(axis=1).tolist() == [True, False, True]
    assert run_rules(chart, [RunRule(8, 8)]).any() == np.False_


def test_a_count_off_a_line_without_deviation_is_beyond_every_line():
    chart = p_chart([0, 1, 0, 1, 2], 10, center=0.0)
    found = run_rules(chart, [RunRule(2, 3, 2.0), RunRule(2, 2)])
    assert found.tolist() == [[False, False, False, True, True], [False] * 4 + [True]]
    run = rule_run_lengths(chart, [RunRule(1, 1, 2.0)], rate=0.1)
    assert_allclose(run.alone[0].mean, 1 / (1 - 0.9**10), rtol=1e-9)


def test_a_count_on_a_line_is_not_beyond_it_in_run_lengths_either():
    chart = c_chart([16], center=16)  # 8 and 24 lie on the lines at two deviations
    found = rule_run_lengths(chart, [RunRule(1, 1, 2.0)], model="poisson")
    beyond = stats.poisson(16).sf(24) + stats.poisson(16).cdf(7)
    assert_allclose(found.alone[0].mean, 1 / beyond, rtol=1e-9)


def test_no_rules_find_nothing_and_no_points_neither():
    assert run_rules(p_chart([1], 100, center=0.01), []).shape == (0, 1)
    assert run_rules(p_chart([], [], center=0.01)).shape == (3, 0)


def test_without_rules_the_run_is_that_of_the_limits():
    chart = p_chart([0] * 3, [100, 150, 250], center=0.02, correlation=0.01, limits="beta_binomial")
    found = rule_run_lengths(chart, (), rate=0.05, correlation=0.01)
    alone = shewhart_run_length(chart, rate=0.05, correlation=0.01)
    assert_allclose(found.limits.mean, alone.mean, rtol=1e-9)
    assert found.together == found.limits
    assert found.alone == ()


@pytest.mark.parametrize("rate", [None, 0.03])
def test_two_in_a_row_on_one_side_by_first_steps(rate):
    p = 0.02 if rate is None else rate
    chart = p_chart(0, 200, center=0.02)
    above, below = stats.binom.sf(4, 200, p), stats.binom.cdf(3, 200, p)
    found = rule_run_lengths(chart, [RunRule(2, 2)], rate=rate)
    assert_allclose(found.alone[0].mean, mean_run(above, below), rtol=1e-9)


def mean_run(a: float, b: float) -> float:
    """Mean points to two in a row of either kind, from the three equations of first steps."""
    rest = 1 - a - b  # E0 = 1 + a Ea + b Eb + rest E0; Ea = 1 + b Eb + rest E0; Eb likewise
    system = np.array([[1 - rest, -a, -b], [-rest, 1, -b], [-rest, -a, 1]])
    return float(np.linalg.solve(system, np.ones(3))[0])


@pytest.mark.parametrize("rate", [0.01, 0.02])
@pytest.mark.parametrize("start", ["zero", "steady"])
def test_run_lengths_agree_with_simulation(rate, start):
    rng = np.random.default_rng(4)
    sizes, rho, quiet = np.array([120, 200, 240]), 0.01, 40 if start == "steady" else 0
    chart = p_chart([0] * 3, sizes, center=0.01, correlation=rho, limits="beta_binomial")
    found = rule_run_lengths(chart, rate=rate, correlation=rho, start=start)
    runs: list[list[int]] = [[] for _ in range(4)]
    for _ in range(1500):
        n = rng.choice(sizes, quiet + 1500)
        level = np.where(np.arange(n.size) < quiet, 0.01, rate)
        count = rng.binomial(n, rng.beta(level * 99, (1 - level) * 99))
        drawn = p_chart(count, n, center=0.01, correlation=rho, limits="beta_binomial")
        signals = run_rules(drawn)
        for kept, each in zip(runs, [*signals, drawn.signals | signals.any(axis=0)], strict=True):
            first = np.flatnonzero(each)
            if first.size and first[0] >= quiet:
                kept.append(int(first[0]) - quiet + 1)
    for run, kept in zip([*found.alone, found.together], runs, strict=True):
        if run.mean > 150:
            continue  # cut off by the length simulated
        error = np.std(kept) / np.sqrt(len(kept))
        assert abs(run.mean - np.mean(kept)) < 4.5 * error


def test_every_rule_adds_false_alarms():
    chart = np_chart([2], 200, center=0.01)
    found = rule_run_lengths(chart)
    assert found.together.mean < min(run.mean for run in (found.limits, *found.alone))
    fewer = rule_run_lengths(chart, RUN_RULES[:1])
    assert found.together.mean < fewer.together.mean < fewer.limits.mean


def test_defects_have_run_lengths_too():
    chart = c_chart([4], center=4.0)
    found = rule_run_lengths(chart, [RunRule(2, 3, 2.0)], model="poisson")
    assert_allclose(
        found.limits.mean, shewhart_run_length(chart, rate=4.0, model="poisson").mean, rtol=1e-9
    )
    assert found.together.mean < found.limits.mean


def test_rules_are_said_in_words():
    words = wording.load("en")

    def said(rule: RunRule) -> str:
        return words.say(rule.sentence, points=rule.points, of=rule.of, beyond=rule.beyond)

    assert said(RunRule(8, 8)) == "8 points in a row on one side of the centre line"
    assert said(RunRule(10, 11)) == "10 of 11 points in a row on one side of the centre line"
    row = "points in a row more than 2 standard deviations off on one side"
    assert said(RunRule(2, 2, 2.0)) == f"2 {row}"
    assert said(RunRule(2, 3, 2.0)) == f"2 of 3 {row}"


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: RunRule(9, 8), "points must be from 1 to of, and of up to 20, got 9 of 8"),
        (lambda: RunRule(0, 8), "got 0 of 8"),
        (lambda: RunRule(21, 21), "got 21 of 21"),
        (lambda: RunRule(2, 3, -1.0), "beyond must be 0 or more, got -1.0"),
        (
            lambda: run_rules(ewma([1, 2], 100, center=0.01, width=3)),
            "run rules must be used on a chart that judges each point alone",
        ),
        (
            lambda: run_rules(p_chart([1, 2], 100), series=["a"]),
            "series must have 2 labels, got 1",
        ),
        (
            lambda: rule_run_lengths(p_chart(1, 100), start="warm"),
            'start must be one of zero, steady, got "warm"',
        ),
        (
            lambda: rule_run_lengths(p_chart(1, 100), [RunRule(9, 18), RunRule(5, 9, 1.0)]),
            "rules must be fewer or shorter: .* more than 3000 things, got . of up to 18 points",
        ),
        (lambda: rule_run_lengths(p_chart(1, 100), rate=2), "rate must be between 0 and 1"),
    ],
)
def test_bad_input_is_told_the_rule(call, message):
    with pytest.raises(InvalidInput, match=message):
        call()
