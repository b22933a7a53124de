"""Tally: one form for one tote. A script in the page counts, keeps the draft and sends it."""

from collections.abc import Callable
from datetime import datetime
from typing import Any

from dash import Dash, Input, Output, html
from flask import Response, jsonify, request

from dashboard import components, people
from dashboard.pages.sending import sent
from dashboard.pages.tally.form import (
    BEFORE_AT,
    CLOCK_AT,
    FINDING_AT,
    SAVE_AT,
    body,
    lead,
)
from dashboard.texts import Wording, language, words
from dashboard.views import tally
from dashboard.views.tally import Before, Saved, Sender
from qa.errors import InvalidAudit, QAError
from qa.store.schema import Store

PATH, TITLE = "/tally", "page.tally"
BODY = "tally-body"


def layout() -> list[Any]:
    return [html.Div(components.skeleton(words()), id=BODY)]


def register(app: Dash, store: Store, now: Callable[[], datetime]) -> None:
    @app.callback(Output(BODY, "children"), Input("app-address", "pathname"))
    def draw(path: str | None) -> Any:
        del path
        return body(words(), tally.view(store, now(), language()))

    @app.server.get(CLOCK_AT)
    def clock() -> Response:
        return jsonify(now=now().isoformat(), **said_now(words(), store, now()))

    @app.server.get(BEFORE_AT)
    def before() -> Response:
        found = tally.before(store, request.args.get("tote", ""), now(), language())
        lately = found.routine_lately if found else ()
        return jsonify(said=said_before(words(), found), lately=lately)

    @app.server.post(SAVE_AT)
    def save() -> Response:
        fields, sender = signed()
        return jsonify(answer(words(), tally.save(store, fields, now(), language(), sender)))

    @app.server.post(FINDING_AT)
    def save_finding() -> Response:
        fields, sender = signed()
        tally.save_finding(store, fields, now(), language(), sender)
        return jsonify(locked(words(), fields))


def said_now(words: Wording, store: Store, now: datetime) -> dict[str, str]:
    """What a page that was opened in an earlier shift says now; nothing where the store is away."""
    try:
        running = tally.running(store, now, words.language)
    except QAError:
        return {}
    return {
        "lead": lead(words, running),
        "by_clock": words.say("tally.shift_auto", shift=running.name),
    }


def signed() -> tuple[dict[str, object], Sender]:
    """What the form sends, and who signed in to send it.

    The inspector is whoever signed in, unless another account, whose tote waited here unsent, or a
    supervisor types in what others wrote down.
    """
    fields, person = sent(), people.person()
    if person is None:
        return fields, Sender()
    inspector = str(fields.get("inspector") or "").strip() or person.name
    if not (person.may(people.DECIDE) or people.is_account(inspector)):
        raise InvalidAudit({"inspector": words().say("tally.not_you")})
    through = f"station {person.station}" if person.station else "form"
    return {**fields, "inspector": inspector}, Sender(person.name, through)


def following(words: Wording, saved: Saved) -> dict[str, Any] | None:
    """The audit that the verdict asks for next, and what of it is known: one tap away."""
    verdict, same = saved.verdict, {"tote": saved.tote, "lane": saved.lane}
    if verdict.floor == "locked":
        return None
    if verdict.verdict == "pull more" and saved.lot_is_tote:
        said = words.say("tally.then_more", count=verdict.more)
        return {"said": said, "fields": {**same, "purpose": saved.purpose}, "pull": verdict.more}
    if verdict.verdict == "reject":
        said = words.say("tally.then_re_audit", tote=saved.tote)
        return {"said": said, "fields": {**same, "purpose": "re-audit"}, "pull": None}
    return None


def answer(words: Wording, saved: Saved) -> dict[str, Any]:
    """What the page says of an audit that is in the record."""
    verdict = saved.verdict
    state = verdict.floor or "none"
    return {
        "state": state,
        "word": words.say(f"tally.{state}"),
        "next": verdict.next,
        "why": f"{verdict.why.rstrip('.')}." if verdict.why else "",
        "gross": list(saved.gross),
        "more": [each for each in (verdict.hold, verdict.switched) if each],
        "then": following(words, saved),
        "said": words.say(
            "tally.saved" if saved.new else "tally.already",
            tote=saved.tote,
            lane=saved.lane,
            correct=saved.correct,
            inspected=saved.inspected,
        ),
    }


def locked(words: Wording, fields: dict[str, object]) -> dict[str, str]:
    said = words.say("tally.finding_saved", tote=fields["tote"], lane=fields["lane"])
    word, then = words.say("tally.locked"), words.say("tally.finding_next")
    return {"state": "locked", "word": word, "next": then, "why": "", "said": said}


def said_before(words: Wording, last: Before | None) -> str:
    """What is on record of a tote's number lately; blank where nothing is."""
    if last is None:
        return ""
    return words.say(
        "tally.before",
        at=last.said,
        lane=last.lane,
        purpose=words.say(f"purpose.{last.purpose}"),
        correct=last.correct,
        inspected=last.inspected,
    )
