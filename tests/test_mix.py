"""The mix of categories against the baseline's mix."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal
from scipy import stats
from statsmodels.stats.multitest import multipletests

from qa.charts import mix, mix_run_length
from qa.errors import InvalidInput


# Four samples of 86, 93, 136 and 82 with 73, 90, 114 and 75 correct, homogeneity 11.11938769 on 3
# degrees of freedom, p 0.0110975 (seen: tests of statsmodels, from R): here as two rows.
def test_homogeneity_agrees_with_print():
    found = mix([13, 3, 22, 7], [73, 90, 114, 75], tables=0)
    assert_allclose(found.statistic, 11.11938769, rtol=1e-9)
    assert_allclose(found.p_value, 0.01109751137, rtol=1e-9)
    assert found.degrees_of_freedom.tolist() == [3]
    assert found.exact.tolist() == [False]


# Shares 0.95, 0.03 and 0.02 known, counts 90, 6 and 4 (evaluated independently, nothing printed):
# chi-square 5.263158, exact p 0.068751. A huge baseline is as good as known.
def test_a_known_mix_is_the_limit_of_a_large_baseline():
    large = (np.array([0.95, 0.03, 0.02]) * 1e9).astype(int)
    found = mix([90, 6, 4], large)
    assert_allclose(found.statistic, 5.263158, rtol=1e-6)
    assert_allclose(found.p_value, 0.068751, atol=5e-7)
    assert found.exact.tolist() == [True]
    assert_allclose(mix([90, 6, 4], large, tables=0).p_value, 0.071965, atol=5e-7)


@given(
    st.lists(st.integers(0, 9), min_size=3, max_size=3),
    st.lists(st.integers(0, 30), min_size=3, max_size=3).filter(sum),
)
def test_exact_p_values_are_those_of_plain_enumeration(count, baseline):
    both, n = np.add(count, baseline), sum(count)
    law = stats.multivariate_hypergeom(both, n)
    expected = both * n / both.sum()

    def off(x):
        seen = both > 0
        away = (x[seen] - expected[seen]) ** 2
        parts = expected[seen], (both - expected)[seen]
        return sum(float((away[p > 0] / p[p > 0]).sum()) for p in parts)

    far = off(np.array(count)) - 1e-7
    p = 0.0
    for a in range(min(both[0], n) + 1):
        for b in range(min(both[1], n - a) + 1):
            x = np.array([a, b, n - a - b])
            if x[2] <= both[2] and off(x) >= far:
                p += law.pmf(x)
    found = mix(count, baseline)
    assert_allclose(found.p_value, min(p, 1), rtol=1e-7)


def test_chi_square_and_residuals_are_those_of_the_table():
    count, baseline = np.array([20, 45, 11, 70]), np.array([210, 240, 160, 600])
    found = mix(count, baseline, tables=0)
    chi2, p, freedom, expected = stats.chi2_contingency([count, baseline], correction=False)
    assert_allclose([found.statistic[0], found.p_value[0]], [chi2, p], rtol=1e-10)
    assert found.degrees_of_freedom[0] == freedom
    assert_allclose(found.expected[0], expected[0], rtol=1e-12)
    # Two categories: the residual's square is chi-square itself.
    two = mix([20, 80], [150, 300], tables=0)
    assert_allclose(two.residual[0] ** 2, two.statistic[0], rtol=1e-10)


def test_driving_categories_are_picked_holm_s_way():
    rng = np.random.default_rng(3)
    baseline = np.array([210, 240, 160, 600])
    drawn = rng.multinomial(120, [0.2, 0.28, 0.1, 0.42], 200)
    found = mix(drawn, baseline, tables=0, false_alarm=0.05)
    assert 20 < found.signals.sum() < 180
    for period in range(200):
        p_values = 2 * stats.norm.sf(np.abs(found.residual[period]))
        alone = multipletests(p_values, 0.05, method="holm")[0]
        assert_array_equal(found.drives[period], alone & found.signals[period])


def test_a_changed_mix_signals_and_names_its_category():
    found = mix([[30, 28, 12], [10, 60, 12]], [300, 290, 110])
    assert found.signals.tolist() == [False, True]
    assert found.drives.tolist() == [[False] * 3, [True, True, False]]
    assert found.residual[1, 1] > 3 > -3 > found.residual[1, 0]


def test_false_alarms_are_as_few_as_allowed():
    rng = np.random.default_rng(7)
    shares = [0.6, 0.3, 0.1]
    alarms = [
        mix(rng.multinomial(25, shares), rng.multinomial(300, shares), false_alarm=0.05).signals[0]
        for _ in range(1500)
    ]
    assert np.mean(alarms) < 0.05 + 3 * np.sqrt(0.05 * 0.95 / 1500)
    assert np.mean(alarms) > 0.02


def test_a_design_effect_divides_the_statistic():
    plain = mix([20, 45, 11], [210, 240, 160], tables=0)
    less = mix([20, 45, 11], [210, 240, 160], design_effect=2.0)
    assert_allclose(less.statistic, plain.statistic / 2)
    assert_allclose(less.residual, plain.residual / np.sqrt(2))
    assert not less.exact[0]


def test_nothing_found_and_categories_never_seen():
    nothing = mix([0, 0, 0], [5, 3, 0])
    assert nothing.p_value.tolist() == [1.0]
    assert nothing.statistic.tolist() == [0.0]
    unseen = mix([2, 9, 0], [40, 12, 0])
    assert_allclose(unseen.p_value, mix([2, 9], [40, 12]).p_value)
    assert unseen.degrees_of_freedom.tolist() == [1]
    assert mix([4, 0], [9, 0]).p_value.tolist() == [1.0]
    assert mix(np.zeros((0, 2)), [9, 1]).p_value.size == 0


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: mix([1, 2], [1, 2, 3]), r"column for each .* got shapes \(1, 2\) and \(3,\)"),
        (lambda: mix([1.5, 2], [1, 2]), "count must be whole numbers, 0 or more, got 1.5"),
        (lambda: mix([1, 2], [0, 0]), "baseline must hold 1 piece or more, got none"),
        (lambda: mix([1, 2], [1, -2]), "baseline must be whole numbers, 0 or more, got -2"),
        (lambda: mix([1, 2], [1, 2], design_effect=0), "design_effect must be above 0, got 0"),
        (lambda: mix([1, 2], [1, 2], design_effect=[1, 2]), "design_effect must be one number"),
        (lambda: mix([1, 2], [1, 2], false_alarm=0), "false_alarm must be between 0 and 1"),
    ],
)
def test_bad_input_is_told_the_rule(call, message):
    with pytest.raises(InvalidInput, match=message):
        call()


# Simulated: 20,000 periods drawn from each mix, judged by `mix` itself; 3.5 standard errors.
@pytest.mark.parametrize("shares", [None, [0.2, 0.2, 0.6]])
def test_a_mix_signals_as_often_as_simulated(shares):
    base = [40, 35, 25]
    drawn = np.random.default_rng(6).multinomial(15, shares or [0.4, 0.35, 0.25], 20_000)
    kinds, times = np.unique(drawn, axis=0, return_counts=True)
    rate = mix(kinds, base, false_alarm=0.05).signals @ times / 20_000
    run = mix_run_length(base, 15, shares=shares, false_alarm=0.05)
    assert abs(1 / run.mean - rate) < 3.5 * np.sqrt(rate / 20_000)


def test_two_categories_are_a_binomial_count():
    """One category's count tells all: the chance is binomial, summed over counts that signal."""
    found = mix([[x, 12 - x] for x in range(13)], [30, 70], false_alarm=0.02)
    chance = stats.binom(12, 0.6).pmf(np.arange(13))[found.signals].sum()
    run = mix_run_length([30, 70], 12, shares=[0.6, 0.4], false_alarm=0.02)
    assert_allclose([run.mean, run.sd], [1 / chance, np.sqrt(1 - chance) / chance], rtol=1e-9)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (
            lambda: mix_run_length([3, 4], 5, shares=[0.5, 0.6]),
            r"shares must be 2 fractions that sum to 1, got 2 that sum to 1\.1",
        ),
        (lambda: mix_run_length([3, 4], 5, shares=[1.0]), "got 1 that sum to 1"),
        (lambda: mix_run_length([3, 4], 0), "inspected must be whole numbers, 1 or more, got 0"),
        (lambda: mix_run_length([1] * 6, 60), "in 5000 ways or fewer, got 8.25"),
        (lambda: mix_run_length([0, 0], 5, shares=[0.5, 0.5]), "baseline must hold 1 piece"),
    ],
)
def test_a_run_of_mixes_tells_the_rule(call, message):
    with pytest.raises(InvalidInput, match=message):
        call()
