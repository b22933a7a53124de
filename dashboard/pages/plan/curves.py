"""Plan's pictures: what plans accept, what they risk, how much is looked at, what goes out."""

from collections.abc import Iterable

from dash import html

from dashboard import components, explained
from dashboard.figures.plan import Line, Mark, Panel, oc_curve, work_curve
from dashboard.pages.plan.form import PATH
from dashboard.texts import Wording
from dashboard.views import plan
from dashboard.views.plan import PlanView

LETTERS = "ABC"
INKS = ("plan-a", "plan-b", "plan-c")  # the looks of their lines
WORK = ("plan-work", "plan-out")
ROWS = 21  # of a table behind curves
MANY = 100  # beyond it figures are pieces, and whole


def picture(words: Wording, view: PlanView) -> html.Section:
    say = words.say
    if not view.drawn:
        return components.panel(say("plan.oc"), components.note(say("plan.no_curve")))
    return components.panel(
        say("plan.oc"),
        html.P(say("plan.oc_note"), className="quiet small"),
        explained.charted(
            says(words, view),
            [
                legend(words, view),
                components.graph(
                    words, oc_curve(oc_panel(words, view)), summary(words, view), "plan-oc"
                ),
                compare(words, view),
            ],
            behind(words, "plan-oc", oc_panel(words, view), say("plan.accepted_unit")),
            explained.how(words, "plan-oc", ("plan_curve", asked(words, view))),
        ),
    )


def says(words: Wording, view: PlanView) -> str:
    """For each plan on the picture, which qualities it accepts how often."""
    told = []
    for at, each in enumerate(view.drawn):
        found = zip(each.answer.chances, each.answer.qualities, strict=True)
        points = [
            words.say(
                "plan.says_point",
                chance=words.number(100 * chance, ".3g"),
                quality=plan.share(quality, words),
            )
            for chance, quality in found
            if quality is not None
        ]
        told.append(words.say("plan.says", plan=name_of(view, at), points=words.listed(points)))
    return "\n".join(map(components.sentence, told))


def asked(words: Wording, view: PlanView) -> dict[str, str]:
    """What is at hand: the plans on the picture, the size of the lot, and how chances count."""
    first = view.drawn[0].answer
    size = first.ask.lot_size
    lot = words.count(size) if size else words.say("plan.no_size")
    return {
        "plans": components.sentence("; ".join(name_of(view, k) for k in range(len(view.drawn)))),
        "lot_size": lot,
        "counted": counted(words, view),
    }


def counted(words: Wording, view: PlanView) -> str:
    """Of what lots the chances are."""
    return words.say(f"plan_counted.{view.drawn[0].answer.model}")


def behind(words: Wording, identity: str, panel: Panel, unit: str, of: str = "") -> html.Details:
    """The curves of a picture at some of their qualities, spread evenly."""
    x, every = panel.lines[0].x, len(panel.lines[0].x)
    shown = dict.fromkeys(round(k * (every - 1) / (ROWS - 1)) for k in range(ROWS))
    pieces = max(max(line.y) for line in panel.lines) > MANY

    def said(value: float) -> str:
        return words.count(value) if pieces else words.number(value, ".2f")

    rows = [[words.number(x[k], ".2f"), *(said(line.y[k]) for line in panel.lines)] for k in shown]
    columns = [panel.x_axis, *(f"{line.name}, {unit}" for line in panel.lines)]
    title = words.say("behind.of", of=of) if of else ""
    return explained.behind(words, identity, columns, rows, of=every, texts=(), title=title)


def oc_panel(words: Wording, view: PlanView) -> Panel:
    """Chances of acceptance in per cent over the quality of lots."""
    say = words.say
    lines, marks = [], []
    for at, each in enumerate(view.drawn):
        x = [100 * p for p in each.curves.p]
        lines.append(Line(x, _per_cent(each.curves.accepted), at, name_of(view, at)))
    if view.answered:
        first, x = view.drawn[0], lines[0].x
        for name, dash in (("by_inspectors", "dash"), ("in_totes", "dot")):
            chances = getattr(first.curves, name)
            if chances is not None:
                lines.append(Line(x, _per_cent(chances), 0, say(f"plan.{name}"), dash))
        for chance, quality, _ in view.points:  # in pieces too it would lie over the curves
            known = plan.share(quality, words)
            said = say("plan.mark", chance=words.number(100 * chance, ".3g"), quality=known)
            marks.append(Mark(100 * quality, 100 * chance, said))
    letters = LETTERS[: len(view.drawn)] if len(view.drawn) > 1 else ""
    return Panel(lines, x_axis(words, view), say("plan.accepted_axis"), marks, letters)


def x_axis(words: Wording, view: PlanView) -> str:
    defects = any(each.answer.model == "poisson" for each in view.drawn)
    return words.say("plan.defects_axis" if defects else "plan.quality_axis")


def _per_cent(values: Iterable[float]) -> list[float]:
    return [100 * float(each) for each in values]


def name_of(view: PlanView, at: int) -> str:
    """A plan's letter, where there are several, and what it says."""
    return letter(view, at) + view.drawn[at].pull


def letter(view: PlanView, at: int) -> str:
    return f"{LETTERS[at]}: " if len(view.drawn) > 1 else ""


def legend(words: Wording, view: PlanView) -> html.Ul:
    say = words.say
    marks = [(INKS[at], name_of(view, at)) for at in range(len(view.drawn))]
    if view.answered:
        curves, told = view.drawn[0].curves, view.drawn[0].answer.ask.conditions
        if curves.by_inspectors is not None:
            shares = {
                "sensitivity": words.number(100 * told.sensitivity),
                "specificity": words.number(100 * told.specificity),
            }
            marks.append(("plan-dash", say("plan.key_inspectors", **shares)))
        if curves.in_totes is not None:
            known = {"correlation": words.number(told.correlation), "count": told.from_totes}
            marks.append(("plan-dot", say("plan.key_totes", **known)))
    return html.Ul(
        [html.Li([html.I(className=f"key-{mark}"), text]) for mark, text in marks], className="key"
    )


def summary(words: Wording, view: PlanView) -> str:
    """What the curve shows, for those who do not see it."""
    told = [each.pull for each in view.drawn]
    holds = view.told.holds if view.told else ""
    return words.say("plan.figure_label", plans="; ".join(told), holds=holds)


def compare(words: Wording, view: PlanView) -> html.Div:
    """Which plans stay on the picture, and how to keep this one there."""
    say = words.say
    kept = [text for name, text in view.address if name == plan.BESIDE]
    rest = [(name, text) for name, text in view.address if name != plan.BESIDE]

    def link(beside: Iterable[str], text: str) -> html.A:
        pairs = [*rest, *((plan.BESIDE, each) for each in beside)]
        return html.A(text, href=PATH + plan.address(pairs), className="choice")

    links = [
        link(
            [one for one in kept if one != each.wish], say("plan.take_off", plan=name_of(view, at))
        )
        for at, each in enumerate(view.drawn)
        if each.wish in kept and not (view.answered and at == 0)
    ]
    if view.answered and view.drawn[0].wish not in kept and len(kept) < plan.MOST - 1:
        links.append(link([*kept, view.drawn[0].wish], say("plan.keep")))
    elif view.answered and view.drawn[0].wish in kept:
        links.append(html.Span(say("plan.kept"), className="quiet"))
    return html.Div(links, className="choices plan-compare")


def risks(words: Wording, view: PlanView) -> html.Section:
    heads, rows = [components.sentence(each) for each in view.table[0]], view.table[1]
    return components.panel(
        words.say("plan.risks"),
        components.table(
            None,
            heads,
            rows,
            name=words.say("plan.risks"),
            numbers=range(len(heads)),
            stacks=heads,
        ),
        html.P(words.say("plan.risks_note"), className="quiet small"),
        explained.more(explained.how(words, "plan-risks", ("plan_risks", asked(words, view)))),
        className="plan-risks",
    )


def work(words: Wording, view: PlanView) -> html.Section:
    """How much is looked at and what goes out, over the quality that comes in."""
    say = words.say
    panels = [panel for panel in (work_panel(words, view), out_panel(words, view)) if panel.lines]
    if not panels:
        return components.panel(say("plan.work"), html.P(say("plan.no_work"), className="quiet"))
    return components.panel(
        say("plan.work"),
        explained.charted(
            say("plan.work_note"),
            [
                html.Div(
                    [
                        components.graph(words, work_curve(panel), panel.y_axis, identity)
                        for identity, panel in zip(WORK, panels, strict=False)
                    ],
                    className="plan-work",
                )
            ],
            *(
                behind(words, f"plan-{unit}", panel, say(f"plan.{unit}"), panel.y_axis)
                for unit, panel in zip(("pieces_unit", "out_unit"), panels, strict=False)
            ),
            explained.how(words, "plan-work", ("plan_work", asked(words, view))),
        ),
    )


def work_panel(words: Wording, view: PlanView) -> Panel:
    say, lines = words.say, []
    for at, each in enumerate(view.drawn):
        x = _per_cent(each.curves.p)
        for name, dash in (("asn", "solid"), ("ati", "dash")):
            pieces = getattr(each.curves, name)
            if pieces is not None:
                told = f"{name_of(view, at)}, {say(f'plan.{name}')}"
                lines.append(Line(x, [float(one) for one in pieces], at, told, dash))
    return Panel(lines, x_axis(words, view), say("plan.pieces_axis"))


def out_panel(words: Wording, view: PlanView) -> Panel:
    say, lines, marks = words.say, [], []
    for at, each in enumerate(view.drawn):
        if each.curves.aoq is None:
            continue
        lines.append(
            Line(_per_cent(each.curves.p), _per_cent(each.curves.aoq), at, name_of(view, at))
        )
        limit = each.answer.aoql
        if limit is not None and limit.value > 0:
            said = letter(view, at) + say("plan.aoql_mark", limit=plan.share(limit.value, words))
            marks.append(Mark(100 * limit.at, 100 * limit.value, said))
    return Panel(lines, x_axis(words, view), say("plan.out_axis"), marks)
