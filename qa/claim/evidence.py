"""The totes that speak of a claim, and what a plant's history says of how much totes differ."""

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from qa._validate import checked_level
from qa.errors import InvalidInput
from qa.intervals import learned_prior
from qa.intervals.beta_binomial import Prior
from qa.programme import HOUSE, Programme
from qa.tally import routine, stratified, under


def goal_of(target: float | None, programme: Programme) -> float:
    """The target asked for, else the programme's.

    Raises
    ------
    InvalidInput
        If it is not between 0 and 1.
    """
    return checked_level(programme.target if target is None else target, "target")


def both_sides(programme: Programme) -> float:
    """Confidence of an interval whose limits are one-sided bounds with the programme's.

    Raises
    ------
    InvalidInput
        If that is not above a half.
    """
    if not programme.confidence > 0.5:
        raise InvalidInput(
            f"confidence must be above 0.5 for a claim, got {programme.confidence:g}"
        )
    return 2.0 * programme.confidence - 1.0


def reaches(
    correct: NDArray[np.int64], inspected: NDArray[np.int64], target: float
) -> NDArray[np.bool_]:
    """Which totes' samples are at the target or above it.

    A sample exactly there is at it, though the product of two decimals may lie just beside.
    """
    return np.asarray(correct >= target * inspected - 1e-9)


def audited_totes(tallies: pd.DataFrame, programme: Programme, specification: str) -> pd.DataFrame:
    """One row a tote in the order of its first audit, with its stratum and day.

    Raises
    ------
    InvalidInput
        If there is no routine audit, or the specification cannot be answered.
    """
    audits = under(routine(tallies), programme, specification)
    if audits.empty:
        raise InvalidInput("a claim needs a routine audit, got none")
    totes = stratified(audits, (), ["correct"])
    return totes.sort_values("first_at", kind="stable").reset_index(drop=True)


def learned_from(
    tallies: pd.DataFrame, programme: Programme, *, specification: str = HOUSE
) -> Prior:
    """The prior of the intra-tote correlation from audits of a past period.

    Each lane in each month has its own level; how much totes differ within them is learned.

    Raises
    ------
    InvalidInput
        If there is no routine audit.
    """
    totes = audited_totes(tallies, programme, specification)
    group = totes["lane"] + " " + totes["day"].dt.strftime("%Y-%m")
    correct, inspected = totes["correct"].to_numpy(), totes["inspected"].to_numpy()
    return learned_prior(inspected - correct, inspected, stratum=group.to_numpy(dtype=object))
