"""A claim's answer in words: the same on the page, in the command and on the statement."""

from collections.abc import Sequence
from dataclasses import dataclass

from qa.claim.ahead import Needed
from qa.claim.answer import NOT_SETTLED, Bounds, Claim
from qa.wording import Wording, decimals_beside, decimals_for, down, up


@dataclass(frozen=True, slots=True)
class Told:
    """A claim in words.

    Attributes
    ----------
    word : str
        Supported, contradicted or not settled.
    sentence : str
        The answer, with its figures.
    rests : str
        What it rests on.
    bounds : str
        The one-sided bounds and how they were made.
    naive : str
        What the pieces taken as one sample would have claimed, and why that is wrong.
    ahead : tuple of str
        How many more totes would settle it.
    """

    word: str
    sentence: str
    rests: str
    bounds: str
    naive: str
    ahead: tuple[str, ...]


def told(claim: Claim, words: Wording, needed: Sequence[Needed] = ()) -> Told:
    """A claim's answer in words.

    Parameters
    ----------
    claim : Claim
    words : Wording
    needed : sequence of Needed
        What would settle it, where that was worked out.
    """
    say, bounds, naive = words.say, claim.bounds, claim.naive
    decimals = decimals_beside(bounds.lower, bounds.upper, claim.target)
    figures = {
        "target": _plain(claim.target, words),
        "share": _plain(claim.share, words),
        "confidence": _plain(claim.confidence, words),
        "estimate": words.per_cent(claim.estimate, decimals=decimals),
        "low": _low(bounds.lower, decimals, words),
        "high": _high(bounds.upper, decimals, words),
    }
    same = "same" if naive.answer == claim.answer else "other"
    return Told(
        word=say(f"claim.answer.{claim.answer}"),
        sentence=say(f"claim.{claim.kind}.{claim.answer}", **figures),
        rests=say(
            "claim.rests",
            totes=claim.totes,
            inspected=claim.inspected,
            incorrect=claim.incorrect,
        ),
        bounds=say("claim.bounds", **figures, method=say(f"claim.method.{bounds.method}")),
        naive=say(
            f"claim.naive.{claim.kind}_{same}",
            low=_low(naive.lower, decimals, words),
            high=_high(naive.upper, decimals, words),
            answer=say(f"claim.answer.{naive.answer}"),
        ),
        ahead=tuple(_ahead(each, words) for each in needed) if claim.answer == NOT_SETTLED else (),
    )


def said(bounds: Bounds, estimate: float, words: Wording) -> str:
    """Bounds beside an estimate, the lower rounded down and the upper up."""
    decimals = decimals_for(bounds.lower, bounds.upper)
    return words.say(
        "figure.interval",
        estimate=words.per_cent(estimate, decimals=decimals)[:-2],
        low=_low(bounds.lower, decimals, words)[:-2],
        high=_high(bounds.upper, decimals, words)[:-2],
    )


def _ahead(needed: Needed, words: Wording) -> str:
    chance = _plain(needed.assurance, words)
    if needed.totes is None:
        return words.say("claim.ahead_none", chance=chance)
    totes = words.about(needed.totes)
    return words.say("claim.ahead", chance=chance, count=totes, inspected=needed.inspected)


def _plain(fraction: float, words: Wording) -> str:
    """A fraction that a person chose, with the digits it was given."""
    return f"{100 * fraction:g} %".replace(".", words.decimal)


def _low(fraction: float, decimals: int, words: Wording) -> str:
    """A lower bound, rounded so that it never claims more than was found."""
    return words.per_cent(down(fraction, decimals), decimals=decimals)


def _high(fraction: float, decimals: int, words: Wording) -> str:
    """An upper bound, rounded the other way."""
    return words.per_cent(up(fraction, decimals), decimals=decimals)
