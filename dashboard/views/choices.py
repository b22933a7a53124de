"""What a page's address asks for: ``?day=2026-05-14&shift=night&lane=4``, and the links back."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from urllib.parse import parse_qsl, urlencode

from qa.drift import KINDS
from qa.errors import InvalidInput
from qa.programme import Programme

WINDOWS = (7, 14, 30, 90)  # production days that a lane's page shows
CORRECT = "correct"  # stands among the categories for all of them together


@dataclass(frozen=True, slots=True)
class Choices:
    """What was chosen; None where the address says nothing."""

    day: date | None = None
    shift: str | None = None
    lane: str | None = None
    category: str | None = None
    days: int | None = None
    chart: str | None = None


def read(search: str | None, programme: Programme) -> Choices:
    """The choices in an address's query.

    Raises
    ------
    InvalidInput
        If it names something that there is not.
    """
    asked = dict(parse_qsl((search or "").lstrip("?"), keep_blank_values=True))
    known = {
        "shift": [each.code for each in programme.shifts],
        "lane": [each.code for each in programme.lanes],
        "category": [CORRECT, *programme.category_codes],
        "days": [str(each) for each in WINDOWS],
        "chart": list(KINDS),
    }
    for name in asked:
        if name not in ("day", *known):
            allowed = ", ".join(("day", *known))
            raise InvalidInput(f'an address may ask for {allowed}, got "{name}"')
    for name, codes in known.items():
        if name in asked and asked[name] not in codes:
            raise InvalidInput(f'{name} must be one of {", ".join(codes)}, got "{asked[name]}"')
    return Choices(
        day=_day(asked["day"]) if "day" in asked else None,
        shift=asked.get("shift"),
        lane=asked.get("lane"),
        category=asked.get("category"),
        days=int(asked["days"]) if "days" in asked else None,
        chart=asked.get("chart"),
    )


def query(**chosen: object) -> str:
    """The query that says the choices that are not None."""
    said: Mapping[str, str] = {k: str(v) for k, v in chosen.items() if v is not None}
    return f"?{urlencode(said)}" if said else ""


def _day(text: str) -> date:
    try:
        day = datetime.strptime(text, "%Y-%m-%d").date()
    except ValueError:
        day = date.min
    if not 1971 <= day.year <= 2199:  # the years that an audit may have
        raise InvalidInput(f'day must be a date such as 2026-05-14, got "{text}"')
    return day
