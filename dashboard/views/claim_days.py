"""Quick choices of a claim's days: so many production days up to the last one it speaks of."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from urllib.parse import urlencode

from dashboard.views.choices import WINDOWS

OFFERED = WINDOWS[:3]


@dataclass(frozen=True, slots=True)
class Window:
    """So many production days, the address that asks for them, and whether it is asked now."""

    days: int
    search: str
    chosen: bool


def windows(fields: Mapping[str, str]) -> tuple[Window, ...]:
    """The choices of a form as it was filled in, all else as it is; none where a day is wrong.

    Examples
    --------
    >>> windows({"lane": "2", "first": "2026-05-08", "last": "2026-05-14"})[0]
    Window(days=7, search='?lane=2&first=2026-05-08&last=2026-05-14', chosen=True)
    """
    try:
        first, last = (date.fromisoformat(fields[name]) for name in ("first", "last"))
    except ValueError:
        return ()
    found = []
    for days in OFFERED:
        begins = last - timedelta(days=days - 1)
        kept = {**fields, "first": begins.isoformat(), "last": last.isoformat()}
        asked = urlencode({name: text for name, text in kept.items() if text})
        found.append(Window(days, f"?{asked}", begins == first))
    return tuple(found)
