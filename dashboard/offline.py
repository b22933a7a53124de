"""What opens with no network: the service worker, and the page that it shows where it has none."""

from hashlib import sha256
from pathlib import Path

from flask import Flask, Response, make_response, render_template

from dashboard import plain
from dashboard.people import AT_STATION, SIGN_IN, SIGN_OUT
from dashboard.texts import words

WORKER, NO_NETWORK = "/service-worker.js", "/no-network"
HERE = Path(__file__).parent
SAYS = ("title", "text", "tally", "again")


def register(server: Flask) -> None:
    """The routes of both: nobody must be signed in for them, and they say nothing of the plant."""
    version = _version()

    @server.get(WORKER)
    def worker() -> Response:
        doors = [SIGN_IN, SIGN_OUT, AT_STATION]
        text = render_template(
            "service-worker.js",
            version=version,
            no_network=NO_NETWORK,
            doors=doors,
            switch=plain.SWITCH_AT,
        )
        answer = make_response(text)
        answer.mimetype = "text/javascript"
        return answer

    @server.get(NO_NETWORK)
    def no_network() -> Response:
        return plain.page("no_network", **{each: words().say(f"offline.{each}") for each in SAYS})


def _version() -> str:
    """What differs whenever a file does that pages are drawn with."""
    digest = sha256()
    for folder in ("assets", "templates", "texts"):
        for each in sorted((HERE / folder).glob("*.*")):
            digest.update(each.read_bytes())
    return digest.hexdigest()[:16]
