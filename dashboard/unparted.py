"""What no line may part on a screen: a figure from its unit, a day from its month, a lane's name.

Texts are worded with plain spaces, which paper, files, the command and devices get as they are.
"""

import re
from functools import cache

from flask import Flask, Response, request

from dashboard.texts import language, words

HELD = r"\u00a0"  # a space that does not break, as JSON writes it
DEVICES = "/api/"
_UNITS = ("%", r"min\b", r"h\b", r"s\b")
_TEXT = r'"(?:[^"\\]|\\.)*"'
# What a field or an element holds is sent back as it is, and so are codes; names are names.
_CODES = "tote|lot|lane|purpose|inspector"
_KEPT = rf'"(?:value|href|id|{_CODES}|data-(?!say)[\w-]+)":\s*{_TEXT}|{_TEXT}\s*:'


def register(server: Flask) -> None:
    """Every answer that a page's script draws."""
    server.after_request(_answered)


def unparted(told: str, of: str) -> str:
    """A JSON text in a language, with spaces that do not break where no line may end."""
    return _spaces(of).sub(_held, told)


@cache
def _spaces(of: str) -> re.Pattern[str]:
    after = "|".join((*_UNITS, *(rf"{month}\b" for month in words(of).months)))
    lane = words(of).say("ledger.lane")
    named = "|".join(rf"(?<=\b{each} )" for each in (lane, lane.lower(), "ISO"))
    # Each way begins with a quote or a space, so that nothing else is looked at.
    return re.compile(rf"{_KEPT}| (?:(?<=\d )(?:de )?(?={after})|(?:{named})(?=\d))")


def _held(found: re.Match[str]) -> str:
    return found[0] if found[0].startswith('"') else found[0].replace(" ", HELD)


def _answered(answer: Response) -> Response:
    """A file to keep, and what a device is told, are left as they are."""
    kept = "Content-Disposition" in answer.headers or request.path.startswith(DEVICES)
    if answer.mimetype == "application/json" and not kept:
        answer.set_data(unparted(answer.get_data(as_text=True), language()))
    return answer
