"""Mid-P and Blaker's limits against published ones, their definitions, and 40 digits."""

import json
from collections.abc import Callable
from pathlib import Path

import mpmath as mp
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal
from numpy.typing import NDArray
from scipy import special

from qa.intervals import binomial
from tests.high_precision import exact_tail

HERE = Path(__file__).parent / "reference" / "intervals"
CASES = {case["id"]: case for case in json.loads((HERE / "one_sample.json").read_text("utf-8"))}
# Few and many of few and many, up to ten million pieces.
FAR = [(3, 200), (1, 500), (2, 2), (29, 99), (999, 10_000_000), (12, 10**7), (4_000_000, 10**7)]

pairs = st.integers(1, 10**6).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))


# Newcombe (1998), Statistics in Medicine 17, 857-872, table I, method 6 (four printed decimals).
def test_mid_p_agrees_with_newcombe() -> None:
    case = CASES["newcombe-mid-p"]
    x, n = np.transpose(case["inputs"]["cases"])
    found = binomial(x, n, method="mid_p")
    assert_allclose(
        np.stack([found.low, found.high], axis=1), case["expected"], rtol=0, atol=case["tolerance"]
    )


# Documentation of the R packages BlakerCI (Klaschka & Reiczigel) and ratesci. The second is the
# case that a search by fixed steps from the exact limit misses: it gives 0.3923087.
@pytest.mark.parametrize("name", ["blaker-3-10", "blaker-29-99", "blaker-131-134"])
def test_blaker_agrees_with_published_limits(name: str) -> None:
    case = CASES[name]
    found = binomial(case["inputs"]["x"], case["inputs"]["n"], method="blaker")
    assert_allclose([found.low, found.high], case["expected"], rtol=0, atol=case["tolerance"])


# Independent road: the limits put back into tails that are summed in 40 digits.
@pytest.mark.parametrize("confidence", [0.5, 0.95, 0.999999])
@pytest.mark.parametrize(("x", "n"), FAR)
def test_mid_p_limits_have_their_tails(x: int, n: int, confidence: float) -> None:
    found = binomial(x, n, method="mid_p", confidence=confidence)
    tail = (1 - confidence) / 2
    low, high = float(found.low), float(found.high)
    above = exact_tail(x, n, low, above=True) + exact_tail(x + 1, n, low, above=True)
    assert_allclose(float(above / 2), tail, rtol=2e-9)
    if x < n:
        below = exact_tail(x, n, high, above=False) + exact_tail(x - 1, n, high, above=False)
        assert_allclose(float(below / 2), tail, rtol=2e-9)


def test_mid_p_of_no_piece_has_the_closed_form() -> None:  # half of (1 - p)^n is what is left
    n = np.array([1, 5, 100, 10**6, 10**9])
    high = binomial(0, n, method="mid_p").high
    assert_allclose(high, -np.expm1(np.log(0.05) / n), rtol=1e-12)
    assert_array_equal(binomial(0, n, method="mid_p", side="upper", confidence=0.5).high, 0.0)
    assert_array_equal(binomial(n, n, method="mid_p", side="lower", confidence=0.3).low, 1.0)


@given(pairs, st.floats(0.01, 0.9999))
def test_mid_p_and_blaker_lie_within_the_exact_limits(
    pair: tuple[int, int], confidence: float
) -> None:
    exact = binomial(*pair, confidence=confidence)
    for method in ("mid_p", "blaker"):
        found = binomial(*pair, confidence=confidence, method=method)
        assert exact.low <= found.low * (1 + 1e-9)
        assert found.high <= exact.high * (1 + 1e-9)


# Independent road: mid-P covers on average what it claims, by enumeration over the fractions.
def test_mid_p_covers_on_average() -> None:
    p = (np.arange(2000) + 0.5) / 2000
    for n in (10, 50, 200):
        found = binomial(np.arange(n + 1), n, method="mid_p")
        inside = (found.low <= p[:, None]) & (p[:, None] <= found.high)
        mean = (chances(n, p) * inside).sum(axis=1).mean()
        assert 0.95 <= mean <= 0.97


def chances(n: int, p: NDArray[np.float64]) -> NDArray[np.float64]:
    """P(X = x): a row for each p, a column for each count."""
    x, p = np.arange(n + 1), p[:, None]
    log = special.gammaln(n + 1) - special.gammaln(x + 1) - special.gammaln(n - x + 1)
    return np.exp(log + special.xlogy(x, p) + special.xlog1py(n - x, -p))


def acceptability(n: int, p: NDArray[np.float64]) -> NDArray[np.float64]:
    """Blaker (2000), definition 1: chance of a count as far out as x, or further, for each x.

    How far out a count is, is the smaller of its two tails.
    """
    chance = chances(n, p)
    up_to = np.cumsum(chance, axis=1)
    at_least = np.cumsum(chance[:, ::-1], axis=1)[:, ::-1]
    out = np.minimum(up_to, at_least)
    as_far = out[:, None, :] <= out[:, :, None] * (1 + 1e-12)
    return (chance[:, None, :] * as_far).sum(axis=2)


# Independent road: the limits are the first and the last fraction whose acceptability is above
# 1 - confidence; looked for on a fine grid, and just inside and outside of each limit.
@pytest.mark.parametrize("confidence", [0.5, 0.8, 0.95, 0.999])
@pytest.mark.parametrize("n", [1, 2, 3, 10, 27])
def test_blaker_limits_by_definition(n: int, confidence: float) -> None:
    x = np.arange(n + 1)
    found = binomial(x, n, method="blaker", confidence=confidence)
    grid = (np.arange(4000) + 0.5) / 4000
    accepted = acceptability(n, grid) > 1 - confidence + 1e-12
    inside = (found.low - 1e-9 <= grid[:, None]) & (grid[:, None] <= found.high + 1e-9)
    assert not (accepted & ~inside).any()
    step = 1e-8
    just_inside = acceptability(n, np.concatenate([found.low + step, found.high - step]))
    each = np.concatenate([x, x])
    assert (just_inside[np.arange(2 * n + 2), each] > 1 - confidence - 1e-6).all()


def blaker_low(x: int, n: int, confidence: float) -> mp.mpf:
    """The lower limit by halving in 40 digits: the first jump, then a crossing before it."""
    alpha = 1 - mp.mpf(confidence)

    def at_least(p: mp.mpf) -> mp.mpf:
        return exact_tail(x, n, p, above=True)

    def up_to(k: int, p: mp.mpf) -> mp.mpf:
        return exact_tail(k, n, p, above=False)

    def halved(risen: Callable[[mp.mpf], bool], low: mp.mpf, high: mp.mpf) -> mp.mpf:
        for _ in range(100):
            middle = (low + high) / 2
            low, high = (low, middle) if risen(middle) else (middle, high)
        return high

    nearly_1 = 1 - mp.mpf(10) ** -30
    exact = halved(lambda p: at_least(p) > alpha / 2, 1 - nearly_1, nearly_1)
    k = next(k for k in range(n + 1) if up_to(k, exact) > alpha / 2)
    jump = halved(lambda p: at_least(p) > up_to(k, p), exact, nearly_1)
    if at_least(jump) + up_to(k - 1, jump) <= alpha:
        return jump
    return halved(lambda p: at_least(p) + up_to(k - 1, p) > alpha, exact, jump)


# Independent road: both kinds of end (a jump, a crossing), each to the last digit.
@pytest.mark.parametrize("confidence", [0.55, 0.95, 0.999999])
@pytest.mark.parametrize(
    ("x", "n"), [(1, 1), (3, 10), (70, 99), (29, 99), (1, 150), (149, 150), (2, 2)]
)
def test_blaker_limits_in_forty_digits(x: int, n: int, confidence: float) -> None:
    found = binomial(x, n, method="blaker", confidence=confidence)
    with mp.workdps(40):
        assert_allclose(float(found.low), float(blaker_low(x, n, confidence)), rtol=1e-13)
        high = 1 - blaker_low(n - x, n, confidence) if x < n else mp.mpf(1)
        assert_allclose(float(found.high), float(high), rtol=1e-13)


# Independent road: for large samples, one of the two equations holds in tails summed in 40 digits.
@pytest.mark.parametrize("confidence", [0.9, 0.95, 0.999999])
@pytest.mark.parametrize(("x", "n"), [pair for pair in FAR if pair[1] >= 500])
def test_blaker_limits_of_large_samples(x: int, n: int, confidence: float) -> None:
    alpha = 1 - confidence
    p = float(binomial(x, n, method="blaker", confidence=confidence).low)
    above = exact_tail(x, n, p, above=True)
    assert alpha / 2 * (1 - 1e-9) <= above <= alpha * (1 + 1e-9)
    k = int(special.bdtrik(float(above), n, p)) - 2 if x > 20 else -1
    k = max(k, -1)
    while exact_tail(k + 1, n, p, above=False) < above * (1 - mp.mpf(10) ** -8):
        k += 1
    below = exact_tail(k, n, p, above=False) if k >= 0 else mp.mpf(0)
    jumps = abs(exact_tail(k + 1, n, p, above=False) / above - 1) < 1e-8
    crosses = abs((above + below) / alpha - 1) < 1e-8
    assert jumps != crosses


# Independent road: coverage by enumeration just beside the ends, where it is least.
@pytest.mark.parametrize("n", [1, 2, 7, 40, 200])
def test_blaker_covers_at_least_what_it_claims(n: int) -> None:
    found = binomial(np.arange(n + 1), n, method="blaker", confidence=0.9)
    ends = np.concatenate([found.low, found.high])
    p = np.unique(np.concatenate([ends - 1e-9, ends + 1e-9]))
    p = p[(p > 0) & (p < 1)]
    inside = (found.low <= p[:, None]) & (p[:, None] <= found.high)
    assert (chances(n, p) * inside).sum(axis=1).min() >= 0.9 - 1e-9


@given(pairs, st.sampled_from(["lower", "upper"]))
def test_one_blaker_bound_is_the_exact_one(pair: tuple[int, int], side: str) -> None:
    found, exact = (binomial(*pair, method=method, side=side) for method in ("blaker", "exact"))
    assert_array_equal([found.low, found.high], [exact.low, exact.high])
    assert found.method == "blaker"
