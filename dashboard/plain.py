"""Answers that are no page of the app: plain pages that need no script, and what scripts read."""

import json
from collections import Counter
from typing import Any
from urllib.parse import SplitResult, urlencode, urlsplit

from flask import Response, jsonify, make_response, render_template, request

from dashboard.texts import language, others, words
from qa.errors import InvalidAudit

SWITCH_AT = "/language"


def wants_page() -> bool:
    """Whether a browser asks for something to show; scripts ask for anything at all."""
    return "text/html" in request.headers.get("Accept", "")


def told(text: str, status: int) -> Response:
    """A sentence: a page where one is asked for, else what a script reads."""
    if wants_page():
        return page("told", status, title=words().say("refused.title"), text=text)
    answer = jsonify(problems={}, trouble=text)
    answer.status_code = status
    return answer


def page(template: str, status: int = 200, **shown: Any) -> Response:
    """A plain page; what is shown is text, and never markup."""
    say = words().say
    frame = {
        "app": say("app.name"),
        "language": language(),
        "floor": say("refused.floor"),
        "others": others(),
        "switch": SWITCH_AT,
        "terms": say("app_foot.words"),
    }
    return make_response(render_template(f"{template}.html", **frame, **shown), status)


def json_sent() -> Any:
    """What was sent as JSON; None where it is none, or is nested deeper than any reader goes.

    Raises
    ------
    InvalidAudit
        If a name comes twice in one object: readers differ in which of the two they take.
    """
    if not request.is_json:
        return None
    try:
        return json.loads(request.get_data(), object_pairs_hook=_once_each)
    except InvalidAudit:
        raise
    except (ValueError, RecursionError):
        return None


def _once_each(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    made = dict(pairs)
    if len(made) < len(pairs):
        times = Counter(name for name, _ in pairs)
        said = {name: words().say("api.once", count=n) for name, n in times.items() if n > 1}
        raise InvalidAudit(said)
    return made


def address(path: str, after: str) -> str:
    """A door's address, with the page to go to after it."""
    return path if local(after) == "/" else f"{path}?{urlencode({'next': after})}"


def split(address: str) -> SplitResult:
    """The parts of an address; none of one that is no address."""
    try:
        return urlsplit(address)
    except ValueError:
        return urlsplit("")


def local(after: str | None) -> str:
    """An address of this server's own pages, or the first page for any other."""
    text = after or "/"
    parts = split(text)
    own = text.startswith("/") and not text.startswith(("//", "/\\")) and text.isprintable()
    return text if own and not parts.scheme and not parts.netloc else "/"
