"""Tally logs a tote: the one page that writes."""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from dashboard.views import record as kept_record
from qa import verdicts
from qa.audit import Audit, Finding, parse
from qa.errors import InvalidAudit
from qa.programme import Programme
from qa.store import deeds, records
from qa.store.schema import Store
from qa.verdicts import LotVerdict

INSPECTORS = 12  # names offered, those who pulled last
SOURCE = "form"
AHEAD = timedelta(hours=12)  # a tablet's clock may be fast, a slip of the pen is further off
_CLOCK = re.compile(r"([01]?\d|2[0-3])[:.]([0-5]\d)")


@dataclass(frozen=True, slots=True)
class TallyView:
    """What the form needs: the plant's settings and who pulled lately."""

    programme: Programme
    now: datetime
    day: date
    shift: str
    inspectors: tuple[str, ...]
    logged: int


@dataclass(frozen=True, slots=True)
class Saved:
    """An audit that is in the record: by this sending, or already (`new` false)."""

    new: bool
    tote: str
    lane: str
    inspected: int
    correct: int
    verdict: LotVerdict


def view(store: Store, now: datetime) -> TallyView:
    """The form as it is now."""
    kept = kept_record.record(store)
    day, shift = kept_record.day_and_shift(kept.programme, now)
    newest = kept.tallies["inspector"].iloc[::-1].drop_duplicates()
    today = kept_record.of_days(kept.tallies, day, day)
    return TallyView(
        programme=kept.programme,
        now=now,
        day=day,
        shift=shift,
        inspectors=tuple(newest.head(INSPECTORS)),
        logged=int((today["shift"] == shift).sum()),
    )


def save(store: Store, fields: Mapping[str, object], now: datetime) -> Saved:
    """Record an audit from raw fields and say what happens to its lot.

    Parameters
    ----------
    store : Store
    fields : mapping
        As for `qa.audit.parse`; ``key`` is the sender's, so that a second sending is harmless.
    now : datetime
        When it is recorded, and when the pieces were pulled if the fields do not say.

    Raises
    ------
    InvalidAudit
        With every problem, field by field.
    Conflict
        If the key is there with other content.
    """
    said = _said(fields, records.programme(store).zone, now)
    programme = records.programme(store, _pulled_at(said, now))
    audit = parse({"pulled_at": now, **said, "source": SOURCE}, programme)
    if audit.pulled_at > now + AHEAD:
        raise InvalidAudit({"pulled_at": "must not lie in the future"})
    _check_lane(store, audit)
    answer = records.log(store, audit, by=audit.inspector, at=now)
    earlier = records.tallies(store, lane=audit.lane)
    earlier = earlier[earlier["pulled_at"] <= audit.pulled_at]
    found = records.findings(store)
    verdict = verdicts.of_audit(
        audit, earlier, programme, found[found["lifted_at"].isna()], deeds.resumed(store)
    )
    return Saved(answer.new, audit.tote, audit.lane, audit.inspected, audit.correct, verdict)


def save_finding(store: Store, fields: Mapping[str, object], now: datetime) -> bool:
    """Record a food-safety finding; whether it was new.

    Raises
    ------
    InvalidAudit
        With every problem, field by field.
    """
    programme = records.programme(store)
    said = _said(fields, programme.zone, now)
    text = {name: str(said.get(name, "")).strip() for name in ("key", "tote", "what", "inspector")}
    problems = {name: "is missing" for name, value in text.items() if not value}
    lanes = {each.code: each for each in programme.lanes}
    lane = lanes.get(str(said.get("lane", "")))
    if lane is None:
        problems["lane"] = f"must be one of {', '.join(lanes)}"
    if problems or lane is None:
        raise InvalidAudit(problems)
    found_at = _pulled_at(said, now)
    if found_at > now + AHEAD:
        raise InvalidAudit({"pulled_at": "must not lie in the future"})
    finding = Finding(
        key=text["key"],
        site=programme.site,
        found_at=found_at,
        line=lane.line,
        lane=lane.code,
        tote=text["tote"],
        what=text["what"],
    )
    return records.record_finding(store, finding, by=text["inspector"], at=now).new


def _check_lane(store: Store, audit: Audit) -> None:
    """A tote has one lane: a wrong tap must not release what another lane's audit holds."""
    day = timedelta(days=1)
    near = records.tallies(
        store, tote=audit.tote, first_day=audit.day - day, last_day=audit.day + day
    )
    other = near[near["lane"] != audit.lane]
    if len(other):
        lane = other["lane"].iloc[-1]
        told = f"tote {audit.tote} is recorded on lane {lane}: choose that lane, or mend the tote"
        raise InvalidAudit({"lane": told})


def _said(fields: Mapping[str, object], zone: ZoneInfo, now: datetime) -> dict[str, object]:
    """Fields that say something; a bare time of day is the last such time in the plant."""
    said = {name: value for name, value in fields.items() if value not in (None, "")}
    for name in ("pulled_at", "re_sorted_at"):
        found = _CLOCK.fullmatch(str(said.get(name, "")).strip())
        if found:
            said[name] = _last(time(int(found[1]), int(found[2])), zone, now)
    return said


def _last(clock: time, zone: ZoneInfo, now: datetime) -> datetime:
    today = datetime.combine(now.astimezone(zone).date(), clock, zone)
    return today if today <= now else today - timedelta(days=1)


def _pulled_at(said: Mapping[str, object], now: datetime) -> datetime:
    """When the sender says the pieces were pulled, if that can be read; `parse` judges it."""
    value = said.get("pulled_at")
    try:
        moment = value if isinstance(value, datetime) else datetime.fromisoformat(str(value))
    except ValueError:
        return now
    return moment if moment.tzinfo else now
