"""Who is asking, and what they may: one table of rights, held against every request.

While a store has no accounts, one person may work on this machine alone. From the first account on
nobody gets anything but the sign-in page and the files that it is drawn with.
"""

import ipaddress
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from hashlib import sha256
from typing import Any
from urllib.parse import urlsplit

from dash import Dash
from flask import (
    Flask,
    Request,
    Response,
    current_app,
    g,
    has_request_context,
    redirect,
    request,
    session,
)
from flask.sessions import SecureCookieSessionInterface
from flask_wtf.csrf import CSRFError, CSRFProtect, generate_csrf, validate_csrf
from werkzeug.wrappers import Response as Answer
from wtforms import ValidationError

from dashboard import asked, plain
from dashboard.texts import words
from qa.errors import StoreError
from qa.store import people, sign_ins
from qa.store.people import LEAD, RECORDER, ROLES, STATION, SUPERVISOR, VIEWER
from qa.store.schema import Store

SEE, RECORD, DECIDE, GOVERN = "see", "record", "decide", "govern"
OPEN, BY_TOKEN = "open", "by token"  # whoever asks, or a device that the route looks at itself

MAY: dict[str, frozenset[str]] = {
    VIEWER: frozenset({SEE}),
    RECORDER: frozenset({SEE, RECORD}),
    SUPERVISOR: frozenset({SEE, RECORD, DECIDE}),
    LEAD: frozenset({SEE, RECORD, DECIDE, GOVERN}),
}
# What a page's address and its callbacks need; "app" is what stands around every page.
PAGES = {
    "app": SEE,
    "floor": SEE,
    "lane": SEE,
    "shift": SEE,
    "plan": SEE,
    "claim": SEE,
    "tally": RECORD,
    "ledger": SEE,
    "setup": GOVERN,
    "words": SEE,
    "inspectors": GOVERN,  # what speaks of inspectors is for the lead
}
ASSETS = "/assets/<path:filename>"
AT_THE_DOOR = (
    *("/assets/toteproof.css", "/assets/help.css", "/assets/station.js"),
    *("/assets/source-sans-3.woff2", "/assets/source-sans-3-licence.txt"),
)
CALLBACKS = "/_dash-update-component"  # each by the pages that it draws on
# What every other route needs; one that is not here is refused to everybody.
ROUTES = {
    "/sign-in": OPEN,
    "/sign-in/words": OPEN,  # what the words mean, which says nothing of a plant
    "/sign-out": OPEN,
    "/station": OPEN,
    "/password": SEE,  # but at a station
    "/language": OPEN,
    "/service-worker.js": OPEN,
    "/no-network": OPEN,
    "/assets/<path:filename>": SEE,  # but what the doors are drawn with is open
    "/_favicon.ico": SEE,
    "/": SEE,
    "/<path:path>": SEE,  # a page's frame alone: what is in it comes by callbacks
    "/_dash-layout": SEE,
    "/_dash-dependencies": SEE,
    "/_dash-component-suites/<string:package_name>/<path:fingerprinted_path>": SEE,
    "/_reload-hash": SEE,
    CALLBACKS: SEE,
    "/floor/now": SEE,
    "/plan/sheet": SEE,
    "/claim/statement": SEE,
    "/claim/statement.json": SEE,
    "/claim/audits.csv": SEE,
    "/claim/study": GOVERN,  # what inspectors miss is for the lead
    "/tally/clock": RECORD,
    "/tally/before": RECORD,
    "/tally/audits": RECORD,
    "/tally/findings": RECORD,
    "/lane/events": DECIDE,
    "/lane/acknowledgements": DECIDE,
    "/lane/baselines": DECIDE,
    "/lane/withdrawals": DECIDE,
    "/shift/dispositions": DECIDE,
    "/shift/lifts": DECIDE,
    "/ledger/export.<kind>": SEE,
    "/ledger/check": SEE,
    "/ledger/corrections": GOVERN,
    "/ledger/voids": GOVERN,
    "/ledger/preview": GOVERN,
    "/ledger/imports": GOVERN,
    "/ledger/rejects": GOVERN,
    "/setup/changes": GOVERN,
    "/setup/people": GOVERN,
    "/api/v1/audits": BY_TOKEN,
    "/api/v1/efficiency": BY_TOKEN,
    "/api/v1/drift": BY_TOKEN,
    "/api/v1/lots": BY_TOKEN,
}

SIGN_IN, SIGN_OUT, AT_STATION = "/sign-in", "/sign-out", "/station"
OWN_PASSWORD, DOOR_WORDS = "/password", "/sign-in/words"
DEVICE_COOKIE, TOKEN_COOKIE, TOKEN_HEADER = "toteproof_station", "_csrf_token", "X-CSRFToken"
KEY = "key"  # of the session, in the signed cookie
PREFIX = sign_ins.AT_STATION
SAFE = ("GET", "HEAD", "OPTIONS")
KNOWN_AS = "KNOWN_AS"  # the names that a server goes by, in its configuration
LOOPBACK = ("localhost", "127.0.0.1", "::1")  # what this machine calls itself
# What a server before this one says of whom it asks for.
PASSED_ON = (
    *("Forwarded", "Via", "X-Real-IP", "X-Forwarded-For", "X-Forwarded-Host", "X-Forwarded-Proto"),
    "X-Forwarded-Server",
)
STATIC = (
    "_dash_assets.static",
    "/_dash-component-suites/<string:package_name>/<path:fingerprinted_path>",
)
NAME = "toteproof-people"


@dataclass(frozen=True, slots=True)
class Person:
    """Who is signed in, as what, and at which station ("" where it is their own browser)."""

    name: str
    role: str
    station: str = ""

    def may(self, right: str) -> bool:
        """Whether the person has a right."""
        return right in MAY[self.role]


class Gate:
    """What the guard knows of a store: whether there are accounts, and who a request comes from."""

    def __init__(self, store: Store, now: Callable[[], datetime]) -> None:
        self.store, self.now = store, now
        self.known_guarded = False

    def guarded(self) -> bool:
        """Whether people must sign in. Accounts are never taken away, so it is asked until then."""
        self.known_guarded = self.known_guarded or people.any_accounts(self.store)
        return self.known_guarded

    def device(self) -> people.Device | None:
        """The station that the request comes from."""
        key = request.cookies.get(DEVICE_COOKIE)
        return known_device(self.store, key, STATION, self.now()) if key else None

    def person(self) -> Person | None:
        """Who the request comes from."""
        key = session.get(KEY)
        found = sign_ins.session(self.store, str(key), at=self.now()) if key else None
        if found is None:
            return None
        name, role = found.account.name, found.account.role
        if not found.place.startswith(PREFIX):
            return Person(name, role)
        device = self.device()
        if device is None or PREFIX + device.name != found.place:
            return None
        # A PIN is short, so at a station nobody is more than a recorder.
        return Person(name, min(role, RECORDER, key=ROLES.index), device.name)


def known_device(store: Store, key: str, kind: str, at: datetime) -> people.Device | None:
    """The device whose key this is; that it was used is noted, where that can be."""
    found = people.device(store, key, kind)
    if found is not None:
        with suppress(StoreError):  # a store that may only be read still answers
            people.note_use(store, key, found, at=at)
    return found


def person() -> Person | None:
    """Who is signed in; None where there are no accounts, or nobody is."""
    if not has_request_context() or NAME not in current_app.extensions:
        return None
    if "person" not in g:
        gate: Gate = current_app.extensions[NAME]
        g.person = gate.person() if gate.guarded() else None
    found: Person | None = g.person
    return found


def may(right: str) -> bool:
    """Whether who asks has a right; without accounts the one person on this machine has all."""
    if not has_request_context():
        return True
    gate: Gate = current_app.extensions[NAME]
    found = person()
    return found.may(right) if found else not gate.guarded()


def may_see(path: str) -> bool:
    """Whether who asks may open a page, named by its address."""
    right = PAGES.get(path.strip("/").partition("/")[0])
    return right is not None and may(right)


def is_account(name: str) -> bool:
    """Whether a name is that of an account, as it is written there."""
    gate: Gate = current_app.extensions[NAME]
    return any(each.name == name for each in people.accounts(gate.store))


def guard(app: Dash, store: Store, now: Callable[[], datetime]) -> None:
    """Hold every request of an app against the table of rights."""
    server: Flask = app.server
    gate = Gate(store, now)
    server.extensions[NAME] = gate
    server.session_interface = _Cookies(store)
    server.config.update(
        KNOWN_AS=known_as(),
        SESSION_COOKIE_NAME="toteproof",
        SESSION_COOKIE_HTTPONLY=True,
        SESSION_COOKIE_SAMESITE="Lax",
        SESSION_REFRESH_EACH_REQUEST=False,
        PERMANENT_SESSION_LIFETIME=sign_ins.LASTS,
        WTF_CSRF_CHECK_DEFAULT=False,  # checked below, after it is known who asks
        WTF_CSRF_TIME_LIMIT=None,  # it ends with the session
    )
    CSRFProtect(server)
    server.register_error_handler(
        CSRFError, lambda _: plain.told(words().say("refused.again"), 400)
    )
    server.before_request(lambda: _refused(app, gate))
    server.after_request(lambda answer: _carried(gate, answer))


def check_token() -> None:
    """Refuse a form or a script that does not send back the token which its browser was given."""
    sent = request.headers.get(TOKEN_HEADER)
    if sent is None:  # a plain form; what scripts send may be a large file, and is not read yet
        csrf: CSRFProtect = current_app.extensions["csrf"]
        csrf.protect()
        return
    try:
        validate_csrf(sent)
    except ValidationError as reason:
        raise CSRFError(str(reason)) from None


def _refused(app: Dash, gate: Gate) -> Any:
    """The answer that a request gets instead of what it asks for; None lets it through."""
    if hostname(request.host) not in current_app.config[KNOWN_AS]:
        return plain.told(words().say("refused.name"), 400)
    rule = request.url_rule.rule if request.url_rule else ""
    if not gate.guarded():
        if not _from_here():
            return plain.told(words().say("refused.elsewhere"), 403)
        return _asked_amiss(app) if rule == CALLBACKS else None
    right = ROUTES.get(rule)
    if right in (OPEN, BY_TOKEN) or (rule == ASSETS and request.path in AT_THE_DOOR):
        return None
    asking = person()
    if asking is None:
        return _ask_to_sign_in()
    if request.method not in SAFE:
        check_token()
    needed = _drawn_on(app) if rule == CALLBACKS else {right}
    if not needed <= MAY[asking.role]:
        return plain.told(words().say("refused.right"), 403)
    return _asked_amiss(app) if rule == CALLBACKS else None


def _asked_amiss(app: Dash) -> Any:
    return None if asked.well(app) else plain.told(words().say("trouble.asked"), 400)


def _drawn_on(app: Dash) -> set[str | None]:
    """The rights to the pages that a callback's outputs are on."""
    sent = plain.json_sent()
    output = sent.get("output") if isinstance(sent, dict) else None
    if not isinstance(output, str) or output not in app.callback_map:
        return {None}
    return {PAGES.get(each.partition("-")[0]) for each in asked.outputs(output)}


def known_as(*names: str) -> frozenset[str]:
    """The names that a server goes by: this machine's own for itself, and those that are given."""
    return frozenset(hostname(each) for each in (*LOOPBACK, *names)) - {"", "0.0.0.0", "::"}


def hostname(name: str) -> str:
    """A name or address as it is compared: without a port, in small letters."""
    try:
        return str(ipaddress.ip_address(name.strip("[]")))
    except ValueError:
        pass
    try:
        bare = urlsplit(f"//{name}").hostname or ""
        return bare.encode("idna").decode("ascii")
    except ValueError:
        return ""


def _from_here() -> bool:
    """Whether somebody on this machine asks, and no server for somebody elsewhere.

    Such a server can hide the name that it was asked by. It shows by what it says of itself, by the
    old protocol that some speak, or by the page's origin, which a browser puts to what it sends.
    """
    head, said = request.headers, request.headers.get("Origin")
    if any(name in head for name in PASSED_ON) or request.environ["SERVER_PROTOCOL"] == "HTTP/1.0":
        return False
    if said is None and not plain.wants_page():  # a link from another page is none
        said = head.get("Referer")
    if said is not None and plain.split(said).netloc.casefold() != request.host.casefold():
        return False
    try:
        return ipaddress.ip_address(request.remote_addr or "").is_loopback
    except ValueError:
        return False


def _ask_to_sign_in() -> Answer:
    if not plain.wants_page():
        return plain.told(words().say("refused.again"), 401)
    door = AT_STATION if DEVICE_COOKIE in request.cookies else SIGN_IN
    there = request.full_path.rstrip("?") if request.method == "GET" else "/"
    return redirect(plain.address(door, there), 303)


def _carried(gate: Gate, answer: Response) -> Response:
    """What an answer to somebody signed in carries: the token that scripts send back."""
    if request.endpoint in STATIC:
        return answer
    answer.headers["Cache-Control"] = "no-store"  # the next person at this browser sees nothing
    if gate.known_guarded and KEY in session:
        try:
            validate_csrf(request.cookies.get(TOKEN_COOKIE))
        except ValidationError:
            answer.set_cookie(
                TOKEN_COOKIE, generate_csrf(), secure=request.is_secure, samesite="Strict"
            )
    return answer


class _Cookies(SecureCookieSessionInterface):
    """Cookies signed by the store's key, and for TLS alone where the request came by TLS."""

    digest_method = staticmethod(sha256)

    def __init__(self, store: Store) -> None:
        self._store = store

    def open_session(self, app: Flask, request: Request) -> Any:
        """The session, from the first account on; a store that does not answer has none."""
        if not app.secret_key:
            with suppress(StoreError):  # the guard meets the same trouble, and says it
                app.secret_key = people.signing_key(self._store)
        return super().open_session(app, request)

    def get_cookie_secure(self, app: Flask) -> bool:
        """Whether the browser may send it by TLS alone."""
        del app
        return request.is_secure
