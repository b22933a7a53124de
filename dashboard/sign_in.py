"""The doors: signing in by a password, at a station by a PIN, and out again.

Plain pages and plain forms, so that they work before anything else is loaded.
"""

import math
from collections.abc import Callable
from datetime import datetime

from flask import Flask, Response, redirect, request, session
from flask_wtf.csrf import generate_csrf
from werkzeug.wrappers import Response as Answer

from dashboard import plain
from dashboard.people import (
    AT_STATION,
    DEVICE_COOKIE,
    DOOR_WORDS,
    GOVERN,
    KEY,
    MAY,
    NAME,
    PREFIX,
    RECORD,
    SIGN_IN,
    SIGN_OUT,
    Gate,
    check_token,
    person,
)
from dashboard.texts import told, words
from qa.errors import QAError
from qa.store import people, sign_ins
from qa.store.people import STATION
from qa.store.sign_ins import Tried

FOR_GOOD = 400 * 24 * 3600  # seconds: no browser keeps a cookie longer
MOST = 200  # characters of a field
SIGN_IN_SAYS = (
    *("sign_in.title", "sign_in.name", "sign_in.password", "sign_in.send", "sign_in.lead"),
    "sign_in.at_station",
)
STATION_SAYS = (
    *("station.title", "station.who", "station.pin", "station.clear", "station.send"),
    *("station.none", "station.password"),
)
MAKE_SAYS = ("make_station.title", "make_station.lead", "make_station.name", "make_station.send")


def register(server: Flask, now: Callable[[], datetime]) -> None:
    """The routes of the doors; the guard lets everybody come to them."""
    gate: Gate = server.extensions[NAME]

    @server.route(SIGN_IN, methods=["GET", "POST"])
    def sign_in() -> Answer:
        if not gate.guarded():
            return redirect("/", 303)
        if request.method == "GET":
            return _sign_in_page()
        check_token()
        tried = sign_ins.try_password(
            gate.store, typed("name"), typed("password"), request.remote_addr or "", at=now()
        )
        return passed(tried) if tried.key else _sign_in_page(refusal(tried, now(), "password"))

    @server.post(SIGN_OUT)
    def sign_out() -> Answer:
        if gate.guarded():
            check_token()
            sign_ins.end(gate.store, str(session.get(KEY, "")), at=now())
            session.clear()
        return redirect(AT_STATION if DEVICE_COOKIE in request.cookies else SIGN_IN, 303)

    @server.route(AT_STATION, methods=["GET", "POST"])
    def station() -> Answer:
        if not gate.guarded():
            return redirect("/", 303)
        device, asking = gate.device(), person()
        if request.method == "POST":
            check_token()
        if device is not None:
            return _at_station(gate, device.name, now())
        if asking is None or not asking.may(GOVERN):
            return redirect(plain.address(SIGN_IN, AT_STATION), 303)
        return _made_station(gate, asking.name, now()) if request.method == "POST" else _make_page()


def _at_station(gate: Gate, device: str, now: datetime) -> Answer:
    """Who stands at a registered station, told by a PIN."""
    if request.method == "GET":
        return _station_page(gate, device)
    name = typed("name")
    tried = sign_ins.try_pin(gate.store, name, typed("pin"), PREFIX + device, at=now)
    if tried.key:
        return passed(tried, "/tally")
    return _station_page(gate, device, name, refusal(tried, now, "pin"))


def _made_station(gate: Gate, by: str, now: datetime) -> Answer:
    """Make a station of this browser; who made it is signed out."""
    try:
        key = people.register(gate.store, typed("name"), STATION, by=by, at=now)
    except QAError as fault:
        return _make_page(told(str(fault)))
    sign_ins.end(gate.store, str(session.get(KEY, "")), at=now)
    session.clear()
    answer = redirect(AT_STATION, 303)
    answer.set_cookie(
        DEVICE_COOKIE,
        key,
        max_age=FOR_GOOD,
        httponly=True,
        secure=request.is_secure,
        samesite="Strict",
    )
    return answer


def passed(tried: Tried, first: str = "/") -> Answer:
    """In: a session of one's own, whatever the browser held before."""
    session.clear()
    session.permanent = True
    session[KEY] = tried.key
    return redirect(plain.local(request.args.get("next") or first), 303)


def refusal(tried: Tried, now: datetime, what: str) -> tuple[str, int]:
    """Why nobody came in, and the status that says so."""
    say = words().say
    if tried.locked_until is None:
        return say(f"sign_in.wrong_{what}"), 401
    minutes = math.ceil((tried.locked_until - now).total_seconds() / 60)
    return say("sign_in.locked", minutes=say("sign_in.minutes", count=max(minutes, 1))), 429


def _sign_in_page(refusal: tuple[str, int] = ("", 200)) -> Response:
    return plain.page(
        "sign_in",
        refusal[1],
        fault=refusal[0],
        token=generate_csrf(),
        typed=typed("name"),
        station=AT_STATION if DEVICE_COOKIE in request.cookies else "",
        **_here(SIGN_IN),
        **said(*SIGN_IN_SAYS),
    )


def _station_page(
    gate: Gate, device: str, chosen: str = "", refusal: tuple[str, int] = ("", 200)
) -> Response:
    known = people.accounts(gate.store)
    names = [e.name for e in known if e.pin and not e.disabled and RECORD in MAY[e.role]]
    return plain.page(
        "station",
        refusal[1],
        fault=refusal[0],
        token=generate_csrf(),
        people=names,
        chosen=chosen,
        device=words().say("station.device", name=device),
        sign_in=SIGN_IN,
        **_here(AT_STATION),
        **said(*STATION_SAYS),
    )


def _make_page(fault: str = "") -> Response:
    return plain.page(
        "make_station",
        422 if fault else 200,
        fault=fault,
        token=generate_csrf(),
        typed=typed("name"),
        **_here(AT_STATION),
        **said(*MAKE_SAYS),
    )


def _here(door: str) -> dict[str, str]:
    """Where a door's form goes, and its words, which lead back: both know what was asked for."""
    here = plain.address(door, plain.local(request.args.get("next")))
    return {"here": here, "terms_at": plain.address(DOOR_WORDS, here)}


def said(*keys: str) -> dict[str, str]:
    """Texts by the last word of their keys."""
    return {key.rpartition(".")[2]: words().say(key) for key in keys}


def typed(name: str) -> str:
    """What a plain form sends in a field."""
    return request.form.get(name, "")[:MOST]
