"""Errors and notes in a reader's language: they are raised in English, where they are raised.

A text is known by its English sentence in ``[message]`` or ``[problem]``, and parts of it in
``[message.part]``. One that is not there stays English, which is better than nothing said.
"""

import re
from functools import cache

from qa.wording import load

TYPED = ("text", "got")  # values that stay as somebody typed them
_VALUE = re.compile(r"\\\{(\w+)\\\}")
_NUMBER = re.compile(r"\d{1,3}(?:,\d{3})+(?:\.\d+)?|\d+(?:\.\d+)?", re.ASCII)
_PLACE = re.compile(r"([\w.,\[\]() -]+(?:, column \"[^\"]*\")?): (.+)", re.DOTALL)


def told(text: str, language: str) -> str:
    """What an error or a note says, in a language; each of its lines by itself.

    Examples
    --------
    >>> told("must be a number, got many", "es")
    'debe ser un número, y dice many'
    >>> told("plans.minor.n: is missing", "es"), told("never heard of", "es")
    ('plans.minor.n: falta', 'never heard of')
    """
    if language == "en":
        return text
    return "\n".join(_line(each, language) for each in text.split("\n"))


def _line(line: str, language: str) -> str:
    text = line.strip()
    found = _found(text, language, parts=False)
    placed = _PLACE.fullmatch(text) if found is None else None
    if placed:
        rest = _found(placed[2], language, parts=False)
        found = rest and f"{placed[1]}: {rest}"
    return line if found is None else line.replace(text, found)


def _found(text: str, language: str, *, parts: bool) -> str | None:
    for pattern, sentence in _book(language, parts):
        match = pattern.fullmatch(text)
        if match:
            known = match.groupdict().items()
            values = {
                name: each if name in TYPED else _value(each, language) for name, each in known
            }
            return sentence.format_map(values)
    return None


def _value(text: str, language: str) -> str:
    """A value of a sentence: a sentence again, a number, or a word that is nobody's language."""
    if _NUMBER.fullmatch(text):
        words = load(language)
        return text.translate({ord(","): words.thousands, ord("."): words.decimal})
    return _found(text, language, parts=True) or text


@cache
def _book(language: str, parts: bool) -> tuple[tuple[re.Pattern[str], str], ...]:
    """English sentences as patterns with those of the language, the longest and surest first."""
    english, theirs = load("en").sentences, load(language).sentences
    known = [key for key in english if key.startswith(("message.", "problem."))]
    known = [key for key in known if key.startswith("message.part.") == parts]
    known.sort(key=lambda key: len(re.sub(r"\{\w+\}", "", english[key])), reverse=True)
    return tuple((_pattern(english[key]), theirs[key]) for key in known)


def _pattern(sentence: str) -> re.Pattern[str]:
    return re.compile(_VALUE.sub(r"(?P<\1>.+?)", re.escape(sentence)), re.DOTALL)
