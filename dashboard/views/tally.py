"""Tally logs a tote: the one page that writes."""

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from datetime import date, datetime, timedelta
from typing import Any

from dashboard.views import keeping, moments
from dashboard.views import record as kept_record
from dashboard.views.keeping import Record
from dashboard.views.record import Inspection
from dashboard.views.typed import texts
from qa import gross, verdicts
from qa.audit import Audit, Finding, parse
from qa.errors import InvalidAudit
from qa.programme import Programme
from qa.store import records
from qa.store.schema import Store
from qa.verdicts import LotVerdict
from qa.wording import load, utc

INSPECTORS = 12  # names offered, those who pulled last
SOURCE = "form"
AGAIN = timedelta(days=7)  # a number that comes again later is another tote
SOON = timedelta(hours=12)  # a number that comes again sooner may be a slip


@dataclass(frozen=True, slots=True)
class Pull:
    """How many pieces to pull from the next tote of a lane and product, by the plans in force."""

    lane: str
    product: str
    pieces: int
    inspections: tuple[Inspection, ...]


@dataclass(frozen=True, slots=True)
class Running:
    """The shift that runs, or ran last, and how many audits were logged in it."""

    day: date
    shift: str
    name: str
    logged: int


@dataclass(frozen=True, slots=True)
class TallyView:
    """What the form needs: the plant's settings, what to pull and who pulled lately."""

    programme: Programme
    now: datetime
    running: Running
    inspectors: tuple[str, ...]
    pulls: tuple[Pull, ...]


@dataclass(frozen=True, slots=True)
class Saved:
    """An audit that is in the record: by this sending, or already (`new` false)."""

    key: str
    new: bool
    tote: str
    lane: str
    purpose: str
    inspected: int
    correct: int
    verdict: LotVerdict
    lot_is_tote: bool
    gross: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Before:
    """The newest audit of a tote's number: when it was pulled, in plant time, and what it found."""

    said: str
    lane: str
    purpose: str
    inspected: int
    correct: int
    routine_lately: tuple[str, ...]  # lanes whose routine audit of it is a few hours old


@dataclass(frozen=True, slots=True)
class Sender:
    """Who records, "" for the inspector who is named, and through what."""

    name: str = ""
    through: str = SOURCE


INSPECTOR = Sender()


def view(store: Store, now: datetime, language: str = "en") -> TallyView:
    """The form as it is now."""
    kept = keeping.record(store, language)
    return TallyView(
        programme=kept.programme,
        now=now,
        running=_running(kept, now),
        inspectors=kept_record.inspectors(kept, INSPECTORS),
        pulls=pulls(kept),
    )


def running(store: Store, now: datetime, language: str = "en") -> Running:
    """The shift that runs now, for a form that was opened earlier."""
    return _running(keeping.record(store, language), now)


def _running(kept: Record, now: datetime) -> Running:
    day, code = kept_record.day_and_shift(kept.programme, now)
    name = next(each.name for each in kept.programme.shifts if each.code == code)
    today = kept_record.window(kept, day, day)
    return Running(day, code, name, logged=int((today["shift"] == code).sum()))


def pulls(kept: Record) -> tuple[Pull, ...]:
    """What to pull next, by lane and product."""
    programme, table = kept.programme, kept_record.in_force(kept)
    other = kept_record.inspections(kept)
    found = []
    for (lane, product), rows in table.groupby(["lane", "product"], sort=False):
        pieces = verdicts.first_pull(programme, int(rows["pull"].max()))
        here = tuple(each for each in other if (each.lane, each.product) == (lane, product))
        found.append(Pull(str(lane), str(product), pieces, here))
    return tuple(found)


def before(store: Store, tote: str, now: datetime, language: str = "en") -> Before | None:
    """What the last week has on record of a tote's number; None for nothing."""
    if not tote.strip():
        return None
    since = (now - AGAIN).date()
    found = records.tallies(store, tote=tote.strip(), first_day=since)
    if found.empty:
        return None
    last = found.iloc[-1]
    lately = found[(found["purpose"] == "routine") & (found["pulled_at"] > now - SOON)]
    return Before(
        said=load(language).moment(utc(last["pulled_at"]), records.programme(store).zone),
        lane=str(last["lane"]),
        purpose=str(last["purpose"]),
        inspected=int(last["inspected"]),
        correct=int(last["correct"]),
        routine_lately=tuple(str(each) for each in lately["lane"].unique()),
    )


def save(
    store: Store,
    fields: Mapping[str, object],
    now: datetime,
    language: str = "en",
    sender: Sender = INSPECTOR,
) -> Saved:
    """Record an audit from raw fields and say what happens to its lot.

    Parameters
    ----------
    store : Store
    fields : mapping
        As for `qa.audit.parse`; ``key`` is the sender's, so that a second sending is harmless.
    now : datetime
        When it is recorded, and when the pieces were pulled if the fields do not say.
    language : str
    sender : Sender

    Raises
    ------
    InvalidAudit
        With every problem, field by field.
    Conflict
        If the key is there with other content.
    """
    problems: dict[str, str] = {}
    said = _said(fields, records.programme(store), now, problems, language)
    programme = records.programme(store, said["pulled_at"])
    try:
        audit = parse({**said, "source": sender.through}, programme, language=language)
    except InvalidAudit as reason:
        raise InvalidAudit({**reason.problems, **problems}) from None
    problems |= _unlikely(store, audit, programme, language)
    if problems:
        raise InvalidAudit(problems)
    _check_lane(store, audit, language)
    answer = records.log(store, audit, by=sender.name or audit.inspector, at=now)
    verdict = kept_record.verdict_of(store, audit, language)
    return Saved(
        key=audit.key,
        new=answer.new,
        tote=audit.tote,
        lane=audit.lane,
        purpose=audit.purpose,
        inspected=audit.inspected,
        correct=audit.correct,
        verdict=verdict,
        lot_is_tote=programme.lot == "tote",
        gross=tuple(
            each.sentence
            for each in gross.passed(asdict(audit), audit.counts, programme, language=language)
        ),
    )


def save_finding(
    store: Store,
    fields: Mapping[str, object],
    now: datetime,
    language: str = "en",
    sender: Sender = INSPECTOR,
) -> bool:
    """Record a food-safety finding; whether it was new.

    Raises
    ------
    InvalidAudit
        With every problem, field by field.
    """
    programme = records.programme(store)
    words, problems = load(language), dict[str, str]()
    said = _said(fields, programme, now, problems, language)
    text = texts(said, ("key", "tote", "what", "inspector"), problems, language)
    lanes = {each.code: each for each in programme.lanes}
    lane = lanes.get(str(said.get("lane", "")))
    if lane is None:
        problems["lane"] = words.say("field.choose")
    if problems or lane is None:
        raise InvalidAudit(problems)
    finding = Finding(
        key=text["key"],
        site=programme.site,
        found_at=said["pulled_at"],
        line=lane.line,
        lane=lane.code,
        tote=text["tote"],
        what=text["what"],
    )
    return records.record_finding(store, finding, by=sender.name or text["inspector"], at=now).new


def _unlikely(store: Store, audit: Audit, programme: Programme, language: str) -> dict[str, str]:
    """What a person at the tote would not mean: more than it holds, a re-audit of nothing."""
    found: dict[str, str] = {}
    if audit.pieces_in_tote is None and audit.inspected > programme.pieces_per_tote:
        found["inspected"] = load(language).say(
            "field.whole_tote", pieces=programme.pieces_per_tote
        )
    if audit.purpose == "re-audit":
        before = records.tallies(store, tote=audit.tote)
        if not (before["pulled_at"] <= audit.pulled_at).any():
            found["tote"] = load(language).say("field.no_audit", tote=audit.tote)
    return found


def _check_lane(store: Store, audit: Audit, language: str) -> None:
    """A tote has one lane: a wrong tap must not release what another lane's audit holds."""
    day = timedelta(days=1)
    near = records.tallies(
        store, tote=audit.tote, first_day=audit.day - day, last_day=audit.day + day
    )
    other = near[near["lane"] != audit.lane]
    if len(other):
        lane = other["lane"].iloc[-1]
        told = load(language).say("field.other_lane", tote=audit.tote, lane=lane)
        raise InvalidAudit({"lane": told})


def _said(
    fields: Mapping[str, object],
    programme: Programme,
    now: datetime,
    problems: dict[str, str],
    language: str,
) -> dict[str, Any]:
    """Fields that say something, their times read; when pieces were pulled is now if not said."""
    said = {name: value for name, value in fields.items() if value not in (None, "")}
    for name in ("pulled_at", "re_sorted_at"):
        if name in said or name == "pulled_at":
            said[name] = moments.said(said.get(name), name, programme, now, problems, language)
    return said
