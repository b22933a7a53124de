"""Whether inspectors agree: coefficients, errors, what is missed, and what is taken for what."""

from itertools import product

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal
from statsmodels.stats import inter_rater

from qa.agreement import Agreement, Coefficient, against_known, agreement, inspection_study
from qa.errors import InvalidInput
from qa.intervals import InspectionStudy, binomial

# Fleiss (1971), Psychological Bulletin 76, 378-382: 30 patients, each by 6 psychiatrists, five
# diagnoses; a row a patient, in the order of the code (tests of statsmodels; seen).
DIAGNOSES = """
444444 222555 233335 555555 222444 113333 333355 113334 114444 555555 144444 124444 222333 144444
224445 333335 111455 111112 224444 133555 555555 244444 224555 114444 144445 222224 111155 224444
133333 555555
"""

# Krippendorff's data "C": 4 observers x 12 units, a dot where no call was made (documentation of R
# irr and vignette of R irrCAC; seen).
KRIPPENDORFF = ["123321412...", "1233224125..", ".33323422513", "12332441251."]


def calls_of(table) -> list[list[int]]:
    """The calls of two inspectors that a table counts."""
    size = len(table)
    cells = product(range(size), repeat=2)
    return [[i, j] for i, j in cells for _ in range(int(table[i][j]))]


def fields(found: Coefficient) -> list[np.ndarray]:
    return [found.estimate, found.error, found.low, found.high]


# SAS printout in the tests of statsmodels (seen): kappa, error and limits to four decimals.
# Fleiss, Levin & Paik (2003), table 18.1: .68, .087, .50 to .85 (from memory). Cohen's (1960)
# example of 200 patients: .429 (from memory).
@pytest.mark.parametrize(
    ("table", "expected", "within"),
    [
        ([[0, 4, 1], [0, 8, 0], [0, 1, 5]], [0.4842, 0.1380, 0.2137, 0.7547], 6e-5),
        ([[75, 1, 4], [5, 4, 1], [0, 0, 10]], [0.68, 0.088, 0.50, 0.85], 6e-3),
        ([[106, 10, 4], [22, 28, 10], [2, 12, 6]], [0.429], 6e-4),
    ],
)
def test_kappa_agrees_with_print(table, expected, within) -> None:
    found = agreement(calls_of(table)).kappa
    got = np.concatenate(fields(found))
    assert_allclose(got[: len(expected)], expected, rtol=0, atol=within)


# Watson & Petrie (2010), Theriogenology 73, 1167-1179, as in the documentation of CRAN epiR (seen).
def test_kappa_s_limits_agree_with_watson_and_petrie() -> None:
    found = agreement(calls_of([[596, 61], [29, 987]])).kappa
    got = np.concatenate([found.estimate, found.low, found.high])
    assert_allclose(got, [0.89, 0.86, 0.91], rtol=0, atol=6e-3)


# R irr: the negative kappa of two columns of "anxiety" (tests of statsmodels; seen).
def test_less_than_chance_is_negative() -> None:
    table = [[0, 0, 1, 0, 0], [4, 0, 1, 0, 0], [2, 3, 3, 0, 0], [0, 2, 0, 1, 1], [1, 0, 0, 1, 0]]
    assert_allclose(agreement(calls_of(table)).kappa.estimate, -0.006289308, atol=6e-10)


# Gwet (2014), Handbook of Inter-Rater Reliability, 100 charts by 2 (vignette of R irrCAC; seen).
# Its error of a table of two has n where that of a list of calls (Gwet 2008) has n - 1. Scott's pi
# is Fleiss' kappa of two.
def test_ac1_agrees_with_gwet() -> None:
    found = agreement(calls_of([[13, 0, 0], [0, 20, 7], [0, 4, 56]]))
    assert_allclose(found.ac1.estimate, 0.8493305, atol=6e-8)
    assert_allclose(found.ac1.error, 0.04321747 * np.sqrt(100 / 99), atol=6e-9)
    assert_allclose(found.fleiss.estimate, 0.7962397, atol=6e-8)
    assert_allclose(found.kappa.estimate, 0.7964094, atol=6e-8)
    assert_allclose(found.kappa.error, 0.05891072, atol=6e-9)
    assert_allclose(found.agreed.estimate, 0.89, rtol=1e-12)


# The same vignette: AC1 where calls are missing; a unit called once has a share in the categories.
def test_ac1_with_calls_missing_agrees_with_print() -> None:
    calls = np.array([[None if c == "." else c for c in row] for row in KRIPPENDORFF]).T
    found = agreement(calls)
    assert_allclose(found.ac1.estimate, 0.77544, atol=6e-6)
    assert_allclose(found.all_agree.estimate, 8 / 11)
    assert found.tables.sum(axis=(1, 2)).tolist() == [9, 8, 9, 9, 10, 10]


# Fleiss (1971), and R irr to seven decimals (tests of statsmodels; seen).
def test_fleiss_kappa_agrees_with_fleiss() -> None:
    calls = np.array([list(row) for row in DIAGNOSES.split()])
    assert_allclose(agreement(calls).fleiss.estimate, 0.4302445, atol=6e-8)


# The table of 10 subjects x 14 raters that explains Fleiss' kappa (tests of statsmodels; seen).
def test_fleiss_kappa_agrees_with_the_common_example() -> None:
    text = "0000E 02642 00356 03920 22811 77000 32630 25322 65210 02237"
    counts = [[int(each, 16) for each in row] for row in text.split(" ")]
    calls = [np.repeat(np.arange(5), row) for row in counts]
    assert_allclose(agreement(calls).fleiss.estimate, 0.210, atol=6e-4)


# The reference manual on measurement systems, 4th ed., pp. 137 and 139 (from memory): 150 calls of
# each of three inspectors on 48 incorrect pieces and 102 correct ones.
def test_kappa_misses_and_false_calls_agree_with_a_handbook() -> None:
    known = ["bad"] * 48 + ["good"] * 102
    calls = [
        ["bad"] * hit + ["good"] * (48 - hit) + ["bad"] * called + ["good"] * (102 - called)
        for hit, called in ((45, 5), (45, 2), (42, 9))
    ]
    found = against_known(np.array(calls).T, known, correct="good")
    assert_allclose(found.kappa.estimate, [0.88, 0.92, 0.77], atol=5.1e-3)
    assert_allclose(found.miss_rate.estimate, [0.0625, 0.0625, 0.125], atol=1e-12)
    assert_allclose(found.false_call_rate.estimate, [0.049, 0.020, 0.088], atol=6e-4)


# The same source (counts seen, limits from memory): 42, 45 and 40 of 50 right.
def test_effectiveness_agrees_with_a_handbook() -> None:
    known = [1] * 35 + [0] * 15
    wrong = np.array([8, 5, 10])
    calls = [[(1 - kind) if at < w else kind for w in wrong] for at, kind in enumerate(known)]
    found = against_known(calls, known, correct=1).effectiveness
    assert_allclose(found.estimate, [0.84, 0.90, 0.80])
    assert_allclose(found.low, [0.71, 0.78, 0.66], atol=5.1e-3)
    assert_allclose(found.high, [0.93, 0.97, 0.90], atol=5.1e-3)


codes = st.integers(0, 3)
tables = st.lists(st.lists(codes, min_size=3, max_size=3), min_size=4, max_size=40).filter(
    lambda rows: len({code for row in rows for code in row}) > 1
)


# Independent road: statsmodels, which counts a table first and takes another form of the error.
@given(tables)
def test_coefficients_are_those_of_statsmodels(rows) -> None:
    found = agreement(rows, categories=range(4))
    for at, (a, b) in enumerate(found.pairs):
        table = np.zeros((4, 4))
        np.add.at(table, (np.array(rows)[:, a], np.array(rows)[:, b]), 1)
        assert_array_equal(found.tables[at], table)
        if np.isnan(found.kappa.estimate[at]):
            assert table.max() == table.sum()
            continue
        with np.errstate(invalid="ignore"):  # its test against no agreement, with an error of 0
            theirs = inter_rater.cohens_kappa(table)
        assert_allclose(found.kappa.estimate[at], theirs.kappa, atol=1e-12)
        assert_allclose(found.kappa.error[at] ** 2, max(theirs.var_kappa, 0), atol=1e-12)
        ends = np.clip([theirs.kappa_low, theirs.kappa_upp], -1, 1)
        if theirs.var_kappa > 1e-12:
            assert_allclose([found.kappa.low[at], found.kappa.high[at]], ends, atol=1e-9)
    counts = inter_rater.aggregate_raters(np.array(rows), n_cat=4)[0]
    assert_allclose(found.fleiss.estimate, inter_rater.fleiss_kappa(counts), atol=1e-12)


def by_definition(rows, weight, size: int) -> tuple[float, float]:
    """Fleiss' kappa and AC1 of weighted pieces, pair by pair in plain loops."""
    agreed = several = 0.0
    level = np.zeros(size)
    for row, w in zip(rows, weight, strict=True):
        made = [code for code in row if code is not None]
        for code in made:
            level[code] += w / len(made)
        pairs = [(a, b) for i, a in enumerate(made) for j, b in enumerate(made) if i != j]
        if pairs:
            several += w
            agreed += w * sum(a == b for a, b in pairs) / len(pairs)
    level, seen = level / sum(weight), agreed / several
    fleiss, ac1 = (level**2).sum(), (level * (1 - level)).sum() / (size - 1)
    return (seen - fleiss) / (1 - fleiss), (seen - ac1) / (1 - ac1)


# Independent road for value and error: the definition, and its slope in each piece's weight.
@given(st.integers(0, 10_000))
def test_errors_are_the_slopes_of_the_definition(seed: int) -> None:
    rng = np.random.default_rng(seed)
    drawn = rng.choice([0, 0, 0, 1, 2, -1], size=(12, 4))
    drawn[:3, :3] = [[0, 0, 1], [1, 1, 2], [0, 1, 0]]
    rows = [[None if code < 0 else int(code) for code in row] for row in drawn]
    rows = [row for row in rows if any(code is not None for code in row)]
    n, step = len(rows), 1e-5
    found, ones = agreement(rows, categories=range(3)), np.ones(len(rows))
    want = by_definition(rows, ones, 3)
    assert_allclose([found.fleiss.estimate, found.ac1.estimate], want, atol=1e-12)
    slopes = [
        np.subtract(by_definition(rows, ones + by, 3), by_definition(rows, ones - by, 3))
        for by in step * np.eye(n)
    ]
    error = np.sqrt((np.square(np.array(slopes) * n / (2 * step)).sum(axis=0)) / (n * (n - 1)))
    assert_allclose([found.fleiss.error, found.ac1.error], error, rtol=1e-6, atol=1e-9)


# Simulation, 800 studies of 60 pieces by 3 inspectors who are right 9 times in 10: the errors are
# the spread (error of the comparison 1 / sqrt(1,600) = 2.5 %), and limits cover the true value.
def test_errors_are_the_spread_of_simulated_studies() -> None:
    rng = np.random.default_rng(5)

    def called(pieces: int) -> np.ndarray:
        true = rng.choice(3, p=[0.6, 0.3, 0.1], size=(pieces, 1))
        right = rng.random((pieces, 3)) < 0.9
        return np.where(right, true, (true + rng.integers(1, 3, (pieces, 3))) % 3)

    studies = [agreement(called(60), categories=range(3)) for _ in range(800)]
    truth = agreement(called(100_000), categories=range(3))
    for name in ("kappa", "fleiss", "ac1"):
        each = [[np.ravel(x)[0] for x in fields(getattr(study, name))] for study in studies]
        value, error, low, high = np.array(each).T
        true = np.ravel(getattr(truth, name).estimate)[0]
        assert_allclose(np.sqrt((error**2).mean()), value.std(), rtol=0.1)
        assert 0.92 < np.mean((low <= true) & (true <= high)) < 0.98


# By hand: of 4 incorrect pieces two are called what they are, one another category, one correct.
def test_what_is_missed_and_what_is_taken_for_what() -> None:
    known = ["ok"] * 6 + ["stem"] * 3 + ["over"]
    calls = ["ok", "ok", "ok", "ok", "stem", "over", "stem", "over", "ok", "over"]
    found = against_known(
        [[call] for call in calls], known, correct="ok", categories=["ok", "stem", "over"]
    )
    assert found.categories == ("ok", "stem", "over")
    assert found.confusion.tolist() == [[[4, 1, 1], [1, 1, 1], [0, 0, 1]]]
    for rate, count, of in (
        (found.effectiveness, 6, 10),
        (found.miss_rate, 1, 4),
        (found.false_call_rate, 2, 6),
    ):
        limits = binomial([count], of)
        assert_array_equal(
            [rate.estimate, rate.low, rate.high], [[count / of], limits.low, limits.high]
        )
    study = inspection_study([[call] for call in calls], known, correct="ok")
    assert study == InspectionStudy(found=3, incorrect=4, passed=4, correct=6)


def test_a_study_is_of_all_calls_that_were_made() -> None:
    known = ["ok", "ok", "ok", "stem", "stem", None]
    calls = [["ok", "ok"], ["ok", "stem"], [None, "ok"], ["stem", "stem"], ["stem", ""], ["ok"] * 2]
    study = inspection_study(calls, known, correct="ok")
    assert study == InspectionStudy(found=3, incorrect=3, passed=4, correct=5)
    assert [type(part) for part in (study.found, study.correct)] == [int, int]


@given(tables, st.permutations(range(3)), st.permutations(range(4)))
def test_order_of_inspectors_and_names_of_categories_do_not_matter(rows, columns, names) -> None:
    found = agreement(rows, categories=range(4))
    renamed = np.array(names)[np.array(rows)][:, columns]
    other = agreement(renamed, categories=range(4))
    for one, two in ((found.fleiss, other.fleiss), (found.ac1, other.ac1)):
        assert_allclose(fields(one), fields(two), atol=1e-9)
    assert found.all_agree.estimate == other.all_agree.estimate
    place = {frozenset(columns.index(c) for c in pair): i for i, pair in enumerate(found.pairs)}
    order = [place[frozenset(pair)] for pair in other.pairs.tolist()]
    assert_array_equal(found.agreed.estimate[order], other.agreed.estimate)
    assert_allclose(found.kappa.estimate[order], other.kappa.estimate, atol=1e-12)


@given(tables)
def test_values_lie_where_they_must(rows) -> None:
    found = agreement(rows, categories=range(4))
    for part in (found.fleiss, found.ac1, found.kappa):
        low, value, high = (np.nan_to_num(x) for x in (part.low, part.estimate, part.high))
        assert (low >= -1).all()
        assert (low <= value + 1e-12).all()
        assert (value <= high + 1e-12).all()
        assert (high <= 1).all()
    assert (found.all_agree.estimate <= found.agreed.estimate).all()


def test_a_wider_confidence_has_wider_limits_everywhere() -> None:
    calls = calls_of([[13, 0, 0], [0, 20, 7], [0, 4, 56]])
    near, far = (agreement(calls, confidence=level) for level in (0.8, 0.99))
    for name in ("all_agree", "fleiss", "ac1", "agreed", "kappa"):
        assert (getattr(far, name).low < getattr(near, name).low).all()
        assert (getattr(far, name).high > getattr(near, name).high).all()
    known, alone = [row[0] for row in calls], [[row[1]] for row in calls]
    near, far = (against_known(alone, known, correct=2, confidence=c) for c in (0.8, 0.99))
    for name in ("effectiveness", "miss_rate", "false_call_rate", "kappa"):
        assert (getattr(far, name).low < getattr(near, name).low).all()
        assert (getattr(far, name).high > getattr(near, name).high).all()


def test_full_agreement_is_one_and_its_error_says_nothing() -> None:
    found = agreement([[0, 0, 0]] * 5 + [[1, 1, 1]] * 5)
    for part in (found.kappa, found.fleiss, found.ac1):
        assert_allclose(part.estimate, 1)
        assert_allclose(part.error, 0, atol=1e-12)
    assert_allclose(found.all_agree.low, binomial(10, 10).low)


def test_one_category_alone_leaves_kappa_unknown_and_ac1_full() -> None:
    found = agreement([["ok", "ok"]] * 8, categories=["ok", "stem"])
    assert np.isnan(fields(found.kappa)).all()
    assert np.isnan(fields(found.fleiss)).all()
    assert_array_equal(fields(found.ac1), [1, 0, 1, 1])


def test_opposite_calls_are_minus_one() -> None:
    found = agreement([[0, 1], [1, 0]] * 5)
    assert_allclose([found.kappa.estimate[0], found.fleiss.estimate, found.ac1.estimate], -1)
    assert found.agreed.estimate.tolist() == [0]


# A category that nobody called leaves kappa alone, and AC1 less to chance.
def test_categories_that_could_have_been_called_matter_to_ac1_alone() -> None:
    calls = [[0, 0]] * 6 + [[0, 1], [1, 1]]
    two, three = agreement(calls), agreement(calls, categories=[0, 1, 2])
    assert_allclose(fields(two.kappa), fields(three.kappa), atol=1e-12)
    assert_allclose(two.fleiss.estimate, three.fleiss.estimate)
    level = np.array([13, 3]) / 16
    chance = 2 * level.prod() / 2
    assert_allclose(three.ac1.estimate, (7 / 8 - chance) / (1 - chance))
    assert three.ac1.estimate > two.ac1.estimate


def test_tables_of_any_kind_are_read_alike() -> None:
    rows = [["ok", "ok"], ["stem", "ok"], ["stem", "stem"], ["ok", ""], [None, "stem"]]
    found = agreement(rows)
    assert found.categories == ("ok", "stem")
    assert found.tables.tolist() == [[[1, 0], [1, 1]]]
    frame = pd.DataFrame(rows).replace("", None)
    numbers = [[0, 0], [1, 0], [1, 1], [0, np.nan], [np.nan, 1]]
    for same in (frame, frame.astype("string"), frame.astype("category"), np.array(numbers)):
        other: Agreement = agreement(same)
        assert_array_equal(other.tables, found.tables)
        assert_array_equal(fields(other.ac1), fields(found.ac1))
    unseen: Agreement = agreement([*rows, [None, ""]])  # a piece that nobody called
    assert_array_equal(fields(unseen.ac1), fields(found.ac1))
    assert agreement([[1, "a"], [1, 1]]).categories == (1, "a")
    assert agreement([[2, 10], [10, 2]]).categories == (2, 10)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (
            lambda: agreement(["ok", "stem"]),
            "calls must be a table of pieces by inspectors, got shape (2,)",
        ),
        (
            lambda: agreement(np.zeros((0, 2))),
            "calls must be a table of pieces by inspectors, got shape (0, 2)",
        ),
        (lambda: agreement([[0], [1]]), "calls must be of 2 inspectors or more, got 1"),
        (lambda: agreement([[0, 0]] * 2), "categories must be 2 or more, each once, got 0"),
        (lambda: agreement([[None, ""]]), "categories must be 2 or more, each once, got none"),
        (
            lambda: agreement([[0, 1]], categories=[0, 1, 1]),
            "categories must be 2 or more, each once, got 0, 1, 1",
        ),
        (
            lambda: agreement([["ok", "stem"], ["ok", "stme"]], categories=["ok", "stem"]),
            "calls must be among the categories ok, stem, got stme at position (1, 1)",
        ),
        (
            lambda: agreement([[0, 0, None], [1, 1, None], [0, None, 1]]),
            "each two inspectors must have called 1 piece or more in common, got none for those "
            "at positions 1 and 2",
        ),
        (
            lambda: agreement([[0, 1], [0, None]]),
            "2 pieces or more must have two calls or more, got 1",
        ),
        (
            lambda: agreement([[0, 1], [0, 1]], confidence=1.0),
            "confidence must be between 0 and 1, both excluded, got 1",
        ),
        (
            lambda: against_known([[0], [1]], [0], correct=0),
            "known must have one kind a piece, got shape (1,) for 2 pieces",
        ),
        (
            lambda: against_known([[0], [1]], [0, 1], correct=2),
            "correct must be among the categories 0, 1, got 2",
        ),
        (
            lambda: against_known([[0], [1]], [0, 2], correct=0, categories=[0, 1]),
            "known must be among the categories 0, 1, got 2 at position 1",
        ),
        (
            lambda: against_known([[0, 0], [1, None]], [0, 1], correct=0),
            "each inspector must have called 1 incorrect piece or more, got none for the one at "
            "position 1",
        ),
        (
            lambda: against_known([[None], [1]], [0, 1], correct=0),
            "each inspector must have called 1 correct piece or more, got none for the one at "
            "position 0",
        ),
        (
            lambda: against_known([[0], [1]], [0, 1], correct=0, confidence=0.0),
            "confidence must be between 0 and 1, both excluded, got 0",
        ),
        (
            lambda: inspection_study([[0], [1]], [0, 0], correct=0),
            "incorrect must be whole numbers, 1 or more, got 0",
        ),
    ],
)
def test_messages(call, message: str) -> None:
    with pytest.raises(InvalidInput) as raised:
        call()
    assert str(raised.value) == message
