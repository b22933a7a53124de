"""Checks of arguments: the one place that words a domain error.

Each function returns its argument in the form the formulas want, or raises `InvalidInput` with
the rule and what came instead.
"""

from collections.abc import Iterable, Mapping
from typing import Any, TypeVar

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from qa.errors import InvalidInput

T = TypeVar("T")


def checked_counts(
    count: ArrayLike, inspected: ArrayLike, *, names: tuple[str, str] = ("count", "inspected")
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Counts and the pieces they were found in, as float arrays of one shape.

    Raises
    ------
    InvalidInput
        If either is not whole, inspected is below 1, or a count is not from 0 to inspected.
    """
    n = checked_whole(inspected, names[1], least=1)
    x = checked_whole(count, names[0], least=0)
    try:
        x, n = (x, n) if x.shape == n.shape else np.broadcast_arrays(x, n)
    except ValueError:
        raise InvalidInput(
            f"{names[0]} and {names[1]} must have one shape, got {x.shape} and {n.shape}"
        ) from None
    beyond = x > n
    if beyond.any():
        at = first(beyond)
        raise InvalidInput(
            f"{names[0]} must be from 0 to {names[1]}, got {x[at]:.0f} of {n[at]:.0f}{position(at)}"
        )
    return x, n


def checked_whole(values: ArrayLike, name: str, *, least: int = 0) -> NDArray[np.float64]:
    """Whole numbers, `least` or more, as a float array.

    Raises
    ------
    InvalidInput
        Naming the argument, the value and its position.
    """
    array = _numbers(values, name)
    right = (array >= least) & (array < np.inf)
    if getattr(getattr(values, "dtype", None), "kind", "O") not in "iu":
        right &= array == np.floor(array)
    if not right.all():
        at = first(~right)
        raise InvalidInput(
            f"{name} must be whole numbers, {least} or more, got {array[at]:g}{position(at)}"
        )
    return array


def one_whole(value: float, name: str, *, least: int = 0) -> int:
    """One whole number, `least` or more.

    Raises
    ------
    InvalidInput
        Otherwise.
    """
    if np.ndim(value) != 0:
        raise InvalidInput(f"{name} must be one number, got {np.size(value)}")
    return int(checked_whole(value, name, least=least))


def checked_fraction(values: ArrayLike, name: str, *, ends: bool = True) -> NDArray[np.float64]:
    """Fractions from 0 to 1 (strictly between, with ``ends=False``), as a float array.

    Raises
    ------
    InvalidInput
        Naming the argument, the value and its position.
    """
    array = _numbers(values, name)
    right = (array >= 0) & (array <= 1) if ends else (array > 0) & (array < 1)
    if not right.all():
        at = first(~right)
        rule = "from 0 to 1" if ends else "between 0 and 1, both excluded"
        raise InvalidInput(f"{name} must be {rule}, got {array[at]:g}{position(at)}")
    return array


def checked_level(value: float, name: str = "confidence") -> float:
    """One number strictly between 0 and 1.

    Raises
    ------
    InvalidInput
        Otherwise.
    """
    if isinstance(value, float) and 0.0 < value < 1.0:
        return float(value)  # the usual case, in a tenth of the time
    if np.ndim(value) != 0:
        raise InvalidInput(f"{name} must be one number, got {np.size(value)}")
    return float(checked_fraction(value, name, ends=False))


def checked_positive(values: ArrayLike, name: str) -> NDArray[np.float64]:
    """Finite numbers above 0, as a float array.

    Raises
    ------
    InvalidInput
        Naming the argument, the value and its position.
    """
    array = _numbers(values, name)
    wrong = ~(np.isfinite(array) & (array > 0))
    if wrong.any():
        at = first(wrong)
        raise InvalidInput(f"{name} must be above 0, got {array[at]:g}{position(at)}")
    return array


def chosen(choices: Mapping[str, T], name: str, value: str) -> T:
    """The entry of `choices` that `value` names.

    Raises
    ------
    InvalidInput
        With the choices there are, for any other name; a misspelling is never guessed at.
    """
    if not isinstance(value, str) or value not in choices:
        raise InvalidInput(f"{name} must be one of {', '.join(choices)}, got {_shown(value)}")
    return choices[value]


def checked_columns(frame: pd.DataFrame, columns: Iterable[str], what: str) -> pd.DataFrame:
    """The table itself, if it has the columns.

    Raises
    ------
    InvalidInput
        Naming the table and every column that it lacks.
    """
    missing = [column for column in columns if column not in frame.columns]
    if missing:
        raise InvalidInput(f"{what} must have the columns {', '.join(missing)}, which are missing")
    return frame


def _numbers(values: ArrayLike, name: str) -> NDArray[np.float64]:
    try:
        array = np.asarray(values, dtype=np.float64)
    except (TypeError, ValueError):
        raise InvalidInput(f"{name} must be numbers, got {_shown(values)}") from None
    return array


def first(wrong: NDArray[np.bool_]) -> tuple[int, ...]:
    """Where the first of what is wrong stands."""
    return tuple(int(i) for i in np.argwhere(wrong)[0])


def position(at: tuple[int, ...]) -> str:
    """Such a place in words; "" for a number alone."""
    if not at:
        return ""
    return f" at position {at[0] if len(at) == 1 else at}"


def _shown(value: Any) -> str:
    text = f'"{value}"' if isinstance(value, str) else repr(value)
    return text if len(text) <= 60 else text[:57] + "..."
