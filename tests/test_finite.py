"""Limits for one lot against every lot there could be, published numbers and SciPy's chances."""

from fractions import Fraction
from math import comb
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal
from scipy import stats

from qa.errors import InvalidInput
from qa.intervals import binomial, finite

lots = st.integers(1, 3000).flatmap(
    lambda size: st.integers(1, size).flatmap(
        lambda n: st.tuples(st.integers(0, n), st.just(n), st.just(size))
    )
)


def pieces(x: Any, n: Any, size: Any, **asked: Any) -> np.ndarray:
    found = finite(x, n, size, **asked)
    return np.rint(np.stack([found.low, found.high], axis=-1) * np.expand_dims(size, -1))


# Documentation of the R package samplingbook, 3 of 10 from 50: it prints [4, 32], the first counts
# that are rejected; those that are not rejected are [5, 31], as enumeration below says too.
def test_three_of_ten_from_fifty() -> None:
    assert_array_equal(pieces(3, 10, 50), [5, 31])


# With no incorrect piece in 22, 29, 59 and 299 the fraction is below 0.1, 0.1, 0.05 and 0.01 (90 %,
# 95 %): n = ln(1 - C) / ln(1 - p) for an endless lot, so a very large one has the same limits.
@pytest.mark.parametrize(
    ("n", "p", "confidence"), [(22, 0.1, 0.9), (29, 0.1, 0.95), (59, 0.05, 0.95), (299, 0.01, 0.95)]
)
def test_zero_defect_numbers(n: int, p: float, confidence: float) -> None:
    asked = {"confidence": confidence, "side": "upper"}
    assert finite(0, n, 10**7, **asked).high < p <= finite(0, n - 1, 10**7, **asked).high


# 19 of 20 pieces: the twentieth is incorrect with chance 1/20 exactly, which 95 % rejects.
def test_a_chance_met_exactly_is_rejected() -> None:
    assert_array_equal(pieces(0, 19, 20, side="upper"), [0, 0])
    assert_array_equal(pieces(0, 18, 20, side="upper"), [0, 1])
    assert_array_equal(pieces(0, 950_000, 1_000_000, side="upper"), [0, 0])


# Independent road: every lot there could be, in whole numbers.
@pytest.mark.parametrize("tail", [Fraction(1, 40), Fraction(1, 8)])
@pytest.mark.parametrize(("n", "size"), [(1, 1), (1, 5), (4, 4), (3, 10), (12, 25), (24, 25)])
def test_limits_by_enumeration(n: int, size: int, tail: Fraction) -> None:
    def chance(k: int, of_kind: int) -> Fraction:
        return Fraction(comb(of_kind, k) * comb(size - of_kind, n - k), comb(size, n))

    found = pieces(np.arange(n + 1), n, size, confidence=float(1 - 2 * tail))
    for x in range(n + 1):
        kept = [
            m
            for m in range(size + 1)
            if sum(chance(k, m) for k in range(x, n + 1)) > tail
            and sum(chance(k, m) for k in range(x + 1)) > tail
        ]
        assert_array_equal(found[x], [kept[0], kept[-1]])


# Independent road: coverage of every lot by enumeration.
@pytest.mark.parametrize("side", ["both", "lower", "upper"])
def test_limits_cover_at_least_what_they_claim(side: str) -> None:
    n, size = 20, 120
    x, of_kind = np.arange(n + 1), np.arange(size + 1)[:, None]
    low, high = pieces(x, n, size, confidence=0.9, side=side).T
    chance = stats.hypergeom.pmf(x, size, of_kind, n)
    assert (chance * ((low <= of_kind) & (of_kind <= high))).sum(axis=1).min() >= 0.9 - 1e-9


# Independent road: SciPy's chances at both limits and one piece beyond.
@pytest.mark.parametrize("confidence", [0.5, 0.95, 0.9999])
def test_limits_of_many_lots(confidence: float) -> None:
    rng = np.random.default_rng(20260514)
    size = rng.integers(300, 20_001, 2000)
    n = rng.integers(1, 300, 2000)
    x = rng.binomial(n, rng.choice([0.01, 0.3, 0.99], 2000))
    low, high = pieces(x, n, size, confidence=confidence).T
    tail = (1 - confidence) / 2
    assert (stats.hypergeom.sf(x - 1, size, low, n) > tail).all()
    assert (stats.hypergeom.cdf(x, size, high, n) > tail).all()
    assert (stats.hypergeom.sf(x - 1, size, low - 1, n)[low > 0] <= tail).all()
    assert (stats.hypergeom.cdf(x, size, high + 1, n)[high < size] <= tail).all()


@pytest.mark.parametrize(("x", "n", "size"), [(50_000, 10**6, 10**7), (10, 10**6, 10**7)])
def test_limits_of_ten_million_pieces(x: int, n: int, size: int) -> None:
    low, high = pieces(x, n, size)
    assert stats.hypergeom.sf(x - 1, size, low, n) > 0.025
    assert stats.hypergeom.sf(x - 1, size, low - 1, n) <= 0.025
    assert stats.hypergeom.cdf(x, size, high, n) > 0.025
    assert stats.hypergeom.cdf(x, size, high + 1, n) <= 0.025


def test_a_very_large_lot_has_the_exact_binomial_limits() -> None:
    found, exact = finite([0, 3, 200], 200, 10**9), binomial([0, 3, 200], 200)
    assert_allclose(found.low, exact.low, rtol=1e-5)
    assert_allclose(found.high, exact.high, rtol=1e-5)


@given(lots, st.floats(0.5, 0.9999))
def test_limits_hold_what_was_seen_and_mirror(lot: tuple[int, int, int], confidence: float) -> None:
    x, n, size = lot
    low, high = pieces(x, n, size, confidence=confidence)
    assert x <= low <= high <= size - n + x
    assert_array_equal(pieces(n - x, n, size, confidence=confidence), [size - high, size - low])
    if n == size:
        assert low == high == x


@given(lots, st.sampled_from(["both", "lower", "upper"]), st.floats(0.01, 0.999))
def test_a_scalar_is_an_array_of_one(
    lot: tuple[int, int, int], side: str, confidence: float
) -> None:
    asked = {"side": side, "confidence": confidence}
    each = [[value] for value in lot]
    assert finite(*lot, **asked).low == finite(*each, **asked).low[0]
    assert finite(*lot, **asked).high == finite(*each, **asked).high[0]


def test_arguments_broadcast() -> None:
    assert finite([[1], [2]], 10, [50, 60, 70]).low.shape == (2, 3)
    assert finite([], [], []).low.shape == (0,)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ((1, 60, 50), "inspected must be from 0 to lot_size, got 60 of 50"),
        ((1, [10, 60], 50), "inspected must be from 0 to lot_size, got 60 of 50 at position 1"),
        ((11, 10, 50), "count must be from 0 to inspected, got 11 of 10"),
        ((0, 0, 50), "inspected must be whole numbers, 1 or more, got 0"),
        ((0, 5, 9.5), "lot_size must be whole numbers, 1 or more, got 9.5"),
    ],
)
def test_messages(arguments: tuple[Any, ...], message: str) -> None:
    with pytest.raises(InvalidInput) as raised:
        finite(*arguments)
    assert str(raised.value) == message
