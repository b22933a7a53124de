"""The filters of the ledger's list, which a small screen folds into a line that says them."""

from collections.abc import Sequence

from dash import dcc, html

from dashboard import components
from dashboard.texts import Wording
from dashboard.views import ledger
from dashboard.views.ledger import LedgerView

PATH = "/ledger"
PURPOSES = ("routine", "re-audit", "for-cause", "head-check", "study")
STATES = ("logged", "corrected", "voided")
TYPED = ("first", "last", "tote", "lot", "inspector")
FOLDED = "ledger-folded"
Choices = dict[str, list[tuple[str, str]]]


def form(words: Wording, view: LedgerView) -> html.Form:
    """The filters; folded, on a small screen, unless one of them must be put right."""
    say, every = words.say, ("", words.say("ledger.all"))
    choices = choices_of(words, view)
    orders = [(each, say(f"ledger_order.{each}")) for each in ledger.ORDERS]
    fields = [
        *(typed(words, view, name) for name in TYPED),
        *(chosen(words, view, name, [every, *each]) for name, each in choices.items()),
        chosen(words, view, "order", orders),
    ]
    clear = html.A(say("ledger.clear"), href=PATH, className="choice")
    return html.Form(
        [
            html.Button(
                said(words, view, choices),
                type="button",
                className="fold",
                id="ledger-fold",
                **{"aria-expanded": str(bool(view.problems)).lower(), "aria-controls": FOLDED},
            ),
            html.Div(
                [
                    html.Div(fields, className="fields"),
                    dcc.Input(type="hidden", name="page", value="", id="ledger-page"),
                    html.Div(
                        [
                            html.Button(
                                say("ledger.show"), type="submit", className="act act-second"
                            ),
                            *([clear] if narrowed(view) else ()),
                        ],
                        className="ledger-acts",
                    ),
                ],
                id=FOLDED,
                className="folded",
            ),
        ],
        id="ledger-filters",
        key=ledger.address(view.asked),
        className="panel form ledger-filters",
        autoComplete="off",
        **{"data-to": PATH},
    )


def narrowed(view: LedgerView) -> bool:
    """Whether the list is of some audits only."""
    return any(name in view.asked for name in ledger.FILTERS)


def choices_of(words: Wording, view: LedgerView) -> Choices:
    """What can be chosen in each field that is not typed: value and text."""
    say, programme = words.say, view.programme
    return {
        "lane": [(each.code, each.code) for each in programme.lanes],
        "shift": [(each.code, each.name) for each in programme.shifts],
        "product": [(each.code, each.name) for each in programme.products],
        "purpose": [(each, say(f"purpose.{each}")) for each in PURPOSES],
        "state": [(each, say(f"ledger_state.{each}")) for each in STATES],
    }


def said(words: Wording, view: LedgerView, choices: Choices) -> str:
    """What is filtered, and in which order, as one line."""
    say, known = words.say, view.asked
    filtered = [
        say(
            "ledger.filtered_by",
            field=say(f"ledger_field.{name}"),
            value=dict(choices.get(name, ())).get(known[name], known[name]),
        )
        for name in (*TYPED, *choices)
        if name in known
    ]
    order = known.get("order", ledger.ORDERS[0])
    told = say(f"ledger_order.{order}") if order in ledger.ORDERS else order
    return say(
        "ledger.filtered", what="; ".join(filtered) or say("ledger.not_filtered"), order=told
    )


def typed(words: Wording, view: LedgerView, name: str) -> html.Div:
    identity, problem = f"ledger-{name}", view.problems.get(name)
    hint = words.say("ledger.day_hint") if name in ("first", "last") else ""
    box = dcc.Input(
        id=identity,
        name=name,
        type="text",
        value=view.asked.get(name, ""),
        maxLength=200,
        placeholder=hint,
    )
    return html.Div(
        [
            html.Label(words.say(f"ledger_field.{name}"), htmlFor=identity),
            box,
            *fault(identity, problem),
        ],
        className="field field-bad" if problem else "field",
    )


def chosen(
    words: Wording, view: LedgerView, name: str, choices: Sequence[tuple[str, str]]
) -> html.Div:
    known = view.asked.get(name, choices[0][0])
    if known not in dict(choices):  # a lane that the programme has no longer is still on record
        choices = [*choices, (known, known)]
    made = components.select(
        f"ledger-{name}", words.say(f"ledger_field.{name}"), choices, known, name
    )
    problem = view.problems.get(name)
    if problem:
        made.children[-1:] = fault(f"ledger-{name}", problem)
        made.className = "field field-bad"
    return made


def fault(identity: str, problem: str | None) -> list[html.P]:
    if not problem:
        return []
    told = f"{components.sentence(problem)}."
    more = {"data-fault-of": identity}
    return [html.P(told, id=f"{identity}-fault", className="fault", role="alert", **more)]
