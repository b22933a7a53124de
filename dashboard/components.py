"""Our few building blocks; every page is made of these."""

import re
from collections.abc import Container, Iterable, Sequence
from datetime import datetime
from typing import Any

from dash import dcc, html
from dash.development.base_component import Component

from dashboard import people, theme
from dashboard.drawn import Chart, library
from dashboard.figures.scale import Scale
from dashboard.texts import Wording
from dashboard.theme import Figure
from dashboard.views.record import Share
from dashboard.views.typed import MOST_CHARACTERS
from qa.wording import decimals_for

Children = Any
_FIGURE = re.compile(r"[+-]?\d+\.\d+", re.ASCII)


def head(title: str, *said: Children) -> html.Div:
    """The page's title and what stands beside it."""
    return html.Div([html.H1(title), *said], className="head")


def panel(title: str | None, *children: Children, **more: Any) -> html.Section:
    """A raised part of a page with its heading."""
    heading = [html.H2(title)] if title else []
    name = " ".join(["panel", more.pop("className", "")]).strip()
    return html.Section([*heading, *children], className=name, **more)


def status(word: str, said: str) -> html.Span:
    """A status: the word, with a mark that repeats it."""
    return html.Span(said, className=f"status status-{word.replace(' ', '-')}")


def note(text: str) -> html.P:
    """A sentence where there is nothing to show."""
    return html.P(text, className="note")


def beginning(words: Wording, text: str) -> html.Div:
    """A sentence where audits are missing, and the ways to have some that who asks may go."""
    ways = (("empty.log", "/tally", people.RECORD), ("empty.import", "/ledger", people.GOVERN))
    links = [
        html.A(words.say(key), href=path, className="choice")
        for key, path, right in ways
        if people.may(right)
    ]
    return html.Div([html.P(text), html.Div(links, className="note-ways")], className="note")


def trouble(words: Wording, said: str) -> html.Section:
    """What happened, what was kept and what to do."""
    return html.Section(
        [
            html.H2(words.say("trouble.title")),
            html.P(f"{sentence(said)}."),
            html.P(f"{words.say('trouble.kept')} {words.say('trouble.address')}"),
        ],
        className="trouble",
        role="alert",
    )


def skeleton(words: Wording, rows: int = 5) -> html.Div:
    """What stands in a page's place while it loads."""
    bones = [html.Div(className="bone") for _ in range(rows)]
    return html.Div([html.P(words.say("app.loading"), className="sr"), *bones], role="status")


def still_reading(words: Wording) -> html.Div:
    """A page while the record is first read; a script opens it anew until it is there."""
    said = note(words.say("app.still_reading"))
    return html.Div([said, skeleton(words)], className="still-reading")


def links(name: str, choices: Iterable[tuple[str, str, bool]]) -> html.Nav:
    """Choices that live in the address: text, address, and whether it is the chosen one."""
    made = [
        html.A(text, href=href, className="choice", **({"aria-current": "true"} if chosen else {}))
        for text, href, chosen in choices
    ]
    return html.Nav(
        [
            html.Span(name, className="choices-name"),
            html.Div(made, className="choices-set"),
        ],
        className="choices",
        **{"aria-label": name},
    )


def buttons(
    identity: str, name: str, choices: Iterable[tuple[str, str]], chosen: str = ""
) -> html.Div:
    """Choices of a form: value and text; a script presses one at a time."""
    made = [
        html.Button(
            text,
            className="choice",
            type="button",
            **{"aria-pressed": str(value == chosen).lower(), "data-value": value},
        )
        for value, text in choices
    ]
    label = f"{identity}-name"
    return html.Div(
        [
            html.Span(name, id=label, className="field-name"),
            html.Div(
                made,
                id=identity,
                className="choices",
                role="group",
                **{"aria-labelledby": label, "data-field": identity.rpartition("-")[2]},
            ),
            fault(identity),
        ],
        className="field",
    )


def field(
    identity: str,
    label: str,
    *,
    hint: str = "",
    number: bool = False,
    offers: Iterable[str] = (),
    most: int = MOST_CHARACTERS,
    value: str | None = None,
    fixed: str = "",
    secret: bool = False,
) -> html.Div:
    """A labelled text field with the place for its fault; numbers too are sent as typed.

    What is `fixed` stands there and cannot be changed; what is `secret` is not seen while typed.
    """
    more: dict[str, Any] = {"inputMode": "numeric"} if number else {}
    if value is not None:
        more["value"] = value
    if fixed:
        more |= {"value": fixed, "readOnly": True}
    options = [html.Option(value=each) for each in offers]
    if options:
        more["list"] = f"{identity}-offers"
    return html.Div(
        [
            html.Label(label, htmlFor=identity),
            dcc.Input(
                id=identity,
                type="password" if secret else "text",
                placeholder=hint,
                maxLength=most,
                autoComplete="new-password" if secret else "off",
                spellCheck="false",
                **more,
            ),
            *([html.Datalist(options, id=more["list"])] if options else ()),
            fault(identity),
        ],
        className="field",
    )


def select(
    identity: str, label: str, choices: Iterable[tuple[str, str]], chosen: str = "", name: str = ""
) -> html.Div:
    """A labelled choice of many: value and text; `name` where the address takes it."""
    options = [html.Option(text, value=value, selected=value == chosen) for value, text in choices]
    named = {"name": name} if name else {}
    return html.Div(
        [
            html.Label(label, htmlFor=identity),
            html.Select(options, id=identity, className="select", **named),
            fault(identity),
        ],
        className="field",
    )


def figured(words: Wording, text: str) -> str:
    """A figure that a form shows, with the mark of the reader's language; another text as it is."""
    return text.replace(".", words.decimal) if _FIGURE.fullmatch(text) else text


def hidden(identity: str, value: str) -> dcc.Input:
    """What a form sends and nobody types."""
    return dcc.Input(id=identity, type="hidden", value=value)


def form(
    words: Wording, name: str, send_at: str, save: str, *fields: Children, seconds: int = 10
) -> html.Form:
    """A small form that a script sends as JSON, a key with it, and then draws the page anew.

    Fields are named by what follows `name` in their ids; the answer is said in ``NAME-said``.
    After so many seconds without an answer it says that none came.
    """
    return html.Form(
        [
            *fields,
            html.Button(save, type="submit", className="act act-second"),
            html.P(id=f"{name}-fault", className="fault", role="alert"),
        ],
        className="form",
        autoComplete="off",
        **{
            "data-send": send_at,
            "data-name": name,
            "data-unsent": words.say("form.unsent"),
            "data-seconds": str(seconds),
        },
    )


def fault(identity: str) -> html.P:
    """Where a field's problem is said in words."""
    return html.P(id=f"{identity}-fault", className="fault", role="alert")


def share(words: Wording, found: Share, target: float | None = None) -> str:
    """A share with its interval, as people read it; each limit on its side of a target."""
    return words.interval(found.fraction, found.low, found.high, target)


def strip(
    found: Share,
    scale: Scale,
    label: str,
    *,
    target: float | None = None,
    base: Share | None = None,
    look: str = "",
) -> html.Div:
    """An interval on a common scale: bar, dot, the target as a line, the baseline as a band."""
    band = _across(found, scale)
    open_low = "" if scale.holds(found.low) else " strip-band-open-low"
    inside: list[Component] = [
        html.Span(className=f"strip-band{open_low}", style=band),
        html.Span(className="strip-dot", style={"left": f"{scale.at(found.fraction)}%"}),
    ]
    if base is not None:
        inside.insert(0, html.Span(className="strip-base", style=_across(base, scale)))
    if target is not None:
        line = {"left": f"{scale.at(target)}%"}
        inside.append(html.Span(className="strip-target", style=line))
    return html.Div(inside, className=f"strip {look}".strip(), role="img", **{"aria-label": label})


def _across(share: Share, scale: Scale) -> dict[str, str]:
    left, right = scale.at(share.low), scale.at(share.high)
    return {"left": f"{left}%", "width": f"{max(right - left, 0.4):.2f}%"}


def ticks(words: Wording, scale: Scale) -> html.Div:
    """The scale itself, in per cent."""
    decimals = max(_decimals(each) for each in scale.ticks)
    made = [
        html.Span(
            words.number(100 * each, f".{decimals}f"),
            style={"left": f"{scale.at(each)}%"},
            **{"aria-hidden": "true"},
        )
        for each in scale.ticks
    ]
    ends = {"low": made[0].children, "high": made[-1].children}
    return html.Div(
        [*made, html.Span(words.say("share.scale", **ends), className="sr")], className="scale"
    )


def _decimals(fraction: float) -> int:
    """Decimals of per cent that a tick needs."""
    return len(f"{100 * fraction:.3f}".rstrip("0").partition(".")[2])


def table(
    caption: str | None,
    columns: Sequence[Children],
    rows: Iterable[Sequence[Children]],
    name: str = "",
    numbers: Container[int] = (),
    stacks: Sequence[str] = (),
) -> html.Div:
    """A table whose first column names the row; it scrolls by itself when it is too wide.

    The columns at `numbers` hold figures, which stand at the right. One that `stacks` shows its
    rows one below the other on a small screen, each cell under the name that is given for it.
    """
    part = {"role": "cell"} if stacks else {}
    of = [{"data-of": each} if each else {} for each in stacks] or [{} for _ in columns]
    right = [{"className": "number"} if at in numbers else {} for at in range(len(columns))]
    heads = [html.Th(each, scope="col", **more) for each, more in zip(columns, right, strict=True)]
    body = [
        html.Tr(
            [
                html.Th(row[0], scope="row", **right[0], **of[0]),
                *(
                    html.Td(each, **more, **named, **part)
                    for each, more, named in zip(row[1:], right[1:], of[1:], strict=True)
                ),
            ],
            **({"role": "row"} if stacks else {}),
        )
        for row in rows
    ]
    title = [html.Caption(caption)] if caption else []
    return html.Div(
        html.Table(
            [*title, html.Thead(html.Tr(heads)), html.Tbody(body)],
            **({"role": "table"} if stacks else {}),
        ),
        className="scroll stacks" if stacks else "scroll",
        tabIndex=0,
        role="group",
        **{"aria-label": name or caption or str(columns[0])},
    )


def graph(
    words: Wording, figure: Figure, label: str, identity: str, chosen: str = ""
) -> html.Figure:
    """A chart with what it shows in words for those who do not see it.

    A stretch that is dragged over goes to the store named `chosen`.
    """
    separators = words.decimal + words.thousands
    chart = Chart(
        id=identity,
        figure={"data": figure["data"], "layout": figure["layout"] | {"separators": separators}},
        config=theme.chart_config(words.language, words.months),
        height=f"{figure['layout']['height']}px",
        library=library(),
        chosen=chosen,
        missing=words.say("chart.missing"),
    )
    return html.Figure(chart, role="img", className="figure", **{"aria-label": label})


def level(words: Wording, fraction: float, low: float, high: float) -> str:
    """A level without its interval, in the digits that it can bear: as in every sentence of it."""
    return words.per_cent(fraction, decimals=decimals_for(low, high))


def whole(text: str) -> html.Span:
    """A figure that no line break may part."""
    return html.Span(text, className="nowrap")


def sentence(text: str) -> str:
    """Text as the beginning of a sentence."""
    return f"{text[:1].upper()}{text[1:]}"


def figure(words: Wording, found: Share, target: float | None = None) -> list[Children]:
    """A share large, its interval small beside it."""
    level, _, limits = share(words, found, target).partition(" (")
    return [html.B(level), html.Small(f" ({limits}")]


def age(words: Wording, moment: datetime, now: datetime) -> str:
    """How long ago something was, in the largest unit that says it."""
    minutes = max(int((now - moment).total_seconds() // 60), 0)
    if minutes < 1:
        return words.say("age.now")
    if minutes < 60:
        return words.say("age.minutes", count=minutes)
    if minutes < 60 * 48:
        return words.say("age.hours", count=minutes // 60)
    return words.say("age.days", count=minutes // (60 * 24))
