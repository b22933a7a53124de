"""Claims whose correlation prior was learned from the plant's history, beside the usual prior."""

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from qa.intervals import learned_prior
from qa.intervals.beta_binomial import CORRELATION_PRIOR, Prior
from tests.coverage.many_totes import SEED, Cell, Found, found, of_posterior

HISTORIES = (100, 400)
LANES = 4  # of which the history's levels differ: half of the mean to one and a half of it
TOTES = (8, 20)
LINES = ((0.99, 0.005), (0.99, 0.02), (0.99, 0.05))
CHANGED = "history of 400 at correlation 0.005"  # while totes differ more by now

Whole = NDArray[np.int64]


def cells(*, quick: bool = False) -> list[Cell]:
    if quick:
        return [Cell(8, 0.99, 0.02, shape="history of 100")]
    learned = [
        Cell(totes, mean, rho, shape=f"history of {history}")
        for history in HISTORIES
        for totes in TOTES
        for mean, rho in LINES
    ]
    return learned + [Cell(totes, 0.99, 0.02, shape=CHANGED) for totes in TOTES]


def rows(*, quick: bool = False) -> Iterator[Found]:
    for number, cell in enumerate(cells(quick=quick)):
        rng = np.random.default_rng([SEED, 2, number])
        repeats = 20 if quick else 200
        priors = [learned(rng, cell) for _ in range(repeats)]
        x, n = Cell(cell.totes, cell.mean, cell.correlation).draw(rng, repeats)
        for method, known in (
            ("beta_binomial", [CORRELATION_PRIOR] * repeats),
            ("learned", priors),
        ):
            limits = [of_posterior(*row) for row in zip(x, n, known, strict=True)]
            yield found(cell, method, np.array(limits), cell.mean)


def learned(rng: np.random.Generator, cell: Cell) -> Prior:
    """What the lanes' past says of the correlation."""
    lane = np.arange(int(cell.shape.split()[2])) % LANES
    rho = 0.005 if cell.shape == CHANGED else cell.correlation
    share, both = (1 - cell.mean) * (0.5 + lane / (LANES - 1)), 1 / rho - 1
    x = rng.binomial(200, rng.beta(share * both, (1 - share) * both))
    return learned_prior(x, np.full(lane.size, 200), stratum=lane)
