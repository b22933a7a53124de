"""Binomial intervals against published limits, high precision, enumeration and their own rules."""

import json
from pathlib import Path
from typing import Any

import mpmath as mp
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal
from scipy import special

from qa.errors import InvalidInput
from qa.intervals import binomial
from tests.high_precision import exact_tail

HERE = Path(__file__).parent / "reference" / "intervals"
CASES = {
    case["id"]: case
    for file in ("published.json", "one_sample.json")
    for case in json.loads((HERE / file).read_text("utf-8"))
}
METHODS = ("exact", "wilson", "wilson_cc", "jeffreys", "mid_p", "agresti_coull", "blaker")

levels = st.floats(0.01, 0.9999)
methods = st.sampled_from(METHODS)
pairs = st.integers(1, 10**6).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))


def limits(x: Any, n: Any, **asked: Any) -> np.ndarray:
    found = binomial(x, n, **asked)
    return np.stack([found.low, found.high], axis=-1)


# Newcombe (1998), Statistics in Medicine 17, 857-872, table I (four printed decimals); Brown, Cai &
# DasGupta (2001) for Jeffreys: the sources stand beside the figures in published.json.
@pytest.mark.parametrize(
    ("case", "method"),
    [
        ("newcombe-wilson", "wilson"),
        ("newcombe-wilson-cc", "wilson_cc"),
        ("newcombe-exact", "exact"),
        ("jeffreys-ends", "jeffreys"),
    ],
)
def test_intervals_agree_with_published_tables(case: str, method: str) -> None:
    x, n = np.transpose(CASES[case]["inputs"]["cases"])
    expected, tolerance = CASES[case]["expected"], CASES[case]["tolerance"]
    assert_allclose(limits(x, n, method=method), expected, rtol=0, atol=tolerance)


# CRAN epiR vignette on descriptive epidemiology, five printed decimals of per cent.
def test_exact_limits_of_six_regions() -> None:
    case = CASES["six-regions"]
    x, n = np.transpose(case["inputs"]["cases"])
    assert_allclose(100 * limits(x, n), case["expected"], rtol=0, atol=case["tolerance"])


# CRAN epiR vignette on diagnostic tests, example 3; statsmodels' stored results from R.
def test_wilson_limits_of_single_cases() -> None:
    assert_allclose(
        limits(26, 200, method="wilson"), CASES["wilson-26-200"]["expected"]["ci"], atol=6e-8
    )
    assert_allclose(
        limits(1, 30, method="wilson"), CASES["one-of-30"]["expected"]["wilson"], atol=1e-7
    )


# statsmodels tests/results/results_proportion.py (values from R): lower limits of 30 of 30.
@pytest.mark.parametrize("method", ["exact", "wilson", "wilson_cc", "agresti_coull"])
def test_all_correct(method: str) -> None:
    expected = {**CASES["all-correct"]["expected"], **CASES["all-correct-more"]["expected"]}
    low, high = limits(30, 30, method=method)
    assert_allclose(low, expected[method], rtol=0, atol=1e-7)
    assert high == 1.0


# The same source prints -0.0083 for the lower limit, before it is cut off.
def test_agresti_coull_is_cut_off_at_0() -> None:
    expected = CASES["agresti-coull-cut"]["expected"]["agresti_coull"]
    assert_allclose(limits(1, 30, method="agresti_coull"), expected, rtol=0, atol=1e-7)


# Agresti & Coull (1998), p. 120: two of each kind added, nearly, at 95 %; the formula is Wald's.
def test_agresti_coull_adds_pieces_of_each_kind() -> None:
    low, high = limits(10, 80, method="agresti_coull")
    z = -special.ndtri(0.025)
    more = (10 + z * z / 2) / (80 + z * z)
    half = z * np.sqrt(more * (1 - more) / (80 + z * z))
    assert_allclose([low, high], [more - half, more + half], rtol=1e-13)


# statsmodels stats/tests/test_proportion.py (R binom.test): a bound puts all of alpha on its side.
def test_one_sided_bounds() -> None:
    expected = CASES["one-sided"]["expected"]
    assert_allclose(limits(51, 235), expected["two"], rtol=1e-9)
    assert_allclose(limits(51, 235, side="lower"), [expected["lower_1s"], 1.0], rtol=1e-9)
    assert_allclose(limits(51, 235, side="upper"), [0.0, expected["upper_1s"]], rtol=1e-9)


# R documentation of binom.test (Conover 1971), from memory, reproduced in R; four places used.
def test_mendel() -> None:
    assert_allclose(limits(682, 925), CASES["mendel"]["expected"]["ci"], rtol=0, atol=6e-5)


# Hanley & Lippman-Hand (1983), JAMA 249, 1743-1745: figures from memory, recomputed.
def test_no_incorrect_piece_bounds_the_fraction() -> None:
    case = CASES["rule-of-three"]
    found = binomial(0, case["inputs"]["n"], side="upper").high
    assert_allclose(found, case["expected"]["exact_1s"], rtol=0, atol=6e-5)


def test_no_incorrect_piece_has_the_closed_form() -> None:  # it follows from the definition
    n = np.array([1, 5, 100, 10**6, 10**9])
    assert_allclose(binomial(n, n, side="lower").low, 0.05 ** (1 / n), rtol=1e-14)
    assert_allclose(binomial(0, n, side="upper").high, -np.expm1(np.log(0.05) / n), rtol=1e-10)


@pytest.mark.parametrize("method", METHODS)
def test_ends_are_exact(method: str) -> None:
    n = np.arange(1, 200)
    for confidence in np.linspace(0.5, 0.999, 60):
        found = binomial([0 * n, n], n, method=method, confidence=float(confidence))
        assert_array_equal(found.low[0], 0.0)
        assert_array_equal(found.high[1], 1.0)


# Independent road: put the limits into the tail summed in 40 digits. SciPy 1.17.1's betainccinv is
# 2.6 times off for 999 of 90,370,495 (3.06e-5 for 1.18e-5) and its betaincinv for 1,000 of 1e9.
@pytest.mark.parametrize("confidence", [0.5, 0.95, 0.999999])
@pytest.mark.parametrize(
    ("x", "n"),
    [
        (999, 90_370_495),
        (1000, 10**9),
        (999, 10_000_000),
        (3, 100_000_000),
        (1, 2),
        (7, 200),
        (1, 500),
        (4_000_000, 10_000_000),
    ],
)
def test_exact_limits_have_their_tails(x: int, n: int, confidence: float) -> None:
    tail = (1 - confidence) / 2
    low, high = limits(x, n, confidence=confidence)
    assert_allclose(float(exact_tail(x, n, low, above=True)), tail, rtol=2e-9)
    assert_allclose(float(exact_tail(x, n, high, above=False)), tail, rtol=2e-9)


def test_upper_limit_where_scipy_is_far_off() -> None:
    assert_allclose(binomial(999, 90_370_495).high, 1.1761812e-05, rtol=1e-7)
    assert special.betainccinv(1000.0, 90_370_495.0 - 999, 0.025) > 0  # the call that is off


# Independent road: coverage by enumeration at the ends of all intervals, where it is least.
@pytest.mark.parametrize("n", [1, 2, 7, 40, 200])
@pytest.mark.parametrize("side", ["both", "lower", "upper"])
def test_exact_limits_cover_at_least_what_they_claim(n: int, side: str) -> None:
    x = np.arange(n + 1)
    found = binomial(x, n, confidence=0.9, side=side)
    ends = np.concatenate([found.low, found.high])
    p = np.unique(np.concatenate([ends - 1e-9, ends + 1e-9]))
    p = p[(p > 0) & (p < 1)][:, None]
    log = special.gammaln(n + 1) - special.gammaln(x + 1) - special.gammaln(n - x + 1)
    chance = np.exp(log + special.xlogy(x, p) + special.xlog1py(n - x, -p))
    coverage = (chance * ((found.low <= p) & (p <= found.high))).sum(axis=1)
    assert coverage.min() >= 0.9 - 1e-9
    if side != "both" and n > 1:
        assert coverage.min() < 0.9 + 1e-6  # and a bound is no wider than it must be


# Independent road: the quantiles in 30 digits.
@pytest.mark.parametrize(("x", "n"), [(3, 200), (150, 151), (1, 1_000_000)])
def test_jeffreys_limits_are_quantiles(x: int, n: int) -> None:
    low, high = limits(x, n, method="jeffreys", confidence=0.9)
    with mp.workdps(30):
        below = mp.betainc(x + 0.5, n - x + 0.5, 0, float(low), regularized=True)
        above = mp.betainc(x + 0.5, n - x + 0.5, float(high), 1, regularized=True)
    assert_allclose([float(below), float(above)], 0.05, rtol=1e-8)


# Wilson's limits are where the score test is just significant: an equation of its own.
@given(pairs, levels)
def test_wilson_limits_solve_the_score_equation(pair: tuple[int, int], confidence: float) -> None:
    x, n = pair
    z = -special.ndtri((1 - confidence) / 2)
    for p in limits(x, n, confidence=confidence, method="wilson"):
        assert_allclose((x / n - p) ** 2, z * z * p * (1 - p) / n, rtol=1e-6, atol=1e-15)


# The correction moves the estimate by half a piece towards the limit: the same equation.
@given(pairs, levels)
def test_corrected_limits_solve_the_score_equation(
    pair: tuple[int, int], confidence: float
) -> None:
    x, n = pair
    z = -special.ndtri((1 - confidence) / 2)
    low, high = limits(x, n, confidence=confidence, method="wilson_cc")
    for p, moved in ((low, x - 0.5), (high, x + 0.5)):
        if 0 < p < 1:
            assert_allclose((moved / n - p) ** 2, z * z * p * (1 - p) / n, rtol=1e-6, atol=1e-15)


@given(pairs, levels)
def test_agresti_coull_is_wider_than_wilson_about_the_same_center(
    pair: tuple[int, int], confidence: float
) -> None:
    low, high = limits(*pair, confidence=confidence, method="agresti_coull")
    inner = limits(*pair, confidence=confidence, method="wilson")
    assert low <= inner[0] + 1e-15
    assert inner[1] <= high + 1e-15
    if low > 0 and high < 1:
        assert_allclose(low + high, inner.sum(), rtol=1e-12)


@given(pairs, levels, methods)
def test_limits_mirror(pair: tuple[int, int], confidence: float, method: str) -> None:
    x, n = pair
    of, other = (binomial(k, n, confidence=confidence, method=method) for k in (x, n - x))
    assert_allclose(of.low, 1 - other.high, rtol=1e-9, atol=1e-14)
    assert_allclose(of.high, 1 - other.low, rtol=1e-9, atol=1e-14)


@given(pairs, levels, methods)
def test_limits_lie_around_the_estimate(
    pair: tuple[int, int], confidence: float, method: str
) -> None:
    found = binomial(*pair, confidence=max(confidence, 0.5), method=method)
    assert 0 <= found.low <= found.estimate <= found.high <= 1
    assert (found.low == 0) == (pair[0] == 0) or method == "agresti_coull"  # which is cut off
    assert (found.high == 1) == (pair[0] == pair[1]) or method == "agresti_coull"


@given(st.integers(1, 3000), levels, methods)
def test_limits_rise_with_the_count(n: int, confidence: float, method: str) -> None:
    found = binomial(np.arange(n + 1), n, confidence=confidence, method=method)
    assert (np.diff(found.low)[found.low[1:] > 0] > 0).all()
    assert (np.diff(found.high)[found.high[:-1] < 1] > 0).all()


@given(pairs, st.sampled_from([m for m in METHODS if m != "blaker"]))
def test_one_bound_is_one_limit_of_an_interval(pair: tuple[int, int], method: str) -> None:
    both = limits(*pair, confidence=0.9, method=method)
    assert_allclose(binomial(*pair, method=method, side="lower").low, both[0], rtol=1e-9)
    assert_allclose(binomial(*pair, method=method, side="upper").high, both[1], rtol=1e-9)


# A bound that is right less often than not lies beyond the estimate, and gives way to no gap.
@given(pairs, methods, st.sampled_from(["lower", "upper"]))
def test_one_bound_moves_one_way_through_all_levels(
    pair: tuple[int, int], method: str, side: str
) -> None:
    levels = (0.05, 0.3, 0.49, 0.5, 0.51, 0.7, 0.95)
    found = [limits(*pair, method=method, side=side, confidence=level) for level in levels]
    moved = np.diff(np.array(found)[:, 0 if side == "lower" else 1])
    assert (moved <= 1e-15).all() if side == "lower" else (moved >= -1e-15).all()


@given(pairs, methods, st.floats(0.5, 0.99))
def test_more_confidence_is_wider(pair: tuple[int, int], method: str, confidence: float) -> None:
    narrow, wide = (limits(*pair, confidence=c, method=method) for c in (confidence, 0.995))
    assert wide[0] <= narrow[0] <= narrow[1] <= wide[1]


@given(pairs, levels, methods, st.sampled_from(["both", "lower", "upper"]))
def test_a_scalar_is_an_array_of_one(
    pair: tuple[int, int], confidence: float, method: str, side: str
) -> None:
    x, n = pair
    asked = {"confidence": confidence, "method": method, "side": side}
    assert_array_equal(limits(x, n, **asked), limits([x], [n], **asked)[0])


# Many audits go through a table of distinct pairs and a quicker solver: same answers.
@pytest.mark.parametrize("method", METHODS)
def test_many_audits_get_the_answers_of_each(method: str) -> None:
    rng = np.random.default_rng(20260514)
    n = rng.integers(100, 251, 20_000)
    x = rng.binomial(n, 0.012)
    many, mostly = limits(x, n, method=method), limits(n - x, n, method=method)
    alone = np.concatenate(
        [limits(x[i : i + 500], n[i : i + 500], method=method) for i in range(0, x.size, 500)]
    )
    assert_allclose(many, alone, rtol=2e-13)
    assert_allclose(mostly, 1 - alone[:, ::-1], rtol=1e-12)


def test_counts_and_inspected_broadcast() -> None:
    found = binomial([[1, 2], [3, 0]], 10)
    assert found.low.shape == found.high.shape == found.estimate.shape == (2, 2)
    assert binomial([], []).low.shape == (0,)
    assert (found.confidence, found.method, found.side) == (0.95, "exact", "both")


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"count": 11}, "count must be from 0 to inspected, got 11 of 10"),
        ({"count": [1, 11]}, "count must be from 0 to inspected, got 11 of 10 at position 1"),
        ({"count": 1.5}, "count must be whole numbers, 0 or more, got 1.5"),
        ({"count": 0, "inspected": 0}, "inspected must be whole numbers, 1 or more, got 0"),
        ({"confidence": 1}, "confidence must be between 0 and 1, both excluded, got 1"),
        ({"confidence": 95.0}, "confidence must be between 0 and 1, both excluded, got 95"),
        (
            {"method": "jefferson"},
            "method must be one of exact, wilson, wilson_cc, jeffreys, mid_p, agresti_coull, "
            'blaker, got "jefferson"',
        ),
        ({"side": "left"}, 'side must be one of both, lower, upper, got "left"'),
    ],
)
def test_messages(arguments: dict[str, Any], message: str) -> None:
    with pytest.raises(InvalidInput) as raised:
        binomial(**{"count": 1, "inspected": 10, **arguments})
    assert str(raised.value) == message
