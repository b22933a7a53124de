"""What a claim would say by other methods and correlations, or without a lane or a day."""

from collections.abc import Iterator
from dataclasses import asdict

import pandas as pd

from qa.claim.answer import METHOD, bounds_by, ways_to_bound
from qa.claim.evidence import audited_totes, goal_of
from qa.intervals.beta_binomial import CORRELATION_PRIOR, Prior
from qa.programme import HOUSE, Programme

CORRELATIONS = (0.005, 0.01, 0.02, 0.05)  # that are expected before any tote is seen


def sensitivity(
    tallies: pd.DataFrame,
    programme: Programme,
    *,
    target: float | None = None,
    specification: str = HOUSE,
    correlation_prior: Prior = CORRELATION_PRIOR,
) -> pd.DataFrame:
    """What an average claim would say by other methods, correlations, or without a lane or a day.

    Returns
    -------
    DataFrame
        Columns ``change`` ("method", "correlation", "without lane", "without day"), ``value``,
        ``totes``, ``lower``, ``upper``, ``answer``; the first row is the claim itself.
        A correlation is what is expected before any tote is seen: the mean of the prior.

    Raises
    ------
    InvalidInput
        As `average`.
    """
    goal = goal_of(target, programme)
    totes = audited_totes(tallies, programme, specification)
    ways = ways_to_bound(programme, correlation_prior)
    rows = [("method", method, way, totes) for method, way in ways.items()]
    for rho in CORRELATIONS:
        known = ways_to_bound(programme, (0.5, 0.5 * (1 - rho) / rho))[METHOD]
        rows.append(("correlation", f"{rho:g}", known, totes))
    rows += [(change, value, ways[METHOD], kept) for change, value, kept in _without(totes)]
    return pd.DataFrame(
        [
            {"change": change, "value": value, "totes": len(kept)}
            | asdict(bounds_by(value, way, kept, goal))
            for change, value, way, kept in rows
        ]
    ).drop(columns="method")


def _without(totes: pd.DataFrame) -> Iterator[tuple[str, str, pd.DataFrame]]:
    """The totes left without each lane and each day, where any are."""
    days = totes["day"].dt.strftime("%Y-%m-%d")
    for change, column in (("without lane", totes["lane"]), ("without day", days)):
        for value in column.unique():
            kept = totes[column != value]
            if len(kept):
                yield change, str(value), kept
