"""Fractions over many totes against published figures, definitions, and simulated coverage."""

import csv
import json
from collections import Counter
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy import special

from qa.errors import InvalidInput
from qa.intervals import Estimate, binomial, clustered, clustered_from_sums
from qa.intervals.tote_variance import FEW_PIECES
from qa.intervals.totes import sums_of_totes

HERE = Path(__file__).parent / "reference" / "intervals"
CASES = {case["id"]: case for case in json.loads((HERE / "published.json").read_text("utf-8"))}
SUMS = ("totes", "n", "x", "n2", "x2", "nx")


def rows(name: str) -> list[dict[str, str]]:
    with (HERE / name).open(encoding="utf-8") as lines:
        next(lines)  # the citation
        return list(csv.DictReader(lines))


def districts(column: str, value: str) -> tuple[list[int], list[int]]:
    """Schools of a kind, and schools, in each of the 15 sampled districts."""
    schools = rows("apiclus1.csv")
    inspected = Counter(school["dnum"] for school in schools)
    count = Counter(school["dnum"] for school in schools if school[column] == value)
    return [count[district] for district in inspected], list(inspected.values())


def six_sums(x: np.ndarray, n: np.ndarray, stratum: np.ndarray) -> dict[str, list[int]]:
    parts = [(x[stratum == h], n[stratum == h]) for h in np.unique(stratum)]
    return {
        "totes": [len(a) for a, _ in parts],
        "n": [b.sum() for _, b in parts],
        "x": [a.sum() for a, _ in parts],
        "n2": [(b * b).sum() for _, b in parts],
        "x2": [(a * a).sum() for a, _ in parts],
        "nx": [(a * b).sum() for a, b in parts],
    }


def standard_error(found: Estimate) -> float:
    p = found.count / found.inspected
    return float(np.sqrt(found.design_effect * p * (1 - p) / found.inspected))


# R survey documentation, data apiclus1, svymean(~stype) without finite population correction.
@pytest.mark.parametrize("kind", ["E", "H", "M"])
def test_ratio_and_its_standard_error_agree_with_published(kind: str) -> None:
    mean, error = CASES["school-types"]["expected"][kind]
    found = clustered(*districts("stype", kind))
    assert_allclose(float(found.interval.estimate), mean, rtol=0, atol=6e-7)
    assert_allclose(standard_error(found), error, rtol=0, atol=6e-5)
    assert (found.totes, found.inspected) == (15, 183)
    assert_allclose(found.degrees_of_freedom, 14)


# R survey documentation example svyciprop(~I(ell==0), dclus1, method="beta"), run in R.
def test_korn_graubard_limits_agree_with_published() -> None:
    case = CASES["korn-graubard-rare"]["expected"]
    found = clustered(*districts("ell", "0"), filled=757)
    assert_allclose(standard_error(found), case["se"], rtol=1e-8)
    assert_allclose([found.interval.low, found.interval.high], case["ci"], rtol=1e-8)


# Crowder (1978), Applied Statistics 27, 34-37, table 1: pooled fractions, three printed decimals.
def test_strata_of_seeds_agree_with_published() -> None:
    plates = rows("orob1.csv")
    x, n = ([int(plate[name]) for plate in plates] for name in ("y", "n"))
    dilution = [plate["dilution"] for plate in plates]
    expected = CASES["germination"]["expected"]
    assert_allclose(clustered(x, n).interval.estimate, expected["all"], atol=6e-4)
    levels = dict.fromkeys(dilution)
    for level, p in zip(levels, expected["p"], strict=True):
        alone = {name: 1.0 if name == level else 1e-12 for name in levels}
        found = clustered(x, n, stratum=dilution, weight=alone)
        assert_allclose(found.interval.estimate, p, atol=6e-4)


# R survey documented design of apistrat, run in R: each school is a cluster of one piece.
def test_stratified_mean_and_degrees_of_freedom_agree_with_published() -> None:
    case = CASES["stratified-schools"]
    sizes, met = case["inputs"]["n"], case["inputs"]["x"]
    x = np.concatenate([np.arange(n) < k for n, k in zip(sizes, met, strict=True)]).astype(int)
    stratum = np.repeat(["E", "H", "M"], sizes)
    filled = dict(zip("EHM", case["inputs"]["N"], strict=True))
    found = clustered(x, np.ones_like(x), stratum=stratum, filled=filled)
    p = float(found.interval.estimate)
    assert_allclose(p, case["expected"]["p"], atol=6e-6)
    error = np.sqrt(found.design_effect * p * (1 - p) / found.inspected)
    assert_allclose(error, case["expected"]["se"], atol=6e-5)
    assert_allclose(found.degrees_of_freedom, 170.3, atol=0.06)  # Cochran (1977), eq. 5.16
    assert found.effective_n == 200  # never above the pieces inspected


# Analysis of variance estimator run in R on the litters of Weil (1970) and Williams (1975); the
# families' value is implied by the inflation factor of Saha, Miller & Wang (2015).
@pytest.mark.parametrize(("case", "key"), [("litters-treated", "icc"), ("families", "correlation")])
def test_correlation_agrees_with_published(case: str, key: str) -> None:
    inputs, expected = CASES[case]["inputs"], CASES[case]["expected"]
    x = inputs.get("x", inputs.get("y"))
    assert_allclose(clustered(x, inputs["n"]).correlation, expected[key], rtol=0, atol=6e-7)
    if "vif" in expected:
        n = np.array(inputs["n"])
        vif = (n * (1 + (n - 1) * clustered(x, n).correlation)).sum() / n.sum()
        assert_allclose(vif, expected["vif"], rtol=0, atol=6e-7)


# Documented example of Tarone's (1979) test with its printed output; its p-value, printed as
# one-sided, is that of both sides.
def test_tarone_agrees_with_published() -> None:
    case = CASES["tarone-z"]
    found = clustered(case["inputs"]["x"], case["inputs"]["n"])
    assert_allclose(found.tarone_p, case["expected"]["p_two_sided"] / 2, rtol=0, atol=6e-7)
    assert_allclose(-special.ndtri(found.tarone_p), case["expected"]["z"], rtol=0, atol=6e-5)


# Independent road: every figure again, tote by tote, from its definition.
def test_every_figure_follows_from_its_definition() -> None:
    rng = np.random.default_rng(7)
    n = rng.integers(80, 240, 30)
    x = rng.binomial(n, rng.beta(2, 60, 30))
    stratum = np.repeat(["a", "b", "c"], 10)
    share, filled = {"a": 0.5, "b": 0.3, "c": 0.2}, {"a": 40, "b": 90, "c": 10}
    found = clustered(x, n, stratum=stratum, weight=share, filled=filled, confidence=0.9)
    p, terms, residual = 0.0, [], 0.0
    for h in share:
        mine = stratum == h
        p_h = x[mine].sum() / n[mine].sum()
        between = ((x[mine] - p_h * n[mine]) ** 2).sum() / n[mine].sum() ** 2
        p += share[h] * p_h
        terms.append(share[h] ** 2 * between * 10 / 9 * (1 - 10 / filled[h]))
        residual += (n[mine] * (x[mine] / n[mine] - p_h) ** 2).sum()
    freedom = sum(terms) ** 2 / sum(term**2 / 9 for term in terms)
    size = p * (1 - p) / sum(terms)
    ratio = special.stdtrit(n.sum() - 1, 0.95) / special.stdtrit(freedom, 0.95)
    size = min(size * ratio**2, n.sum())
    assert_allclose(found.interval.estimate, p, rtol=1e-13)
    assert_allclose(found.degrees_of_freedom, freedom, rtol=1e-10)
    assert_allclose(found.effective_n, size, rtol=1e-10)
    assert_allclose(found.interval.low, special.betaincinv(p * size, size - p * size + 1, 0.05))
    assert_allclose(found.interval.high, special.betaincinv(p * size + 1, size - p * size, 0.95))
    within = (x * (n - x) / n).sum() / (n.sum() - 30)
    mean_size = (
        n.sum() - sum((n[stratum == h] ** 2).sum() / n[stratum == h].sum() for h in share)
    ) / 27
    icc = (residual / 27 - within) / (residual / 27 + (mean_size - 1) * within)
    assert_allclose(found.correlation, icc, rtol=1e-10)


def beta_binomial(rng: np.random.Generator, mean: float, rho: float, shape: Any, n: int) -> Any:
    if rho == 0:
        return rng.binomial(n, mean, shape)
    return rng.binomial(n, rng.beta(mean * (1 / rho - 1), (1 - mean) * (1 / rho - 1), shape))


# Simulation, seed fixed: 2,000 repeats, so one standard error of a coverage of 0.95 is 0.005. The
# figures beside are those of a longer simulation (20,000 repeats; 0.970 and 0.951), where a pooled
# exact interval covers 0.963 and 0.773.
@pytest.mark.parametrize(("rho", "expected", "pooled"), [(0.0, 0.970, 0.963), (0.01, 0.951, 0.773)])
def test_coverage_over_clustered_totes(rho: float, expected: float, pooled: float) -> None:
    count = beta_binomial(np.random.default_rng(11), 0.01, rho, (2000, 30), 200)
    found = [clustered(x, np.full(30, 200)).interval for x in count]
    covered = np.mean([one.low <= 0.01 <= one.high for one in found])
    simple = binomial(count.sum(axis=1), 6000)
    assert abs(covered - expected) < 4 * 0.005
    assert abs(np.mean((simple.low <= 0.01) & (simple.high >= 0.01)) - pooled) < 4 * 0.0095


# Simulation, seed fixed: 1,500 repeats of totes that do not differ, in strata that do. The mean of
# the statistic has a standard error of 0.026 and its spread one of 0.02 (0.027 when skew counts).
@pytest.mark.parametrize("totes", [4, 12])
def test_tarone_over_strata_keeps_its_level(totes: int) -> None:
    rng = np.random.default_rng(5)
    stratum = np.repeat(np.arange(18), totes)
    level = np.linspace(0.05, 0.3, 18)[stratum]
    p = [
        clustered(rng.binomial(200, level), 200 + 0 * stratum, stratum=stratum).tarone_p
        for _ in range(1500)
    ]
    z = -special.ndtri(p)
    assert abs(z.mean()) < 4 * 0.026
    assert abs(z.std() - 1) < 4 * 0.027


sizes = st.integers(1, 400)
totes = st.lists(
    sizes.flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))), min_size=1, max_size=30
)


@given(totes, st.data())
def test_the_other_kind_mirrors(pairs: list[tuple[int, int]], data: st.DataObject) -> None:
    x, n = np.transpose(pairs)
    stratum = data.draw(st.lists(st.sampled_from("abc"), min_size=len(x), max_size=len(x)))
    one = clustered(x, n, stratum=stratum, side="lower")
    other = clustered(n - x, n, stratum=stratum, side="upper")
    assert_allclose(one.interval.low, 1 - other.interval.high, atol=1e-12)
    assert_allclose(one.interval.estimate, 1 - other.interval.estimate, atol=1e-12)
    assert_allclose(one.effective_n, other.effective_n, rtol=1e-9)
    assert_allclose(one.correlation, other.correlation, rtol=1e-6, atol=1e-9)


@given(totes, st.data())
def test_answers_are_in_their_ranges(pairs: list[tuple[int, int]], data: st.DataObject) -> None:
    x, n = np.transpose(pairs)
    stratum = data.draw(st.lists(st.sampled_from("abc"), min_size=len(x), max_size=len(x)))
    found = clustered(x, n, stratum=stratum)
    assert 0 <= found.interval.low <= found.interval.estimate + 1e-12
    assert found.interval.estimate - 1e-12 <= found.interval.high <= 1
    assert 0 < found.effective_n <= n.sum()
    assert found.degrees_of_freedom <= len(x) - len(set(stratum)) + 1e-9 or len(
        set(stratum)
    ) == len(x)
    # Above 1 it cannot go; below, the ANOVA estimator's bound is -1 / (mean size - 1), which lies
    # under -1 where totes hold one or two pieces.
    assert np.isnan(found.correlation) or found.correlation <= 1 + 1e-9


@given(totes, st.data())
def test_six_sums_say_the_same_as_totes(pairs: list[tuple[int, int]], data: st.DataObject) -> None:
    x, n = np.transpose(pairs)
    labels = data.draw(st.lists(st.sampled_from("abc"), min_size=len(x), max_size=len(x)))
    stratum = np.array(labels)
    weight = {"a": 5.0, "b": 3.0, "c": 1.0}
    one = clustered(x, n, stratum=stratum, weight=weight)
    other = clustered_from_sums(six_sums(x, n, stratum), stratum=np.unique(stratum), weight=weight)
    assert_allclose(other.interval.low, one.interval.low, rtol=1e-12)
    assert_allclose(other.interval.high, one.interval.high, rtol=1e-12)
    for name in ("totes", "inspected", "count", "assumed"):
        assert getattr(one, name) == getattr(other, name)
    for name in ("design_effect", "effective_n", "tarone_p", "degrees_of_freedom"):
        assert_allclose(getattr(other, name), getattr(one, name), rtol=1e-12, atol=0)


def test_many_totes_add_up_as_few_do() -> None:
    rng = np.random.default_rng(3)
    n = rng.integers(1, 251, 100_000).astype(np.uint8)  # whose squares a byte does not hold
    x = np.minimum(n, rng.integers(0, 251, n.size)).astype(np.uint8)
    stratum = rng.integers(0, 50, n.size) * 2  # the odd ones are not there
    sums, labels, counts = sums_of_totes(x, n, stratum)
    wide = x.astype(np.int64), n.astype(np.int64)
    assert labels == list(range(0, 100, 2))
    for name, expected in six_sums(*wide, stratum).items():
        assert getattr(sums, name).tolist() == expected
    ratios = [(wide[0] ** 2 / wide[1])[stratum == label].sum() for label in labels]
    assert_allclose(sums.ratios, ratios, rtol=1e-12)
    assert counts.others().x.tolist() == (wide[1] - wide[0]).tolist()
    one = clustered(x[:300], n[:300], method="beta_binomial").interval
    other = clustered(wide[0][:300], wide[1][:300], method="beta_binomial").interval
    assert_allclose([one.low, one.high], [other.low, other.high], rtol=1e-12)


@pytest.mark.parametrize("kind", [np.int64, np.float64])
def test_what_is_wrong_far_down_is_named_by_its_place(kind: type) -> None:
    n, x = np.full(100_000, 200, dtype=kind), np.zeros(100_000, dtype=kind)
    for count, size, message in (
        (201, 200, "count must be from 0 to inspected, got 201 of 200 at position 99998"),
        (-1, 200, "count must be whole numbers, 0 or more, got -1 at position 99998"),
        (0, 0, "inspected must be whole numbers, 1 or more, got 0 at position 99998"),
    ):
        x[-2], n[-2] = count, size
        with pytest.raises(InvalidInput, match=message):
            clustered(x, n)


def test_six_sums_of_equal_totes_hold_the_correlation_too() -> None:
    x, n = np.array([1, 4, 0, 2, 9, 3]), np.full(6, 200)
    stratum = np.array([0, 0, 0, 1, 1, 1])
    one = clustered(x, n, stratum=stratum)
    rows = six_sums(x, n, stratum)
    assert_allclose(clustered_from_sums(rows).correlation, one.correlation, rtol=1e-12)
    halves = six_sums(x, n, np.arange(6))  # rows of one stratum add up
    assert_allclose(
        clustered_from_sums(halves, stratum=stratum).correlation, one.correlation, rtol=1e-12
    )


def test_totes_of_one_piece_hold_no_correlation() -> None:
    found = clustered([1, 0, 0], [2, 1, 1], stratum=["a", "b", "b"])
    assert np.isnan(found.correlation)
    assert np.isnan(clustered([1, 0, 0], [1, 1, 1]).correlation)


def test_one_tote_is_discounted_and_says_so() -> None:
    found = clustered(3, 200, correlation=0.02)
    assert_allclose(found.effective_n, 200 / (1 + 199 * 0.02), rtol=1e-12)
    assert_allclose(found.design_effect, 1 + 199 * 0.02, rtol=1e-12)
    assert np.isnan(found.correlation)
    assert np.isnan(found.tarone_p)
    assert found.degrees_of_freedom == 0
    assert "an intra-tote correlation of 0.02 is assumed" in found.assumed[0]
    simple = clustered(3, 200, correlation=0).interval
    assert_allclose([simple.low, simple.high], [binomial(3, 200).low, binomial(3, 200).high])


@pytest.mark.parametrize("correct", [0, 1])
def test_all_of_one_kind_is_discounted_and_says_so(correct: int) -> None:
    n = np.array([100, 200, 300] * 10)
    found = clustered(n * correct, n)
    effect = 1 + ((n**2).sum() / n.sum() - 1) * 0.01
    assert_allclose(found.effective_n, n.sum() / effect, rtol=1e-12)
    bound = found.interval.low if correct else 1 - found.interval.high
    assert_allclose(bound, 0.025 ** (effect / n.sum()), rtol=1e-12)
    assert found.assumed == (
        "All pieces are of one kind, so the totes cannot show how much they differ: an intra-tote "
        "correlation of 0.01 is assumed.",
    )


# One incorrect piece in a tote of its own shows no correlation, and without a discount its bound
# would be better than that of none at all.
@pytest.mark.parametrize("method", ["korn_graubard", "beta_binomial"])
@pytest.mark.parametrize("totes", [3, 20, 60])
def test_no_incorrect_piece_gives_the_best_bound(method: str, totes: int) -> None:
    n = np.full(totes, 200)
    counts = [np.arange(totes) < k for k in range(min(totes, 12))]
    low = [float(clustered(n - x, n, method=method, side="lower").interval.low) for x in counts]
    assert max(low[1:]) < low[0]
    if method == "korn_graubard":  # a posterior learns from pieces spread evenly over totes
        assert (np.diff(low[: FEW_PIECES + 1]) < 0).all()


def test_few_incorrect_pieces_are_discounted_and_say_so() -> None:
    x, n = np.arange(30) < 3, np.full(30, 200)
    found = clustered(x, n)
    effect = 1 + 199 * 0.01
    assert_allclose(found.effective_n, 6000 / effect, rtol=1e-12)
    assert_allclose(found.design_effect, effect, rtol=1e-12)
    assert found.assumed == (
        "Only 3 pieces are not of the prevailing kind, too few to show how much totes differ: an "
        "intra-tote correlation of at least 0.01 is assumed.",
    )
    assert clustered(np.arange(30) < FEW_PIECES + 1, n).assumed == ()
    shown = clustered([8] + [0] * 29, n)  # what is seen is more than what is assumed
    assert shown.design_effect > 7
    assert shown.effective_n < 6000 / 7


def test_a_census_leaves_nothing_to_discount() -> None:
    for x in ([0, 0, 0], [1, 0, 0]):
        assert_allclose(clustered(x, [200] * 3, filled=3).effective_n, 600)
    half = clustered([0, 0, 0], [200] * 3, filled=6)
    assert_allclose(half.effective_n, 600 / (1 + 199 * 0.01 / 2))


def test_six_sums_do_not_hold_what_a_posterior_needs() -> None:
    sums = {"totes": [2], "n": [200], "x": [4], "n2": [20000], "x2": [10], "nx": [400]}
    with pytest.raises(InvalidInput, match='one of korn_graubard, got "beta_binomial"'):
        clustered_from_sums(sums, method="beta_binomial")


def test_few_totes_are_said_to_be_few() -> None:
    n = np.full(20, 200)
    x = np.arange(20) % 4
    assert clustered(x, n).assumed == ()
    assert clustered(x[:19], n[:19]).assumed == (
        "Only 19 totes were inspected: fewer than 20 cannot show how often a bad tote comes, so "
        "the true fraction may lie outside the limits more often than stated.",
    )
    assert clustered(1, 200).assumed[-1].startswith("Only 1 tote was inspected")


def test_strata_of_one_tote_each_are_collapsed() -> None:
    x, n = np.array([1, 3, 0, 6]), np.full(4, 200)
    each, one = clustered(x, n, stratum=list("abcd")), clustered(x, n)
    assert_allclose(each.interval.high, one.interval.high, rtol=1e-12)
    assert_allclose(each.correlation, one.correlation, rtol=1e-12)
    assert any("Every lane in a shift has one tote" in text for text in each.assumed)


# By hand: two totes of 100 with 1 and 3 have a mean square of 0.0002 about 0.02. It is halved for
# the stratum of these two, and stands whole for the stratum of one tote.
def test_a_stratum_of_one_tote_takes_the_pooled_variance() -> None:
    asked: dict[str, Any] = {"stratum": ["a", "a", "b"], "weight": {"a": 1, "b": 1}}
    found = clustered([1, 3, 2], [100, 100, 100], correlation=0, **asked)
    variance = 0.25 * 0.0002 / 2 + 0.25 * 0.0002
    assert_allclose(found.design_effect, variance / (0.02 * 0.98 / 300), rtol=1e-10)
    assert_allclose(found.degrees_of_freedom, 1)
    assert found.assumed[0] == (
        "Lanes in a shift with one tote (1) take the variance between totes from the others."
    )


def test_weights_not_known_are_said() -> None:
    x, n, lane = [1, 2, 3, 4], [100] * 4, ["1", "1", "1", "2"]
    found = clustered(x, n, stratum=lane)
    assert_allclose(found.interval.estimate, 0.75 * 0.02 + 0.25 * 0.04)
    assert found.assumed[0].endswith("each lane in a shift counts by its totes inspected.")
    found = clustered(x, n, stratum=lane, filled={"1": 100, "2": 300})
    assert_allclose(found.interval.estimate, 0.25 * 0.02 + 0.75 * 0.04)
    assert found.assumed[0].endswith("each lane in a shift counts by its totes filled.")
    found = clustered(x, n, stratum=lane, weight={"1": 1, "2": 1, "3": 9})
    assert_allclose(found.interval.estimate, 0.5 * 0.02 + 0.5 * 0.04)
    assert found.assumed[0] == "No tote was inspected in 3: the figure does not speak of it."


@given(totes, st.data())
def test_small_numbers_and_words_label_alike(
    pairs: list[tuple[int, int]], data: st.DataObject
) -> None:
    x, n = np.transpose(pairs)
    label = np.array(data.draw(st.lists(st.integers(0, 40), min_size=len(x), max_size=len(x))))
    number, word = clustered(x, n, stratum=label), clustered(x, n, stratum=[f"{i}" for i in label])
    assert_allclose(number.interval.low, word.interval.low, rtol=1e-12)
    assert_allclose(number.effective_n, word.effective_n, rtol=1e-12)
    weight = {int(i): float(i + 1) for i in set(label.tolist())}
    named = {f"{i}": share for i, share in weight.items()}
    one = clustered(x, n, stratum=label, weight=weight).interval.estimate
    other = clustered(x, n, stratum=[f"{i}" for i in label], weight=named).interval.estimate
    assert_allclose(one, other, rtol=1e-12)


def test_labels_may_be_of_any_kind() -> None:
    x, n = [1, 2, 3, 4], [100] * 4
    pairs = [("1", "day"), ("1", "day"), ("2", "night"), ("2", "night")]
    one = clustered(x, n, stratum=pairs, weight={("1", "day"): 3, ("2", "night"): 1})
    other = clustered(x, n, stratum=np.array([1, 1, 2, 2]), weight={1: 3, 2: 1})
    assert one.interval.low == other.interval.low


@pytest.mark.parametrize("confidence", [0.5, 0.8, 1 - 1e-9])
def test_any_level(confidence: float) -> None:
    found = clustered([1, 2, 5, 0], [200] * 4, confidence=confidence, side="lower").interval
    assert 0 <= found.low < found.estimate + 1e-12
    assert found.high == 1


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"count": [1, 300]}, "count must be from 0 to inspected, got 300 of 100 at position 1"),
        ({"count": []}, "count must be one value a tote, got an array of shape (0,)"),
        ({"count": [[1, 2]]}, "count must be one value a tote, got an array of shape (1, 2)"),
        ({"stratum": ["a"]}, "stratum must have 2 labels, got 1"),
        (
            {"stratum": ["a", "b"], "weight": {"a": 1}},
            "weight must name every stratum, got none for 'b'",
        ),
        (
            {"stratum": ["a", "b"], "weight": {"a": 1, "b": -1}},
            "weight must be above 0, got -1 at position 1",
        ),
        (
            {"stratum": ["a", "b"], "filled": 5},
            "filled must map each of 2 strata to a number, got 5",
        ),
        ({"filled": 1}, "filled must be at least the totes inspected, got 1 of 2 inspected"),
        (
            {"stratum": ["a", "a"], "filled": {"a": 1}},
            "filled must be at least the totes inspected, got 1 of 2 inspected in stratum 'a'",
        ),
        ({"correlation": 2}, "correlation must be from 0 to 1, got 2"),
        ({"correlation": [0, 0]}, "correlation must be one number, got 2"),
        ({"method": "wald"}, 'method must be one of korn_graubard, beta_binomial, got "wald"'),
        ({"side": "left"}, 'side must be one of both, lower, upper, got "left"'),
        ({"confidence": 0}, "confidence must be between 0 and 1, both excluded, got 0"),
    ],
)
def test_messages(arguments: dict[str, Any], message: str) -> None:
    count = arguments.get("count", [1, 2])
    asked = {"count": count, "inspected": np.full(np.shape(count), 100), **arguments}
    with pytest.raises(InvalidInput) as raised:
        clustered(**asked)
    assert str(raised.value) == message


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"x": None}, "sums must have the columns x, which are missing"),
        ({"x": [1, 2]}, "sums must have one value a stratum in each of their columns"),
        (
            {"x2": [1]},
            "sums must come from the same totes, got totes 2, n 200, x 4, n2 20000, x2 1, nx 400 "
            "at position 0",
        ),
        ({"n": [-5]}, "n must be whole numbers, 0 or more, got -5 at position 0"),
    ],
)
def test_messages_of_sums(changes: dict[str, Any], message: str) -> None:
    good = {"totes": [2], "n": [200], "x": [4], "n2": [20000], "x2": [10], "nx": [400]}
    sums = {name: value for name, value in {**good, **changes}.items() if value is not None}
    with pytest.raises(InvalidInput) as raised:
        clustered_from_sums(sums)
    assert str(raised.value) == message


def test_totes_that_happen_to_be_alike_do_not_prove_that_totes_are() -> None:
    lone = clustered([200] * 6 + [170], [200] * 7, stratum=["a"] * 3 + ["b"] * 3 + ["c"])
    pair = clustered([198, 198], [200, 200])
    strata = clustered([190, 190], [200, 200], stratum=["a", "b"])
    for found in (lone, pair, strata):
        assert found.design_effect > 2.5
        assert found.effective_n < found.inspected / 2.5
        assert any("all alike" in each for each in found.assumed)
    census = clustered([198, 198], [200, 200], filled=2)
    assert census.effective_n == 400, "every tote was inspected: nothing is left to differ"
