"""The HTTP API, version 1: line computers and scanners send audits and read tallies and figures.

JSON in, JSON out, a token a device. What cannot be taken is said field by field, with status 422;
the same audit sent twice is recorded once.
"""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date, datetime
from functools import partial
from typing import Any

from flask import Flask, Response, jsonify, request
from werkzeug.exceptions import RequestEntityTooLarge

from dashboard.people import MAY, RECORD, SEE, known_device
from dashboard.plain import json_sent
from dashboard.texts import language, told, words
from dashboard.views import keeping, tally
from dashboard.views import record as kept_record
from dashboard.views.tally import Sender
from dashboard.views.typed import texts
from qa import drift, efficiency
from qa._plain import plain
from qa.errors import Conflict, InvalidAudit, InvalidInput, QAError, StoreUnavailable
from qa.programme import HOUSE
from qa.store import records
from qa.store.people import TOKEN, Device
from qa.store.schema import Store
from qa.tally import under

AUDITS, EFFICIENCY = "/api/v1/audits", "/api/v1/efficiency"
DRIFT, LOTS = "/api/v1/drift", "/api/v1/lots"
MOST_AUDITS = 10_000  # given at once
SAID = ("key", "new", "tote", "lane", "purpose", "inspected", "correct", "verdict", "gross")
MAY_BE_BLANK = ("by",)  # one figure over everything
DAYS = ("first_day", "last_day")
OF_AUDITS = ("line", "lane", "shift", "product", "purpose", "tote", "lot", "inspector")


@dataclass(frozen=True, slots=True)
class Asking:
    """Which device asks, of which store, and when."""

    store: Store
    device: Device
    at: datetime


Told = tuple[dict[str, Any], int]  # what the answer holds, and its status
Work = Callable[[Asking], Told]


def register(server: Flask, store: Store, now: Callable[[], datetime]) -> None:
    """The routes of the API; each looks at the token itself."""
    for (method, rule), (right, work) in ROUTES.items():
        answer = partial(_answered, store, now, right, work)
        server.add_url_rule(rule, f"api {method} {rule}", answer, methods=[method])


def send(asking: Asking) -> Told:
    """Record an audit; the verdict on its lot."""
    name = asking.device.name
    sender = Sender(name, f"token {name}")
    saved = tally.save(asking.store, _audit(), asking.at, language(), sender)
    return {name: getattr(saved, name) for name in SAID}, 201 if saved.new else 200


def audits(asking: Asking) -> Told:
    """Audits as they stand."""
    asked = _asked(*DAYS, *OF_AUDITS)
    count = records.how_many(asking.store, **asked)
    if count > MOST_AUDITS:
        told = words().say("api.too_many", most=MOST_AUDITS, count=count)
        raise InvalidAudit({"first_day": told})
    return {"audits": records.tallies(asking.store, **asked)}, 200


def rates(asking: Asking) -> Told:
    """Percent correct, by columns, for a specification."""
    asked = _asked(*DAYS, "by", "specification")
    groups = [each.strip() for each in asked.pop("by", "lane").split(",") if each.strip()]
    counted = asked.pop("specification", HOUSE)
    tallies, programme = records.tallies(asking.store, **asked), records.programme(asking.store)
    how = {"specification": counted, "language": language()}
    with _at_fault("specification"):
        under(tallies, programme, counted)
    with _at_fault("by"):
        found = efficiency.estimate(tallies, programme, by=groups, **how)
    return {"by": groups, "efficiency": found}, 200


def drifting(asking: Asking) -> Told:
    """Each lane's status and findings."""
    _asked()
    kept = keeping.record(asking.store, language(), older=False)
    found = kept_record.findings(kept, asking.at)
    lanes = drift.lanes(found, language=language())
    return {"as_of": asking.at, "lanes": lanes, "findings": found}, 200


def lots(asking: Asking) -> Told:
    """The verdict on a lot, and why."""
    asked = _asked("lot", needed=("lot",))
    kept = keeping.record(asking.store, language(), older=False)
    own = kept_record.lots_coded(kept, asked["lot"])
    if own.empty:
        return {"trouble": words().say("api.no_lot", lot=asked["lot"])}, 404
    return {"lots": own.drop(columns="hold_brief")}, 200  # a wording of a page's


ROUTES: dict[tuple[str, str], tuple[str, Work]] = {
    ("POST", AUDITS): (RECORD, send),
    ("GET", AUDITS): (SEE, audits),
    ("GET", EFFICIENCY): (SEE, rates),
    ("GET", DRIFT): (SEE, drifting),
    ("GET", LOTS): (SEE, lots),
}


def _answered(store: Store, now: Callable[[], datetime], right: str, work: Work) -> Response:
    """What a device gets: what it asked for, or why not, in words."""
    try:
        at = now()
        device = _device(store, at)
        if device is None:
            return _said({"trouble": words().say("api.no_token")}, 401)
        if right not in MAY[device.role]:
            return _said({"trouble": words().say("api.no_right", role=device.role)}, 403)
        return _said(*work(Asking(store, device, at)))
    except InvalidAudit as fault:
        return _said({"problems": {name: told(e) for name, e in fault.problems.items()}}, 422)
    except _NotJson:
        return _said({"trouble": words().say("trouble.json")}, 400)
    except RequestEntityTooLarge:
        return _said({"trouble": words().say("api.too_large")}, 413)
    except Conflict as fault:
        return _said({"trouble": told(str(fault))}, 409)
    except StoreUnavailable as fault:
        return _said({"trouble": told(str(fault))}, 503)
    except QAError as fault:
        return _said({"trouble": told(str(fault))}, 422)


def _said(answer: dict[str, Any], status: int) -> Response:
    made: Response = jsonify(plain(answer))
    made.status_code = status
    made.headers["Cache-Control"] = "no-store"
    if status == 401:
        made.headers["WWW-Authenticate"] = 'Bearer realm="toteproof"'
    return made


def _device(store: Store, at: datetime) -> Device | None:
    kind, _, key = request.headers.get("Authorization", "").partition(" ")
    return known_device(store, key.strip(), TOKEN, at) if kind.lower() == "bearer" else None


class _NotJson(Exception):
    """What was sent is no JSON object."""


def _audit() -> dict[str, object]:
    """The fields that were sent, with the key that makes a second sending harmless."""
    fields = json_sent()
    if not isinstance(fields, dict):
        raise _NotJson
    header, key = request.headers.get("Idempotency-Key", "").strip(), fields.get("key") or ""
    if header and key and header != key:
        raise InvalidAudit({"key": words().say("api.two_keys", header=header)})
    if not (header or key):
        raise InvalidAudit({"key": words().say("api.no_key")})
    return {**fields, "key": header or key}


def _asked(*known: str, needed: tuple[str, ...] = ()) -> dict[str, Any]:
    """What the address asks for: texts and days, each known and said once."""
    problems: dict[str, str] = {}
    given = request.args.to_dict(flat=False)
    for name in sorted(given.keys() - set(known)):
        there = ", ".join(known) or words().say("api.none")
        problems[name[:40]] = words().say("api.unknown", known=there)
    once = {name: values[-1] for name, values in given.items() if name in known}
    for name, values in given.items():
        if name in known and len(values) > 1:
            problems[name] = words().say("api.once", count=len(values))
    said = [name for name, value in once.items() if value or name not in MAY_BE_BLANK]
    asked: dict[str, Any] = once | texts(once, [*said, *needed], problems, language())
    for name in DAYS:
        if name in asked and name not in problems:
            asked[name] = _day(name, asked[name], problems)
    if problems:
        raise InvalidAudit(problems)
    return asked


@contextmanager
def _at_fault(name: str) -> Iterator[None]:
    """Name the field that a rule was broken by."""
    try:
        yield
    except InvalidInput as fault:
        raise InvalidAudit({name: str(fault)}) from None


def _day(name: str, text: str, problems: dict[str, str]) -> date | None:
    try:
        return datetime.strptime(text, "%Y-%m-%d").date()
    except ValueError:
        problems[name] = words().say("api.day", text=text)
        return None
