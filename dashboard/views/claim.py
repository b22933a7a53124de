"""Claim answers: may we say 99 %, of what, and what would settle it."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from functools import lru_cache
from urllib.parse import parse_qsl

import pandas as pd

from dashboard.views import record as kept_record
from dashboard.views.record import Record, Share
from qa import claim as claims
from qa import efficiency, statement
from qa.claim import Bounds, Claim, Needed, Told
from qa.errors import InvalidInput
from qa.intervals import InspectionStudy
from qa.programme import HOUSE, Programme
from qa.statement import Scope
from qa.statement.pdf import pdf
from qa.store.schema import Store
from qa.tally import as_shipped, routine
from qa.wording import load

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
    """One lane's percent correct, or that of all of them."""

    lane: str
    share: Share


@dataclass(frozen=True, slots=True)
class Way:
    """The bounds of one method, and the same in words."""

    bounds: Bounds
    said: str


@dataclass(frozen=True, slots=True)
class Answered:
    """A claim with all that stands beside it."""

    claim: Claim
    told: Told
    ways: tuple[Way, ...]
    lanes: tuple[Part, ...]
    made: Share
    shipped: Share | None
    left_out: tuple[tuple[str, int], ...]


@dataclass(frozen=True, slots=True)
class Beside:
    """What takes longer to work out: what would settle it, and what would change it."""

    ahead: tuple[str, ...]
    sensitivity: tuple[Mapping[str, object], ...]


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
    answered = _answered(kept, wish, language) if wish else None
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
    return _beside(kept_record.record(store), shown.wish, language)


@lru_cache(maxsize=16)
def _answered(kept: Record, wish: Wish, language: str) -> Answered | None:
    audits, programme = _of_days(kept, wish), kept.programme
    spoken = _spoken(kept, audits, wish)
    if spoken.empty or routine(audits).empty:
        return None
    more = {"target": wish.target, "specification": wish.specification}
    if wish.kind == "average":
        claim = claims.average(spoken, programme, **more)
    else:
        claim = claims.tote_by_tote(spoken, programme, share=wish.share, **more)
    left = audits.loc[audits["purpose"] != "routine", "purpose"].value_counts()
    how = {"specification": wish.specification}
    lanes = efficiency.estimate(audits, programme, by=("lane",), **how)
    made = efficiency.estimate(audits, programme, by=(), **how)
    return Answered(
        claim=claim,
        told=claims.told(claim, load(language)),
        ways=_ways(claim, _with_misses(spoken, programme, wish), language),
        lanes=tuple(Part(str(row["lane"]), _share(row)) for row in lanes.to_dict("records")),
        made=_share(made.to_dict("records")[0]),
        shipped=_shipped(kept, audits, wish),
        left_out=tuple((str(purpose), int(count)) for purpose, count in left.items()),
    )


@lru_cache(maxsize=16)
def _beside(kept: Record, wish: Wish, language: str) -> Beside:
    audits, programme = _spoken(kept, _of_days(kept, wish), wish), kept.programme
    more = {"target": wish.target, "specification": wish.specification}
    claim = claims.average(audits, programme, **more)
    needed: tuple[Needed, ...] = ()
    if claim.answer == "not_settled":
        needed = claims.totes_still_needed(audits, programme, **more)
    table = claims.sensitivity(audits, programme, **more)
    return Beside(
        ahead=claims.told(claim, load(language), needed).ahead,
        sensitivity=tuple(
            {str(name): value for name, value in row.items()} for row in table.to_dict("records")
        ),
    )


def _ways(claim: Claim, more: tuple[Bounds, ...], language: str) -> tuple[Way, ...]:
    """The claim's own bounds, those of other methods, and the naive ones last."""
    naive = (claim.naive,) if claim.kind == KINDS[0] else ()  # else of shares of totes
    words = load(language)
    return tuple(
        Way(each, claims.said(each, min(max(claim.estimate, each.lower), each.upper), words))
        for each in (claim.bounds, *more, *claim.beside, *naive)
    )


def _with_misses(audits: pd.DataFrame, programme: Programme, wish: Wish) -> tuple[Bounds, ...]:
    """The bounds that allow for what inspectors miss, where a study says how much."""
    if wish.study is None or wish.kind != KINDS[0]:
        return ()
    return (claims.with_misses(
        audits,
        programme,
        wish.study,
        target=wish.target,
        specification=wish.specification,
    ),)  # fmt: skip


def _spoken(kept: Record, audits: pd.DataFrame, wish: Wish) -> pd.DataFrame:
    """The audits that the claim rests on: routine ones, or those of what left the plant."""
    if wish.figure == "made":
        return routine(audits)
    lots = kept_record.lots(kept)
    left = as_shipped(audits, lots[lots["floor"] != "locked"])
    return left.assign(purpose="routine")  # re-audits of re-sorted lots speak of what left


def _of_days(kept: Record, wish: Wish) -> pd.DataFrame:
    return _asked(kept_record.of_days(kept.tallies, wish.first, wish.last), wish)


def _asked(tallies: pd.DataFrame, wish: Wish) -> pd.DataFrame:
    found = tallies[tallies["product"] == wish.product]
    return found[found["lane"] == wish.lane] if wish.lane else found


def _shipped(kept: Record, audits: pd.DataFrame, wish: Wish) -> Share | None:
    table = efficiency.as_shipped(
        audits, kept.programme, kept_record.lots(kept), by=(), specification=wish.specification
    )
    return _share(table.to_dict("records")[0]) if len(table) else None


def _share(row: Mapping[object, object]) -> Share:
    figures = (row[name] for name in ("correct", "low", "high"))
    counts = (row[name] for name in ("incorrect", "inspected", "totes"))
    return Share(*map(float, figures), *map(int, counts))  # type: ignore[arg-type]
