"""How many more totes would settle a claim, if the line goes on as it has."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from qa._validate import checked_level, one_whole
from qa.claim.evidence import audited_totes, goal_of
from qa.intervals import fit_totes
from qa.intervals.beta_binomial import totes_of
from qa.intervals.samples_ahead import posteriors_ahead
from qa.programme import HOUSE, Programme

Floats = NDArray[np.float64]
Whole = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Needed:
    """Totes still to be audited until a claim is settled with an assurance.

    Attributes
    ----------
    assurance : float
        Chance wanted that it is settled then, if the line goes on as it has.
    totes : int or None
        Totes more, of `inspected` pieces each; None if the most that were tried do not suffice.
    inspected : int
    chance, error : float
        Of being settled with so many totes, as simulated, and its Monte Carlo standard error.
    """

    assurance: float
    totes: int | None
    inspected: int
    chance: float
    error: float


@dataclass(frozen=True, slots=True)
class Simulation:
    """How totes to come are simulated."""

    samples: int = 100
    seed: int = 1
    most: int = 2000  # totes that are tried


def totes_still_needed(
    tallies: pd.DataFrame,
    programme: Programme,
    *,
    target: float | None = None,
    specification: str = HOUSE,
    assurances: Sequence[float] = (0.8, 0.9),
    simulation: Simulation | None = None,
) -> tuple[Needed, ...]:
    """How many more totes would settle an average claim, if the line goes on as it has.

    Totes to come are drawn from the beta-binomial fitted to those audited (its mean from the
    posterior where no incorrect piece was found, its correlation from the programme where totes
    cannot show one), added to those, and judged as `average` judges. Numbers of totes are tried
    in steps of a tenth.

    Parameters
    ----------
    tallies, programme, target, specification
        As for `average`.
    assurances : sequence of float, between 0 and 1
    simulation : Simulation, optional

    Returns
    -------
    tuple of Needed
        One an assurance. About a second of work.

    Raises
    ------
    InvalidInput
        As `average`.
    """
    goal, run = goal_of(target, programme), simulation or Simulation()
    wanted = [checked_level(each, "assurances") for each in assurances]
    totes = audited_totes(tallies, programme, specification)
    n, x = totes["inspected"].to_numpy(), (totes["inspected"] - totes["correct"]).to_numpy()
    size, numbers = int(np.median(n)), _tried(one_whole(run.most, "most", least=1))
    mean, rho = _fitted(x, n, programme.correlation)
    shape = one_whole(run.samples, "samples", least=1), numbers[-1]
    rng = np.random.default_rng(run.seed)
    ahead = rng.binomial(size, _qualities(rng, mean, rho, shape))
    seen, supporting = totes_of(x, n), 1.0 - mean >= goal

    @cache
    def chance(number: int) -> float:
        """Chance that the claim is settled with so many totes more."""
        rows = ahead[:, :number] if number else ahead[:1, :0]
        estimate = 1.0 - (x.sum() + rows.sum(axis=1)) / (n.sum() + number * size)
        found = posteriors_ahead(seen, rows, size)
        below = np.array([each.chance_below(1.0 - goal) for each in found])
        if supporting:
            settled = (1.0 - below <= 1.0 - programme.confidence) & (estimate >= goal)
        else:
            settled = (below < 1.0 - programme.confidence) & (estimate < goal)
        return float(np.mean(settled))

    return tuple(_least(chance, numbers, each, shape[0], size) for each in wanted)


def _least(
    chance: Callable[[int], float], numbers: list[int], assurance: float, samples: int, size: int
) -> Needed:
    """The least of the numbers that reaches an assurance, by halving."""
    low, high = -1, len(numbers) - 1
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if chance(numbers[middle]) >= assurance else (middle, high)
    number = numbers[high]
    found = chance(number)
    smooth = (found * samples + 1) / (samples + 2)  # an error of 0 would be no error
    error = float(np.sqrt(smooth * (1 - smooth) / samples)) if number else 0.0
    return Needed(assurance, number if found >= assurance else None, size, found, error)


def _fitted(x: NDArray[np.int64], n: NDArray[np.int64], correlation: float) -> tuple[float, float]:
    """Mean and correlation with which the line is supposed to go on."""
    fit = fit_totes(x, n)
    mean, rho = float(fit.mean), float(fit.correlation)
    if not 0 < mean < 1:
        mean = float((x.sum() + 0.5) / (n.sum() + 1))
    return mean, correlation if np.isnan(rho) else min(rho, 0.99)


def _qualities(rng: np.random.Generator, mean: float, rho: float, shape: tuple[int, int]) -> Floats:
    if rho == 0:
        return np.full(shape, mean)
    return rng.beta(mean * (1 / rho - 1), (1 - mean) * (1 / rho - 1), shape)


def _tried(most: int) -> list[int]:
    """Numbers of totes, 0 and from 1 on in steps of a tenth."""
    numbers = [0, 1]
    while numbers[-1] < most:
        numbers.append(min(most, max(numbers[-1] + 1, int(numbers[-1] * 1.1))))
    return numbers
