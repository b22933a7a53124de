"""What an average claim says once the inspectors' own errors are allowed for."""

import pandas as pd

from qa.claim.answer import Bounds, bounds_of
from qa.claim.evidence import audited_totes, both_sides, goal_of
from qa.intervals import InspectionStudy, clustered, corrected_estimate
from qa.programme import HOUSE, Programme

INSPECTORS = "inspectors"


def with_misses(
    tallies: pd.DataFrame,
    programme: Programme,
    study: InspectionStudy,
    *,
    target: float | None = None,
    specification: str = HOUSE,
) -> Bounds:
    """One-sided bounds of percent correct that carry the uncertainty of an agreement study.

    The clustered estimate's effective sample size stands for the pieces (Lang & Reiczigel 2014),
    so that totes that differ widen the bounds as they do without inspectors' errors.

    Parameters
    ----------
    tallies, programme, target, specification
        As for `qa.claim.average`.
    study : InspectionStudy
        Of the inspectors who made the audits.

    Raises
    ------
    InvalidInput
        As `qa.claim.average`.
    """
    totes = audited_totes(tallies, programme, specification)
    seen = clustered(
        totes["correct"].to_numpy(),
        totes["inspected"].to_numpy(),
        stratum=totes["stratum"].to_numpy(dtype=object),
        confidence=both_sides(programme),
        correlation=programme.correlation,
    )
    found = corrected_estimate(seen, study, counted="correct")
    return bounds_of(INSPECTORS, found, goal_of(target, programme))
