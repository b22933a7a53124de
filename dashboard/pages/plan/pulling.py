"""Plan's lower half: how much to pull, which totes, where in them, and the sheet to print."""

from typing import Any

from dash import dcc, html

from dashboard import components, explained
from dashboard.pages.plan.form import PATH, field, said_fields, to
from dashboard.texts import Wording
from dashboard.views import plan
from dashboard.views.plan import PlanView, PullView

FORM, SHEET_AT = "plan-pull-form", "/plan/sheet"
BY = {
    "plan": ("totes", "pieces"),
    "precision": ("expect", "half_width", "pieces"),
    "rise": ("expect", "rise", "power", "pieces"),
}
WHERE = ("lane", "shift", "filled", "quadrants", "seed")


def pull(words: Wording, view: PlanView) -> html.Section:
    say, asked = words.say, view.pull
    kinds = [
        (say(f"plan_by.{by}"), to(view, by=by, drop=[*_asked_by_others(by), "by"]), by == asked.by)
        for by in BY
    ]
    parts: list[Any] = [
        html.Div(components.links(say("plan.size"), kinds), className="filters"),
        pull_form(words, view),
    ]
    if asked.trouble:
        parts.append(html.P(f"{components.sentence(asked.trouble)}.", className="fault"))
    stray = [name for name in asked.problems if name not in (*BY[asked.by], *WHERE)]
    parts += [html.P(f"{name} {asked.problems[name]}.", className="fault") for name in stray]
    if asked.pulling is not None:
        parts += drawn_pull(words, view, asked)
    return components.panel(say("plan.pull"), *parts, className="plan-pull", id="plan-pull")


def _asked_by_others(by: str) -> list[str]:
    return [name for name in {n for names in BY.values() for n in names} if name not in BY[by]]


def pull_form(words: Wording, view: PlanView) -> html.Form:
    say, asked, programme = words.say, view.pull, view.programme
    known = {
        "lane": [("", say("plan.all_lanes")), *((e.code, e.code) for e in programme.lanes)],
        "shift": [("", say("plan.all_shifts")), *((e.code, e.name) for e in programme.shifts)],
        "quadrants": [(each, each) for each in "1234"],
    }
    made = [
        field(words, name, asked.fields, asked.problems, known.get(name, ()))
        for name in (*BY[asked.by], *WHERE)
    ]
    return html.Form(
        [
            dcc.Input(type="hidden", name="by", value=asked.by, id="plan-by"),
            html.Div(made, className="fields"),
            html.Button(say("plan.draw"), type="submit", className="act", id="plan-draw"),
        ],
        id=FORM,
        key=plan.address(view.address),
        className="plan-form",
        autoComplete="off",
        **{"data-to": PATH},
    )


def drawn_pull(words: Wording, view: PlanView, asked: PullView) -> list[Any]:
    """How much, the sheet to print, the cautions, and which totes."""
    say = words.say
    seed = asked.fields["seed"]
    every = {**dict(view.address), **view.fields, **asked.fields}
    every.pop(plan.BESIDE, None)
    href = SHEET_AT + plan.address((k, v) for k, v in every.items() if v)
    known = {"said": said_fields(words, asked.fields, (*BY[asked.by], *WHERE))}
    columns = [say(f"plan.pull_{name}") for name in ("lane", "shift", "tote", "where")]
    return [
        html.P(asked.said, className="plan-holds", id="plan-pull-said"),
        html.P(say("plan.seed", seed=seed), className="quiet"),
        html.Div(
            [html.P(each) for each in asked.cautions], className="panel caution plan-cautions"
        ),
        html.A(say("plan.sheet"), href=href, target="_blank", className="act plan-sheet"),
        components.table(None, columns, asked.rows, name=say("plan.pull")),
        explained.more(explained.how(words, "plan-pull", ("plan_pull", known))),
    ]
