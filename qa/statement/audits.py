"""Which audits a statement speaks of, and what they say of its claim: pure functions of tables."""

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from qa import claim
from qa._validate import checked_level, chosen
from qa.claim import Claim, Needed
from qa.errors import InvalidInput
from qa.programme import HOUSE, Programme
from qa.statement.result import Scope
from qa.tally import as_shipped, routine
from qa.verdicts import JUDGING

KINDS = ("average", "tote-by-tote")
_LOT = ["site", "lot"]


@dataclass(frozen=True, slots=True, eq=False)
class Audits:
    """The audits of a scope.

    Attributes
    ----------
    here : tally
        Of the scope, of every purpose.
    of_lots : tally
        Of the lots audited in the scope, whenever they were pulled.
    judged : DataFrame
        These lots, as `qa.verdicts.lots` gives them.
    left : tally
        Those that speak of what left the plant: of accepted lots that nothing locks.
    spoken : tally
        Those that the claim rests on.
    """

    here: pd.DataFrame
    of_lots: pd.DataFrame
    judged: pd.DataFrame
    left: pd.DataFrame
    spoken: pd.DataFrame


def asked(scope: Scope, programme: Programme) -> tuple[Scope, Programme]:
    """The scope with what was left to the programme, and the programme at its confidence.

    Raises
    ------
    InvalidInput
        If the scope is not one of the programme.
    """
    products = dict.fromkeys(each.code for each in programme.products)
    specifications = dict.fromkeys((HOUSE, *(each.code for each in programme.specifications)))
    chosen(products, "product", scope.product)
    chosen(specifications, "specification", scope.specification)
    chosen(dict.fromkeys(KINDS), "kind", scope.kind)
    if scope.as_shipped and scope.kind != KINDS[0]:
        raise InvalidInput(
            "a claim as shipped must be of the average: audits that decided which totes were "
            f"accepted do not say how good single totes were; got {scope.kind}"
        )
    every = [each.code for each in programme.lanes]
    for lane in scope.lanes:
        chosen(dict.fromkeys(every), "lanes", lane)
    confidence = programme.confidence if scope.confidence is None else scope.confidence
    full = replace(
        scope,
        lanes=tuple(lane for lane in every if not scope.lanes or lane in scope.lanes),
        target=_level(programme.target if scope.target is None else scope.target, "target"),
        share=_level(scope.share, "share"),
        confidence=_level(confidence, "confidence"),
    )
    return full, replace(programme, confidence=confidence)


def in_thousandths(fraction: float) -> bool:
    """Whether a fraction has at most three decimals in per cent: all that is ever written."""
    return abs(1e5 * fraction - round(1e5 * fraction)) < 1e-6


def _level(value: float, name: str) -> float:
    if not in_thousandths(checked_level(value, name)):
        raise InvalidInput(
            f"{name} must have at most 3 decimals in per cent, got {100 * value:.9g}"
        )
    return value


def audits_of(tallies: pd.DataFrame, lots: pd.DataFrame, scope: Scope) -> Audits:
    """The audits of a scope that names its lanes.

    Parameters
    ----------
    tallies : tally
    lots : DataFrame
        As `qa.verdicts.lots` gives them for the same tallies.
    scope : Scope

    Raises
    ------
    InvalidInput
        If there is no routine audit; for a claim as shipped, no accepted lot.
    """
    days = tallies["day"].between(pd.Timestamp(scope.first_day), pd.Timestamp(scope.last_day))
    of_scope = (tallies["product"] == scope.product) & tallies["lane"].isin(scope.lanes)
    here = tallies[days & of_scope]
    if routine(here).empty:
        raise InvalidInput(f"a claim needs a routine audit, got none {_where(scope)}")
    judged, of_these = (each[of_lots(here, each)] for each in (lots, tallies))
    left = as_shipped(of_these, judged[judged["floor"] != "locked"])
    if scope.as_shipped and left.empty:
        raise InvalidInput(f"a claim as shipped needs an accepted lot, got none {_where(scope)}")
    return Audits(here, of_these, judged, left, left if scope.as_shipped else routine(here))


def of_lots(scope: pd.DataFrame, every: pd.DataFrame) -> NDArray[np.bool_]:
    """Which rows of a table with columns ``site`` and ``lot`` are of lots audited in the scope."""
    judged = scope[scope["purpose"].isin(JUDGING)]
    return pd.MultiIndex.from_frame(every[_LOT]).isin(pd.MultiIndex.from_frame(judged[_LOT]))


def claim_of(audits: Audits, scope: Scope, programme: Programme) -> Claim:
    """What the audits say of the claim, at the scope's target and the programme's confidence."""
    how: dict[str, Any] = {"target": scope.target, "specification": scope.specification}
    if scope.as_shipped:
        return claim.as_shipped(audits.of_lots, audits.judged, programme, **how)
    if scope.kind == "tote-by-tote":
        return claim.tote_by_tote(audits.spoken, programme, share=scope.share, **how)
    return claim.average(audits.spoken, programme, **how)


def needed_for(
    found: Claim, audits: Audits, scope: Scope, programme: Programme
) -> tuple[Needed, ...]:
    """What would settle the claim of an average as made that is not settled; else nothing.

    Which lots of those to come would be accepted is not known, so as shipped nothing is said.
    """
    if found.kind != "average" or found.answer != "not_settled" or scope.as_shipped:
        return ()
    how: dict[str, Any] = {"target": scope.target, "specification": scope.specification}
    return claim.totes_still_needed(audits.spoken, programme, **how)


def speaking(audits: Audits) -> pd.DataFrame:
    """The audits that the claim rests on, as tables of routine ones want them."""
    return audits.spoken.assign(purpose="routine")


def _where(scope: Scope) -> str:
    days = f"from {scope.first_day} to {scope.last_day}"
    return f"of {scope.product} {days} on lanes {', '.join(scope.lanes)}"
