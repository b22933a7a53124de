"""Inspectors' errors taken out of a fraction: published examples, limits of it, and enumeration."""

import dataclasses
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy import stats

from qa.errors import InvalidInput
from qa.intervals import (
    InspectionStudy,
    binomial,
    clustered,
    corrected,
    corrected_estimate,
    rogan_gladen,
)

FILE = Path(__file__).parent / "reference" / "intervals" / "published.json"
CASES = {case["id"]: case for case in json.loads(FILE.read_text("utf-8"))}


def published(case: str) -> tuple[dict[str, Any], Any, float]:
    """What was asked, what was printed, and half a unit of its last decimal."""
    found = CASES[case]
    return found["inputs"], found["expected"], found["tolerance"]


counts = st.integers(1, 300).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))


# Lang & Reiczigel (2014), examples, to three printed decimals.
@pytest.mark.parametrize("case", ["lang-reiczigel-1", "lang-reiczigel-5"])
def test_limits_agree_with_lang_and_reiczigel(case: str) -> None:
    given, expected, off = published(case)
    study = InspectionStudy(*given["se"], *given["sp"])
    found = corrected(given["positives"], given["tested"], study)
    assert_allclose([found.low, found.high], expected, rtol=0, atol=off)


# The same source, example 3: 6 % of 11,862, as an estimate whose pieces are no whole number.
def test_an_estimate_agrees_with_lang_and_reiczigel() -> None:
    given, expected, off = published("lang-reiczigel-3")
    n = given["tested"]
    seen = clustered([712] * 30, [n] * 30)
    interval = dataclasses.replace(seen.interval, estimate=np.array(given["positives"] / n))
    seen = dataclasses.replace(seen, interval=interval, effective_n=float(n))
    found = corrected_estimate(seen, InspectionStudy(*given["se"], *given["sp"]))
    assert_allclose([found.low, found.high], expected, rtol=0, atol=off)


# Limits of the apparent fraction carried through, sensitivity and specificity known.
@pytest.mark.parametrize(
    ("case", "method"), [("rogan-gladen-26-200", "wilson"), ("rogan-gladen-epir-1", "blaker")]
)
def test_rogan_gladen_agrees_with_published_examples(case: str, method: str) -> None:
    given, expected, off = published(case)
    seen = binomial(given["x"], given["n"], method=method)
    through = [seen.estimate, seen.low, seen.high]
    got = [rogan_gladen(p, given["se"], given["sp"]) for p in through]
    assert_allclose(got, [expected["tp"], *expected["ci"]], rtol=0, atol=off)


# With an endless study the errors are known: Agresti & Coull's limits, carried through.
@pytest.mark.parametrize("side", ["both", "lower", "upper"])
def test_an_endless_study_leaves_the_sample_alone(side: str) -> None:
    many = 10**13
    study = InspectionStudy(many * 9 // 10, many, many * 97 // 100, many)
    found = corrected([20, 60], 400, study, side=side)
    seen = binomial([20, 60], 400, method="agresti_coull", side=side)
    if side != "upper":
        assert_allclose(found.low, rogan_gladen(seen.low, 0.9, 0.97), rtol=1e-5)
    if side != "lower":
        assert_allclose(found.high, rogan_gladen(seen.high, 0.9, 0.97), rtol=1e-5)
    assert_allclose(found.estimate, rogan_gladen([0.05, 0.15], 0.9, 0.97), rtol=1e-9)


# Independent road: coverage over every sample and every study, the study's errors included.
@pytest.mark.parametrize(("p", "se", "sp"), [(0.2, 0.9, 0.95), (0.5, 0.8, 0.9), (0.1, 0.95, 0.9)])
def test_limits_cover_nearly_what_they_claim(p: float, se: float, sp: float) -> None:
    n, incorrect, correct = 60, 30, 40
    seen = p * se + (1 - p) * (1 - sp)
    chance = stats.binom.pmf(np.arange(n + 1), n, seen)
    covered = 0.0
    for found in range(15, incorrect + 1):
        for passed in range(24, correct + 1):
            study = InspectionStudy(found, incorrect, passed, correct)
            weight = stats.binom.pmf(found, incorrect, se) * stats.binom.pmf(passed, correct, sp)
            held = [covers(x, n, study, p) for x in range(n + 1)]
            covered += weight * (chance * held).sum()
    assert 0.94 <= covered <= 0.99


def covers(x: int, n: int, study: InspectionStudy, p: float) -> bool:
    """Whether limits hold a fraction; where the study says that there can be none, they do not."""
    try:
        got = corrected(x, n, study)
    except InvalidInput:
        return False
    return bool(got.low <= p <= got.high)


def test_fewer_found_than_the_study_s_wrong_calls_give_is_no_hundred_per_cent() -> None:
    study = InspectionStudy(19, 20, 196, 200)  # one correct piece in fifty is called incorrect
    message = (
        "the share called {} must not be below what the study's wrong calls alone give, "
        "got 0.001 and 0.02"
    )
    with pytest.raises(InvalidInput) as raised:
        corrected(2, 2000, study)
    assert str(raised.value) == message.format("incorrect")
    with pytest.raises(InvalidInput, match=r"called incorrect must not be .* at position 1"):
        corrected([60, 2], 2000, study)
    with pytest.raises(InvalidInput) as raised:
        corrected(1998, 2000, study, counted="correct", side="lower")
    assert str(raised.value) == message.format("incorrect")
    with pytest.raises(InvalidInput, match="called incorrect must not be below"):
        corrected_estimate(clustered([2] * 20, [2000] * 20), study)
    assert corrected(2, 2000, study, side="lower").low == 0
    assert 0 < corrected(60, 2000, study).high < 0.05


@given(counts, st.integers(0, 20), st.integers(0, 30))
def test_counting_the_other_kind_mirrors(pair: tuple[int, int], missed: int, called: int) -> None:
    study, (x, n) = InspectionStudy(100 - missed, 100, 200 - called, 200), pair
    try:
        of = corrected(x, n, study)
    except InvalidInput:
        with pytest.raises(InvalidInput):
            corrected(n - x, n, study, counted="correct")
        return
    other = corrected(n - x, n, study, counted="correct")
    assert_allclose(of.low, 1 - other.high, atol=1e-12)
    assert_allclose(of.high, 1 - other.low, atol=1e-12)
    assert_allclose(of.estimate, 1 - other.estimate, atol=1e-12)


def test_totes_that_differ_make_the_limits_wider() -> None:
    study = InspectionStudy(95, 100, 298, 300)
    differ, alike = ([0, 12] * 10, [6] * 20)
    wide, narrow = (corrected_estimate(clustered(x, [200] * 20), study) for x in (differ, alike))
    assert wide.low < narrow.low < narrow.high < wide.high
    independent = dataclasses.replace(clustered(differ, [200] * 20), effective_n=4000.0)
    found, plain = corrected_estimate(independent, study), corrected(120, 4000, study)
    assert_allclose([found.low, found.high], [plain.low, plain.high], rtol=1e-12)
    bound = corrected_estimate(clustered(differ, [200] * 20, side="upper", confidence=0.9), study)
    assert (bound.side, bound.confidence, float(bound.low)) == ("upper", 0.9, 0.0)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: InspectionStudy(11, 10, 1, 2), "found must be from 0 to incorrect, got 11 of 10"),
        (lambda: InspectionStudy(1, 2, 3, 2), "passed must be from 0 to correct, got 3 of 2"),
        (
            lambda: InspectionStudy(5, 10, 5, 10),
            "sensitivity and specificity must add up to more than 1 (each piece of the study "
            "counted, and one of each call added), got 0.5 and 0.5",
        ),
        (
            lambda: InspectionStudy(1, 1, 1, 50),
            "sensitivity and specificity must add up to more than 1 (each piece of the study "
            "counted, and one of each call added), got 0.666667 and 0.0384615",
        ),
        (
            lambda: corrected(1, 10, InspectionStudy(9, 10, 9, 10), counted="bad"),
            'counted must be one of incorrect, correct, got "bad"',
        ),
        (lambda: rogan_gladen(1.2, 0.9, 0.9), "fraction must be from 0 to 1, got 1.2"),
    ],
)
def test_messages(call, message: str) -> None:
    with pytest.raises(InvalidInput) as raised:
        call()
    assert str(raised.value) == message
