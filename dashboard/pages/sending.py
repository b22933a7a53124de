"""What a page's own form sends."""

from flask import request

from dashboard.texts import words
from qa.errors import InvalidInput


def sent() -> dict[str, object]:
    """The fields of a form; JSON only, which no other site can make a browser send unasked."""
    fields = request.get_json(silent=True)
    if not isinstance(fields, dict):
        raise InvalidInput(words().say("trouble.json"))
    return fields
