"""Moments as a form says them: plant time, a bare time of day being the last such one."""

import re
from datetime import datetime, time, timedelta
from zoneinfo import ZoneInfo

from qa import audit
from qa.errors import InvalidAudit
from qa.programme import Programme
from qa.wording import load

SLACK = timedelta(minutes=15)  # what a form says may be so far ahead of the server's clock
OLDEST = timedelta(days=31)  # what is older comes from a file
_CLOCK = re.compile(r"([01]?\d|2[0-3])[:.]([0-5]\d)")


def said(
    value: object,
    name: str,
    programme: Programme,
    now: datetime,
    problems: dict[str, str],
    language: str = "en",
) -> datetime:
    """The moment that a field says, blank for now; what is wrong with it goes to the problems."""
    text = str(value or "").strip()
    clock = last_clock(text, programme.zone, now)
    if clock or not text:
        return clock or now
    try:
        moment = audit.moment(name, text, programme, language=language)
    except InvalidAudit as reason:
        problems.update(reason.problems)
        return now
    if moment > now + SLACK:
        problems[name] = load(language).say("field.future")
    if moment < now - OLDEST:
        problems[name] = load(language).say("field.past", days=OLDEST.days)
    return moment


def last_clock(text: str, zone: ZoneInfo, now: datetime) -> datetime | None:
    """The last time that the plant's clock showed a bare time of day; None for another text."""
    found = _CLOCK.fullmatch(text)
    if not found:
        return None
    clock = time(int(found[1]), int(found[2]))
    today = datetime.combine(now.astimezone(zone).date(), clock, zone)
    return today if today <= now + SLACK else today - timedelta(days=1)
