"""For the lead: which inspector's findings differ from the others'. Not among the pages' names."""

from collections.abc import Callable
from datetime import datetime
from typing import Any

from dash import Dash, Input, Output, html

from dashboard import components, explained
from dashboard.drawn import as_one
from dashboard.figures.scale import low_scale
from dashboard.texts import Wording, language, words
from dashboard.views import sources
from dashboard.views.sources import InspectorsView
from qa.store.schema import Store

PATH, TITLE = "/inspectors", "inspectors.title"
BODY = "inspectors-body"
MOST = 24  # strips drawn
COLUMNS = (
    *("inspector", "category", "rate", "low", "high", "totes"),
    *("others", "others_low", "others_high", "other_totes", "left_out", "chance"),
)


def layout() -> list[Any]:
    return [html.Div(components.skeleton(words()), id=BODY)]


def register(app: Dash, store: Store, now: Callable[[], datetime]) -> None:
    del now  # it speaks of the whole record

    @app.callback(Output(BODY, "children"), Input("app-address", "pathname"))
    def draw(path: str | None) -> Any:
        del path
        return as_one(body(words(), sources.inspectors(store, language())))


def body(words: Wording, view: InspectorsView) -> list[Any]:
    say, found = words.say, view.found
    top = components.head(say("inspectors.title"), html.P(say("inspectors.lead")))
    if not found:
        return [top, components.note(say("inspectors.none"))]
    beyond = [each.sentence for each in found if each.beyond_chance]
    rest = [each.sentence for each in found if not each.beyond_chance]
    said = [html.Li(each) for each in beyond] or [html.Li(say("inspectors.quiet"))]
    doubt = words.per_cent(sources.DOUBT, decimals=0)
    note = say("inspectors.chance", count=len(found), doubt=doubt)
    return [
        top,
        components.panel(
            say("inspectors.beyond"), html.Ul(said), html.P(note, className="quiet small")
        ),
        picture(words, view),
        html.Details(
            [html.Summary(say("inspectors.rest")), html.Ul([html.Li(each) for each in rest])],
            className="panel",
            id="inspectors-rest",
        ),
    ]


def picture(words: Wording, view: InspectorsView) -> html.Section:
    """What each finds, on one scale, over the band of what the others find."""
    say, shown = words.say, view.found[:MOST]
    shares = [(each, *sources.shares(each)) for each in shown]
    scale = low_scale(one.high for _, own, others in shares for one in (own, others))
    rows = []
    for each, own, others in shares:
        said = components.share(words, own)
        name = say("inspectors.pair", inspector=each.value, category=view.names[each.category])
        look = "strip-high" if each.beyond_chance else ""
        strip = components.strip(own, scale, f"{name}: {said}", base=others, look=look)
        state = say(f"inspectors.state_{'beyond' if each.beyond_chance else 'within'}")
        rows.append([name, strip, components.whole(said), state])
    columns = [
        say("inspectors.of"),
        components.ticks(words, scale),
        say("inspectors.finds"),
        say("inspectors.state"),
    ]
    title = say("inspectors.picture")
    return components.panel(
        title,
        html.P(say("inspectors.key"), className="quiet"),
        explained.charted(
            says(words, view),
            [components.table(None, columns, rows, name=title, stacks=("",) * 4)],
            behind(words, view),
            how(words, view),
        ),
        className="inspectors-picture",
    )


def says(words: Wording, view: InspectorsView) -> str:
    beyond = [each for each in view.found if each.beyond_chance]
    drawn = words.say("inspectors.says_drawn", shown=len(view.found[:MOST]), count=len(view.found))
    if not beyond:
        return f"{words.say('inspectors.quiet')} {drawn}"
    most = max(beyond, key=lambda each: abs(float(each.rate.estimate - each.others.estimate)))
    told = words.say(
        "inspectors.says",
        count=len(beyond),
        inspector=most.value,
        category=view.names[most.category],
        **{
            name: components.level(words, share.fraction, share.low, share.high)
            for name, share in zip(("rate", "others"), sources.shares(most), strict=True)
        },
    )
    return f"{told} {drawn}"


def behind(words: Wording, view: InspectorsView) -> html.Details:
    """Every comparison, those beyond chance first."""
    rows = []
    for each in view.found:
        own, others = sources.shares(each)
        rows.append(
            [
                each.value,
                view.names[each.category],
                *explained.ends(words, own),
                words.count(own.totes),
                *explained.ends(words, others),
                *map(words.count, (others.totes, each.left_out)),
                words.per_cent(each.adjusted_p),
            ]
        )
    columns = [words.say(f"inspectors_column.{name}") for name in COLUMNS]
    return explained.behind(words, "inspectors", columns, rows, texts=(0, 1))


def how(words: Wording, view: InspectorsView) -> html.Details:
    known = {
        "count": words.count(len(view.found)),
        "people": words.count(len({each.value for each in view.found})),
        "categories": words.count(len(view.names)),
        "confidence": words.per_cent(view.confidence, decimals=0)[:-2],
        "doubt": words.per_cent(sources.DOUBT, decimals=0),
    }
    return explained.how(words, "inspectors", ("inspectors", known))
