"""Claim answers: may we say 99 %, of what, and what would settle it."""

import re
from collections.abc import Callable, Hashable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from functools import lru_cache
from typing import Any
from urllib.parse import parse_qsl, urlencode

from dashboard.views import keeping
from dashboard.views import record as kept_record
from dashboard.views.claim_paper import PAPER, Added, added
from dashboard.views.keeping import Record
from dashboard.views.record import Share
from qa import claim as claims
from qa import statement
from qa.claim import Bounded, Bounds, Claim, Told, Way
from qa.errors import InvalidInput
from qa.intervals import InspectionStudy
from qa.programme import HOUSE, Programme
from qa.statement import Scope, counting, writing
from qa.statement.audits import (
    KINDS,
    Audits,
    asked,
    audits_of,
    claim_of,
    in_thousandths,
    needed_for,
    speaking,
)
from qa.statement.cautions import cautions
from qa.statement.facts import period
from qa.statement.pdf import pdf
from qa.statement.result import Figure
from qa.store import records
from qa.store.schema import Store
from qa.wording import Wording, load
from qa.wording.told import told as said_in

__all__ = [
    "FIGURES",
    "KINDS",
    "PAPER",
    "STUDY",
    "Answered",
    "Beside",
    "Bounds",
    "Claim",
    "ClaimView",
    "beside",
    "files_of",
    "statement_of",
    "view",
]

USUAL_DAYS = 30
_DAY = re.compile(r"\b\d{4}-\d{2}-\d{2}\b", re.ASCII)
LEAST_SHARE = 0.5  # below it a share was typed as a fraction, or proves nothing
FIGURES = ("made", "shipped")
SIDES = ("efficiency.as_made", "efficiency.as_shipped")  # what the two are called
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
    "confidence",
    *STUDY,
    *PAPER,
)
LEFT_TO_SETUP = ("target", "first", "last", "product", "specification", "confidence")
Texts = Mapping[str, str]
Say = Callable[..., str]  # a sentence by its key


@dataclass(frozen=True, slots=True)
class Wish:
    """What is claimed, of what: hashed, so that an answer is worked out once."""

    scope: Scope
    study: InspectionStudy | None


@dataclass(frozen=True, slots=True)
class Part:
    """Percent correct of a lane or of all of them, with one-sided bounds, and the same in words."""

    label: str
    share: Share
    said: Bounded
    note: str  # why it is not what its count alone says; "" where it is


@dataclass(frozen=True, slots=True)
class Answered:
    """A claim with all that stands beside it."""

    claim: Claim
    target: str  # as it was asked for
    confidence: str
    told: Told
    cautions: tuple[str, ...]  # that belong to the answer itself
    how: tuple[str, ...]  # how alike pieces of a tote are; what looking every day does
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

    claim: Claim
    ahead: tuple[str, ...]
    changes: tuple[Change, ...]


@dataclass(frozen=True, slots=True)
class ClaimView:
    """The page: the form as it was filled in, and the answer or why there is none.

    `problems` has what is wrong with a field; `reason` why the record has no answer; `full` is the
    address that says all of a claim that has one, "" where this one does.
    """

    programme: Programme
    fields: Texts
    problems: Texts
    wish: Wish | None
    added: Added | None
    answered: Answered | None
    reason: str
    full: str


def view(
    store: Store, search: str | None, language: str = "en", now: datetime | None = None
) -> ClaimView:
    """The page for an address; `now` where the record has no day of its own yet.

    Raises
    ------
    InvalidInput
        If the address names something that there is not.
    """
    kept = keeping.record(store, language)
    said = dict(parse_qsl((search or "").lstrip("?"), keep_blank_values=True))
    for name in said:
        if name not in NAMES:
            raise InvalidInput(f'an address may ask for {", ".join(NAMES)}, got "{name}"')
    fields = {
        **_usual(kept, now),
        **{name: text.strip() for name, text in said.items() if text.strip()},
    }
    problems: dict[str, str] = {}
    paper = added(fields, problems, load(language))
    wish = _wish(fields, kept.programme, problems, language)
    answered, reason = None, ""
    try:
        answered = _answered(kept, wish, _version(store, kept, wish)) if wish else None
    except InvalidInput as told:
        reason = _dated(said_in(str(told), language), load(language))
    full = _full(said, fields, answered) if answered else ""
    return ClaimView(kept.programme, fields, problems, wish, paper, answered, reason, full)


def _full(said: Texts, fields: Texts, answered: Answered) -> str:
    """The address that leaves nothing to Setup or to the latest days; "" where `said` is it."""
    if all(said.get(name, "").strip() for name in LEFT_TO_SETUP):
        return ""
    whole = {**fields, "confidence": f"{100 * answered.claim.confidence:.6g}"}
    return urlencode({name: text for name, text in whole.items() if text})


def _dated(said: str, words: Wording) -> str:
    """A sentence with its days as the page writes them."""
    return _DAY.sub(lambda day: writing.day(words, date.fromisoformat(day[0])), said)


def statement_of(store: Store, search: str | None, language: str = "en") -> bytes:
    """The buyer statement of an address, as PDF.

    Raises
    ------
    InvalidInput
        If the address has no answer, with the reason.
    """
    found, _ = _gathered(store, search, language)
    return pdf(statement.tell(found, load(language)), found.ends)


def files_of(store: Store, search: str | None, language: str = "en") -> tuple[str, str]:
    """The same statement as JSON, and the audits that it rests on as CSV.

    Raises
    ------
    InvalidInput
        If the address has no answer, with the reason.
    """
    found, audits = _gathered(store, search, language)
    return statement.as_json(found, statement.tell(found, load(language))), audits


def _gathered(store: Store, search: str | None, language: str) -> tuple[statement.Statement, str]:
    shown = view(store, search, language)
    if shown.wish is None or shown.added is None:
        raise InvalidInput("; ".join(f"{name} {said}" for name, said in shown.problems.items()))
    more = shown.added
    return statement.gather(store, shown.wish.scope, more.paper, buyers=more.buyers)


def _usual(kept: Record, now: datetime | None) -> dict[str, str]:
    """What the form says before anyone has typed: the last days of the first product."""
    programme, days = kept.programme, kept_record.days_of(kept)
    last = days[-1] if days else _today(programme, now)
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
        "confidence": "",  # the programme's, of the period's end
        **dict.fromkeys((*STUDY, *PAPER), ""),
    }


def _today(programme: Programme, now: datetime | None) -> date:
    """The production day of a moment, in plant time."""
    return kept_record.day_and_shift(programme, now or datetime.now(UTC))[0]


def _wish(
    fields: Texts, programme: Programme, problems: dict[str, str], language: str
) -> Wish | None:
    say = load(language).say
    shares, days = _shares(fields, problems, say), _days(fields, problems, say)
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
    if fields["figure"] == FIGURES[1] and fields["kind"] in KINDS[1:]:
        problems["figure"] = say("field.shipped_average")
    study = _study(fields, problems, language)
    if problems:
        return None
    return Wish(
        Scope(
            fields["product"],
            days["first"],
            days["last"],
            lanes=(fields["lane"],) if fields["lane"] else (),
            specification=fields["specification"],
            kind=fields["kind"],
            **shares,
            as_shipped=fields["figure"] == FIGURES[1],
        ),
        study,
    )


def _shares(fields: Texts, problems: dict[str, str], say: Say) -> dict[str, float]:
    """What the form says in per cent, as fractions."""
    found: dict[str, float] = {}
    for name in ("target", "share", *(["confidence"] if fields["confidence"] else [])):
        try:
            found[name] = float(fields[name].replace(",", ".").rstrip("% ")) / 100
        except ValueError:
            found[name] = 0.0
        if not LEAST_SHARE <= found[name] < 1:
            problems[name] = say("field.high_per_cent", value=fields[name])
        elif not in_thousandths(found[name]):
            problems[name] = say("field.decimals", value=fields[name])
    return found


def _days(fields: Texts, problems: dict[str, str], say: Say) -> dict[str, date]:
    """The first and the last day of the claim."""
    found: dict[str, date] = {}
    for name in ("first", "last"):
        try:
            found[name] = date.fromisoformat(fields[name])
        except ValueError:
            problems[name] = say("field.day", value=fields[name])
    if len(found) == 2 and found["last"] < found["first"]:
        problems["last"] = say("field.day_order")
    return found


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
        problems[STUDY[0]] = said_in(str(reason), language)
        return None


def beside(store: Store, search: str | None, language: str = "en") -> Beside | None:
    """What stands beside the answer of an average claim as made; None for any other."""
    shown = view(store, search, language)
    if shown.wish is None or shown.answered is None:
        return None
    if shown.wish.scope.kind != "average" or shown.wish.scope.as_shipped:
        return None
    kept = keeping.record(store, language)
    return _beside(kept, shown.wish, _version(store, kept, shown.wish))


def _version(store: Store, kept: Record, wish: Wish) -> int:
    """The version of the programme that speaks of the days: the one in force at their end."""
    scope = wish.scope
    return records.version(store, period(scope.first_day, scope.last_day, kept.programme)[1])


@lru_cache(maxsize=16)
def _asked(kept: Record, wish: Wish, version: int) -> tuple[Audits, Scope, Programme]:
    """The audits of a wish, its scope in full, and the programme that speaks of them."""
    scope, programme = asked(wish.scope, kept.programmes[version])
    days = kept_record.window(kept, scope.first_day, scope.last_day)
    audits = kept_record.with_others_of_lots(kept, days)
    return audits_of(audits, kept_record.lots_of(kept, audits), scope), scope, programme


@lru_cache(maxsize=16)
def _answered(kept: Record, wish: Wish, version: int) -> Answered:
    (audits, scope, programme), words = _asked(kept, wish, version), load(kept.language)
    claim, how = claim_of(audits, scope, programme), {"specification": scope.specification}
    made = counting.figures(audits.here, programme, (), **how)[0]
    shipped = counting.shipped_figure(audits, programme, **how)
    lanes = counting.figures(audits.here, programme, ("lane",), **how)
    counted = counting.counted(audits, counting.UNCHANGED, scope)
    spread = counting.spread(speaking(audits), programme, target=claim.target, **how)
    misses = _with_misses(audits, programme, wish)
    figure = "as_shipped" if scope.as_shipped else "as_made"
    told = claims.told(
        claim, words, of=_claimed(scope, programme, words), more=misses, figure=figure
    )
    return Answered(
        claim=claim,
        target=claims.as_chosen(words, claim.target),
        confidence=claims.as_chosen(words, claim.confidence),
        told=told,
        cautions=cautions(words, claim, counted, figure),
        how=tuple(each for each in (writing.likeness(words, spread), told.looking) if each),
        lanes=_lanes(lanes, claim.target, words),
        sides=tuple(
            _side(each, side, claim.target, words)
            for each, side in zip((made, shipped), SIDES, strict=True)
            if each
        ),
        left_out=tuple(counted.left_out.items()),
    )


@lru_cache(maxsize=16)
def _beside(kept: Record, wish: Wish, version: int) -> Beside:
    (audits, scope, programme), words = _asked(kept, wish, version), load(kept.language)
    claim = claim_of(audits, scope, programme)
    needed = needed_for(claim, audits, scope, programme)
    how: dict[str, Any] = {"target": scope.target, "specification": scope.specification}
    rows = claims.sensitivity(audits.spoken, programme, **how).to_dict("records")
    return Beside(
        claim=claim,
        ahead=claims.told(claim, words, of=_claimed(scope, programme, words), needed=needed).ahead,
        changes=tuple(_change(row, claim.target, words) for row in rows),
    )


def _claimed(scope: Scope, programme: Programme, words: Wording) -> str:
    """Product, lanes and days of a claim, as its paper names them."""
    names = {each.code: each.name for each in programme.products}
    every = set(scope.lanes) == {each.code for each in programme.lanes}
    return writing.claimed(words, names[scope.product], scope, every_lane=every)


def _change(row: Mapping[Hashable, Any], target: float, words: Wording) -> Change:
    change, value = str(row["change"]), str(row["value"])
    method = value if change == "method" else claims.METHOD
    bounds = Bounds(method, row["lower"], row["upper"], row["answer"])
    return Change(change, value, int(row["totes"]), claims.way(bounds, target, words))


def _with_misses(audits: Audits, programme: Programme, wish: Wish) -> tuple[Bounds, ...]:
    """The bounds that allow for what inspectors miss, where a study says how much."""
    scope = wish.scope
    if wish.study is None or scope.kind != KINDS[0] or scope.as_shipped:
        return ()
    how: dict[str, Any] = {"target": scope.target, "specification": scope.specification}
    return (claims.with_misses(audits.spoken, programme, wish.study, **how),)


def _lanes(figures: Sequence[Figure], target: float, words: Wording) -> tuple[Part, ...]:
    limits = ((each.estimate, each.lower, each.upper) for each in figures)
    said = claims.alike(words, limits, target)
    return tuple(
        Part(each.label, _share(each), told, writing.beside_count(words, each, told))
        for each, told in zip(figures, said, strict=True)
    )


def _side(figure: Figure, side: str, target: float, words: Wording) -> Part:
    said = claims.bounded(words, figure.estimate, figure.lower, figure.upper, target)
    note = writing.beside_count(words, figure, said, shipped=side == SIDES[1])
    return Part(words.say(side), _share(figure), said, note)


def _share(figure: Figure) -> Share:
    limits = (figure.estimate, figure.lower, figure.upper)
    return Share(*limits, figure.incorrect, figure.inspected, figure.totes)
