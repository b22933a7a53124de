"""Whether the audits support a claim, by several methods side by side."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from qa._validate import checked_level
from qa.claim.evidence import audited_totes, both_sides, goal_of, reaches
from qa.intervals import Interval, always_valid, binomial, clustered, tote_quality
from qa.intervals.beta_binomial import CORRELATION_PRIOR, Prior, checked_prior
from qa.intervals.clustered import Estimate
from qa.programme import HOUSE, Programme

Whole = NDArray[np.int64]
Way = Callable[[pd.DataFrame], Interval]

METHOD = "beta_binomial"  # by the coverage study: python -m tests.coverage
NAIVE = "pooled"
SUPPORTED, CONTRADICTED, NOT_SETTLED = "supported", "contradicted", "not_settled"


@dataclass(frozen=True, slots=True)
class Bounds:
    """One-sided bounds of a method, each with the confidence of the claim, and what they say."""

    method: str
    lower: float
    upper: float
    answer: str


@dataclass(frozen=True, slots=True)
class Claim:
    """What the audits say of a claim; fractions are of correct pieces, 0 to 1.

    Attributes
    ----------
    kind : "average" or "tote_by_tote"
    target : float
    share : float
        Of the totes that must reach the target; 1 for an average, which speaks of pieces.
    confidence : float
    answer : "supported", "contradicted" or "not_settled"
        By `bounds`.
    totes, inspected, incorrect : int
    estimate : float
    bounds : Bounds
    beside : tuple of Bounds
        By other methods; "always_valid" may be looked at every day.
    naive : Bounds
        The pieces of all totes taken for one random sample, as is usual, and what that would have
        claimed.
    assumed : tuple of str
        What was assumed or should be known, each a plain sentence.
    design_effect, tarone_p : float
        As `qa.intervals.clustered` gives them of these totes: how many times more a mean of their
        pieces varies than one of single pieces, and the chance that totes all alike differ so.
    """

    kind: str
    target: float
    share: float
    confidence: float
    answer: str
    totes: int
    inspected: int
    incorrect: int
    estimate: float
    bounds: Bounds
    beside: tuple[Bounds, ...]
    naive: Bounds
    assumed: tuple[str, ...]
    design_effect: float
    tarone_p: float


def average(
    tallies: pd.DataFrame,
    programme: Programme,
    *,
    target: float | None = None,
    specification: str = HOUSE,
    correlation_prior: Prior = CORRELATION_PRIOR,
) -> Claim:
    """Whether percent correct over the period is at or above a target.

    Parameters
    ----------
    tallies : tally
        Audits of every purpose; only routine ones are used.
    programme : Programme
        Gives the confidence, and the target unless another is asked for.
    target : float, between 0 and 1, optional
    specification : str
        Which categories count against a piece.
    correlation_prior : pair of float
        As for `qa.intervals.clustered`; `learned_from` takes it from the plant's history.

    Raises
    ------
    InvalidInput
        If there is no routine audit, or an argument is out of its range.
    """
    goal = goal_of(target, programme)
    totes = audited_totes(tallies, programme, specification)
    ways = ways_to_bound(programme, correlation_prior)
    found = {method: bounds_by(method, way, totes, goal) for method, way in ways.items()}
    whole = of_totes(totes)
    return Claim(
        "average",
        goal,
        1.0,
        programme.confidence,
        found[METHOD].answer,
        *sizes(totes),
        float(whole.interval.estimate),
        found.pop(METHOD),
        naive=found.pop(NAIVE),
        beside=tuple(found.values()),
        assumed=assumed_of(totes),
        design_effect=whole.design_effect,
        tarone_p=whole.tarone_p,
    )


def tote_by_tote(
    tallies: pd.DataFrame,
    programme: Programme,
    *,
    share: float = 0.95,
    target: float | None = None,
    specification: str = HOUSE,
    correlation_prior: Prior = CORRELATION_PRIOR,
) -> Claim:
    """Whether at least a share of totes is at or above a target, by the totes' own qualities.

    The naive figure takes the totes' audited fractions for what is in them: its bounds are exact
    ones of the share of totes that were audited at or above the target, held against `share`.

    Parameters
    ----------
    share : float, between 0 and 1
        Of all totes, audited or not.
    tallies, programme, target, specification, correlation_prior
        As for `average`.

    Raises
    ------
    InvalidInput
        As `average`.
    """
    goal, level = goal_of(target, programme), both_sides(programme)
    wanted, prior = checked_level(share, "share"), checked_prior(correlation_prior)
    totes = audited_totes(tallies, programme, specification)
    found = tote_quality(
        *_counts(totes), share=wanted, confidence=level, side="both", correlation_prior=prior
    )
    bounds, whole = bounds_of(METHOD, found, goal), of_totes(totes)
    return Claim(
        "tote_by_tote",
        goal,
        wanted,
        programme.confidence,
        bounds.answer,
        *sizes(totes),
        float(found.estimate),
        bounds,
        naive=_naive_share(totes, goal, wanted, level),
        beside=(),
        assumed=assumed_of(totes),
        design_effect=whole.design_effect,
        tarone_p=whole.tarone_p,
    )


def bounds_by(method: str, way: Way, totes: pd.DataFrame, target: float) -> Bounds:
    """Both one-sided bounds of the average by one way, and what they say of the target."""
    return bounds_of(method, way(totes), target)


def ways_to_bound(programme: Programme, prior: Prior) -> Mapping[str, Way]:
    """The methods: intervals whose two limits are one-sided bounds with the confidence each."""
    level = both_sides(programme)

    def by_totes(method: str) -> Way:
        return lambda totes: (
            clustered(
                *_counts(totes),
                stratum=totes["stratum"],
                confidence=level,
                method=method,
                correlation=programme.correlation,
                correlation_prior=prior,
            ).interval
        )

    return {
        METHOD: by_totes(METHOD),
        "korn_graubard": by_totes("korn_graubard"),
        "always_valid": lambda totes: always_valid(*_counts(totes), confidence=level),
        NAIVE: lambda totes: naive_average(totes, level),
    }


def naive_average(totes: pd.DataFrame, level: float) -> Interval:
    """The pieces of all totes, taken for one random sample."""
    return binomial(*(each.sum() for each in _counts(totes)), confidence=level)


def of_totes(totes: pd.DataFrame) -> Estimate:
    """The average over totes, each of them a cluster, and how much they differ."""
    return clustered(*_counts(totes), stratum=totes["stratum"])


def assumed_of(totes: pd.DataFrame) -> tuple[str, ...]:
    """What was assumed of totes and their strata, each a plain sentence."""
    counts = _counts(totes)
    return clustered(*counts, stratum=totes["stratum"], method=METHOD).assumed


def _naive_share(totes: pd.DataFrame, target: float, share: float, level: float) -> Bounds:
    correct, inspected = _counts(totes)
    return bounds_of(
        NAIVE,
        binomial(reaches(correct, inspected, target).sum(), len(totes), confidence=level),
        share,
    )


def bounds_of(method: str, found: Interval, target: float) -> Bounds:
    """The limits of an interval as one-sided bounds, and what they say of the target."""
    lower, upper = (float(np.atleast_1d(limit)[-1]) for limit in (found.low, found.high))
    if lower >= target:
        return Bounds(method, lower, upper, SUPPORTED)
    return Bounds(method, lower, upper, CONTRADICTED if upper < target else NOT_SETTLED)


def _counts(totes: pd.DataFrame) -> tuple[Whole, Whole]:
    return totes["correct"].to_numpy(), totes["inspected"].to_numpy()


def sizes(totes: pd.DataFrame) -> tuple[int, int, int]:
    """Totes, pieces inspected, and incorrect ones among them."""
    inspected = int(totes["inspected"].sum())
    return len(totes), inspected, inspected - int(totes["correct"].sum())
