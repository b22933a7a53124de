"""Claim's picture: its bounds beside a naive count's, and every lane, on one scale."""

from typing import Any

from dash import html

from dashboard import components, explained
from dashboard.figures.scale import Scale, high_scale
from dashboard.texts import Wording
from dashboard.views.claim import Answered, Bounds, Claim, Part
from dashboard.views.record import Share

WIDEST = "always_valid"  # it may leave the picture, which would else show little of the others
COLUMNS = ("of", "estimate", "low", "high", "incorrect", "inspected", "totes")


def picture(words: Wording, found: Answered) -> html.Section:
    """The bounds beside what a naive count would claim, and every lane, on one scale."""
    say, claimed = words.say, found.claim
    lows = [each.bounds.lower for each in found.told.ways if each.bounds.method != WIDEST]
    lows += [part.share.low for part in (*found.lanes, *found.sides)]
    scale = high_scale(lows, claimed.target)
    caption = "claim.one_lane_caption" if len(found.lanes) == 1 else "claim.lanes_caption"
    known = {"target": found.target, "confidence": found.confidence}
    drawn = [
        html.P(say("claim.bounds_caption", confidence=found.confidence), className="quiet"),
        by_way(words, found, scale),
        html.P(say(caption, confidence=found.confidence), className="quiet claim-beside"),
        by_part(words, found, scale),
    ]
    how = ("claim_picture", {**sizes(words, claimed), **known})
    return components.panel(
        say("claim.picture", target=found.target),
        explained.charted(
            says(words, found),
            drawn,
            behind(words, found),
            explained.how(words, "claim-picture", how),
        ),
        className="claim-picture",
    )


def by_way(words: Wording, found: Answered, scale: Scale) -> Any:
    """The bounds of each way of working them out."""
    way = words.say("claim.way")
    low, high, answered = (words.say(f"claim_column.{each}") for each in ("low", "high", "answer"))
    estimate = found.claim.estimate
    rows = [
        [
            each.name,
            strip(
                words,
                found,
                scale,
                each.name,
                _drawn(each.bounds, estimate),
                (each.lower, each.upper),
            ),
            *map(components.whole, (each.lower, each.upper)),
            each.answer,
        ]
        for each in found.told.ways
    ]
    heads = [way, html.Div([components.ticks(words, scale)]), low, high, answered]
    stacks = ("", "", low, high, answered)
    return components.table(None, heads, rows, way, numbers=(2, 3), stacks=stacks)


def by_part(words: Wording, found: Answered, scale: Scale) -> Any:
    """Every lane and the whole."""
    of, share = words.say("claim.of"), words.say("claim.interval")
    low, high, totes = (words.say(f"claim_column.{each}") for each in ("low", "high", "totes"))
    rows = [
        [
            noted(name, part),
            strip(words, found, scale, name, part.share, (part.said.lower, part.said.upper)),
            *map(components.whole, (part.said.estimate, part.said.lower, part.said.upper)),
            words.count(part.share.totes),
        ]
        for name, part in named_parts(words, found)
    ]
    heads = [of, html.Div([components.ticks(words, scale)]), share, low, high, totes]
    stacks = ("", "", share, low, high, totes)
    return components.table(None, heads, rows, of, numbers=(2, 3, 4, 5), stacks=stacks)


def strip(
    words: Wording, found: Answered, scale: Scale, name: str, share: Share, ends: tuple[str, str]
) -> Any:
    said = words.say("claim.from_to", name=name, lower=ends[0], upper=ends[1])
    return components.strip(share, scale, said, target=found.claim.target)


def noted(name: str, part: Part) -> Any:
    """A row's name, and under it why its figure is not what its count alone says."""
    if not part.note:
        return name
    return [name, html.Span(part.note, className="claim-note")]


def named_parts(words: Wording, found: Answered) -> list[tuple[str, Part]]:
    """Every lane and the whole, as people call them; one lane is the whole, and told once."""
    if len(found.lanes) == 1:
        lane = words.say("claim.lane", lane=found.lanes[0].label)
        return [
            (words.say("claim.one_lane", lane=lane, figure=part.label), part)
            for part in found.sides
        ]
    return [
        *((words.say("claim.lane", lane=part.label), part) for part in found.lanes),
        *((words.say("claim.all", figure=part.label), part) for part in found.sides),
    ]


def says(words: Wording, found: Answered) -> str:
    """What the picture shows: the claim's own bounds beside the target, and the lanes' range."""
    own = found.told.ways[0]
    told = words.say("claim.says", lower=own.lower, upper=own.upper, target=found.target)
    if len(found.lanes) < 2:
        return told
    ordered = sorted(found.lanes, key=lambda part: part.share.fraction)
    low, high = ordered[0], ordered[-1]
    lanes = words.say(
        "claim.says_lanes",
        low=low.label,
        least=low.said.estimate,
        high=high.label,
        most=high.said.estimate,
    )
    return f"{told} {lanes}"


def behind(words: Wording, found: Answered) -> html.Details:
    """Every figure of the lanes with what it was counted in."""
    rows = [
        [
            name,
            *(part.said.estimate, part.said.lower, part.said.upper),
            *explained.counts(words, part.share),
        ]
        for name, part in named_parts(words, found)
    ]
    columns = [words.say(f"claim_behind.{name}") for name in COLUMNS]
    return explained.behind(words, "claim", columns, rows)


def sizes(words: Wording, found: Claim) -> dict[str, str]:
    """What a claim rests on, for how it is worked out."""
    return {
        "totes": words.say("count.totes", count=found.totes),
        "count": words.count(found.incorrect),
        "inspected": words.count(found.inspected),
        "pieces": words.count(found.inspected / found.totes),
    }


def _drawn(bounds: Bounds, estimate: float) -> Share:
    """Bounds as the strip draws them; the dot is the estimate, kept between them."""
    inside = min(max(estimate, bounds.lower), bounds.upper)
    return Share(inside, bounds.lower, bounds.upper, 0, 0, 0)
