"""Answers that are no page of the app: plain pages that need no script, and what scripts read."""

from typing import Any
from urllib.parse import SplitResult, urlencode, urlsplit

from flask import Response, jsonify, make_response, render_template, request

from dashboard.texts import language, others, words

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
    }
    return make_response(render_template(f"{template}.html", **frame, **shown), status)


def json_sent() -> Any:
    """What was sent as JSON; None where it is none, or is nested deeper than any reader goes."""
    try:
        return request.get_json(silent=True)
    except RecursionError:
        return None


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
