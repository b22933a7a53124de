"""A person's own password and PIN: whoever signed in by a password may change them.

Plain forms, like the doors', which `sign_in` has.
"""

from collections.abc import Callable
from datetime import datetime

from flask import Flask, Response, request
from flask_wtf.csrf import generate_csrf
from werkzeug.wrappers import Response as Answer

from dashboard import plain, sign_in
from dashboard.explained import GLOSSARY
from dashboard.people import NAME, OWN_PASSWORD, Gate, Person, check_token, person
from dashboard.texts import told, words
from qa.errors import InvalidInput, QAError
from qa.store import people, sign_ins

SAYS = (
    *("own_password.title", "own_password.lead", "own_password.now", "own_password.password"),
    *("own_password.again", "own_password.pin", "own_password.send", "own_password.back"),
)


def register(server: Flask, now: Callable[[], datetime]) -> None:
    """The route of the page."""
    gate: Gate = server.extensions[NAME]

    @server.route(OWN_PASSWORD, methods=["GET", "POST"])
    def own_password() -> Answer:
        asking, say = person(), words().say
        if asking is None:
            return plain.told(say("own_password.nobody"), 404)
        if asking.station:
            return plain.told(say("own_password.at_station"), 403)
        if request.method == "GET":
            return _page(asking)
        check_token()
        return _changed(gate, asking, now())


def _changed(gate: Gate, asking: Person, now: datetime) -> Answer:
    """Change what was typed, once the password that holds has been given."""
    password, pin, place = (
        sign_in.typed("password"),
        sign_in.typed("pin"),
        request.remote_addr or "",
    )
    if fault := _fault(asking.name, password, pin):
        return _page(asking, (f"{fault.rstrip('.')}.", 422))
    holds = sign_in.typed("now")
    tried = sign_ins.try_password(gate.store, asking.name, holds, place, at=now)
    if not tried.key:
        return _page(asking, sign_in.refusal(tried, now, "own"))
    stamp = {"by": asking.name, "at": now, "reason": words().say("own_password.reason")}
    try:
        if pin:
            people.set_pin(gate.store, asking.name, pin, **stamp)
        if password:
            people.set_password(gate.store, asking.name, password, **stamp)
    except QAError as fault:
        return _page(asking, (told(str(fault)), 422))
    # What was changed ended every session of this person, so this browser gets a new one.
    anew = sign_ins.try_password(gate.store, asking.name, password or holds, place, at=now)
    return sign_in.passed(anew)


def _fault(name: str, password: str, pin: str) -> str:
    """What is wrong with what was typed; "" for nothing."""
    if not password and not pin:
        return words().say("own_password.nothing")
    if password != sign_in.typed("again"):
        return words().say("own_password.differ")
    try:
        if password:
            people.check_password(name, password)
        if pin:
            people.check_pin(pin)
    except InvalidInput as fault:
        return told(str(fault))
    return ""


def _page(asking: Person, refusal: tuple[str, int] = ("", 200)) -> Response:
    return plain.page(
        "own_password",
        refusal[1],
        fault=refusal[0],
        token=generate_csrf(),
        name=asking.name,
        here=OWN_PASSWORD,
        terms_at=GLOSSARY,
        **sign_in.said(*SAYS),
    )
