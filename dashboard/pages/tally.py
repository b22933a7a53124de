"""Tally: one form for one tote. A script in the page counts, keeps the draft and sends it."""

import json
from collections.abc import Callable
from datetime import datetime
from typing import Any

from dash import Dash, Input, Output, dcc, html
from flask import Response, jsonify, request

from dashboard import components, people
from dashboard.pages.sending import sent
from dashboard.texts import Wording, language, words
from dashboard.views import tally
from dashboard.views.record import Inspection
from dashboard.views.tally import Before, Saved, Sender, TallyView
from qa.errors import InvalidAudit
from qa.store.schema import Store

PATH, TITLE = "/tally", "page.tally"
BODY, FORM, ANSWER = "tally-body", "tally-form", "tally-answer"
SAVE_AT, FINDING_AT, CLOCK_AT = "/tally/audits", "/tally/findings", "/tally/clock"
BEFORE_AT = "/tally/before"
PURPOSES = ("routine", "re-audit", "for-cause", "head-check", "study")
SAYS = (
    *("uncounted", "minus", "unsaved", "unsaved_trouble", "refused", "refused_title"),
    *("correct_unknown", "save", "saving", "again", "waiting", "all_correct"),
    *("kept", "kept_title", "waiting_tote", "waiting_unsent", "waiting_refused"),
    *("waiting_seen", "waiting_mend", "waiting_busy"),
)  # what the page's script may have to say


def layout() -> list[Any]:
    return [html.Div(components.skeleton(words()), id=BODY)]


def register(app: Dash, store: Store, now: Callable[[], datetime]) -> None:
    @app.callback(Output(BODY, "children"), Input("app-address", "pathname"))
    def draw(path: str | None) -> Any:
        del path
        return body(words(), tally.view(store, now(), language()))

    @app.server.get(CLOCK_AT)
    def clock() -> Response:
        return jsonify(now=now().isoformat())

    @app.server.get(BEFORE_AT)
    def before() -> Response:
        found = tally.before(store, request.args.get("tote", ""), now(), language())
        return jsonify(said=said_before(words(), found))

    @app.server.post(SAVE_AT)
    def save() -> Response:
        fields, sender = signed()
        return jsonify(answer(words(), tally.save(store, fields, now(), language(), sender)))

    @app.server.post(FINDING_AT)
    def save_finding() -> Response:
        fields, sender = signed()
        tally.save_finding(store, fields, now(), language(), sender)
        return jsonify(locked(words(), fields))


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


def inspector(words: Wording, view: TallyView) -> html.Div:
    """Who pulls: whoever is signed in, and a choice where nobody is or others' totes come in."""
    person, label = people.person(), words.say("tally.inspector")
    if person is None or person.may(people.DECIDE):
        return field("inspector", label, offers=view.inspectors)
    return field("inspector", label, fixed=person.name)


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
        "why": verdict.why,
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


def body(words: Wording, view: TallyView) -> list[Any]:
    say = words.say
    shift = next(each.name for each in view.programme.shifts if each.code == view.shift)
    lead = say(
        "tally.lead",
        shift=shift,
        day=words.day(view.day),
        audits=say("count.audits", count=view.logged),
    )
    return [
        components.head(say("tally.title"), html.P(lead)),
        html.Form(
            [
                html.Div(
                    [which(words, view, shift), found(words, view), more(words, view)],
                ),
                html.Div(
                    [outbox(words), verdict(words), finding(words), caution(words)],
                    className="tally-aside",
                ),
            ],
            id=FORM,
            className="tally",
            autoComplete="off",
            **script(words, view),
        ),
    ]


def script(words: Wording, view: TallyView) -> dict[str, str]:
    """What the page's script needs to know and to say."""
    names = {name: words.say(f"tally.{name}", **_kept(name)) for name in SAYS}
    person = people.person()
    return {
        "data-pull": str(view.programme.pull),
        "data-pulls": json.dumps(pulls(words, view)),
        "data-shift": f"{view.day} {view.shift}",
        "data-now": view.now.isoformat(),
        "data-counts": " ".join(view.programme.category_codes),
        "data-several": str(view.programme.several_per_piece).lower(),
        "data-save-at": SAVE_AT,
        "data-finding-at": FINDING_AT,
        "data-clock-at": CLOCK_AT,
        "data-before-at": BEFORE_AT,
        "data-inspector": person.name if person else "",
        **{f"data-say-{name.replace('_', '-')}": text for name, text in names.items()},
    }


def pulls(words: Wording, view: TallyView) -> dict[str, dict[str, Any]]:
    """What to pull, by lane and product: the count, the count in words, and what is not normal."""
    said = {}
    for each in view.pulls:
        notes = [
            words.say(
                f"inspection.{found.inspection}", severity=words.say(f"class.{found.severity}")
            )
            for found in each.inspections
        ]
        told = {"pull": each.pieces, "said": words.say("tally.pull", count=each.pieces)}
        said[f"{each.lane} {each.product}"] = {**told, "note": " ".join(notes)}
    return said


def inspection(words: Wording, found: Inspection) -> str:
    of = words.say(f"class.{found.severity}")
    return words.say(f"inspection.{found.inspection}", severity=of)


def _kept(name: str) -> dict[str, str]:
    """Values that only the script knows stay in their braces."""
    places = {
        "minus": ("sum", "inspected"),
        "unsaved_trouble": ("trouble",),
        "refused": ("count",),
        "all_correct": ("count",),
        "kept": ("tote",),
        "waiting_tote": ("tote", "lane"),
        "waiting_refused": ("trouble",),
    }
    return {place: f"{{{place}}}" for place in places.get(name, ())}


def which(words: Wording, view: TallyView, shift: str) -> html.Section:
    """Which tote, by whom and why."""
    say, programme = words.say, view.programme
    lanes = [(each.code, each.code) for each in programme.lanes]
    purposes = [(each, say(f"purpose.{each}")) for each in PURPOSES]
    shifts = [("", say("tally.shift_auto", shift=shift))]
    shifts += [(each.code, each.name) for each in programme.shifts]
    heads = [(each, each) for each in dict.fromkeys(h for e in programme.lanes for h in e.heads)]
    return components.panel(
        None,
        html.Div(
            [
                html.Div(
                    [
                        field("tote", say("tally.tote"), hint=say("tally.tote_hint")),
                        html.P(id="tally-before", className="tally-note", role="status"),
                    ]
                ),
                inspector(words, view),
            ],
            className="fields",
        ),
        components.buttons("tally-lane", say("tally.lane"), lanes),
        components.buttons("tally-purpose", say("tally.purpose"), purposes, "routine"),
        html.Div(
            components.buttons("tally-head", say("tally.head"), heads),
            className="hidden",
            **{"data-only": "head-check"},
        ),
        html.Div(
            field("re_sorted_at", say("tally.re_sorted_at"), hint=say("tally.time_hint")),
            className="hidden",
            **{"data-only": "re-audit"},
        ),
        components.buttons("tally-shift", say("tally.shift"), shifts, ""),
        className="tally-which",
    )


def found(words: Wording, view: TallyView) -> html.Section:
    """How many to pull, and a counter for each category."""
    say, programme = words.say, view.programme
    counters = [
        counter(words, each.code, each.name, say(f"class.{each.severity}"))
        for each in programme.categories
    ]
    if programme.several_per_piece:
        counters.append(counter(words, "correct", say("tally.correct"), ""))
    return components.panel(
        say("tally.counts"),
        html.Div(
            [
                html.Div(
                    [
                        html.B(say("tally.pull", count=programme.pull), id="tally-pull"),
                        html.P(say("tally.pull_how"), className="quiet"),
                        html.P(say("tally.pull_take"), className="quiet"),
                        html.P(id="tally-pull-note", className="tally-note", role="status"),
                    ],
                    className="pull",
                ),
                field("inspected", say("tally.inspected"), number=True),
            ],
            className="fields tally-pull",
        ),
        html.Div(counters, className="counters"),
        html.Div(
            [
                html.P(
                    [say("tally.correct"), html.B(id="tally-sum")],
                    className="tally-correct",
                    role="status",
                ),
                html.Button(
                    say("tally.undo"),
                    id="tally-undo",
                    type="button",
                    className="act act-second",
                    disabled=True,
                ),
                html.Button(
                    say("tally.all_correct", count=programme.pull),
                    id="tally-clean",
                    type="button",
                    className="act act-second",
                ),
                components.fault("tally-correct"),
                html.Button(
                    say("tally.save"), id="tally-save", type="submit", className="act act-save"
                ),
            ],
            className="tally-sum",
        ),
    )


def counter(words: Wording, code: str, name: str, note: str) -> html.Div:
    identity = f"tally-{code}"

    def step(sign: str, by: int, said: str) -> html.Button:
        marks = {"data-step": str(by), "data-of": identity, "aria-label": said}
        return html.Button(sign, type="button", className="step", **marks)

    return html.Div(
        [
            html.Label([name, html.Small(note)], htmlFor=identity, className="counter-name"),
            html.Div(
                [
                    step("−", -1, words.say("tally.less", category=name)),
                    dcc.Input(id=identity, type="text", inputMode="numeric", maxLength=6),
                    step("+", 1, words.say("tally.add", category=name)),
                ],
                className="counter-set",
            ),
            components.fault(identity),
        ],
        className="counter",
    )


def more(words: Wording, view: TallyView) -> html.Details:
    say = words.say
    products = [(each.code, each.name) for each in view.programme.products]
    several = [components.buttons("tally-product", say("tally.product"), products)]
    return html.Details(
        [
            html.Summary(say("tally.more")),
            html.Div(
                [
                    *(several if len(products) > 1 else ()),
                    field("pulled_at", say("tally.pulled_at"), hint=say("tally.time_hint")),
                    field("raw_lot", say("tally.raw_lot")),
                    field("pieces_in_tote", say("tally.pieces_in_tote"), number=True),
                    field("note", say("tally.note")),
                ],
                className="fields",
            ),
        ],
        className="panel",
    )


def field(name: str, label: str, **more: Any) -> html.Div:
    return components.field(f"tally-{name}", label, **more)


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


def outbox(words: Wording) -> html.Section:
    """What waits in this browser; the page's script fills it in."""
    said = [html.H2(words.say("tally.waiting_title")), html.Ul([])]
    return html.Section(
        said, id="tally-outbox", className="panel tally-outbox", hidden=True, role="status"
    )


def verdict(words: Wording) -> html.Section:
    return html.Section(
        [
            html.H2(words.say("tally.answer")),
            html.Div(
                html.P(words.say("tally.waiting"), className="quiet"),
                id=ANSWER,
                role="status",
                **{"aria-live": "assertive"},
            ),
        ],
        id="tally-verdict",
        className="panel answer",
    )


def caution(words: Wording) -> html.Section:
    return components.panel(
        words.say("tally.caution"),
        html.P(words.say("tally.workmanship")),
        className="caution",
    )


def finding(words: Wording) -> html.Details:
    """A food-safety finding, which locks whatever the sample says."""
    say = words.say
    return html.Details(
        [
            html.Summary(say("tally.finding")),
            html.P(say("tally.finding_lead"), className="quiet"),
            field("what", say("tally.finding_what")),
            html.Button(
                say("tally.finding_save"), id="tally-lock", type="button", className="act act-alarm"
            ),
        ],
        className="panel tally-finding",
    )
