"""A claim's answer in words: the same on the page, in the command and on the statement.

A pair of bounds is written with decimals that follow from it and the target alone, so that the same
figure reads the same wherever it stands.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from qa.claim.ahead import Needed
from qa.claim.answer import NOT_SETTLED, Bounds, Claim
from qa.claim.shipped import SHIPPED
from qa.wording import Wording, decimals_beside, down, up

ALWAYS = "always_valid"
AS_MADE, AS_SHIPPED = "as_made", "as_shipped"
_CLOSE = 1.05  # limits no more than this many times wider are said to come close,
_ALIKE, _CHANCE = 1.1, 0.05  # where totes' design effect and Tarone's chance allow it


@dataclass(frozen=True, slots=True)
class Bounded:
    """A fraction and its bounds as per cent; bounds are rounded away from the estimate."""

    estimate: str
    lower: str
    upper: str


@dataclass(frozen=True, slots=True)
class Way:
    """What a method says of a claim: its name, its bounds and its answer as people read them."""

    bounds: Bounds
    name: str
    lower: str
    upper: str
    answer: str


@dataclass(frozen=True, slots=True)
class Told:
    """A claim in words.

    Attributes
    ----------
    word : str
        Supported, contradicted or not settled.
    sentence : str
        The answer, with its figures.
    ahead : tuple of str
        How many more totes would settle it.
    rests : str
        What it rests on.
    naive : str
        What the pieces taken as one sample would have claimed, and why that is wrong.
    looking : str
        What looking every day does, where bounds that allow for it stand beside; else "".
    ways : tuple of Way
        The claim's own bounds, those of other methods, and the naive ones last.
    """

    word: str
    sentence: str
    ahead: tuple[str, ...]
    rests: str
    naive: str
    looking: str
    ways: tuple[Way, ...]


def told(
    claim: Claim,
    words: Wording,
    *,
    of: str,
    needed: Sequence[Needed] = (),
    more: Sequence[Bounds] = (),
    figure: str = AS_MADE,
) -> Told:
    """A claim's answer in words.

    Parameters
    ----------
    claim : Claim
    words : Wording
    of : str
        What it speaks of: product, lanes and days, as `qa.statement.writing.claimed` tells them.
    needed : sequence of Needed
        What would settle it, where that was worked out.
    more : sequence of Bounds
        Of an average by further ways, such as `with_misses`.
    figure : {"as_made", "as_shipped"}
        Of which pieces the audits speak.
    """
    say, bounds = words.say, claim.bounds
    shown = bounded(words, claim.estimate, bounds.lower, bounds.upper, claim.target)
    sentence = say(
        f"claim.{claim.kind}.{claim.answer}",
        of=of,
        target=as_chosen(words, claim.target),
        share=as_chosen(words, claim.share),
        confidence=as_chosen(words, claim.confidence),
        figure=say(f"efficiency.{figure}"),
        estimate=shown.estimate,
        lower=shown.lower,
        upper=shown.upper,
    )
    sizes = {"totes": claim.totes, "inspected": claim.inspected, "incorrect": claim.incorrect}
    naive = (claim.naive,) if claim.kind == "average" else ()  # else it is of shares of totes
    ways = (bounds, *more, *claim.beside, *naive)
    return Told(
        word=say(f"claim.answer.{claim.answer}"),
        sentence=sentence,
        ahead=tuple(_ahead(each, words) for each in needed) if claim.answer == NOT_SETTLED else (),
        rests=say(f"claim.rests.{figure}", count=claim.totes, **sizes),
        naive=_naive(claim, words),
        looking=say("claim.looking") if ALWAYS in {each.method for each in ways} else "",
        ways=tuple(way(each, claim.target, words) for each in ways),
    )


def way(bounds: Bounds, target: float, words: Wording) -> Way:
    """What one method says of a target."""
    shown = bounded(words, bounds.lower, bounds.lower, bounds.upper, target)
    name = words.say(f"claim.way.{bounds.method}")
    answer = words.say(f"claim.answer.{bounds.answer}")
    return Way(bounds, name, shown.lower, shown.upper, answer)


def bounded(words: Wording, estimate: float, lower: float, upper: float, target: float) -> Bounded:
    """A fraction and its bounds, with decimals enough that each shows on its side of the target.

    Examples
    --------
    >>> from qa.wording import load
    >>> bounded(load(), 0.9888, 0.98826, 0.98934, target=0.985)
    Bounded(estimate='98.88 %', lower='98.82 %', upper='98.94 %')
    """
    return _bounded(words, estimate, lower, upper, decimals_beside(lower, upper, target))


def alike(
    words: Wording, limits: Iterable[tuple[float, float, float]], target: float
) -> list[Bounded]:
    """Fractions and bounds of one table, all with the decimals of the one that wants most."""
    rows = list(limits)
    at = max(decimals_beside(lower, upper, target) for _, lower, upper in rows)
    return [_bounded(words, *each, at) for each in rows]


def as_chosen(words: Wording, fraction: float) -> str:
    """A fraction that people chose, such as a target, with the decimals it has: 99 %, 99.5 %."""
    return f"{words.number(100 * fraction, '.6g')} %"


def _bounded(words: Wording, estimate: float, lower: float, upper: float, at: int) -> Bounded:
    return Bounded(
        words.per_cent(estimate, decimals=at),
        words.per_cent(down(lower, at), decimals=at),
        words.per_cent(up(upper, at), decimals=at),
    )


def _naive(claim: Claim, words: Wording) -> str:
    say, naive, average = words.say, claim.naive, claim.kind == "average"
    shown = bounded(
        words, claim.estimate, naive.lower, naive.upper, claim.target if average else claim.share
    )
    said = say(
        f"claim.naive.{claim.kind}",
        inspected=claim.inspected,
        target=as_chosen(words, claim.target),
        lower=shown.lower,
        upper=shown.upper,
        answer=say(f"claim.answer.{naive.answer}"),
    )
    if not average:
        return said
    factor = (claim.bounds.upper - claim.bounds.lower) / (naive.upper - naive.lower)
    shown_factor = words.number(factor, ".1f")
    return f"{said} {say(f'claim.naive.{_why_naive(claim, factor)}', factor=shown_factor)}"


def _why_naive(claim: Claim, factor: float) -> str:
    """What the naive count forgets; that it comes close only where totes hardly differ."""
    if claim.bounds.method == SHIPPED:
        return "shipped"
    if claim.totes == 1:
        return "one"
    if factor > _CLOSE:
        return "wide"
    differ = claim.design_effect > _ALIKE or claim.tarone_p < _CHANCE
    return "other" if differ or claim.naive.answer != claim.answer else "alike"


def _ahead(needed: Needed, words: Wording) -> str:
    chance = as_chosen(words, needed.assurance)
    if needed.totes is None:
        return words.say("claim.ahead_none", chance=chance)
    totes = words.about(needed.totes)
    return words.say("claim.ahead", chance=chance, count=totes, inspected=needed.inspected)
