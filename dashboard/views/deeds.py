"""What people say they did: a cause put right, another event on a lane, a held tote disposed of."""

from collections.abc import Mapping
from datetime import datetime

from dashboard.views import keeping, moments
from dashboard.views import record as kept_record
from dashboard.views.typed import texts
from qa.errors import InvalidAudit
from qa.events import KINDS
from qa.programme import Lane, Programme
from qa.store import deeds, records
from qa.store.deeds import DISPOSITIONS, Disposition, Event
from qa.store.schema import Store
from qa.wording import load


def record_event(
    store: Store, fields: Mapping[str, object], now: datetime, language: str = "en"
) -> Event:
    """Record something that was done to a lane: key, lane, kind, what, who and when.

    ``when`` is a plant time, blank for now.

    Raises
    ------
    InvalidAudit
        With every problem, field by field.
    """
    programme = records.programme(store)
    problems: dict[str, str] = {}
    said = texts(fields, ("key", "what", "who"), problems, language)
    lane = _lane(programme, fields, problems, language)
    _check_choice(fields, "kind", KINDS, problems, language)
    happened_at = moments.said(fields.get("when"), "when", programme, now, problems, language)
    if problems or lane is None:
        raise InvalidAudit(problems)
    event = Event(
        key=said["key"],
        site=programme.site,
        line=lane.line,
        lane=lane.code,
        happened_at=happened_at,
        kind=str(fields["kind"]),
        what=said["what"],
    )
    deeds.record_event(store, event, by=said["who"], at=now)
    return event


def dispose(
    store: Store, fields: Mapping[str, object], now: datetime, language: str = "en"
) -> Disposition:
    """Record what was done with a held tote: key, lane, tote, what, who and why.

    A tote that was audited tells its lane and lot itself; one that was not is a lot of its lane.

    Raises
    ------
    InvalidAudit
        With every problem, field by field.
    """
    programme = records.programme(store)
    problems: dict[str, str] = {}
    said = texts(fields, ("key", "tote", "who", "why"), problems, language)
    _check_choice(fields, "what", DISPOSITIONS, problems, language)
    tote = said["tote"]
    audited = records.tallies(store, tote=tote) if tote else None
    if audited is not None and (audited["lane"] == fields.get("lane")).any():
        audited = audited[audited["lane"] == fields.get("lane")]  # the code may be used twice
    if audited is not None and len(audited):
        lane, lot = str(audited["lane"].iloc[-1]), str(audited["lot"].iloc[-1])
    else:
        chosen = _lane(programme, fields, problems, language)
        lane, lot = (chosen.code if chosen else ""), tote
    stands = _stands(store, lot, language) if fields.get("what") == "release" else ""
    if stands:
        problems["what"] = load(language).say(stands)
    if problems:
        raise InvalidAudit(problems)
    made = Disposition(said["key"], programme.site, lane, lot, tote, str(fields["what"]))
    deeds.dispose(store, made, by=said["who"], at=now, reason=said["why"])
    return made


def _stands(store: Store, lot: str, language: str) -> str:
    """The sentence of a lot of this code that no disposition releases; "" where none stands."""
    own = kept_record.lots_coded(keeping.record(store, language), lot)
    if (own["floor"] == "locked").any():
        return "field.locked"
    return "field.rejected" if len(own) and own["verdict"].iloc[-1] == "reject" else ""


def lift(store: Store, fields: Mapping[str, object], now: datetime, language: str = "en") -> str:
    """Lift a food-safety finding: which, who and why; the tote that it was on.

    Raises
    ------
    InvalidAudit
        With every problem, field by field.
    """
    problems: dict[str, str] = {}
    said = texts(fields, ("by", "reason"), problems, language)
    found = keeping.record(store, language).findings.set_index("key")
    _check_choice(fields, "finding", list(found.index), problems, language)
    if problems:
        raise InvalidAudit(problems)
    key = str(fields["finding"])
    records.lift_finding(store, key, by=said["by"], at=now, reason=said["reason"])
    return str(found.loc[key, "tote"])


def _lane(
    programme: Programme, fields: Mapping[str, object], problems: dict[str, str], language: str
) -> Lane | None:
    codes = [each.code for each in programme.lanes]
    _check_choice(fields, "lane", codes, problems, language)
    return next((each for each in programme.lanes if each.code == fields.get("lane")), None)


def _check_choice(
    fields: Mapping[str, object],
    name: str,
    choices: tuple[str, ...] | list[str],
    problems: dict[str, str],
    language: str,
) -> None:
    if fields.get(name) not in choices:
        problems[name] = load(language).say("field.choose")
