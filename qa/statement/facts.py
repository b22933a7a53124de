"""Everything that a buyer statement says, gathered from a store."""

import hashlib
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass
from datetime import date, datetime
from typing import Any

import pandas as pd

from qa import verdicts
from qa._validate import one_whole
from qa.errors import InvalidInput
from qa.programme import Programme, shift_times
from qa.statement import counting
from qa.statement.audits import Audits, asked, audits_of, claim_of, needed_for, of_lots, speaking
from qa.statement.result import BuyersCount, Digest, Paper, Scope, Statement, Version
from qa.store import changes, deeds, records
from qa.store.schema import Store

LONGEST = 300  # characters of a text that people say


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
    full, programme = asked(scope, records.programme(store, ends))
    said, count = _checked(paper or Paper()), _checked_count(buyers)
    found = _found(store, full, programme)
    spoken = found.audits.spoken
    csv = counting.canonical(spoken, found.codes)
    return _statement(found, said, count, counting.digest(csv, len(spoken))), csv


@dataclass(frozen=True, slots=True, eq=False)
class _Found:
    """What the store holds of a scope.

    Attributes
    ----------
    codes : every category of any version
    dispositions : what became of totes of the lots judged
    changed : audits of the scope that were corrected or voided
    in_force : the inspection at the end of the period
    """

    scope: Scope
    programme: Programme
    programmes: Mapping[int, Programme]
    codes: tuple[str, ...]
    audits: Audits
    dispositions: pd.DataFrame
    changed: pd.DataFrame
    in_force: pd.DataFrame
    versions: tuple[Version, ...]


def _found(store: Store, scope: Scope, programme: Programme) -> _Found:
    tallies, every = records.tallies(store), records.programmes_by_version(store)
    resumed = deeds.resumed(store)
    lots = verdicts.lots(tallies, every, records.findings(store), resumed)
    audits = audits_of(tallies, lots, scope)
    dispositions = deeds.dispositions(store)
    days = {"first_day": scope.first_day, "last_day": scope.last_day}
    changed = changes.changed(store, **days, product=scope.product)
    before = tallies[tallies["day"] <= pd.Timestamp(scope.last_day)]
    ends = period(scope.first_day, scope.last_day, programme)[1]
    in_force = verdicts.in_force(before, every, resumed[resumed["at"] <= ends])
    return _Found(
        scope,
        programme,
        every,
        codes=_codes(tallies),
        audits=audits,
        dispositions=dispositions[of_lots(audits.here, dispositions)],
        changed=changed[changed["lane"].isin(scope.lanes)],
        in_force=in_force[in_force["product"] == scope.product],
        versions=_versions(store, audits.spoken),
    )


def _statement(
    found: _Found, paper: Paper, buyers: tuple[int, int] | None, digest: Digest
) -> Statement:
    scope, programme, audits = found.scope, found.programme, found.audits
    begins, ends = period(scope.first_day, scope.last_day, programme)
    how: dict[str, Any] = {"specification": scope.specification}
    said, here = claim_of(audits, scope, programme), audits.here
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
        needed=needed_for(said, audits, scope, programme),
        made=counting.figures(here, programme, (), **how)[0],
        shipped=counting.shipped_figure(audits, programme, **how),
        by_lane=counting.figures(here, programme, ("lane",), **how),
        categories=counting.categories(here, programme, found.programmes, **how),
        spread=counting.spread(speaking(audits), programme, target=said.target, **how),
        counted=counting.counted(audits, found.changed, scope),
        lots=counting.lots(audits, found.dispositions),
        plans=counting.plans(found.in_force, scope.lanes, programme, audits),
        versions=found.versions,
        buyer=_buyer(found, buyers),
        digest=digest,
    )


def _buyer(found: _Found, buyers: tuple[int, int] | None) -> BuyersCount | None:
    """What a buyer counted beside what was shipped, or made where nothing was."""
    if buyers is None:
        return None
    specification = found.scope.specification
    return counting.buyers_count(*buyers, found.audits, found.programme, specification)


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


def _versions(store: Store, audits: pd.DataFrame) -> tuple[Version, ...]:
    """The programme's versions under which these audits were pulled."""
    every = records.programmes(store)
    used = every[every["version"].isin(audits["programme"].unique())]
    return tuple(
        Version(int(row["version"]), hashlib.sha256(row["text"].encode("utf-8")).hexdigest())
        for row in used.to_dict("records")
    )


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
