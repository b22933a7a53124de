"""Claim answers: may we say 99 %, of what, and what would settle it."""

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from functools import lru_cache
from typing import Any, NamedTuple
from urllib.parse import parse_qsl

import pandas as pd

from dashboard.views import record as kept_record
from dashboard.views.record import Record, Share
from qa import claim as claims
from qa import statement
from qa.claim import Bounded, Bounds, Claim, Needed, Told, Way
from qa.errors import InvalidInput
from qa.intervals import InspectionStudy
from qa.programme import HOUSE, Programme
from qa.statement import Scope, counting
from qa.statement.facts import period
from qa.statement.pdf import pdf
from qa.statement.result import Figure
from qa.store import records
from qa.store.schema import Store
from qa.tally import routine
from qa.wording import Wording, load

__all__ = [
    "FIGURES",
    "KINDS",
    "STUDY",
    "Answered",
    "Beside",
    "Bounds",
    "ClaimView",
    "beside",
    "view",
]

USUAL_DAYS = 30
KINDS = ("average", "tote_by_tote")
FIGURES = ("made", "shipped")
STUDY = ("found", "incorrect", "passed", "study_correct")  # of an agreement study, in its order
NAMES = (
    "kind",
    "figure",
    "target",
    "share",
    "first",
    "last",
    "lane",
    "product",
    "specification",
    *STUDY,
)
Texts = Mapping[str, str]


@dataclass(frozen=True, slots=True)
class Wish:
    """What is claimed, of what: hashed, so that an answer is worked out once."""

    kind: str
    figure: str
    target: float
    share: float
    first: date
    last: date
    lane: str
    product: str
    specification: str
    study: InspectionStudy | None


@dataclass(frozen=True, slots=True)
class Part:
    """Percent correct of a lane or of all of them, with one-sided bounds, and the same in words."""

    label: str
    share: Share
    said: Bounded


@dataclass(frozen=True, slots=True)
class Answered:
    """A claim with all that stands beside it."""

    claim: Claim
    target: str  # as it was asked for
    confidence: str
    told: Told
    lanes: tuple[Part, ...]
    sides: tuple[Part, ...]  # as made, as shipped
    left_out: tuple[tuple[str, int], ...]


@dataclass(frozen=True, slots=True)
class Change:
    """What an average claim would say otherwise: what was changed, and what it says then."""

    change: str
    value: str
    totes: int
    way: Way


@dataclass(frozen=True, slots=True)
class Beside:
    """What takes longer to work out: what would settle it, and what would change it."""

    ahead: tuple[str, ...]
    changes: tuple[Change, ...]


@dataclass(frozen=True, slots=True)
class ClaimView:
    """The page: the form as it was filled in, what is wrong with it, else the answer."""

    programme: Programme
    fields: Texts
    problems: Texts
    wish: Wish | None
    answered: Answered | None


def view(store: Store, search: str | None, language: str = "en") -> ClaimView:
    """The page for an address.

    Raises
    ------
    InvalidInput
        If the address names something that there is not.
    """
    kept = kept_record.record(store)
    said = dict(parse_qsl((search or "").lstrip("?"), keep_blank_values=True))
    for name in said:
        if name not in NAMES:
            raise InvalidInput(f'an address may ask for {", ".join(NAMES)}, got "{name}"')
    fields = {**_usual(kept), **{name: text.strip() for name, text in said.items() if text.strip()}}
    problems: dict[str, str] = {}
    wish = _wish(fields, kept.programme, problems, language)
    answered = _answered(kept, wish, _version(store, kept, wish), language) if wish else None
    return ClaimView(kept.programme, fields, problems, wish, answered)


def statement_of(store: Store, search: str | None, language: str = "en") -> bytes:
    """The buyer statement of an address, as PDF.

    Raises
    ------
    InvalidInput
        If the address has no answer, with the reason.
    """
    shown = view(store, search, language)
    if shown.wish is None:
        raise InvalidInput("; ".join(f"{name} {said}" for name, said in shown.problems.items()))
    wish = shown.wish
    scope = Scope(
        wish.product,
        wish.first,
        wish.last,
        lanes=(wish.lane,) if wish.lane else (),
        specification=wish.specification,
        kind=wish.kind.replace("_", "-"),
        target=wish.target,
        share=wish.share,
        as_shipped=wish.figure == "shipped",
    )
    found, _ = statement.gather(store, scope)
    return pdf(statement.tell(found, load(language)), found.ends)


def _usual(kept: Record) -> dict[str, str]:
    """What the form says before anyone has typed: the last days of the first product."""
    programme, days = kept.programme, kept.tallies["day"]
    last = days.max().date() if len(days) else date.today()
    return {
        "kind": KINDS[0],
        "figure": FIGURES[0],
        "target": f"{100 * programme.target:g}",
        "share": "95",
        "first": (last - timedelta(days=USUAL_DAYS - 1)).isoformat(),
        "last": last.isoformat(),
        "lane": "",
        "product": programme.products[0].code,
        "specification": HOUSE,
        **dict.fromkeys(STUDY, ""),
    }


def _wish(
    fields: Texts, programme: Programme, problems: dict[str, str], language: str
) -> Wish | None:
    say = load(language).say
    numbers = {}
    for name in ("target", "share"):
        try:
            numbers[name] = float(fields[name].replace(",", ".").rstrip("% ")) / 100
        except ValueError:
            numbers[name] = 0.0
        if not 0 < numbers[name] < 1:
            problems[name] = say("field.per_cent", value=fields[name])
    days = {}
    for name in ("first", "last"):
        try:
            days[name] = date.fromisoformat(fields[name])
        except ValueError:
            problems[name] = say("field.day", value=fields[name])
    if len(days) == 2 and days["last"] < days["first"]:
        problems["last"] = say("field.day_order")
    known = {
        "kind": KINDS,
        "figure": FIGURES,
        "lane": ("", *(each.code for each in programme.lanes)),
        "product": tuple(each.code for each in programme.products),
        "specification": tuple(
            dict.fromkeys((HOUSE, *(each.code for each in programme.specifications)))
        ),
    }
    problems |= {name: say("field.choose") for name in known if fields[name] not in known[name]}
    study = _study(fields, problems, language)
    if problems:
        return None
    texts = {name: fields[name] for name in known}
    return Wish(**numbers, first=days["first"], last=days["last"], study=study, **texts)


def _study(fields: Texts, problems: dict[str, str], language: str) -> InspectionStudy | None:
    """How inspectors called pieces of known kind, where the form says it."""
    said = {name: fields[name] for name in STUDY if fields[name]}
    if not said:
        return None
    words = load(language)
    wrong = {
        name: words.say("field.whole" if name in said else "field.missing")
        for name in STUDY
        if not said.get(name, "").isdecimal()
    }
    problems |= wrong
    if wrong:
        return None
    try:
        return InspectionStudy(*(int(said[name]) for name in STUDY))
    except InvalidInput as reason:
        problems[STUDY[0]] = str(reason)
        return None


def beside(store: Store, search: str | None, language: str = "en") -> Beside | None:
    """What stands beside an average claim's answer; None where there is none."""
    shown = view(store, search, language)
    if shown.wish is None or shown.answered is None or shown.wish.kind != "average":
        return None
    kept = kept_record.record(store)
    return _beside(kept, shown.wish, _version(store, kept, shown.wish), language)


def _version(store: Store, kept: Record, wish: Wish) -> int:
    """The version of the programme that speaks of the days: the one in force at their end."""
    return records.version(store, period(wish.first, wish.last, kept.programme)[1])


@lru_cache(maxsize=16)
def _answered(kept: Record, wish: Wish, version: int, language: str) -> Answered | None:
    programme, words = kept.programmes[version], load(language)
    here, of_these, judged, spoken = _evidence(kept, wish)
    if spoken.empty or routine(here).empty:
        return None
    more = _asked(wish)
    if wish.kind == "average":
        claim = claims.average(spoken, programme, **more)
    else:
        claim = claims.tote_by_tote(spoken, programme, share=wish.share, **more)
    left = here.loc[here["purpose"] != "routine", "purpose"].value_counts()
    made = counting.figures(here, programme, (), wish.specification)[0]
    shipped = counting.shipped_figure(of_these, judged, programme, wish.specification)
    lanes = counting.figures(here, programme, ("lane",), wish.specification)
    misses = _with_misses(spoken, programme, wish)
    return Answered(
        claim=claim,
        target=claims.as_chosen(words, claim.target),
        confidence=claims.as_chosen(words, claim.confidence),
        told=claims.told(claim, words, more=misses, figure=f"as_{wish.figure}"),
        lanes=_lanes(lanes, wish.target, words),
        sides=tuple(_side(each, wish.target, words) for each in (made, shipped) if each),
        left_out=tuple((str(purpose), int(count)) for purpose, count in left.items()),
    )


@lru_cache(maxsize=16)
def _beside(kept: Record, wish: Wish, version: int, language: str) -> Beside:
    programme, words, more = kept.programmes[version], load(language), _asked(wish)
    audits = _evidence(kept, wish).spoken
    claim = claims.average(audits, programme, **more)
    needed: tuple[Needed, ...] = ()
    if claim.answer == "not_settled":
        needed = claims.totes_still_needed(audits, programme, **more)
    rows = claims.sensitivity(audits, programme, **more).to_dict("records")
    return Beside(
        ahead=claims.told(claim, words, needed=needed).ahead,
        changes=tuple(_change(row, wish.target, words) for row in rows),
    )


def _change(row: Mapping[Hashable, Any], target: float, words: Wording) -> Change:
    change, value = str(row["change"]), str(row["value"])
    method = value if change == "method" else claims.METHOD
    bounds = Bounds(method, row["lower"], row["upper"], row["answer"])
    return Change(change, value, int(row["totes"]), claims.way(bounds, target, words))


def _with_misses(audits: pd.DataFrame, programme: Programme, wish: Wish) -> tuple[Bounds, ...]:
    """The bounds that allow for what inspectors miss, where a study says how much."""
    if wish.study is None or wish.kind != KINDS[0]:
        return ()
    return (claims.with_misses(audits, programme, wish.study, **_asked(wish)),)


def _asked(wish: Wish) -> dict[str, Any]:
    return {"target": wish.target, "specification": wish.specification}


class _Evidence(NamedTuple):
    """Audits of the days; those of lots judged in them, and these lots; what the claim rests on."""

    here: pd.DataFrame
    of_these: pd.DataFrame
    judged: pd.DataFrame
    spoken: pd.DataFrame


def _evidence(kept: Record, wish: Wish) -> _Evidence:
    here, lots, tallies = _of_days(kept, wish), kept_record.lots(kept), kept.tallies
    judged, of_these = (each[counting.of_lots(here, each)] for each in (lots, tallies))
    if wish.figure == "made":
        return _Evidence(here, of_these, judged, routine(here))
    left = counting.left_plant(of_these, judged)
    # Re-audits of re-sorted lots speak of what left.
    return _Evidence(here, of_these, judged, left.assign(purpose="routine"))


def _of_days(kept: Record, wish: Wish) -> pd.DataFrame:
    days = kept_record.of_days(kept.tallies, wish.first, wish.last)
    found = days[days["product"] == wish.product]
    return found[found["lane"] == wish.lane] if wish.lane else found


def _lanes(figures: Sequence[Figure], target: float, words: Wording) -> tuple[Part, ...]:
    limits = ((each.estimate, each.lower, each.upper) for each in figures)
    said = claims.alike(words, limits, target)
    return tuple(
        Part(each.label, _share(each), told) for each, told in zip(figures, said, strict=True)
    )


def _side(figure: Figure, target: float, words: Wording) -> Part:
    said = claims.bounded(words, figure.estimate, figure.lower, figure.upper, target)
    return Part(figure.label, _share(figure), said)


def _share(figure: Figure) -> Share:
    limits = (figure.estimate, figure.lower, figure.upper)
    return Share(*limits, figure.incorrect, figure.inspected, figure.totes)
