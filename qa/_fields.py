"""One TOML table being read: each key is taken once, and every fault is noted, not raised."""

import re
import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from datetime import date, datetime, time
from typing import Any, TypeVar
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

T = TypeVar("T")
_COLUMN = re.compile(r"[a-z][a-z0-9_]*")


class _Needed:
    """Stands where a default would: the key must be there."""


_NEEDED = _Needed()


class Fields:
    """A table of a TOML file and the faults found in it so far.

    Parameters
    ----------
    raw : mapping
        The table as `tomllib` gives it.
    path : str
        Where it stands, such as ``shifts[2].``, put before each key in a fault.
    faults : list of str
        Shared by all tables of a file and added to. A value that is at fault is replaced by a
        harmless one, so that reading goes on and every fault is found in one go.
    """

    def __init__(self, raw: dict[str, Any], path: str, faults: list[str]) -> None:
        self._raw = dict(raw)
        self._path = path
        self._faults = faults

    def has(self, key: str) -> bool:
        """Whether the key is there and not yet taken."""
        return key in self._raw

    def text(self, key: str) -> str:
        """Text that is not blank."""
        good = isinstance(self._raw.get(key), str) and self._raw[key].strip() != ""
        return self._take(key, good, "text in quotes", str.strip, "", _NEEDED)

    def code(self, key: str) -> str:
        """A short text without blanks at its ends, such as a lane's."""
        value = self._raw.get(key)
        good = isinstance(value, str) and value != "" and value == value.strip()
        return self._take(key, good, "a code in quotes", str, "", _NEEDED)

    def column(self, key: str, reserved: frozenset[str]) -> str:
        """A code that can head a column: small letters, digits and underscores, not reserved."""
        value = self._raw.get(key)
        good = isinstance(value, str) and _COLUMN.fullmatch(value) is not None
        rule = "small letters, digits and underscores, in quotes"
        if good and value in reserved:
            good, rule = False, "no name of an audit's own fields"
        return self._take(key, good, rule, str, "", _NEEDED)

    def codes(self, key: str, default: tuple[str, ...] | _Needed = _NEEDED) -> tuple[str, ...]:
        """A list of codes, none of them twice; empty only where it may be left out."""
        value = self._raw.get(key)
        good = (
            isinstance(value, list)
            and all(isinstance(each, str) and each.strip() for each in value)
            and len(set(value)) == len(value)
            and (len(value) > 0 or default == ())
        )
        rule = 'a list such as ["A", "B"], each code once'
        return self._take(key, good, rule, tuple, (), default)

    def whole(self, key: str, *, least: int = 1) -> int:
        """A whole number, `least` or more."""
        value = self._raw.get(key)
        good = isinstance(value, int) and not isinstance(value, bool) and value >= least
        return self._take(key, good, f"a whole number, {least} or more", int, least, _NEEDED)

    def number(self, key: str, default: Any = _NEEDED) -> Any:
        """A number above 0."""
        good = self._is_number(key) and 0 < self._raw[key] <= sys.float_info.max
        return self._take(key, good, "a number above 0", float, 1.0, default)

    def fraction(self, key: str, default: float | _Needed = _NEEDED) -> float:
        """A number between 0 and 1."""
        good = self._is_number(key) and 0 < self._raw[key] < 1
        return self._take(key, good, "a fraction between 0 and 1", float, 0.5, default)

    def per_cent(self, key: str) -> float:
        """A number above 0 and below 100."""
        good = self._is_number(key) and 0 < self._raw[key] < 100
        return self._take(key, good, "per cent, above 0 and below 100", float, 50.0, _NEEDED)

    def flag(self, key: str, *, default: bool) -> bool:
        """True or false."""
        good = isinstance(self._raw.get(key), bool)
        return self._take(key, good, "true or false", bool, default, default)

    def choice(self, key: str, choices: Sequence[str], default: str | _Needed = _NEEDED) -> str:
        """One of the choices."""
        good = self._raw.get(key) in choices
        return self._take(key, good, f"one of {', '.join(choices)}", str, choices[0], default)

    def zone(self, key: str) -> str:
        """The name of a time zone, such as Europe/Dublin."""
        value = self._raw.get(key)
        good = isinstance(value, str) and _is_zone(value)
        return self._take(key, good, "a time zone such as Europe/Dublin", str, "UTC", _NEEDED)

    def clock(self, key: str) -> time:
        """A time of day: 06:00:00, or "06:00" in quotes."""
        value: Any = self._raw.get(key)
        if isinstance(value, str):
            value = _parsed(time.fromisoformat, value)
        good = isinstance(value, time) and value.tzinfo is None
        return self._take(
            key, good, "a time of day such as 06:00:00", lambda _: value, time(0), _NEEDED
        )

    def day(self, key: str) -> date:
        """A date: 2026-03-16, bare or in quotes."""
        value: Any = self._raw.get(key)
        if isinstance(value, str):
            value = _parsed(date.fromisoformat, value)
        good = isinstance(value, date) and not isinstance(value, datetime)
        return self._take(
            key, good, "a date such as 2026-03-16", lambda _: value, date.min, _NEEDED
        )

    def tables(self, key: str, *, needed: bool = True) -> Iterator["Fields"]:
        """The tables of a list, ``[[key]]``; none of their keys may be left over."""
        value = self._raw.get(key)
        good = isinstance(value, list) and value and all(isinstance(e, dict) for e in value)
        default: list[Any] | _Needed = _NEEDED if needed else []
        listed = self._take(key, bool(good), f"one or more [[{key}]]", list, [], default)
        yield from self._each((f"{key}[{at}]", raw) for at, raw in enumerate(listed, start=1))

    def named(self, key: str, names: Sequence[str]) -> Iterator[tuple[str, "Fields"]]:
        """The tables ``[key.name]`` with their names, which must be among `names`."""
        value = self._raw.get(key)
        good = isinstance(value, dict) and all(isinstance(each, dict) for each in value.values())
        nothing: dict[str, Any] = {}
        rule = f"tables such as [{key}.{names[0]}]"
        found = self._take(key, good, rule, dict, nothing, _NEEDED)
        for name in found:
            if name not in names:
                self._fault(f"{key}.{name}", f"must be one of {', '.join(names)}")
        known = [name for name in found if name in names]
        tables = self._each((f"{key}.{name}", found[name]) for name in known)
        yield from zip(known, tables, strict=True)

    def table(self, key: str, rule: str) -> "Fields | None":
        """One table inside this one, whose keys are read by `no_more` to the end; None for none."""
        nothing: dict[str, Any] | None = None
        good = isinstance(self._raw.get(key), dict)
        found = self._take(key, good, rule, dict, nothing, nothing)
        return None if found is None else Fields(found, f"{self._path}{key}.", self._faults)

    def no_more(self) -> None:
        """Note a fault for each key that nobody took."""
        for key in self._raw:
            self._fault(key, "is not a key of a programme; look for a misspelling")

    def _each(self, tables: Iterable[tuple[str, dict[str, Any]]]) -> Iterator["Fields"]:
        for path, raw in tables:
            inner = Fields(raw, f"{self._path}{path}.", self._faults)
            yield inner
            inner.no_more()

    def _is_number(self, key: str) -> bool:
        value = self._raw.get(key)
        return isinstance(value, int | float) and not isinstance(value, bool)

    def _take(
        self,
        key: str,
        good: bool,
        rule: str,
        form: Callable[[Any], T],
        harmless: T,
        default: T | _Needed,
    ) -> T:
        if key not in self._raw:
            if not isinstance(default, _Needed):
                return default
            self._fault(key, f"is missing, must be {rule}")
            return harmless
        value = self._raw.pop(key)
        if good:
            return form(value)
        shown = f'"{value}"' if isinstance(value, str) else str(value)
        self._fault(key, f"must be {rule}, got {shown[:60]}")
        return harmless

    def _fault(self, key: str, text: str) -> None:
        self._faults.append(f"{self._path}{key}: {text}")


def _is_zone(name: str) -> bool:
    try:
        ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        return False
    return True


def _parsed(read: Any, text: str) -> Any:
    try:
        return read(text)
    except ValueError:
        return None
