"""What the audits say of a claim about what left the plant."""

import pandas as pd

from qa.claim.answer import NAIVE, Claim, assumed_of, bounds_of, naive_average, of_totes, sizes
from qa.claim.evidence import both_sides, goal_of
from qa.errors import InvalidInput
from qa.intervals import accepted
from qa.programme import HOUSE, Programme
from qa.tally import accepted_counts, shipped_totes, under

SHIPPED = "accepted"


def as_shipped(
    tallies: pd.DataFrame,
    lots: pd.DataFrame,
    programme: Programme,
    *,
    target: float | None = None,
    specification: str = HOUSE,
) -> Claim:
    """Whether percent correct of the accepted lots is at or above a target.

    Parameters
    ----------
    tallies : tally
        Every audit of these lots.
    lots : DataFrame
        Their verdicts, as `qa.verdicts.lots` gives them; locked ones have not left.
    programme, target, specification
        As for `average`.

    Raises
    ------
    InvalidInput
        If no lot was accepted, or an argument is out of its range.
    """
    goal, level = goal_of(target, programme), both_sides(programme)
    free = lots[lots["floor"] != "locked"] if "floor" in lots else lots
    audits = under(tallies, programme, specification)
    totes = shipped_totes(audits, free, (), ["correct"])
    left = totes[totes["part"] != "held"].reset_index(drop=True)
    if left.empty:
        raise InvalidInput("a claim as shipped needs an accepted lot, got none")
    found = accepted(**accepted_counts(totes), whole=programme.lot == "tote", confidence=level)
    bounds, whole = bounds_of(SHIPPED, found, goal), of_totes(left)
    return Claim(
        "average",
        goal,
        1.0,
        programme.confidence,
        bounds.answer,
        *sizes(left),
        float(found.estimate),
        bounds,
        naive=bounds_of(NAIVE, naive_average(left, level), goal),
        beside=(),
        assumed=assumed_of(left),
        design_effect=whole.design_effect,
        tarone_p=whole.tarone_p,
    )
