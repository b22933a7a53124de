"""A lane's heads side by side: what head checks say of each."""

from dash import html

from dashboard import components, explained
from dashboard.figures.scale import high_scale, low_scale
from dashboard.pages.lane.drawing import name_of
from dashboard.texts import Wording
from dashboard.views.choices import CORRECT
from dashboard.views.lane import Head, LaneView

COLUMNS = ("head", "share", "low", "high", "count", "inspected", "checks")


def heads(words: Wording, view: LaneView) -> html.Section:
    """Each head's share from head checks, on one scale."""
    say = words.say
    days = {"first": words.day(view.first_day), "last": words.day(view.last_day)}
    shares = [each.share for each in view.heads if each.share]
    if view.category == CORRECT:
        scale = high_scale((each.low for each in shares), view.programme.target)
    else:
        scale = low_scale(each.high for each in shares)
    rows = []
    for each in view.heads:
        name = say("lane.head", head=each.head)
        if each.share is None:
            rows.append([name, say("lane.head_none"), ""])
            continue
        said = components.share(words, each.share)
        strip = components.strip(each.share, scale, f"{name}: {said}")
        rows.append([name, strip, components.whole(said)])
    columns = [
        say("lane.head_column"),
        components.ticks(words, scale),
        say("lane.share_column"),
    ]
    return components.panel(
        say("lane.heads"),
        html.P(say("lane.heads_from", **days), className="quiet"),
        explained.charted(
            says(words, view),
            [components.table(None, columns, rows, name=say("lane.heads"), stacks=("",) * 3)],
            behind(words, view),
            how(words, view),
        ),
        className="lane-heads",
    )


def says(words: Wording, view: LaneView) -> str:
    """Which heads are apart beyond chance: their intervals do not meet."""
    known = [(each.head, each.share) for each in view.heads if each.share]
    if len(known) < 2:
        return words.say("lane.heads_few")
    category = name_of(words, view)
    ordered = sorted(known, key=lambda each: each[1].fraction)
    (low, least), (high, most) = ordered[0], ordered[-1]
    told = "apart" if least.high < most.low else "meet"
    key = f"lane.heads_correct_{told}" if view.category == CORRECT else f"lane.heads_{told}"
    return words.say(
        key,
        category=category,
        high=high,
        low=low,
        most=words.per_cent(most.fraction),
        least=words.per_cent(least.fraction),
    )


def behind(words: Wording, view: LaneView) -> html.Details:
    rows = [
        [
            words.say("lane.head", head=each.head),
            *explained.ends(words, each.share),
            *explained.counts(words, each.share),
        ]
        for each in view.heads
        if each.share
    ]
    columns = [words.say(f"lane_heads.{name}") for name in COLUMNS]
    return explained.behind(words, "lane-heads", columns, rows)


def how(words: Wording, view: LaneView) -> html.Details:
    def rests(each: Head) -> str:
        head = words.say("lane.head", head=each.head)
        return f"{head}: {explained.rests(words, each.share)}"

    inputs = {
        "heads": "; ".join(map(rests, view.heads)) or words.say("lane.head_none"),
        "confidence": words.per_cent(view.programme.confidence, decimals=0)[:-2],
    }
    return explained.how(words, "lane-heads", ("lane_heads", inputs))
