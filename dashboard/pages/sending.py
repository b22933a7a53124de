"""What a page's own form sends: its fields, or a file; and what its script puts in place."""

import json
from typing import Any

from flask import Response, request
from plotly.io.json import to_json_plotly

from dashboard.texts import words
from qa.errors import InvalidInput

ROOM = 1_000_000  # bytes, for what a form sends beside its file


def sent() -> dict[str, object]:
    """The fields of a form; JSON only, which no other site can make a browser send unasked."""
    fields = request.get_json(silent=True)
    if not isinstance(fields, dict):
        raise InvalidInput(words().say("trouble.json"))
    return fields


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
