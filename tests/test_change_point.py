"""The change point: printed example, brute force over every split, coverage by simulation."""

import csv
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy import optimize, special, stats

from qa.charts import change_point
from qa.errors import InvalidInput

COAL = Path(__file__).parent / "reference" / "charts" / "coal_disasters_111.csv"


# Raftery & Akman (1986); Carlin, Gelfand & Smith (1992) (memory): 41 years at about 3.1 disasters a
# year, then 0.9. Poisson there; here as pieces of 5,000 a year, which is as good as Poisson.
def test_coal_disasters_change_after_1891():
    rows = csv.DictReader(COAL.read_text(encoding="utf-8").splitlines()[1:])
    counts = [int(row["count"]) for row in rows]
    step = change_point(counts, 5000)
    assert step.index == 41
    assert_allclose([step.before * 5000, step.after * 5000], [3.1, 0.9], atol=0.05)
    assert_allclose([step.before * 5000, step.after * 5000], [127 / 41, 64 / 70], rtol=1e-3)
    assert_allclose(2 * step.gain, 68.378, rtol=2e-3)  # computed, Poisson
    x, k = np.array(counts), np.arange(1, 111)
    before, after = np.cumsum(x)[:-1], x.sum() - np.cumsum(x)[:-1]
    splits = special.xlogy(before, before / k) + special.xlogy(after, after / (111 - k))
    likely = splits >= splits.max() + np.log1p(-np.sqrt(0.9))
    assert step.set.tolist() == k[likely].tolist()


def log_likelihood(x, n, p, rho):
    if x.sum() in (0, n.sum()) and p in (0.0, 1.0):
        return 0.0
    if rho == 0:
        return float(stats.binom.logpmf(x, n, p).sum())
    a, b = p * (1 - rho) / rho, (1 - p) * (1 - rho) / rho
    return float((special.betaln(a + x, b + n - x) - special.betaln(a, b)).sum())


def best(x, n, rho):
    """Rate and log-likelihood of a stretch, by a general-purpose optimiser."""
    if x.sum() in (0, n.sum()):
        return x.sum() / n.sum(), 0.0
    if rho == 0:
        p = x.sum() / n.sum()
        return p, float((special.xlogy(x, p) + special.xlog1py(n - x, -p)).sum())
    found = optimize.minimize_scalar(
        lambda u: -log_likelihood(x, n, special.expit(u), rho),
        bounds=(-16, 16),
        method="bounded",
        options={"xatol": 1e-9},
    )
    return special.expit(found.x), -found.fun


@pytest.mark.parametrize("rho", [0.0, 0.01, 0.1])
@pytest.mark.parametrize("seed", range(4))
def test_every_split_agrees_with_brute_force(rho, seed):
    rng = np.random.default_rng(seed)
    m = 24
    n = rng.integers(60, 250, m)
    rate = np.where(np.arange(m) < 15, 0.01, 0.04)
    x = rng.binomial(n, rng.beta(rate * 99, (1 - rate) * 99))
    splits = [best(x[:k], n[:k], rho)[1] + best(x[k:], n[k:], rho)[1] for k in range(1, m)]
    step = change_point(x, n, correlation=rho)
    likely = np.array(splits) >= max(splits) + np.log1p(-np.sqrt(0.9))
    assert step.index == np.argmax(splits) + 1
    assert step.set.tolist() == (np.flatnonzero(likely) + 1).tolist()
    assert (step.low, step.high) == (step.set[0], step.set[-1])
    assert_allclose(step.gain, max(splits) - best(x, n, rho)[1], atol=0.02)
    assert_allclose(step.before, best(x[: step.index], n[: step.index], rho)[0], rtol=5e-3)
    assert_allclose(step.after, best(x[step.index :], n[step.index :], rho)[0], rtol=5e-3)


def test_gain_keeps_its_digits_in_large_samples():
    """Closed form at correlation 0, where the likelihood is narrow beside the grid of rates."""
    x = np.array([400, 420, 380, 410, 390, 60, 500, 480, 520, 490, 510, 470])
    step = change_point(x, 20_000)
    k = step.index
    expected = best(x[:k], np.full(k, 20_000), 0.0)[1]
    expected += best(x[k:], np.full(x.size - k, 20_000), 0.0)[1]
    expected -= best(x, np.full(x.size, 20_000), 0.0)[1]
    assert_allclose(step.gain, expected, rtol=1e-5)


def test_without_correlation_the_rates_are_the_pooled_fractions():
    x, n = (
        np.array([1, 2, 0, 2, 1, 6, 9, 7, 5]),
        np.array([200, 100, 150, 200, 250, 180, 200, 90, 120]),
    )
    step = change_point(x, n)
    assert_allclose(step.before, x[: step.index].sum() / n[: step.index].sum(), rtol=1e-3)
    assert_allclose(step.after, x[step.index :].sum() / n[step.index :].sum(), rtol=1e-3)


# The coverage claimed in the docstring, for a doubling and a trebling: 600 series a cell, so a
# share of 0.9 has a standard error of 0.012.
@pytest.mark.parametrize(
    ("totes", "at", "before", "after", "rho"),
    [(200, 150, 0.01, 0.02, 0.01), (100, 80, 0.01, 0.03, 0.01), (200, 100, 0.01, 0.02, 0.0)],
)
@pytest.mark.parametrize("known", [False, True])
def test_the_set_covers_as_often_as_it_says(totes, at, before, after, rho, known):
    rng = np.random.default_rng(31)
    hits, level = 0, before if known else None
    for _ in range(600):
        n = rng.integers(100, 251, totes)
        rate = np.where(np.arange(totes) < at, before, after)
        p = rng.beta(rate * (1 - rho) / rho, (1 - rate) * (1 - rho) / rho) if rho else rate
        hits += at in change_point(rng.binomial(n, p), n, correlation=rho, before=level).set
    assert hits / 600 > 0.9 - 2 * 0.012


def test_a_known_level_before_is_kept():
    count = [2, 1, 3, 2, 6, 5, 7]
    step = change_point(count, 200, before=0.01)
    assert step.before == 0.01
    assert step.index == 4
    assert_allclose(step.after, 18 / 600, rtol=1e-3)


def test_nothing_incorrect_before_or_after():
    step = change_point([0, 0, 0, 0, 5, 6, 4], 100, correlation=0.01)
    assert (step.index, step.before) == (4, 0.0)
    back = change_point([5, 6, 4, 0, 0, 0, 0], 100, correlation=0.01)
    assert (back.index, back.after) == (3, 0.0)


@pytest.mark.parametrize("count", [0, 2, 100])
def test_no_step_leaves_every_position_open(count):
    step = change_point([count] * 6, 100, correlation=0.01)
    assert step.set.tolist() == [1, 2, 3, 4, 5]
    assert_allclose(step.gain, 0, atol=2e-3)
    assert_allclose(step.before, step.after, atol=1e-6)
    alike = change_point([count] * 6, 100)
    assert_allclose([alike.before, alike.after], count / 100, atol=1e-6)


@given(
    st.lists(st.integers(0, 80), min_size=2, max_size=20),
    st.sampled_from([0.0, 0.02]),
    st.sampled_from([0.5, 0.9, 0.99]),
)
def test_set_holds_the_index_and_grows_with_confidence(counts, rho, confidence):
    x = np.array(counts)
    step = change_point(x, 80, correlation=rho, confidence=confidence)
    assert step.low <= step.index <= step.high
    assert step.index in step.set
    assert step.gain >= 0
    assert 0 <= step.before <= 1
    assert 0 <= step.after <= 1
    wider = change_point(x, 80, correlation=rho, confidence=0.995)
    assert set(step.set) <= set(wider.set)


@given(st.lists(st.integers(0, 60), min_size=3, max_size=15))
def test_time_reversed_and_correct_for_incorrect_mirror(counts):
    x = np.array(counts)
    step = change_point(x, 60, correlation=0.02)
    back = change_point(x[::-1], 60, correlation=0.02)
    good = change_point(60 - x, 60, correlation=0.02)
    assert_allclose([step.gain, step.gain], [back.gain, good.gain], atol=2e-3)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: change_point([3], 10), r"one series of 2 totes or more, got shape \(1,\)"),
        (lambda: change_point([3, 11], 10), "count must be from 0 to inspected, got 11 of 10"),
        (lambda: change_point([3, 1], 10, confidence=1.0), "confidence must be between 0 and 1"),
        (lambda: change_point([3, 1], 10, before=0.0), "before must be between 0 and 1"),
        (lambda: change_point([3, 1], 10, correlation=2), "correlation must be from 0 to 1"),
    ],
)
def test_bad_input_is_told_the_rule(call, message):
    with pytest.raises(InvalidInput, match=message):
        call()


def test_a_rise_is_dated_where_an_improvement_came_before_it() -> None:
    # The fall at 40 is the likelier step of the two; a chart that watches for a rise asks for it.
    x = np.repeat([8, 2, 6], [40, 60, 8])
    assert change_point(x, 200).index == 40
    rise = change_point(x, 200, toward="up")
    assert (rise.index, rise.set.min() > 90) == (100, True)
    mirrored = change_point(200 - x, 200, toward="down")
    assert (mirrored.index, mirrored.low, mirrored.high) == (rise.index, rise.low, rise.high)
    assert change_point(x, 200, toward="down").index == 40


def test_without_a_step_that_way_every_step_is_looked_at() -> None:
    falling = [9, 7, 5, 3, 1]
    assert change_point(falling, 200, toward="up").set.tolist() == (
        change_point(falling, 200).set.tolist()
    )
    assert change_point(falling, 200, toward="up").index == change_point(falling, 200).index > 1
    with pytest.raises(InvalidInput, match='toward must be one of either, up, down, got "rise"'):
        change_point(falling, 200, toward="rise")
