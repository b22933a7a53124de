"""Texts that a spreadsheet would run as a formula: an apostrophe before them, and away again."""

import re
from typing import TypeVar

T = TypeVar("T")

# A spreadsheet of a Japanese or Chinese setting takes the wide signs for the narrow ones.
_SIGNS = "[=+@\uff1d\uff0b\uff20\uff0d-]"
# One that splits cells at semicolons or at ends of lines, whatever quotes say, begins there anew.
_BEGINS = r"(?:\A|(?<=[;\t\r\n]))"
_RUNS = re.compile(rf"{_BEGINS}(?='*{_SIGNS})|\A(?='*[\t\r\n])")
_DEFUSED = re.compile(rf"{_BEGINS}'(?='*{_SIGNS})|\A'(?='*[\t\r\n])")


def defused(text: str) -> str:
    """A text that no spreadsheet runs as a formula, nor a part of it that it takes for a cell."""
    return _RUNS.sub("'", text)


def plain(cell: T) -> T | str:
    """A cell without the apostrophes that `defused` put into it."""
    return _DEFUSED.sub("", cell) if isinstance(cell, str) else cell
