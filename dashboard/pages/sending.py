"""What a page's own form sends, its fields or a file, and who; what its script puts in place."""

import json
from typing import Any

from dash import html
from dash.development.base_component import Component
from flask import Response, request
from plotly.io.json import to_json_plotly

from dashboard import components, people, plain
from dashboard.texts import Wording, words
from qa.errors import InvalidInput

NAMES = ("who", "by", "stamp-who")  # of the fields that say who did it
ROOM = 1_000_000  # bytes, for what a form sends beside its file


def sent(who: str = "") -> dict[str, object]:
    """The fields of a form; JSON only, which no other site can make a browser send unasked.

    `who` names the field that says who did it: whoever is signed in takes its place, and the
    place of every other name that was typed for it.
    """
    fields = plain.json_sent()
    if not isinstance(fields, dict):
        raise InvalidInput(words().say("trouble.json"))
    person = people.person()
    if person is None:
        return fields
    names = [each for each in NAMES if each in fields] + ([who] if who else [])
    return {**fields, **dict.fromkeys(names, person.name)}


def signed(typed: str) -> str:
    """Whoever is signed in; where nobody must be, the name that was typed."""
    person = people.person()
    return person.name if person else typed


def asked_who(words: Wording, identity: str) -> Component:
    """The field for who did it; the name of whoever is signed in, where people sign in."""
    person = people.person()
    if person is None:
        return components.field(identity, words.say("form.who"))
    said = words.say("form.signed", name=person.name)
    return html.P(said, className="quiet field-signed")


def file_sent(most: int, too_large: str) -> tuple[str, bytes]:
    """A file's name and content, "" and none where there is no file.

    A header that no other site's form can send comes with it.

    Raises
    ------
    InvalidInput
        If it comes from elsewhere, or has more than `most` bytes: as `too_large` says.
    """
    if request.headers.get("X-Requested-With") != "toteproof":
        raise InvalidInput(words().say("trouble.json"))
    request.max_content_length = most + ROOM
    if (request.content_length or 0) > most + ROOM:
        raise InvalidInput(too_large)
    file = request.files.get("file")
    return ((file.filename or ""), file.read()) if file else ("", b"")


def answered(children: Any, **more: str) -> Response:
    """Parts of a page for its script to put in place."""
    made = json.loads(to_json_plotly(children))
    return Response(json.dumps({"shown": made, **more}), mimetype="application/json")
