"""The raw fields of one audit being read: every problem is noted in words, none is raised."""

import re
from collections.abc import Callable, Collection, Iterable, Mapping
from datetime import UTC, date, datetime
from typing import Any, TypeVar

from qa.programme import Programme
from qa.wording import Wording, load

T = TypeVar("T")
MOST = 999_999_999  # far above any tote, and its square still fits the sums kept in 64 bits
MOST_CHARACTERS = 200  # of a text that somebody types
YEARS = (1970, 2200)  # keys count from 1970; a year outside is a slip of the pen
# A spreadsheet may write 200 as 200.0; 200.000 may be two hundred thousand, and is refused.
_WHOLE = re.compile(r"([0-9]{1,9})(?:\.(?!000$)0*)?")
# Nor what turns the reading of all that stands after it: a text would look like another.
_UNSHOWABLE = re.compile(
    "[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x84\x86-\x9f"
    "\u2028-\u202e\u2066-\u2069\ud800-\udfff\ufeff\uffff]"
)


class Form:
    """Raw fields: each reader notes a problem and gives a harmless value instead.

    Parameters
    ----------
    fields : mapping of field name to text, number, date or time
        Blank text, None and not-a-number count as left out.
    programme : Programme
        A time without a zone is read in its time zone.
    language : str
        Of the messages.

    Attributes
    ----------
    problems : dict of field name to message
        The first problem of each field.
    """

    def __init__(
        self, fields: Mapping[str, object], programme: Programme, language: str = "en"
    ) -> None:
        stripped = ((name, _stripped(value)) for name, value in fields.items())
        self._given = {name: value for name, value in stripped if value is not None}
        self._zone = programme.zone
        self._words = load(language)
        self.problems: dict[str, str] = {}

    def given(self, name: str) -> bool:
        """Whether the field is there and not blank."""
        return name in self._given

    def shown(self, name: str) -> str:
        """The field as a message shows it: as it was typed, a moment in plant time."""
        value = self._given.get(name)
        if isinstance(value, datetime) and value.tzinfo and YEARS[0] < value.year < YEARS[1]:
            return self._words.moment(value, self._zone)
        return _shown(value)

    def fault(self, name: str, key: str, /, **values: object) -> None:
        """Note the problem of a key, its values as they stand, unless the field has one already."""
        if name not in self.problems:
            self.problems[name] = worded(self._words, key, **values)

    def late(self, name: str, other: str, moment: datetime) -> None:
        """Note that a moment must not come after another one, which is named as forms name it."""
        late, when = self._words.say(f"order.{other}"), self._words.moment(moment, self._zone)
        self.fault(name, "order", late=late, when=when, got=self.shown(name))

    def sound(self, *names: str) -> bool:
        """Whether none of the fields has a problem."""
        return not self.problems.keys() & set(names)

    def only(self, known: Iterable[str]) -> None:
        """Note a problem for each field that is not among the known ones."""
        names = set(known)
        for name in (name for name in self._given if name not in names):
            self.fault(name, "unknown")

    def text(
        self, name: str, default: str | None = None, *, most: int | None = MOST_CHARACTERS
    ) -> str:
        """Text as it stands, of so many characters; a number from a spreadsheet without its .0."""
        if not self.given(name):
            if default is None:
                self.fault(name, "missing")
            return default or ""
        value = self._given[name]
        if isinstance(value, Collection) and not isinstance(value, str):
            self.fault(name, "text", got=self.shown(name))
            return ""
        text = str(int(value) if isinstance(value, float) and value.is_integer() else value)
        problem = text_problem(text, self._words, most)
        if problem:
            self.problems.setdefault(name, problem)
        return "" if problem else text

    def whole(self, name: str, *, least: int = 0) -> int | None:
        """A whole number, `least` or more; None if left out or at fault."""
        if not self.given(name):
            return None
        number = _as_whole(self._given[name])
        if number is not None and least <= number <= MOST:
            return number
        self.fault(name, "whole", least=least, got=self.shown(name))
        return None

    def choice(self, name: str, choices: Mapping[str, T], default: T | None = None) -> T | None:
        """What the field's text names, or `default` if it is left out."""
        if default is not None and not self.given(name):
            return default
        value = self.text(name)
        if value and value not in choices:
            self.fault(name, "choice", choices=", ".join(choices), got=_shown(value))
        return choices.get(value)

    def date(self, name: str) -> date | None:
        """A day; None if left out or at fault."""
        if not self.given(name):
            return None
        value = self._given[name]
        if isinstance(value, datetime):
            value = value.date()
        if isinstance(value, str):
            value = _tried(date.fromisoformat, value)
        if not isinstance(value, date):
            self.fault(name, "date", got=self.shown(name))
            return None
        return value

    def moment(self, name: str) -> datetime | None:
        """A date and time, in UTC; None if left out or at fault."""
        if not self.given(name):
            return None
        value = self._given[name]
        if isinstance(value, str) and _tried(date.fromisoformat, value) is None:
            value = _tried(datetime.fromisoformat, value)
        if not isinstance(value, datetime):
            self.fault(name, "moment", got=self.shown(name))
            return None
        if not YEARS[0] < value.year < YEARS[1]:
            self.fault(name, "year", first=YEARS[0], last=YEARS[1], got=self.shown(name))
            return None
        if value.tzinfo is None:
            return self._from_plant_time(name, value)
        return value.astimezone(UTC)

    def _from_plant_time(self, name: str, value: datetime) -> datetime | None:
        early, late = (value.replace(tzinfo=self._zone, fold=fold) for fold in (0, 1))
        first, second = early.astimezone(UTC), late.astimezone(UTC)
        if first == second:
            return first
        key = "clock_twice" if first < second else "clock_never"
        such = early.isoformat(sep=" ", timespec="minutes")
        self.fault(name, key, got=self.shown(name), such=such)
        return None


def worded(words: Wording, key: str, /, **values: object) -> str:
    """The problem of a key; numbers without separators, as they were typed."""
    return words.say(f"problem.{key}", **{name: str(value) for name, value in values.items()})


def text_problem(text: str, words: Wording, most: int | None = MOST_CHARACTERS) -> str:
    """What is wrong with a text that somebody types; "" when nothing is."""
    if _UNSHOWABLE.search(text):
        return worded(words, "plain_text")
    if most is not None and len(text) > most:
        return worded(words, "too_long", most=most, length=len(text))
    return ""


def _stripped(value: object) -> Any:
    if isinstance(value, str):
        return value.strip() or None
    # Not-a-number and not-a-time are how a table says that a cell is empty; neither equals itself.
    blank = isinstance(value, float | datetime) and value != value
    return None if blank else value


def _as_whole(value: Any) -> int | None:
    if isinstance(value, bool):
        return None
    if isinstance(value, int):
        return value
    if isinstance(value, float):
        return int(value) if value.is_integer() else None
    found = _WHOLE.fullmatch(str(value))
    return int(found[1]) if found else None


def _tried(read: Callable[[str], T], text: str) -> T | None:
    try:
        return read(text)
    except ValueError:
        return None


def _shown(value: object) -> str:
    text = _UNSHOWABLE.sub("?", f'"{value}"' if isinstance(value, str) else str(value))
    return text if len(text) <= 60 else text[:57] + "..."
