"""Texts of a form, an address or a command's options, read one by one with every fault told."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import MISSING, fields
from typing import Any

from qa.errors import InvalidAsk, InvalidInput
from qa.plans.standard import checked_aql
from qa.wording.typed import plainly, readings, two_ways

Reader = Callable[[str], Any]
_MOST_AQL = 1001  # above every AQL of the tables


def whole(least: int, most: int = 10**9) -> Reader:
    """A reader of whole numbers."""

    def read(text: str) -> int:
        if text.isascii() and text.isdigit() and least <= int(text) <= most:
            return int(text)
        beyond = text.isascii() and text.isdigit() and int(text) > most
        rule = f"{most:,} or less" if beyond else f"{least} or more"
        raise InvalidInput(f"must be a whole number, {rule}, got {text}")

    return read


def _figure(text: str, said: str, below: float) -> float:
    """A typed figure, its decimals after a point or a comma; `said` is of a text that is none."""
    if two_ways(text, below):
        known = " or ".join(readings(text))
        raise InvalidInput(f"must have no thousands mark, got {text}, which may be {known}")
    try:
        return float(plainly(text, below))
    except ValueError:
        raise InvalidInput(said) from None


def number(above: float, below: float, *, ends: bool = False) -> Reader:
    """A reader of numbers between two, the lower one included with `ends`."""

    def read(text: str) -> float:
        value = _figure(text, f"must be a number, got {text}", below)
        if above < value < below or (ends and value == above):
            return value
        first = f"{above:g} or more" if ends else f"above {above:g}"
        raise InvalidInput(f"must be {first} and below {below:g}, got {text}")

    return read


def per_cent(above: float = 0, below: float = 100, *, ends: bool = False) -> Reader:
    """A reader of per cent, with or without the sign, that gives a fraction.

    `ends` admits the upper end, which sensitivities can reach.
    """

    def read(text: str) -> float:
        said = f"must be per cent, such as 1.5, got {text}"
        value = _figure(text.removesuffix("%"), said, below)
        if above < value < below or (ends and value == below):
            return value / 100
        last = f"at most {below:g}" if ends else f"below {below:g}"
        raise InvalidInput(f"must be per cent, above {above:g} and {last}, got {text}")

    return read


def choice(*known: str) -> Reader:
    """A reader of one of some words."""

    def read(text: str) -> str:
        if text in known:
            return text
        raise InvalidInput(f"must be one of {', '.join(known)}, got {text}")

    return read


def aql(text: str) -> float:
    """An AQL of the standard's tables, in per cent."""
    said = f"must be per cent, such as 1.5, got {text}"
    value = _figure(text.removesuffix("%"), said, _MOST_AQL)
    try:
        return checked_aql(value)
    except InvalidInput as reason:
        raise InvalidInput(str(reason).removeprefix("aql ")) from None


def take(
    kind: type, raw: Mapping[str, str], readers: Mapping[str, Reader], problems: dict[str, str]
) -> dict[str, Any]:
    """The values of a dataclass's fields that `raw` says; faults go to `problems`."""
    found: dict[str, Any] = {}
    for each in fields(kind):
        if each.name not in readers:
            continue
        text = raw.get(each.name, "").strip()
        if not text:
            if each.default is MISSING:
                problems[each.name] = "is missing"
            continue
        try:
            found[each.name] = readers[each.name](text)
        except InvalidInput as reason:
            problems[each.name] = str(reason)
    return found


def strangers(
    raw: Mapping[str, str], known: Sequence[str], asked: str, problems: dict[str, str]
) -> None:
    """Tell of every text that has no place here; none is left aside in silence."""
    for name, text in raw.items():
        if name not in known and text.strip():
            problems[name] = f"does not belong to {asked}, which takes {', '.join(known)}"


def refuse(problems: Mapping[str, str]) -> None:
    """Raise what was found, if anything was.

    Raises
    ------
    InvalidAsk
        With every fault.
    """
    if problems:
        raise InvalidAsk(problems)
