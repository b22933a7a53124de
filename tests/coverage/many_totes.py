"""Many totes: coverage and misses by simulation, from seeds that are fixed cell by cell."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from qa.intervals import beta_binomial as bb
from qa.intervals import binomial, clustered
from qa.intervals.samples_ahead import posteriors_ahead

LEVEL = 0.95
MEANS = (0.95, 0.98, 0.99, 0.995, 0.999)
CORRELATIONS = (0.0, 0.005, 0.01, 0.02, 0.05)
TOTES = (5, 10, 20, 50, 100)
SEED = 20260514

Whole = NDArray[np.int64]
Limits = tuple[float, float, float]  # both limits of the fraction correct, and the lower one alone


@dataclass(frozen=True)
class Cell:
    """What totes are like: "beta" totes, or "mixture" (one in ten has five times its share).

    Beside these two, `shape` names a study of its own.
    """

    totes: int
    mean: float
    correlation: float
    unequal: bool = False
    shape: str = "beta"

    def draw(self, rng: np.random.Generator, repeats: int) -> tuple[Whole, Whole]:
        """Incorrect pieces and pieces inspected: a row a sample of totes."""
        size = (repeats, self.totes)
        n = rng.integers(50, 351, size) if self.unequal else np.full(size, 200)
        return rng.binomial(n, self._incorrect(rng, size)), n

    def _incorrect(self, rng: np.random.Generator, size: tuple[int, int]) -> Any:
        p = 1 - self.mean
        if self.shape == "mixture":
            return np.where(rng.random(size) < 0.1, 5.0, 5 / 9) * p
        if self.correlation == 0:
            return np.full(size, p)
        both = 1 / self.correlation - 1
        return rng.beta(p * both, self.mean * both, size)


@dataclass(frozen=True)
class Found:
    """What a method did in a cell; `short` is how far its lower bound lies below the truth."""

    cell: Cell
    method: str
    repeats: int
    coverage: float
    misses: float
    misses_error: float
    short: float


def cells(*, quick: bool = False) -> list[Cell]:
    if quick:
        return [
            Cell(8, 0.99, 0.01),
            Cell(8, 0.99, 0.01, unequal=True),
            Cell(8, 0.99, 0, shape="mixture"),
        ]
    equal = [Cell(m, mean, rho) for m in TOTES for mean in MEANS for rho in CORRELATIONS]
    unequal = [Cell(m, 0.99, rho, unequal=True) for m in TOTES for rho in (0.0, 0.01, 0.05)]
    mixed = [Cell(m, mean, np.nan, shape="mixture") for m in TOTES for mean in (0.99, 0.995)]
    return equal + unequal + mixed


def rows(*, quick: bool = False) -> Iterator[Found]:
    for number, cell in enumerate(cells(quick=quick)):
        repeats = 40 if quick else (600 if cell.totes <= 20 else 300)
        x, n = cell.draw(np.random.default_rng([SEED, number]), repeats)
        for method, limits in METHODS.items():
            alike = method == "beta_binomial" and not cell.unequal
            answers = together(x, 200) if alike else once_each(limits, x, n)
            yield found(cell, method, answers, cell.mean)


def once_each(limits: Callable[[Whole, Whole], Limits], x: Whole, n: Whole) -> NDArray[np.float64]:
    """The limits of every row, samples alike but for the order of totes solved once."""
    known: dict[tuple[tuple[int, int], ...], Limits] = {}
    answers = []
    for row in zip(x, n, strict=True):
        key = tuple(sorted(zip(*(part.tolist() for part in row), strict=True)))
        if key not in known:
            known[key] = limits(*row)
        answers.append(known[key])
    return np.array(answers)


def found(
    cell: Cell, method: str, limits: NDArray[np.float64], truth: float | NDArray[np.float64]
) -> Found:
    low, high, alone = limits.T
    missed = float(np.mean(alone > truth))
    repeats = len(limits)
    error = np.sqrt(max(missed * (1 - missed), 0.05 / repeats) / repeats)
    covered = float(np.mean((low <= truth) & (truth <= high)))
    return Found(
        cell, method, repeats, covered, missed, float(error), float(np.mean(truth - alone))
    )


def pooled(x: Whole, n: Whole) -> Limits:
    """The pieces of all totes as one sample: what is usual, and wrong where totes differ."""
    correct, inspected = (n - x).sum(), n.sum()
    both = binomial(correct, inspected, confidence=LEVEL)
    alone = binomial(correct, inspected, confidence=LEVEL, side="lower")
    return float(both.low), float(both.high), float(alone.low)


def korn_graubard(x: Whole, n: Whole) -> Limits:
    both = clustered(n - x, n, confidence=LEVEL).interval
    alone = clustered(n - x, n, confidence=LEVEL, side="lower").interval
    return float(both.low), float(both.high), float(alone.low)


def of_posterior(x: Whole, n: Whole, prior: bb.Prior = bb.CORRELATION_PRIOR) -> Limits:
    """As `clustered` has it, one posterior for both questions."""
    density, _ = bb.posterior(bb.totes_of(x, n), prior)
    return _limits(density, x.sum() / n.sum())


def together(x: Whole, size: int, at_once: int = 50) -> NDArray[np.float64]:
    """The same of every row, totes of one size: samples of about as many pieces share a grid."""
    answers = np.empty((len(x), 3))
    order = np.argsort(x.sum(axis=1), kind="stable")
    for first in range(0, len(x), at_once):
        few = order[first : first + at_once]
        densities = posteriors_ahead(bb.totes_of([], []), x[few], size)
        shares = x[few].mean(axis=1) / size
        answers[few] = [_limits(*each) for each in zip(densities, shares, strict=True)]
    return answers


def _limits(density: bb.Density, share: float) -> Limits:
    tail = 1 - LEVEL
    high = 1 - min(density.below(tail / 2), share)
    return 1 - max(density.above(tail / 2), share), high, 1 - max(density.above(tail), share)


METHODS: dict[str, Callable[[Whole, Whole], Limits]] = {
    "pooled": pooled,
    "korn_graubard": korn_graubard,
    "beta_binomial": of_posterior,
}
