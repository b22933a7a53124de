"""Sentences and figures as people read them, one TOML file a language.

`load` gives a `Wording`: it says the sentence of a key, and writes rates, counts and times. Codes
such as lane "007" are texts and stay as they are; whole numbers get their thousands separators.
"""

import math
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime
from functools import cache
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from qa._validate import chosen
from qa.errors import InvalidInput

HERE = Path(__file__).parent
_MOST_DECIMALS = 6
_SLACK = 1e-9  # a product of a decimal fraction may lie just beside its whole number


@dataclass(frozen=True, slots=True, eq=False)
class Wording:
    """The sentences of one language and its way of writing figures. Made by `load`."""

    language: str
    sentences: Mapping[str, str]
    decimal: str
    thousands: str
    months: tuple[str, ...]

    def say(self, key: str, **values: object) -> str:
        """The sentence of a key with its values in place.

        A key that has the forms ``one`` and ``other`` takes the one that its value `count` asks
        for.

        Raises
        ------
        KeyError
            If there is no such sentence, or a value that it needs was not given: a bug.
        """
        sentence = self.sentences.get(key)
        if sentence is None and "count" in values:
            form = "one" if values["count"] == 1 else "other"
            sentence = self.sentences.get(f"{key}.{form}")
        if sentence is None:
            raise KeyError(f'no sentence "{key}" in language {self.language}')
        try:
            return sentence.format_map({name: self._shown(each) for name, each in values.items()})
        except KeyError as missing:
            raise KeyError(f'sentence "{key}" needs the value {missing.args[0]}') from None

    def count(self, number: float) -> str:
        """A whole number: 6,512."""
        return f"{number:,.0f}".replace(",", self.thousands)

    def number(self, value: float, form: str = "g") -> str:
        """A number as a format writes it, with the mark of this language: 0.065."""
        return f"{value:{form}}".replace(".", self.decimal)

    def about(self, number: int) -> int:
        """Two digits of a whole number, for a sentence that says "about"."""
        return number if number < 100 else round(number, 2 - len(str(number)))

    def per_cent(self, fraction: float, *, decimals: int = 1) -> str:
        """A fraction as per cent, never rounded to 0 or 100 when it is neither: 0.6 %."""
        return f"{self._figure(fraction, decimals)} %"

    def interval(
        self, fraction: float, low: float, high: float, target: float | None = None
    ) -> str:
        """A fraction with its limits: 1.9 % (1.4 to 2.6), with the decimals that they can bear.

        A limit that would round to 0 or 100 when it is neither is said to lie beyond the last
        figure that can be shown: 0.4 % (<0.1 to 3.4). Beside a target each limit is told apart
        from it.
        """
        decimals = decimals_apart(low, high, target)
        estimate = self._figure(fraction, decimals)
        ends = [self._limit(each, decimals) for each in (low, high)]
        return self.say("figure.interval", estimate=estimate, low=ends[0], high=ends[1])

    def day(self, day: date) -> str:
        """A day without its year: 14 May."""
        return self.say("figure.day", day=str(day.day), month=self.months[day.month - 1])

    def clock(self, moment: datetime, zone: ZoneInfo) -> str:
        """Plant time of day: 02:10; with the zone's short name in the hour that comes twice."""
        local = moment.astimezone(zone)
        twice = local.replace(fold=0).utcoffset() != local.replace(fold=1).utcoffset()
        return f"{local:%H:%M %Z}" if twice else f"{local:%H:%M}"

    def moment(self, moment: datetime, zone: ZoneInfo) -> str:
        """Plant time and day: 02:10 on 14 May."""
        local = moment.astimezone(zone)
        return self.say("figure.moment", clock=self.clock(moment, zone), day=self.day(local))

    def span(self, first: datetime, last: datetime, zone: ZoneInfo) -> str:
        """From when to when in plant time, the day said once where it is the same."""
        ends = first.astimezone(zone), last.astimezone(zone)
        same = ends[0].date() == ends[1].date()
        begin = self.clock(first, zone) if same else self.moment(first, zone)
        return self.say("figure.span", first=begin, last=self.moment(last, zone))

    def listed(self, items: list[str], joint: str = "and") -> str:
        """Items in a row: "a, b and c"; joint is "and" or "or"."""
        if len(items) < 2:
            return "".join(items)
        return self.say(f"figure.{joint}", first=", ".join(items[:-1]), last=items[-1])

    def _figure(self, fraction: float, decimals: int) -> str:
        per_cent = 100 * fraction
        for places in range(decimals, _MOST_DECIMALS + 1):
            text = f"{per_cent:.{places}f}"
            if float(text) not in (0, 100) or per_cent in (0, 100):
                break
        return text.replace(".", self.decimal)

    def _limit(self, fraction: float, decimals: int) -> str:
        text, step = f"{100 * fraction:.{decimals}f}", 10.0**-decimals
        if float(text) == 0 < fraction:
            text = f"<{step:.{decimals}f}"
        elif float(text) == 100 and fraction < 1:
            text = f">{100 - step:.{decimals}f}"
        return text.replace(".", self.decimal)

    def _shown(self, value: object) -> object:
        whole = isinstance(value, int) and not isinstance(value, bool)
        return self.count(value) if whole else value  # type: ignore[arg-type]


def decimals_for(low: float, high: float) -> int:
    """Decimals of per cent that an interval of this width can bear, 1 or more.

    Examples
    --------
    >>> decimals_for(0.981, 0.991), decimals_for(0.9855, 0.9871), decimals_for(0.98551, 0.98562)
    (1, 2, 3)
    """
    width = 100 * (high - low)
    if not 0 < width < 0.3:
        return 1
    return min(1 + math.ceil(-math.log10(width / 0.3)), _MOST_DECIMALS)


def decimals_beside(lower: float, upper: float, target: float) -> int:
    """Decimals that bounds can bear, and enough that each shows on its side of the target.

    Examples
    --------
    >>> decimals_beside(0.9882, 0.9893, target=0.99), decimals_beside(0.97, 0.98996, target=0.99)
    (2, 3)
    """
    found = decimals_for(lower, upper)
    while found < _MOST_DECIMALS:
        ends = (down(lower, found), lower), (up(upper, found), upper)
        if all((end >= target - _SLACK) == (of >= target) for end, of in ends):
            break
        found += 1
    return found


def decimals_apart(low: float, high: float, target: float | None = None) -> int:
    """Decimals that limits can bear, and enough that rounding leaves each on its side of a target.

    Examples
    --------
    >>> decimals_apart(0.9897, 0.9931), decimals_apart(0.9897, 0.9931, target=0.99)
    (1, 2)
    """
    found = decimals_for(low, high)
    if target is None:
        return found
    while found < _MOST_DECIMALS:
        shown = (round(100 * each, found) / 100 for each in (low, high))
        pairs = zip(shown, (low, high), strict=True)
        if all(_side(near, target) == _side(each, target) for near, each in pairs):
            break
        found += 1
    return found


def _side(fraction: float, target: float) -> int:
    """-1 below a target, 1 above it, 0 on it."""
    apart = fraction - target
    return 0 if abs(apart) < _SLACK else int(math.copysign(1, apart))


def down(fraction: float, places: int) -> float:
    """A fraction rounded down to so many decimals of per cent."""
    scale = 100 * 10.0**places
    return math.floor(fraction * scale + _SLACK) / scale


def up(fraction: float, places: int) -> float:
    """A fraction rounded up to so many decimals of per cent."""
    scale = 100 * 10.0**places
    return math.ceil(fraction * scale - _SLACK) / scale


def utc(moment: Any) -> datetime:
    """A moment of a table (a time stamp, with or without its zone) as a UTC datetime."""
    stamp: datetime = moment.to_pydatetime() if hasattr(moment, "to_pydatetime") else moment
    return stamp.replace(tzinfo=UTC) if stamp.tzinfo is None else stamp.astimezone(UTC)


@cache
def load(language: str = "en", folder: Path = HERE) -> Wording:
    """The wording of a language.

    Parameters
    ----------
    language : str
        Named as its file, without ".toml".
    folder : Path
        Where the file is; the screens keep their own texts in a folder of theirs. Figures are
        written as the file in this folder says, whichever file the sentences come from.

    Raises
    ------
    InvalidInput
        If there is no such language, or one of its sentences is no text.

    Examples
    --------
    >>> load("en").interval(0.019, 0.0141, 0.0262)
    '1.9 % (1.4 to 2.6)'
    """
    files = {path.stem: path for path in sorted(folder.glob("*.toml"))}
    sentences = dict(_flat(_read(chosen(files, "language", language)), ""))
    figures = _read(chosen({path.stem: path for path in HERE.glob("*.toml")}, "language", language))
    numbers = figures.pop("numbers")
    return Wording(
        language=language,
        sentences={**dict(_flat({"figure": figures["figure"]}, "")), **sentences},
        decimal=numbers["decimal"],
        thousands=numbers["thousands"],
        months=tuple(numbers["months"]),
    )


def _read(path: Path) -> dict[str, Any]:
    return tomllib.loads(path.read_text(encoding="utf-8"))


def _flat(table: Mapping[str, Any], above: str) -> Iterator[tuple[str, str]]:
    for name, value in table.items():
        key = f"{above}{name}"
        if key == "numbers":
            continue
        if isinstance(value, Mapping):
            yield from _flat(value, f"{key}.")
        elif isinstance(value, str):
            yield key, value
        else:
            raise InvalidInput(f"sentence {key} must be a text, got {value!r}")
