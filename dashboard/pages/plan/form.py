"""Plan's forms: the wish in the page's address, the links to other wishes, and their fields."""

from collections.abc import Callable, Sequence
from typing import Any

from dash import dcc, html

from dashboard import components
from dashboard.texts import Wording
from dashboard.views import plan
from dashboard.views.plan import PlanView

PATH = "/plan"
WAYS = ("numbers", "aql", "points", "claim", "limiting_quality", "outgoing_quality")
MAIN = {
    "numbers": ("lot_size", "n", "ac"),
    "aql": ("lot_size", "aql", "level", "inspection", "kind"),
    "points": ("lot_size", "p1", "producer_risk", "p2", "consumer_risk", "kind"),
    "claim": ("lot_size", "target", "confidence", "incorrect"),
    "limiting_quality": ("lot_size", "lq", "consumer_risk", "ac"),
    "outgoing_quality": ("lot_size", "aoql", "process_average"),
}
CONDITIONS = (
    *("sensitivity", "specificity", "correlation", "from_totes"),
    *("lots", "piece_seconds", "tote_seconds"),
)
CHOICES = {
    "level": ("S-1", "S-2", "S-3", "S-4", "I", "II", "III"),
    "inspection": ("normal", "tightened", "reduced"),
}


def ways(words: Wording, view: PlanView) -> html.Div:
    """The ways of asking, and the programme's own plans."""
    say = words.say
    links = [
        (say(f"plan_way.{way}"), to(view, way=way, drop=_other(way)), way == view.way)
        for way in WAYS
    ]
    rows = [components.links(say("plan.ask"), links)]
    own = [wish for wish in plan.class_wishes(view.programme) if wish.way == view.way]
    if own:
        rows.append(
            components.links(
                say(f"plan.own_{view.way}"), [own_link(words, view, each) for each in own]
            )
        )
    return html.Div(rows, className="filters")


def conditions(view: PlanView) -> tuple[str, ...]:
    """What is asked of inspectors, totes and work; a claim is proved once, not in every shift."""
    return tuple(each for each in CONDITIONS if each != "lots" or view.way != "claim")


def own_link(words: Wording, view: PlanView, wish: plan.ClassWish) -> tuple[str, str, bool]:
    """Classes' own plan: its text, its address, and whether it is the one shown."""
    names = ", ".join(words.say(f"class.{each}") for each in wish.classes)
    asked = {name: components.figured(words, each) for name, each in wish.asked.items()}
    text = words.say(f"plan.of_class_{wish.way}", classes=names, **asked)
    shown = all(view.fields[key] == each for key, each in wish.asked.items())
    return text, to(view, **wish.asked), shown


def to(view: PlanView, *, drop: Sequence[str] = (), **changed: str) -> str:
    """The address with some texts changed and some left out."""
    kept = [(name, text) for name, text in view.address if name not in changed and name not in drop]
    return PATH + plan.address([*kept, *changed.items()])


def _other(way: str) -> list[str]:
    """What other ways ask that this one does not."""
    every = {name for names in MAIN.values() for name in names}
    return [*(every - set(MAIN[way])), "way"]


def shown_fields(view: PlanView) -> tuple[str, ...]:
    return (*MAIN[view.way], *conditions(view))


def said_fields(words: Wording, fields: plan.Texts, names: Sequence[str]) -> str:
    """Fields and what stands in them, those that are blank left out."""
    told = [
        words.say(
            "plan.said_field",
            name=words.say(f"plan_field.{name}"),
            value=_said(words, name, fields[name]),
        )
        for name in names
        if fields.get(name)
    ]
    return f"{'; '.join(told)}."


def _said(words: Wording, name: str, value: str) -> str:
    """What stands in a field, as people read it."""
    chosen = name in ("kind", "inspection")
    return _named(words.say, value) if chosen else components.figured(words, value)


def form(words: Wording, view: PlanView) -> html.Form:
    say = words.say
    main = [field(words, name, view.fields, view.problems, choices(words, view, name))
            for name in MAIN[view.way]]  # fmt: skip
    rest = [field(words, name, view.fields, view.problems) for name in conditions(view)]
    at_fault = any(name in view.problems for name in conditions(view))
    return html.Form(
        [
            html.H2(say(f"plan_way_title.{view.way}")),
            html.P(say(f"plan_way_note.{view.way}"), className="quiet small"),
            dcc.Input(type="hidden", name="way", value=view.way, id="plan-way"),
            html.Div(main, className="fields"),
            html.Details(
                [html.Summary(say("plan.conditions")), html.Div(rest, className="fields")],
                open=view.changed or at_fault,
            ),
            html.Button(say("plan.answer"), type="submit", className="act", id="plan-send"),
        ],
        id="plan-form",
        key=plan.address(view.address),
        className="panel plan-form",
        autoComplete="off",
        **{"data-to": PATH},
    )


def choices(words: Wording, view: PlanView, name: str) -> Sequence[tuple[str, str]]:
    """Values and texts of a field that has few; none where it is typed."""
    if name == "kind":
        known: Sequence[str] = view.kinds
    else:
        known = CHOICES.get(name, ())
    if known and view.fields[name] not in known:  # what the address says stays to be seen
        known = (*known, view.fields[name])
    said = words.say
    return [(each, each if name == "level" else _named(said, each)) for each in known]


def _named(say: Callable[..., str], value: str) -> str:
    try:
        return say(f"plan_choice.{value}")
    except KeyError:  # not one of ours: it is shown with what is wrong with it
        return value


def field(
    words: Wording,
    name: str,
    fields: plan.Texts,
    problems: plan.Texts,
    known: Sequence[tuple[str, str]] = (),
) -> html.Div:
    """A field with its label, and its problem beside it."""
    identity = f"plan-{name}"
    value = fields.get(name, "")
    if known:
        options = [html.Option(text, value=each, selected=each == value) for each, text in known]
        box: Any = html.Select(options, id=identity, name=name, className="select")
    else:
        box = dcc.Input(id=identity, name=name, type="text", maxLength=18,
                        value=components.figured(words, value))  # fmt: skip
    problem = problems.get(name)
    fault = []
    if problem:
        told = f"{components.sentence(problem)}."
        fault = [html.P(told, id=f"{identity}-fault", className="fault", role="alert",
                        **{"data-fault-of": identity})]  # fmt: skip
    return html.Div(
        [html.Label(words.say(f"plan_field.{name}"), htmlFor=identity), box, *fault],
        className="field field-bad" if problem else "field",
    )
