"""Everything that a buyer statement says, gathered from a store."""

import hashlib
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, replace
from datetime import date, datetime
from typing import Any

import pandas as pd

from qa import claim, verdicts
from qa._validate import checked_level, chosen, one_whole
from qa.claim import Claim, Needed
from qa.errors import InvalidInput
from qa.programme import HOUSE, Programme, shift_times
from qa.statement import counting
from qa.statement.result import BuyersCount, Digest, Paper, Scope, Statement, Version
from qa.store import changes, deeds, records
from qa.store.schema import Store
from qa.tally import routine, under

LONGEST = 300  # characters of a text that people say
KINDS = ("average", "tote-by-tote")


def gather(
    store: Store,
    scope: Scope,
    paper: Paper | None = None,
    *,
    buyers: tuple[int, int] | None = None,
) -> tuple[Statement, str]:
    """A buyer statement's content, and the audits that its claim rests on as a CSV file.

    Parameters
    ----------
    store : Store
    scope : Scope
    paper : Paper, optional
    buyers : pair of int, optional
        The buyer's own count: incorrect pieces and pieces inspected.

    Returns
    -------
    Statement
    str
        CSV, whose SHA-256 the statement tells.

    Raises
    ------
    InvalidInput
        If the scope is not one of the programme, or holds no routine audit; for a claim as
        shipped, no accepted lot.
    """
    _, ends = period(scope.first_day, scope.last_day, records.programme(store))
    asked, programme = _asked(scope, records.programme(store, ends))
    said, count = _checked(paper or Paper()), _checked_count(buyers)
    found = _found(store, asked, programme)
    csv = counting.canonical(found.spoken, found.codes)
    return _statement(found, said, count, counting.digest(csv, len(found.spoken))), csv


@dataclass(frozen=True, slots=True, eq=False)
class _Found:
    """What the store holds of a scope.

    Attributes
    ----------
    codes : every category of any version
    here : audits of the scope, of every purpose
    of_these : audits of the lots judged in the scope, whenever they were pulled
    spoken : the audits that the claim rests on, as if all were routine
    judged, dispositions : how these lots stand, and what became of their totes
    changed : audits of the scope that were corrected or voided
    in_force : the inspection at the end of the period
    """

    scope: Scope
    programme: Programme
    codes: tuple[str, ...]
    here: pd.DataFrame
    of_these: pd.DataFrame
    spoken: pd.DataFrame
    judged: pd.DataFrame
    dispositions: pd.DataFrame
    changed: pd.DataFrame
    in_force: pd.DataFrame
    versions: tuple[Version, ...]
    programmes: Mapping[int, Programme]


def _found(store: Store, scope: Scope, programme: Programme) -> _Found:
    tallies = records.tallies(store)
    here = _of(tallies, scope)
    if routine(here).empty:
        raise InvalidInput(f"a statement needs a routine audit, got none {_where(scope)}")
    every, resumed = records.programmes_by_version(store), deeds.resumed(store)
    lots = verdicts.lots(tallies, every, records.findings(store), resumed)
    judged, of_these = (each[counting.of_lots(here, each)] for each in (lots, tallies))
    left = counting.left_plant(of_these, judged)
    if scope.as_shipped and left.empty:
        raise InvalidInput(f"a claim as shipped needs an accepted lot, got none {_where(scope)}")
    dispositions = deeds.dispositions(store)
    days = {"first_day": scope.first_day, "last_day": scope.last_day}
    changed = changes.changed(store, **days, product=scope.product)
    before = tallies[tallies["day"] <= pd.Timestamp(scope.last_day)]
    ends = period(scope.first_day, scope.last_day, programme)[1]
    in_force = verdicts.in_force(before, every, resumed[resumed["at"] <= ends])
    return _Found(
        scope,
        programme,
        codes=_codes(tallies),
        here=here,
        of_these=of_these,
        spoken=left if scope.as_shipped else routine(here),
        judged=judged,
        dispositions=dispositions[counting.of_lots(here, dispositions)],
        changed=changed[changed["lane"].isin(scope.lanes)],
        in_force=in_force[in_force["product"] == scope.product],
        versions=_versions(store, here),
        programmes=every,
    )


def _statement(
    found: _Found, paper: Paper, buyers: tuple[int, int] | None, digest: Digest
) -> Statement:
    scope, programme, here = found.scope, found.programme, found.here
    begins, ends = period(scope.first_day, scope.last_day, programme)
    how: dict[str, Any] = {"specification": scope.specification}
    said, needed = _claim(found)
    return Statement(
        site=programme.site,
        name=programme.name,
        zone=programme.time_zone,
        scope=scope,
        paper=paper,
        product_name=_named(programme.products, scope.product),
        specification_name=_named(programme.specifications, scope.specification),
        lanes=scope.lanes,
        every_lane=set(scope.lanes) == {each.code for each in programme.lanes},
        begins=begins,
        ends=ends,
        claim=said,
        needed=needed,
        made=counting.figures(here, programme, (), **how)[0],
        shipped=counting.shipped_figure(found.of_these, found.judged, programme, **how),
        by_lane=counting.figures(here, programme, ("lane",), **how),
        categories=counting.categories(here, programme, found.programmes, **how),
        spread=counting.spread(here, programme, target=said.target, **how),
        counted=counting.counted(here, found.changed, scope),
        lots=counting.lots(found.judged, found.of_these, found.dispositions),
        plans=counting.plans(found.in_force, scope.lanes),
        versions=found.versions,
        buyer=_buyer(found, buyers),
        digest=digest,
    )


def _asked(scope: Scope, programme: Programme) -> tuple[Scope, Programme]:
    """The scope with what was left to the programme, and the programme at its confidence."""
    chosen(_of_codes(programme.products), "product", scope.product)
    chosen({HOUSE: "", **_of_codes(programme.specifications)}, "specification", scope.specification)
    chosen(dict.fromkeys(KINDS), "kind", scope.kind)
    every = [each.code for each in programme.lanes]
    for lane in scope.lanes:
        chosen(dict.fromkeys(every), "lanes", lane)
    target = checked_level(programme.target if scope.target is None else scope.target, "target")
    confidence = programme.confidence if scope.confidence is None else scope.confidence
    asked = replace(
        scope,
        lanes=tuple(lane for lane in every if not scope.lanes or lane in scope.lanes),
        target=target,
        confidence=checked_level(confidence),
    )
    return asked, replace(programme, confidence=confidence)


def _claim(found: _Found) -> tuple[Claim, tuple[Needed, ...]]:
    """The claim, and what would settle one of an average that is not settled."""
    scope, programme = found.scope, found.programme
    how: dict[str, Any] = {"target": scope.target, "specification": scope.specification}
    audits = found.spoken.assign(purpose="routine")  # those of re-sorted lots speak of what left
    if scope.kind == "tote-by-tote":
        return claim.tote_by_tote(audits, programme, share=scope.share, **how), ()
    said = claim.average(audits, programme, **how)
    if said.answer != "not_settled" or scope.as_shipped:
        return said, ()
    return said, claim.totes_still_needed(audits, programme, **how)


def _buyer(found: _Found, buyers: tuple[int, int] | None) -> BuyersCount | None:
    """What a buyer counted beside what was shipped, or made where nothing was."""
    if buyers is None:
        return None
    audits, ours = counting.left_plant(found.of_these, found.judged), "as_shipped"
    if audits.empty:
        audits, ours = routine(found.here), "as_made"
    audits = under(audits, found.programme, found.scope.specification)
    return counting.buyers_count(*buyers, audits, ours, found.programme.confidence)


def _checked_count(buyers: tuple[int, int] | None) -> tuple[int, int] | None:
    if buyers is None:
        return None
    inspected = one_whole(buyers[1], "buyer's pieces inspected", least=1)
    incorrect = one_whole(buyers[0], "buyer's incorrect pieces", least=0)
    if incorrect > inspected:
        raise InvalidInput(
            f"buyer's incorrect pieces must be from 0 to inspected, got {incorrect} of {inspected}"
        )
    return incorrect, inspected


def _checked(paper: Paper) -> Paper:
    for name, text in asdict(paper).items():
        for said in text if isinstance(text, tuple) else (text,):
            if isinstance(said, str) and len(said) > LONGEST:
                raise InvalidInput(f"{name} must be at most {LONGEST} characters, got {len(said)}")
    if paper.shipped is not None:
        one_whole(paper.shipped, "totes shipped", least=1)
    return paper


def _versions(store: Store, here: pd.DataFrame) -> tuple[Version, ...]:
    """The programme's versions under which audits of the scope were pulled."""
    every = records.programmes(store)
    used = every[every["version"].isin(here["programme"].unique())]
    return tuple(
        Version(int(row["version"]), hashlib.sha256(row["text"].encode("utf-8")).hexdigest())
        for row in used.to_dict("records")
    )


def _of(tallies: pd.DataFrame, scope: Scope) -> pd.DataFrame:
    days = tallies["day"].between(pd.Timestamp(scope.first_day), pd.Timestamp(scope.last_day))
    return tallies[days & (tallies["product"] == scope.product) & tallies["lane"].isin(scope.lanes)]


def _where(scope: Scope) -> str:
    days = f"from {scope.first_day} to {scope.last_day}"
    return f"of {scope.product} {days} on lanes {', '.join(scope.lanes)}"


def _codes(tallies: pd.DataFrame) -> tuple[str, ...]:
    """The category columns of a tally: all after its own."""
    at = list(tallies.columns).index("incorrect") + 1
    return tuple(str(name) for name in tallies.columns[at:])


def period(first_day: date, last_day: date, programme: Programme) -> tuple[datetime, datetime]:
    """When a period begins and ends, by the programme's shifts.

    Raises
    ------
    InvalidInput
        If the first day is after the last.
    """
    if first_day > last_day:
        raise InvalidInput(
            f"first_day must not be after last_day, got {first_day} after {last_day}"
        )
    begins = min(shift_times(programme, first_day, each.code)[0] for each in programme.shifts)
    ends = max(shift_times(programme, last_day, each.code)[1] for each in programme.shifts)
    return begins, ends


def _of_codes(listed: Iterable[Any]) -> Mapping[str, str]:
    return {each.code: each.name for each in listed}


def _named(listed: Iterable[Any], code: str) -> str:
    return _of_codes(listed).get(code, code)
