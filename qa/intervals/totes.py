"""The sums over totes, stratum by stratum, and what they tell of how much totes differ."""

from collections.abc import Hashable, Iterable, Iterator, Mapping
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from qa._validate import checked_counts, checked_whole
from qa.errors import InvalidInput

Array = NDArray[np.float64]
Labels = Iterable[Hashable] | NDArray[np.generic]

SUMS = ("totes", "n", "x", "n2", "x2", "nx")
_ROUNDING = 1e-13
_BLOCK = 32_768


@dataclass(frozen=True, slots=True, eq=False)
class Sums:
    """The six sums, and that of x squared over n, one value a stratum."""

    totes: Array
    n: Array
    x: Array
    n2: Array
    x2: Array
    nx: Array
    ratios: Array

    def others(self) -> "Sums":
        """The sums of the pieces that were not counted."""
        return Sums(
            self.totes,
            self.n,
            self.n - self.x,
            self.n2,
            self.n2 - 2.0 * self.nx + self.x2,
            self.n2 - self.nx,
            self.n - 2.0 * self.x + self.ratios,
        )

    def together(self) -> "Sums":
        """All strata as one."""
        return Sums(*(getattr(self, f.name).sum(keepdims=True) for f in fields(self)))


@dataclass(frozen=True, slots=True, eq=False)
class Counts:
    """Pieces of the kind and pieces inspected, and the place of the stratum; one value a tote.

    Whole numbers in the form in which they came.
    """

    x: NDArray[Any]
    n: NDArray[Any]
    stratum: NDArray[np.intp]

    def others(self) -> "Counts":
        """The counts of the pieces that were not counted."""
        return Counts(self.n - self.x, self.n, self.stratum)


def sums_of_totes(
    count: ArrayLike, inspected: ArrayLike, stratum: Labels | None
) -> tuple[Sums, list[Hashable], Counts]:
    """The sums of each stratum, its label, and what they come from, from one value a tote.

    Raises
    ------
    InvalidInput
        If a count is not from 0 to inspected, there is no tote, or labels do not match totes.
    """
    x, n = _one_a_tote(count, inspected)
    labels, codes, totes = _coded(stratum, x.size)
    total = [np.zeros(len(labels)) for _ in SUMS]
    block = max(_BLOCK, 4 * len(labels))  # few totes at a time stay in the cache
    for at in range(0, x.size, block):
        few = slice(at, at + block)
        if x[few].min() < 0 or n[few].min() < 1 or (x[few] > n[few]).any():
            checked_counts(x, n)  # which says what is wrong, and where
        for so_far, part in zip(total, _six(x[few], n[few], codes[few], len(labels)), strict=True):
            so_far += part
    return Sums(totes.astype(np.float64), *total), labels, Counts(x, n, codes)


def sums_of_rows(
    sums: Mapping[str, ArrayLike], stratum: Labels | None
) -> tuple[Sums, list[Hashable]]:
    """The sums of each stratum and its label, from rows of the six sums that add up.

    Raises
    ------
    InvalidInput
        If a column is missing, or the sums of a row cannot come from the same totes.
    """
    rows = _checked_sums(sums)
    labels, codes, _ = _coded(range(rows[0].size) if stratum is None else stratum, rows[0].size)
    six = [_added(codes, values, len(labels)) for values in rows]
    return Sums(*[*six, _mean_size_ratios(six)]), labels


def squares_about_fraction(sums: Sums) -> Array:
    """Sum over the totes of a stratum of (x - p n) squared, p its fraction."""
    p = sums.x / sums.n
    squares = (sums.x2 - p * sums.nx) - p * (sums.nx - p * sums.n2)
    return np.where(squares > _ROUNDING * sums.x2, squares, 0.0)


def anova_correlation(sums: Sums) -> float:
    """Intra-class correlation by the analysis of variance, totes within strata."""
    n, totes, strata = sums.n.sum(), sums.totes.sum(), sums.totes.size
    squares = sums.x**2 / sums.n
    total = float((sums.x - squares).sum())
    if totes == strata or n == totes or total <= 0.0:
        return np.nan
    between = float((sums.ratios - squares).sum())
    size = float((sums.n - sums.n2 / sums.n).sum() / (totes - strata))
    mean_between, mean_within = between / (totes - strata), (total - between) / (n - totes)
    whole = mean_between + (size - 1.0) * mean_within
    return float((mean_between - mean_within) / whole) if whole > 1e-12 * mean_within else np.nan


def tarone_p(sums: Sums) -> float:
    """Tarone's score test of no correlation, one-sided, summed over strata.

    One stratum: Tarone's own statistic. With several its center and variance are reduced for
    each further fraction fitted, or many small strata would hide that totes differ.
    """
    mixed = (sums.x > 0) & (sums.x < sums.n)
    n, n2, p = sums.n[mixed], sums.n2[mixed], (sums.x / sums.n)[mixed]
    if not mixed.any() or sums.totes[mixed].sum() == mixed.sum():
        return np.nan
    sizes, size = n2 / n, n2.sum() / n.sum()
    center = n.sum() - (sizes.sum() - size)
    variance = 2.0 * ((n2 - n).sum() - ((sizes**2).sum() - size**2))
    if variance <= 0.0:
        return np.nan
    score = (squares_about_fraction(sums)[mixed] / (p * (1.0 - p))).sum() - center
    return float(special.ndtr(-score / np.sqrt(variance)))


def _mean_size_ratios(six: list[Array]) -> Array:
    """Sum of x squared over n, taking each tote for one of mean size (exact for equal sizes)."""
    totes, n, x, n2, _, _ = six
    alone = x * x / n
    size = (n - n2 / n) / np.where(totes > 1, totes - 1.0, np.inf)
    squares = squares_about_fraction(Sums(*[*six, alone]))
    return alone + np.divide(squares, size, out=np.zeros_like(n), where=size > 0)


def _one_a_tote(count: ArrayLike, inspected: ArrayLike) -> tuple[NDArray[Any], NDArray[Any]]:
    """Checked counts; rows of integers as they are, since a copy costs a tenth of the sums."""
    if isinstance(count, np.ndarray) and isinstance(inspected, np.ndarray):
        alike = count.dtype == inspected.dtype and count.shape == inspected.shape
        if alike and count.dtype.kind in "iu" and count.ndim == 1 and count.size:
            return count, inspected
    x, n = (np.atleast_1d(values) for values in checked_counts(count, inspected))
    if x.ndim != 1 or x.size == 0:
        raise InvalidInput(f"count must be one value a tote, got an array of shape {x.shape}")
    return x, n


def _six(
    count: NDArray[Any], inspected: NDArray[Any], codes: NDArray[np.intp], strata: int
) -> Iterator[Array]:
    """Of each stratum the sums of n, x, n squared, x squared, n x, and of x squared over n."""
    x, n = count.astype(np.float64), inspected.astype(np.float64)
    square = x * x
    for column in (n, x, n * n, square, n * x, square / n):
        yield _added(codes, column, strata)


def _added(codes: NDArray[np.intp], values: Array, strata: int) -> Array:
    return np.bincount(codes, values, strata).astype(np.float64, copy=False)


def _coded(
    stratum: Labels | None, size: int
) -> tuple[list[Hashable], NDArray[np.intp], NDArray[np.intp]]:
    """The distinct labels, the place of each row's among them, and how many rows have each.

    In the order of their coming; small whole numbers in their own, in a tenth of the time.
    """
    if stratum is None:
        return [None], np.zeros(size, dtype=np.intp), np.array([size])
    if _small_wholes(stratum, size):
        places = np.asarray(stratum).astype(np.intp, copy=False)
        rows_of = np.bincount(places)
        there = rows_of > 0
        codes = places if there.all() else (np.cumsum(there) - 1)[places]
        labels: list[Hashable] = [*np.flatnonzero(there).tolist()]
        return labels, codes, rows_of[there]
    rows = stratum.tolist() if isinstance(stratum, np.ndarray) else list(stratum)
    if len(rows) != size:
        raise InvalidInput(f"stratum must have {size} labels, got {len(rows)}")
    found: dict[Hashable, int] = {}
    codes = np.array([found.setdefault(row, len(found)) for row in rows], dtype=np.intp)
    return list(found), codes, np.bincount(codes)


def _small_wholes(stratum: Labels, size: int) -> bool:
    if not isinstance(stratum, np.ndarray) or stratum.dtype.kind not in "iu":
        return False
    return stratum.shape == (size,) and stratum.min() >= 0 and bool(stratum.max() <= size)


def _checked_sums(sums: Mapping[str, ArrayLike]) -> list[Array]:
    missing = [name for name in SUMS if name not in sums]
    if missing:
        raise InvalidInput(f"sums must have the columns {', '.join(missing)}, which are missing")
    rows = [np.atleast_1d(checked_whole(sums[name], name)) for name in SUMS]
    if len({row.shape for row in rows}) > 1 or rows[0].ndim != 1 or rows[0].size == 0:
        raise InvalidInput("sums must have one value a stratum in each of their columns")
    totes, n, x, n2, x2, nx = rows
    right = (totes >= 1) & (n >= totes) & (x <= n) & (x2 <= nx) & (nx <= n2) & (x2 >= x)
    right &= (totes * n2 >= n * n) & (totes * x2 >= x * x)
    if not right.all():
        at = int(np.argmin(right))
        came = ", ".join(f"{name} {row[at]:.0f}" for name, row in zip(SUMS, rows, strict=True))
        raise InvalidInput(f"sums must come from the same totes, got {came} at position {at}")
    return rows
