"""Every message of the argument checks, and of the errors that carry them."""

from typing import Any

import numpy as np
import pandas as pd
import pytest

from qa._validate import (
    checked_columns,
    checked_counts,
    checked_fraction,
    checked_level,
    checked_positive,
    checked_whole,
    chosen,
    one_whole,
)
from qa.errors import (
    Conflict,
    InvalidAudit,
    InvalidFile,
    InvalidInput,
    InvalidProgramme,
    NoSuchPlan,
    QAError,
    StoreError,
    StoreTooNew,
)

nan, inf = float("nan"), float("inf")


def said(check: Any, *arguments: Any, **named: Any) -> str:
    with pytest.raises(InvalidInput) as raised:
        check(*arguments, **named)
    return str(raised.value)


@pytest.mark.parametrize(
    ("count", "inspected", "message"),
    [
        (11, 10, "count must be from 0 to inspected, got 11 of 10"),
        ([1, 2, 3, 11], 10, "count must be from 0 to inspected, got 11 of 10 at position 3"),
        (
            [[1, 2], [3, 11]],
            10,
            "count must be from 0 to inspected, got 11 of 10 at position (1, 1)",
        ),
        ([1, 2], [5, 6, 7], "count and inspected must have one shape, got (2,) and (3,)"),
        (-1, 10, "count must be whole numbers, 0 or more, got -1"),
        ([0, -1], 10, "count must be whole numbers, 0 or more, got -1 at position 1"),
        (2.5, 10, "count must be whole numbers, 0 or more, got 2.5"),
        (nan, 10, "count must be whole numbers, 0 or more, got nan"),
        (1, inf, "inspected must be whole numbers, 1 or more, got inf"),
        (0, 0, "inspected must be whole numbers, 1 or more, got 0"),
        ("many", 10, 'count must be numbers, got "many"'),
        ([1, [2, 3]], 10, "count must be numbers, got [1, [2, 3]]"),
        (None, 10, "count must be whole numbers, 0 or more, got nan"),
    ],
)
def test_counts(count: Any, inspected: Any, message: str) -> None:
    assert said(checked_counts, count, inspected) == message


def test_counts_are_called_by_their_names() -> None:
    names = ("incorrect", "pieces")
    message = "incorrect must be from 0 to pieces, got 3 of 2"
    assert said(checked_counts, 3, 2, names=names) == message


@pytest.mark.parametrize("kind", [int, np.int32, np.uint8, float, np.float32, list, pd.Series])
def test_good_counts_come_back_as_floats_of_one_shape(kind: Any) -> None:
    given = np.array([0, 3, 10])
    x, n = checked_counts(kind(given) if kind in (list, pd.Series) else given.astype(kind), 10)
    assert x.dtype == n.dtype == np.float64
    assert x.tolist() == [0, 3, 10]
    assert n.tolist() == [10, 10, 10]


def test_no_counts_are_good_counts() -> None:
    x, n = checked_counts([], [])
    assert x.shape == n.shape == (0,)


@pytest.mark.parametrize(
    ("values", "least", "message"),
    [
        ([3, 2], 3, "totes must be whole numbers, 3 or more, got 2 at position 1"),
        (np.array([3, 2]), 3, "totes must be whole numbers, 3 or more, got 2 at position 1"),
        (np.array([3, 3.5]), 3, "totes must be whole numbers, 3 or more, got 3.5 at position 1"),
        (-inf, 0, "totes must be whole numbers, 0 or more, got -inf"),
    ],
)
def test_whole(values: Any, least: int, message: str) -> None:
    assert said(checked_whole, values, "totes", least=least) == message


def test_one_whole() -> None:
    assert said(one_whole, [1, 2], "n") == "n must be one number, got 2"
    assert said(one_whole, 0, "n", least=1) == "n must be whole numbers, 1 or more, got 0"
    assert type(one_whole(np.int64(3), "n")) is int


@pytest.mark.parametrize(
    ("values", "ends", "message"),
    [
        (1.1, True, "target must be from 0 to 1, got 1.1"),
        ([0.5, -0.1], True, "target must be from 0 to 1, got -0.1 at position 1"),
        (nan, True, "target must be from 0 to 1, got nan"),
        (1, False, "target must be between 0 and 1, both excluded, got 1"),
        ("99 %", True, 'target must be numbers, got "99 %"'),
    ],
)
def test_fraction(values: Any, ends: bool, message: str) -> None:
    assert said(checked_fraction, values, "target", ends=ends) == message
    assert checked_fraction([0, 1], "target").tolist() == [0, 1]


@pytest.mark.parametrize(
    ("value", "message"),
    [
        (0, "confidence must be between 0 and 1, both excluded, got 0"),
        (1.0, "confidence must be between 0 and 1, both excluded, got 1"),
        (95, "confidence must be between 0 and 1, both excluded, got 95"),
        (nan, "confidence must be between 0 and 1, both excluded, got nan"),
        ([0.9, 0.95], "confidence must be one number, got 2"),
        ("high", 'confidence must be numbers, got "high"'),
    ],
)
def test_level(value: Any, message: str) -> None:
    assert said(checked_level, value) == message


@pytest.mark.parametrize("value", [0.95, np.float32(0.5), np.array(0.9)])
def test_a_good_level_is_a_plain_number(value: Any) -> None:
    assert type(checked_level(value)) is float
    assert checked_level(value) == value


@pytest.mark.parametrize(
    ("values", "message"),
    [
        (0, "weight must be above 0, got 0"),
        ([1, -2], "weight must be above 0, got -2 at position 1"),
        (inf, "weight must be above 0, got inf"),
        (nan, "weight must be above 0, got nan"),
        ({}, "weight must be numbers, got {}"),
    ],
)
def test_positive(values: Any, message: str) -> None:
    assert said(checked_positive, values, "weight") == message
    assert checked_positive([0.5, 2], "weight").tolist() == [0.5, 2]


def test_choices() -> None:
    choices = {"exact": 1, "wilson": 2}
    assert chosen(choices, "method", "wilson") == 2
    message = "method must be one of exact, wilson, got "
    assert said(chosen, choices, "method", "wilsen") == message + '"wilsen"'
    assert said(chosen, choices, "method", None) == message + "None"
    assert said(chosen, choices, "method", ["exact"]) == message + "['exact']"


def test_long_values_are_cut() -> None:
    assert said(chosen, {"a": 1}, "side", "x" * 99) == f'side must be one of a, got "{"x" * 56}...'


def test_columns() -> None:
    frame = pd.DataFrame({"lane": ["1"], "inspected": [200]})
    assert checked_columns(frame, ["lane"], "a tally") is frame
    message = "a tally must have the columns shift, tote, which are missing"
    assert said(checked_columns, frame, ["shift", "lane", "tote"], "a tally") == message


@pytest.mark.parametrize(
    ("error", "parents"),
    [
        (InvalidInput, (QAError, ValueError)),
        (InvalidAudit, (QAError, ValueError)),
        (InvalidProgramme, (QAError, ValueError)),
        (InvalidFile, (QAError, ValueError)),
        (NoSuchPlan, (QAError, LookupError)),
        (StoreError, (QAError,)),
        (StoreTooNew, (StoreError,)),
        (Conflict, (StoreError,)),
    ],
)
def test_error_tree(error: type[QAError], parents: tuple[type[Exception], ...]) -> None:
    assert error.__bases__ == parents


def test_an_audit_lists_every_problem() -> None:
    error = InvalidAudit({"inspected": "must be above 0", "lane": "is not one of 1, 2"})
    assert str(error) == "inspected: must be above 0; lane: is not one of 1, 2"
    assert error.problems == {"inspected": "must be above 0", "lane": "is not one of 1, 2"}


def test_a_programme_lists_every_fault() -> None:
    assert str(InvalidProgramme(["one"])) == "programme has 1 fault:\n  one"
    error = InvalidProgramme(["one", "two"], where="plant.toml")
    assert str(error) == "plant.toml has 2 faults:\n  one\n  two"
    assert error.problems == ["one", "two"]
