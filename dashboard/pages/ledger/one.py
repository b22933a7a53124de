"""One audit of the ledger: its whole history, and the forms that correct and void it."""

from collections.abc import Sequence
from typing import Any

from dash import html

from dashboard import components, people
from dashboard.pages.ledger.filters import PATH, PURPOSES
from dashboard.pages.ledger.listing import changed, dated
from dashboard.pages.sending import asked_who
from dashboard.texts import Wording
from dashboard.views import ledger
from dashboard.views.ledger import OF, REVISION, WHO, WHY, AuditView, Version
from dashboard.views.restated import Restated, Stood

CORRECT_AT, VOID_AT = "/ledger/corrections", "/ledger/voids"
NUMBERS = ("inspected", "correct", "pieces_in_tote")
FOLLOWING = ("lot", "day")


def body(words: Wording, view: AuditView) -> list[Any]:
    say, fields = words.say, view.fields
    back = PATH + ledger.address(view.asked, key=None)
    title = say("ledger.titled", tote=fields["tote"], lane=fields["lane"])
    return [
        components.head(title, html.P(say("ledger.titled_lead", audit=view.key))),
        html.Nav(html.A(say("ledger.back"), href=back, className="choice"), className="filters"),
        history(words, view),
        *([html.P(say("ledger.is_voided"), className="note")] if view.voided else ()),
        *(forms(words, view) if people.may(people.GOVERN) and not view.voided else ()),
    ]


def history(words: Wording, view: AuditView) -> html.Section:
    """Who did what, when and why, the newest first."""
    say = words.say
    columns = [say(f"ledger.{name}") for name in ("state", "when", "by", "why", "changed")]
    rows = [
        [
            html.B(say(f"ledger_state.{each.action}"), className=f"ledger-{each.action}"),
            html.Span(dated(words, each.at, view), className="nowrap"),
            each.by,
            each.reason or say("ledger.no_reason"),
            changes(words, each),
        ]
        for each in reversed(view.versions)
    ]
    table = components.table(
        None, columns, rows, say("ledger.history"), stacks=("", "", *columns[2:])
    )
    return components.panel(say("ledger.history"), table, id="ledger-history")


def changes(words: Wording, version: Version) -> Any:
    if version.action == "voided":
        return words.say("ledger.out")
    if not version.changes:
        return words.say("ledger.from", source=version.source or words.say("ledger.no_source"))
    return html.Ul([html.Li(changed(words, each)) for each in version.changes], className="says")


def restated(words: Wording, lots: Sequence[Restated]) -> list[str]:
    """Each lot's verdict before and after a change of one of its audits, a sentence a lot."""
    return [
        words.say(
            "ledger.lot_same" if each.same else "ledger.lot_changed",
            lot=each.lot,
            before=stood(words, each.before),
            after=stood(words, each.after),
        )
        for each in lots
    ]


def stood(words: Wording, lot: Stood | None) -> str:
    if lot is None:
        return words.say("verdict_word.not judged")
    floor, verdict = (
        words.say(f"ledger_stood.{lot.floor}"),
        words.say(f"verdict_word.{lot.verdict}"),
    )
    return words.say("ledger.stood", floor=floor, verdict=verdict)


def forms(words: Wording, view: AuditView) -> list[Any]:
    say = words.say
    last = str(view.versions[-1].revision)
    correct = components.form(
        words,
        "ledger",
        CORRECT_AT,
        say("ledger.correct_save"),
        components.hidden(f"ledger-{OF}", view.key),
        components.hidden(f"ledger-{REVISION}", last),
        html.Div([field(words, view, name) for name in names(view)], className="fields"),
        html.Div(stamp(words, "ledger"), className="fields"),
    )
    void = components.form(
        words,
        "ledger-void",
        VOID_AT,
        say("ledger.void_save"),
        components.hidden(f"ledger-void-{OF}", view.key),
        components.hidden(f"ledger-void-{REVISION}", last),
        html.Div(stamp(words, "ledger-void"), className="fields"),
    )
    return [
        components.panel(
            say("ledger.correct"),
            html.P(say("ledger.correct_lead"), className="quiet"),
            correct,
            key=f"{view.key} {last}",
        ),
        html.Details(
            [
                html.Summary(say("ledger.void")),
                html.P(say("ledger.void_lead"), className="quiet"),
                void,
            ],
            className="panel",
            id="ledger-voiding",
        ),
    ]


def names(view: AuditView) -> list[str]:
    """The fields of the form: categories after what was inspected; correct where it is asked."""
    codes, edited = list(view.programme.category_codes), list(ledger.EDITED)
    at = edited.index("correct")
    asked = ["correct"] if view.programme.several_per_piece else []
    return [*edited[:at], *codes, *asked, *edited[at + 1 :]]


def stamp(words: Wording, name: str) -> list[Any]:
    return [
        asked_who(words, f"{name}-{WHO}"),
        components.field(f"{name}-{WHY}", words.say("ledger.why")),
    ]


def field(words: Wording, view: AuditView, name: str) -> html.Div:
    say, programme = words.say, view.programme
    identity, value = f"ledger-{name}", view.fields[name]
    categories = {each.code: each.name for each in programme.categories}
    label = categories[name] if name in categories else say(f"ledger_field.{name}")
    choices = {
        "lane": [(each.code, each.code) for each in programme.lanes],
        "shift": [(each.code, each.name) for each in programme.shifts],
        "product": [(each.code, each.name) for each in programme.products],
        "purpose": [(each, say(f"purpose.{each}")) for each in PURPOSES],
    }
    if name in choices:
        return components.select(identity, label, choices[name], value)
    number = name in categories or name in NUMBERS
    hint = say("ledger.follows") if name in FOLLOWING else ""
    return components.field(identity, label, number=number, value=value, hint=hint)
