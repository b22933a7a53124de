"""A wish for a plan, in one of six ways, read from the texts of a form, an address or options."""

from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any

from qa._validate import chosen
from qa.errors import InvalidInput
from qa.planning.fields import (
    Reader,
    aql,
    choice,
    number,
    per_cent,
    refuse,
    strangers,
    take,
    whole,
)
from qa.plans import INSPECTIONS, LEVELS


@dataclass(frozen=True, slots=True)
class ByAql:
    """The standard's plan: `aql` in per cent, as the table heads its columns."""

    aql: float
    level: str = "II"
    inspection: str = "normal"
    kind: str = "single"


@dataclass(frozen=True, slots=True)
class ByPoints:
    """Seldom rejects lots at `p1`, seldom accepts lots at `p2`; fractions incorrect."""

    p1: float
    p2: float
    producer_risk: float = 0.05
    consumer_risk: float = 0.10
    kind: str = "single"


@dataclass(frozen=True, slots=True)
class ByClaim:
    """Proves a fraction correct, while `incorrect` pieces may be seen."""

    target: float
    confidence: float = 0.95
    incorrect: int = 0


@dataclass(frozen=True, slots=True)
class ByLimitingQuality:
    """Seldom accepts a lot at the limiting quality `lq`, a fraction incorrect."""

    lq: float
    consumer_risk: float = 0.10
    ac: int = 0


@dataclass(frozen=True, slots=True)
class ByOutgoingQuality:
    """Rejected lots are sorted; what goes out is never worse than `aoql` on average."""

    aoql: float
    process_average: float


@dataclass(frozen=True, slots=True)
class ByNumbers:
    """A single plan that is there already, to see what it risks."""

    n: int
    ac: int = 0


Question = ByAql | ByPoints | ByClaim | ByLimitingQuality | ByOutgoingQuality | ByNumbers
WAYS: Mapping[str, type[Question]] = {
    "aql": ByAql,
    "points": ByPoints,
    "claim": ByClaim,
    "limiting_quality": ByLimitingQuality,
    "outgoing_quality": ByOutgoingQuality,
    "numbers": ByNumbers,
}
NEEDS_LOT = ("aql", "outgoing_quality")


@dataclass(frozen=True, slots=True)
class Conditions:
    """Under which a plan works, and what its work costs.

    Attributes
    ----------
    sensitivity, specificity : chance that an incorrect piece is called incorrect, a correct one
        correct
    correlation : intra-class correlation of pieces in one tote, from 0, below 1
    from_totes : totes that the sample of one lot comes from
    lots : lots judged in a shift; None where that is not known
    piece_seconds, tote_seconds : to look at a piece, and to get at a tote
    """

    sensitivity: float = 1.0
    specificity: float = 1.0
    correlation: float = 0.0
    from_totes: int = 1
    lots: int | None = None
    piece_seconds: float = 1.5
    tote_seconds: float = 300.0


@dataclass(frozen=True, slots=True)
class Ask:
    """A whole wish: what is asked, of lots of which size (None: of a process), when, at what cost.

    `way` is one of `WAYS`, and names the class of `question`.
    """

    way: str
    question: Question
    lot_size: int | None = None
    conditions: Conditions = Conditions()


READERS: Mapping[str, Reader] = {
    "lot_size": whole(1, 10**7),
    "aql": aql,
    "level": choice(*LEVELS),
    "inspection": choice(*INSPECTIONS),
    "kind": choice("single", "double", "multiple"),
    "p1": per_cent(),
    "p2": per_cent(),
    "producer_risk": per_cent(0.1, 50),
    "consumer_risk": per_cent(0.1, 50),
    "target": per_cent(50),
    "confidence": per_cent(50),
    "incorrect": whole(0, 1000),
    "lq": per_cent(),
    "n": whole(1, 10**6),
    "ac": whole(0, 1000),
    "aoql": per_cent(),
    "process_average": per_cent(),
    "sensitivity": per_cent(ends=True),
    "specificity": per_cent(ends=True),
    "correlation": number(0, 1, ends=True),
    "from_totes": whole(1, 1000),
    "lots": whole(1, 10**6),
    "piece_seconds": number(0, 3600),
    "tote_seconds": number(0, 36_000, ends=True),
}
_OPENS = {
    **{"aql": "aql", "p1": "points", "p2": "points", "target": "claim"},
    **{"lq": "limiting_quality", "aoql": "outgoing_quality", "n": "numbers"},
}


def names(way: str) -> tuple[str, ...]:
    """What a way of asking takes, in the order in which it is asked; a bad name is a KeyError."""
    kinds = (WAYS[way], Ask, Conditions)
    found = (each.name for kind in kinds for each in fields(kind) if each.name in READERS)
    return tuple(dict.fromkeys(("lot_size", *found)))


def read(raw: Mapping[str, str]) -> Ask:
    """The wish that texts say.

    Parameters
    ----------
    raw : mapping of name to text
        The names of `names(way)`, blanks left aside, and "way"; without it the way follows from
        what is asked. Qualities, risks and levels in per cent, with or without its sign.

    Raises
    ------
    InvalidAsk
        With every fault, name by name.
    InvalidInput
        If the texts ask in no way, or in two at a time.

    Examples
    --------
    >>> read({"lot_size": "4000", "aql": "1.0"}).question
    ByAql(aql=1.0, level='II', inspection='normal', kind='single')
    """
    way, problems = _way(raw), dict[str, str]()
    said = {name: text for name, text in raw.items() if name != "way"}
    strangers(said, names(way), f"asking by {way}", problems)
    question = take(WAYS[way], said, READERS, problems)
    rest = take(Ask, said, READERS, problems)
    conditions = take(Conditions, said, READERS, problems)
    if way in NEEDS_LOT and "lot_size" not in rest and "lot_size" not in problems:
        problems["lot_size"] = "is missing"
    problems |= {
        k: v for k, v in _together({**question, **conditions}).items() if k not in problems
    }
    refuse(problems)
    return Ask(way, WAYS[way](**question), rest.get("lot_size"), Conditions(**conditions))


def _way(raw: Mapping[str, str]) -> str:
    named = raw.get("way")
    if named:
        chosen(WAYS, "way", named)
        return named
    opened = {_OPENS[name]: name for name, text in raw.items() if name in _OPENS and text.strip()}
    if len(opened) == 1:
        return next(iter(opened))
    told = " and ".join(opened.values()) or "none of them"
    raise InvalidInput(
        "a plan is asked in one way: by aql, by p1 and p2, by target, by lq, by aoql or by n; got "
        + told
    )


def _together(said: Mapping[str, Any]) -> dict[str, str]:
    """What is wrong between values that are right each by itself."""
    found: dict[str, str] = {}
    for low, high in (("p1", "p2"), ("process_average", "aoql")):
        if low in said and high in said and said[low] >= said[high]:
            found[low] = f"must be below {high} {_shown(said[high])}, got {_shown(said[low])}"
    se, sp = said.get("sensitivity", 1.0), said.get("specificity", 1.0)
    if se + sp <= 1:
        found["sensitivity"] = (
            f"and specificity must add to more than 100 %, got {_shown(se)} and {_shown(sp)}"
        )
    if said.get("n", 0) and said.get("ac", 0) >= said["n"]:
        found["ac"] = f"must be below n {said['n']:,}, got {said['ac']:,}"
    if said.get("kind") == "multiple" and "p1" in said:
        found["kind"] = "must be single or double when two points are asked, got multiple"
    return found


def _shown(fraction: float) -> str:
    return f"{100 * fraction:g} %"
