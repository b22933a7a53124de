"""Comparing two fractions and many lanes, against print, general libraries and plain roads."""

import csv
from pathlib import Path

import mpmath
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal
from scipy import stats
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.proportion import confint_proportions_2indep, multinomial_proportions_confint

from qa.compare import (
    adjusted,
    difference,
    difference_of_totes,
    funnel,
    ratio,
    ratio_of_totes,
    shares,
    variance_parts,
)
from qa.errors import InvalidInput
from qa.intervals import clustered

HERE = Path(__file__).parent / "reference" / "intervals"


def totes(name: str, group: str) -> dict[str, tuple[np.ndarray, np.ndarray]]:
    """Counts and sizes of a published data set, by its groups."""
    rows = list(csv.DictReader((HERE / name).read_text(encoding="utf-8").splitlines()[1:]))
    return {
        label: tuple(
            np.array([int(row[c]) for row in rows if row[group] == label]) for c in ("y", "n")
        )
        for label in dict.fromkeys(row[group] for row in rows)
    }


# Newcombe (1998), Statistics in Medicine 17, 873-890, table II; Miettinen-Nurminen limits of the
# same tables (seen in tests of general packages). Four printed decimals. The last two: R outputs
# seen in tests of statsmodels.
@pytest.mark.parametrize(
    ("pair", "method", "limits", "atol"),
    [
        ((56, 70, 48, 80), "newcombe", (0.0524, 0.3339), 5.1e-5),
        ((56, 70, 48, 80), "miettinen_nurminen", (0.0528, 0.3382), 5.1e-5),
        ((5, 56, 0, 29), "newcombe", (-0.0381, 0.1926), 5.1e-5),
        ((5, 56, 0, 29), "miettinen_nurminen", (-0.0326, 0.1933), 5.1e-5),
        ((7, 34, 1, 34), "newcombe", (0.019, 0.34), 5.1e-4),
        ((7, 34, 1, 34), "miettinen_nurminen", (0.0270416, 0.3452912), 6e-7),
    ],
)
def test_differences_agree_with_print(pair, method, limits, atol):
    found = difference(*pair, method=method)
    assert_allclose([found.low, found.high], limits, atol=atol)
    assert_allclose(found.estimate, pair[0] / pair[1] - pair[2] / pair[3])


# Fagerland & Newcombe (2013), Statistics in Medicine 32, 2823-2836 (figures seen in tests of a
# general package); three printed decimals.
@pytest.mark.parametrize(
    ("pair", "hybrid", "score"),
    [
        ((24, 73, 53, 65), (0.282, 0.563), (0.280, 0.560)),
        ((29, 55, 11, 11), (0.398, 0.761), (0.397, 0.742)),
        ((7, 18, 1, 18), (1.277, 40.751), (1.296, 42.544)),
    ],
)
def test_ratios_agree_with_print(pair, hybrid, score):
    found = ratio(*pair)
    assert_allclose([found.low, found.high], hybrid, atol=5.1e-4)
    found = ratio(*pair, method="miettinen_nurminen")
    assert_allclose([found.low, found.high], score, atol=5.1e-4)


pairs = st.tuples(st.integers(0, 60), st.integers(0, 60), st.integers(0, 60), st.integers(0, 60))


@given(pairs)
def test_limits_hold_the_estimate_and_mirror(counts):
    x1, y1, x2, y2 = counts
    n1, n2 = x1 + y1 + 1, x2 + y2 + 1
    for method in ("newcombe", "miettinen_nurminen"):
        found = difference(x1, n1, x2, n2, method=method)
        assert -1 <= found.low <= found.estimate + 1e-12
        assert found.estimate - 1e-12 <= found.high <= 1
        turned = difference(x2, n2, x1, n1, method=method)
        correct = difference(n1 - x1, n1, n2 - x2, n2, method=method)
        for mirror in (turned, correct):
            assert_allclose([mirror.low, mirror.high], [-found.high, -found.low], atol=1e-9)
        over = ratio(x1, n1, x2, n2, method=method)
        under = ratio(x2, n2, x1, n1, method=method)
        if x1 > 0 and x2 > 0:
            assert over.low <= over.estimate * (1 + 1e-9)
            assert over.high >= over.estimate * (1 - 1e-9)
            assert_allclose([1 / under.high, 1 / under.low], [over.low, over.high], rtol=1e-6)
        assert (over.low == 0) == (x1 == 0)
        assert (over.high == np.inf) == (x2 == 0)
        assert 0 <= found.p_value <= 1


# statsmodels' root finder stops at about 1e-3 of the limit, so the score is left to the next test.
@pytest.mark.parametrize("pair", [(310, 24_000, 220, 26_000), (150, 9_000, 151, 12_000)])
def test_large_samples_agree_with_a_general_library(pair):
    found = difference(*pair)
    same = confint_proportions_2indep(*pair, method="newcomb", compare="diff")
    assert_allclose([found.low, found.high], same, rtol=1e-9)
    found = ratio(*pair, method="miettinen_nurminen")
    same = confint_proportions_2indep(*pair, method="score", compare="ratio")
    assert_allclose([found.low, found.high], same, rtol=1e-3)


# Independent road: at each limit the score, its fractions found by bisection of the likelihood
# equation in 40 digits, is the normal quantile.
@pytest.mark.parametrize(
    "pair", [(310, 24_000, 220, 26_000), (3, 2_000_000, 40, 3_000_000), (5, 56, 3, 29)]
)
def test_score_limits_solve_their_equation_in_forty_digits(pair):
    found = difference(*pair, method="miettinen_nurminen")
    for limit, wanted in ((found.low, 1.959963984540054), (found.high, -1.959963984540054)):
        assert abs(score_in_forty_digits(*pair, float(limit)) - wanted) < 2e-7


def score_in_forty_digits(*pair: float) -> mpmath.mpf:
    with mpmath.workdps(40):
        x1, n1, x2, n2, delta = map(mpmath.mpf, pair)
        low, high = max(mpmath.mpf(0), -delta), min(mpmath.mpf(1), 1 - delta)
        for _ in range(140):
            p2 = (low + high) / 2
            p1 = p2 + delta
            slope = x1 / p1 - (n1 - x1) / (1 - p1) + x2 / p2 - (n2 - x2) / (1 - p2)
            low, high = (p2, high) if slope > 0 else (low, p2)
        n = n1 + n2
        variance = (p1 * (1 - p1) / n1 + p2 * (1 - p2) / n2) * n / (n - 1)
        return (x1 / n1 - x2 / n2 - delta) / mpmath.sqrt(variance)


# Chi-square of 142/158 and 112/145 without adjustment 8.90, p 0.0029 (general package, run on the
# data of Weil 1970); and Montgomery's 301/1400 against 133/1200, z 7.10 (memory).
def test_p_values_of_the_score_test():
    assert_allclose(difference(142, 158, 112, 145).p_value, 0.0029, atol=5e-5)
    assert_allclose(stats.norm.isf(difference(301, 1400, 133, 1200).p_value / 2), 7.10, atol=0.006)
    two = difference(30, 200, 15, 220)
    chi2, p, _, _ = stats.chi2_contingency([[30, 170], [15, 205]], correction=False)
    assert_allclose(two.p_value, p, rtol=1e-9)
    n = 420
    assert_allclose(
        difference(30, 200, 15, 220, method="miettinen_nurminen").p_value,
        stats.chi2.sf(chi2 * (n - 1) / n, 1),
        rtol=1e-9,
    )


# The p-value is below 5 % exactly where the score limits of 95 % leave 0 or 1 out.
@given(pairs)
def test_score_limits_and_p_value_say_the_same(counts):
    x1, y1, x2, y2 = counts
    n1, n2 = x1 + y1 + 1, x2 + y2 + 1
    found = difference(x1, n1, x2, n2, method="miettinen_nurminen")
    if abs(found.p_value - 0.05) > 1e-6:
        assert (found.low > 0 or found.high < 0) == (found.p_value < 0.05)
        over = ratio(x1, n1, x2, n2, method="miettinen_nurminen")
        assert (over.low > 1 or over.high < 1) == (found.p_value < 0.05)


# Weil (1970) / Williams (1975): rat litters, survival 142/158 against 112/145; Rao & Scott (1992)
# by group: design effects 1.232 and 3.953, p 0.0444 (memory; a general package run on the data).
def test_litters_differ_less_surely_than_pups():
    groups = list(totes("rats.csv", "group").values())
    (y1, n1), (y2, n2) = groups
    assert (y1.sum(), n1.sum(), y2.sum(), n2.sum()) == (142, 158, 112, 145)
    effects = [clustered(y, n).design_effect for y, n in groups]
    assert_allclose(effects, [1.232495, 3.952861], atol=5e-6)
    found = difference_of_totes(y1, n1, y2, n2)
    assert_allclose(found.p_value, 0.0444177, atol=5e-7)
    plain = difference(142, 158, 112, 145)
    assert found.low < plain.low
    assert found.high > plain.high
    assert_allclose(found.estimate, plain.estimate)
    over = ratio_of_totes(y1, n1, y2, n2)
    assert_allclose(over.estimate, ratio(142, 158, 112, 145).estimate)
    assert over.low < 1 < over.high


# Zou & Donner (2008): the joined limits meet the equations they are the roots of.
def test_joined_limits_of_totes_meet_their_equations():
    first, other = ([9, 2, 7, 4, 8], [200] * 5), ([1, 3, 0, 2, 2], [200] * 5)
    a, b = (clustered(*each).interval for each in (first, other))
    found = difference_of_totes(*first, *other)
    p1, p2 = a.estimate, b.estimate
    assert_allclose(found.low, p1 - p2 - np.sqrt((p1 - a.low) ** 2 + (b.high - p2) ** 2))
    assert_allclose(found.high, p1 - p2 + np.sqrt((a.high - p1) ** 2 + (p2 - b.low) ** 2))
    over = ratio_of_totes(*first, *other)
    assert_allclose((p1 - over.low * p2) ** 2, (p1 - a.low) ** 2 + (over.low * (b.high - p2)) ** 2)
    assert_allclose(
        (p1 - over.high * p2) ** 2, (a.high - p1) ** 2 + (over.high * (p2 - b.low)) ** 2
    )


def test_limits_of_totes_cover_where_pooled_ones_do_not():
    rng = np.random.default_rng(3)
    held = {"totes": 0, "pooled": 0}
    for _ in range(400):
        x = rng.binomial(200, rng.beta(0.03 * 32.3, 0.97 * 32.3, (2, 30)))
        n = np.full(30, 200)
        found = difference_of_totes(x[0], n, x[1], n)
        pooled = difference(x[0].sum(), 6000, x[1].sum(), 6000)
        held["totes"] += found.low <= 0 <= found.high
        held["pooled"] += pooled.low <= 0 <= pooled.high
    assert held["totes"] / 400 > 0.92  # 0.95 less three standard errors
    assert held["pooled"] / 400 < 0.7


# Benjamini & Hochberg (1995), section 3.2: 15 p-values, at 5 % 4 found, Holm's way 3; at 10 % 9.
P_1995 = """0.0001 0.0004 0.0019 0.0095 0.0201 0.0278 0.0298 0.0344 0.0459
0.324 0.4262 0.5719 0.6528 0.759 1.0"""


def test_adjusted_p_values_agree_with_print():
    p = [float(each) for each in P_1995.split()]
    assert (adjusted(p) <= 0.05).sum() == 3
    fdr = adjusted(p, method="benjamini_hochberg")
    assert ((fdr <= 0.05).sum(), (fdr <= 0.10).sum()) == (4, 9)


# Four samples, all pairs (tests of statsmodels, from R's pairwise.prop.test; seen).
def test_pairwise_holm_agrees_with_print():
    raw = [0.005338248865, 0.832757485, 0.1880573727, 0.002026764254, 0.1309487516, 0.1076118631]
    holm = [0.02669124433, 0.832757485, 0.4304474923, 0.01216058553, 0.4304474923, 0.4304474923]
    assert_allclose(adjusted(raw), holm, rtol=1e-7)


@given(st.lists(st.floats(0, 1), min_size=1, max_size=30))
def test_adjusted_p_values_are_those_of_a_general_library(p):
    assert_allclose(adjusted(p), multipletests(p, method="holm")[1], atol=1e-12)
    fdr = adjusted(p, method="benjamini_hochberg")
    assert_allclose(fdr, multipletests(p, method="fdr_bh")[1], atol=1e-12)


# Spiegelhalter (2005), appendix A.1.1 (formula; figures evaluated independently): 0.1 and n = 100.
def test_funnel_limits_of_the_evaluated_case():
    lanes = funnel([10], [100], center=0.1)
    assert_allclose(lanes.lower[0], [0.0404, 0.0142], atol=5e-5)
    assert_allclose(lanes.upper[0], [0.1577, 0.1984], atol=5e-5)
    many = funnel([10**5], [10**6], center=0.1)  # then the normal limits
    assert_allclose(many.upper[0], 0.1 + np.array([1.959964, 3.090232]) * 3e-4, rtol=2e-5)


def test_funnel_limits_lie_between_the_counts_that_bracket_them():
    n = np.array([40, 333, 2000])
    lanes = funnel([0, 0, 0], n, center=0.03, confidence=(0.9,))
    for at, size in enumerate(n):
        for limit, tail in ((lanes.lower[at, 0], 0.05), (lanes.upper[at, 0], 0.95)):
            r = np.ceil(limit * size - 1e-9)
            if limit > 0:
                ends = stats.binom.cdf([r - 1, r], size, 0.03)
                share = limit * size - (r - 1)
                assert_allclose(ends[0] + share * (ends[1] - ends[0]), tail, rtol=1e-9)


def test_funnel_p_values_are_mid_p_and_a_design_effect_counts_fewer_pieces():
    x, n = np.array([3, 30, 0]), np.array([500, 700, 90])
    lanes = funnel(x, n, center=0.02)
    law = stats.binom(n, 0.02)
    mid = law.cdf(x) - law.pmf(x) / 2
    assert_allclose(lanes.p_value, 2 * np.minimum(mid, 1 - mid), rtol=1e-9)
    wide = funnel(x, n, center=0.02, design_effect=2.0)
    same = funnel(x, n // 2, center=0.02)
    assert_allclose(wide.upper, same.upper, rtol=1e-12)
    assert (wide.p_value[:2] > lanes.p_value[:2]).all()
    assert funnel(x, n).center == 33 / 1290
    assert funnel(x, n, confidence=()).lower.shape == (3, 0)


# Sison & Glaz (1995), JASA 90, example 1 (seen in tests of general libraries): Goodman's limits.
def test_shares_have_goodman_s_limits():
    x = [56, 72, 73, 59, 62, 87, 58]
    found = shares(x)
    printed = [[0.085, 0.166], [0.115, 0.204], [0.116, 0.207], [0.091, 0.173]]
    printed += [[0.096, 0.181], [0.143, 0.239], [0.089, 0.171]]
    assert_allclose(np.stack([found.low, found.high], axis=1), printed, atol=6e-4)
    same = multinomial_proportions_confint(x, method="goodman")
    assert_allclose(np.stack([found.low, found.high], axis=1), same, rtol=1e-9)


def test_shares_are_ordered_and_add_up():
    table = np.array([[40, 5, 0], [12, 3, 40]])
    found = shares(table)
    assert found.order.tolist() == [0, 5, 3, 1, 4, 2]
    assert_allclose(found.cumulative[-1], 1)
    assert_array_equal(found.share, table / 100)
    assert found.low[0, 2] == 0 < found.high[0, 2]
    wide = shares(table, design_effect=4.0)
    assert (wide.high > found.high).all()
    assert_allclose(shares(table * 4, design_effect=4.0).high, found.high)
    assert shares([7]).low < shares([7]).high == 1


# Donner (1989): common correlation of the rat litters 0.2506 in their two groups, and of the
# calves' herds 0.0439 in four (memory; a general package run on the data). The treated litters
# alone 0.3721348 (Donner 1986).
@pytest.mark.parametrize(
    ("name", "group", "rho"),
    [("rats.csv", "group", 0.250575711), ("antibio.csv", "treatment", 0.04394115793)],
)
def test_correlations_of_totes_in_lanes_agree_with_donner(name, group, rho):
    groups = totes(name, group)
    y, n = (np.concatenate([each[at] for each in groups.values()]) for at in (0, 1))
    label = np.repeat(list(groups), [each[0].size for each in groups.values()])
    assert_allclose(variance_parts(y, n, label).tote_correlation, rho, rtol=1e-7)


def test_one_lane_has_the_correlation_of_its_totes():
    y, n = totes("rats.csv", "group")["TREAT"]
    assert_allclose(variance_parts(y, n).tote_correlation, 0.3721348138, rtol=1e-9)
    assert_allclose(variance_parts(y, n).tote_correlation, clustered(y, n).correlation, rtol=1e-9)
    assert np.isnan(variance_parts(y, n).lanes)


def test_parts_are_right_on_the_average():
    """Unbiased for any sizes: lanes from a law of variance 4e-4, totes in them of about 3e-4."""
    rng = np.random.default_rng(12)
    n = rng.integers(20, 60, 24)
    lane = np.repeat(np.arange(6), [2, 3, 4, 4, 5, 6])
    found = []
    for _ in range(3000):
        level = (0.1 + 0.02 * rng.choice([-1, 1], 6))[lane]
        p = level + np.sqrt(3e-4) * rng.choice([-1, 1], lane.size)
        parts = variance_parts(rng.binomial(n, p), n, lane)
        found.append([parts.within, parts.totes, parts.lanes])
    error = np.std(found, axis=0) / np.sqrt(len(found))
    expected = [0.1 * 0.9 - 4e-4 - 3e-4, 3e-4, 4e-4]
    assert (np.abs(np.mean(found, axis=0) - expected) < 4 * error).all()
    assert (4 * error < [1e-3, 1.5e-4, 1.5e-4]).all()


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: difference(3, 2, 1, 2), "count must be from 0 to inspected, got 3 of 2"),
        (lambda: difference(1, 2, 3, 2), "other_count must be from 0 to other_inspected, got 3 of"),
        (lambda: difference([1, 2], 9, [1, 2, 3], 9), "both samples must have one shape, got"),
        (lambda: ratio(1, 2, 1, 2, method="wald"), "method must be one of newcombe, mietti"),
        (lambda: ratio(1, 2, 1, 2, confidence=1.0), "confidence must be between 0 and 1"),
        (lambda: difference_of_totes([1], [2], [3], [2]), "other_count must be from 0 to other_i"),
        (lambda: adjusted([0.1, 1.2]), "p_value must be from 0 to 1, got 1.2 at position 1"),
        (lambda: adjusted([[0.1]]), "p_value must be one family, got an array of 2 dimensions"),
        (lambda: adjusted([0.1], method="hochberg"), "method must be one of holm, benjamini_h"),
        (lambda: funnel([[1]], 9), "count must be one value a lane, got an array of 2 dim"),
        (lambda: funnel([0], 9), "center must be between 0 and 1, both excluded, got 0"),
        (lambda: funnel([1], 9, design_effect=0), "design_effect must be above 0, got 0"),
        (lambda: shares([0, 0]), "count must hold 1 piece or more, got none"),
        (lambda: shares([1], design_effect=-1), "design_effect must be above 0, got -1"),
        (lambda: variance_parts([1, 2], [9, 9], ["a"]), "lane must have 2 labels, got 1"),
        (lambda: variance_parts([[1]], 9), "count must be one value a tote, got an array of 2"),
        (
            lambda: variance_parts([1, 2], [9, 9], ["a", "b"]),
            "some lane must have two totes and some tote two pieces, got 2 totes of 2 lanes and 18",
        ),
    ],
)
def test_bad_input_is_told_the_rule(call, message):
    with pytest.raises(InvalidInput, match=message):
        call()
