"""The forms of Setup: one part of the programme, or its whole text."""

from typing import Any

from dash import dcc, html

from dashboard import components, explained
from dashboard.pages.sending import asked_who
from dashboard.texts import Wording
from dashboard.views import setup
from dashboard.views.setup import PART, VERSION, WHO, WHY, SetupView
from qa.amending import GONE, GONE_YES, PARTS, Field

NAME = "setup"
MOST = 200
WORKED = ("targets", "plans", "baselines")  # parts whose figures others are worked out from
NUMBERS = ("whole", "number", "per_cent")


def body(words: Wording, view: SetupView, change_at: str) -> html.Section:
    say = words.say
    inner = text(words, view) if view.part == setup.TEXT else part(words, view)
    stamp = html.Div(
        [
            asked_who(words, f"{NAME}-{WHO}"),
            components.field(f"{NAME}-{WHY}", say("setup.why")),
        ],
        className="fields",
    )
    form = components.form(
        words,
        NAME,
        change_at,
        say("setup.save"),
        components.hidden(f"{NAME}-{PART}", view.part),
        components.hidden(f"{NAME}-{VERSION}", str(view.version)),
        *inner,
        stamp,
    )
    lead = html.P(say(f"setup_lead.{view.part}"), className="quiet")
    name = say(f"setup_part.{view.part}")
    worked = how(words, view)
    return components.panel(
        name, lead, form, *worked, key=f"{view.part} {view.version}", className="setup"
    )


def how(words: Wording, view: SetupView) -> list[html.Div]:
    """How the figures of a part are used, where it has any."""
    if view.part not in WORKED:
        return []
    programme = view.programme
    known = {
        "target": words.per_cent(programme.target),
        "confidence": words.per_cent(programme.confidence, decimals=0),
        "alarms": words.number(programme.false_alarms_per_week),
        "correlation": words.number(programme.correlation),
        "plans": explained.plans(words, programme),
        "count": words.count(len(programme.baselines)),
    }
    return [explained.more(explained.how(words, NAME, (f"setup_{view.part}", known)))]


def text(words: Wording, view: SetupView) -> list[Any]:
    identity = f"{NAME}-text"
    return [
        html.Div(
            [
                html.Label(words.say("setup.toml"), htmlFor=identity),
                dcc.Textarea(
                    id=identity, value=view.text, className="ledger-text setup-text",
                    spellCheck="false",
                ),
                components.fault(identity),
            ],
            className="field",
        )
    ]  # fmt: skip


def part(words: Wording, view: SetupView) -> list[Any]:
    """Single values as fields; rows each as a group of fields, with a blank one to add."""
    which = PARTS[view.part]
    if not which.rows:
        return [
            html.Div([field(words, view, "", each) for each in which.fields], className="fields")
        ]
    rows = list(view.rows)
    named = bool(which.names)
    made = [group(words, view, row, title(words, view, row)) for row in rows]
    if not named:
        made.append(group(words, view, str(len(rows)), words.say("setup.add")))
    return made


def title(words: Wording, view: SetupView, row: str) -> str:
    which = PARTS[view.part]
    if which.names:
        return words.say(f"class.{row}")
    return view.rows[row][which.fields[0].key]


def group(words: Wording, view: SetupView, row: str, name: str) -> html.Fieldset:
    which = PARTS[view.part]
    fields = [field(words, view, row, each) for each in which.fields]
    if not which.names and row in view.rows:
        ways = [("", words.say("setup.stays")), (GONE_YES, words.say("setup.goes"))]
        fields.append(components.select(f"{NAME}-{row}-{GONE}", words.say("setup.row"), ways))
    return html.Fieldset(
        [html.Legend(name), html.Div(fields, className="fields")], className="setup-row"
    )


def field(words: Wording, view: SetupView, row: str, which: Field) -> html.Div:
    key = which.key.replace(".", "_")
    identity = f"{NAME}-{row}-{key}" if row else f"{NAME}-{key}"
    value = view.rows.get(row, {}).get(which.key, "")
    label = words.say(f"setup_field.{which.key}")
    if which.kind != "choice":
        number = which.kind in NUMBERS
        if which.kind in ("number", "per_cent"):
            value = components.figured(words, value)
        return components.field(identity, label, number=number, value=value, most=MOST)
    choices = [("", words.say("setup.left_out"))]
    choices += [(each, words.say(f"setup_choice.{each}")) for each in which.choices]
    return components.select(identity, label, choices, value)
