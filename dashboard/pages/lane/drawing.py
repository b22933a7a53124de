"""A lane's chart in plant time and per cent, with its words, and the figures behind it."""

from collections.abc import Iterator
from datetime import datetime
from math import nan

from dash import html

from dashboard import components, explained
from dashboard.figures.charts import Change, Drawing, Mark, Signal
from dashboard.figures.thinning import drawn_points
from dashboard.texts import Wording
from dashboard.views import lane
from dashboard.views.choices import CORRECT
from dashboard.views.lane import LaneView, Point, Rise

SHARES = ("limits", "laney")  # kinds of chart whose points are the totes' own shares
ROWS = ("event", "hold", "finding")  # of marks below the charts, from the top


def name_of(words: Wording, view: LaneView, category: str | None = None) -> str:
    asked = category or view.category
    if asked == CORRECT:
        return words.say("category.correct")
    return next(each.name for each in view.programme.categories if each.code == asked)


def key(words: Wording) -> html.Ul:
    marks = ("dot", "diamond", "limit", "center", "range", "base")
    names = ("point", "signal", "limit", "center", "range", "base")
    return html.Ul(
        [
            html.Li([html.I(className=f"key-{mark}"), words.say(f"lane.key_{name}")])
            for mark, name in zip(marks, names, strict=True)
        ],
        className="key",
    )


def drawing(words: Wording, view: LaneView) -> Drawing:
    """The points in per cent and plant time, with the words that stand beside them."""
    say, points = words.say, drawn(view)
    at = [_local(view, each.at) for each in points]
    when = [words.moment(each.at, view.programme.zone) for each in points]
    marked = list(zip(at, points, strict=True))
    correct = view.category == CORRECT
    name = components.sentence(name_of(words, view))
    axis = say("lane.correct_axis") if correct else say("lane.category_axis", category=name)
    if view.kind in ("ewma", "standardised"):
        axis = say(f"lane.axis_{view.kind}", category=name)
    unit = 1 if view.kind == "standardised" else 100
    return Drawing(
        at=at,
        value=[unit * each.value for each in points],
        center=[unit * each.center for each in points],
        lower=[unit * each.lower for each in points],
        upper=[unit * each.upper for each in points],
        total=[each.total for each in points],
        limit=[each.limit for each in points],
        said=[point_said(words, each, t) for t, each in zip(when, points, strict=True)],
        sum_said=[sum_said(words, each, t) for t, each in zip(when, points, strict=True)],
        signals=[Signal(t, unit * p.value, beyond(words, view, p)) for t, p in marked if p.beyond],
        sum_signals=[
            Signal(t, p.total, signal_said(words, view, p.rise)) for t, p in marked if p.rise
        ],
        changes=list(changes(words, view, at)),
        baseline=view.baseline and tuple(_local(view, each) for each in view.baseline),
        marks=[
            Mark(
                row=say(f"lane.row_{each.row}"),
                at=_local(view, each.at),
                word=words.say(f"mark.{each.kind}"),
                said=mark_said(words, view, each),
            )
            for each in view.marks
        ],
        breaks=[_local(view, each.at) for each in view.breaks],
        rows=[say(f"lane.row_{each}") for each in ROWS],
        names={
            "limit": say("lane.limit"),
            "upper": say("lane.upper"),
            "lower": say("lane.lower"),
            "center": say("lane.center"),
            "value_axis": axis,
            "sum_axis": say("lane.cusum_correct" if correct else "lane.cusum_axis"),
        },
    )


def drawn(view: LaneView) -> list[Point]:
    """The points that are drawn: of very many the peaks of each stretch, and every signal."""
    points = view.points
    signals = [k for k, each in enumerate(points) if each.beyond or each.rise]
    value, total = [each.value for each in points], [each.total for each in points]
    return [points[k] for k in drawn_points(value, total, signals)]


def mark_word(words: Wording, mark: lane.Mark) -> str:
    if mark.row == "event":
        return words.say(f"event.{mark.kind}")
    if mark.row == "hold":
        return words.say(f"floor_word.{mark.kind}")
    return words.say("mark.finding")


def mark_said(words: Wording, view: LaneView, mark: lane.Mark) -> str:
    when = words.moment(mark.at, view.programme.zone)
    return words.say("lane.mark", word=mark_word(words, mark), when=when, what=mark.what)


def changes(words: Wording, view: LaneView, at: list[datetime]) -> Iterator[Change]:
    """When each rise may have begun, as far as the window shows it."""
    zone = view.programme.zone
    unit = nan if view.kind == "standardised" else 100  # a level has no place on that scale
    for rise in view.rises:
        until = _local(view, rise.until) if rise.until else at[-1]
        low, since, high = (_local(view, each) for each in (rise.low, rise.since, rise.high))
        ends = {"low": words.moment(rise.low, zone), "high": words.moment(rise.high, zone)}
        yield Change(
            low=max(low, at[0]),
            since=max(since, at[0]),
            high=max(high, at[0]),
            until=until,
            before=unit * rise.before.fraction,
            after=unit * rise.after.fraction,
            said=words.say("lane.changed", since=words.moment(rise.since, zone), **ends),
        )


def point_said(words: Wording, point: Point, when: str) -> str:
    return words.say(
        "lane.point",
        tote=point.tote,
        when=when,
        count=point.count,
        inspected=point.inspected,
        share=words.per_cent(point.share),
    )


def sum_said(words: Wording, point: Point, when: str) -> str:
    return words.say(
        "lane.cusum_point",
        tote=point.tote,
        when=when,
        sum=words.number(point.total, ".1f"),
        limit=words.number(point.limit, ".1f"),
    )


def beyond(words: Wording, view: LaneView, point: Point) -> str:
    which = "high" if point.beyond == "above" else "low"
    if view.kind == "ewma":
        return words.say(f"lane.mean_{which}", mean=words.per_cent(point.value))
    return words.say(f"lane.beyond_{which}", count=point.count, inspected=point.inspected)


def signal_said(words: Wording, view: LaneView, rise: Rise) -> str:
    said = "lane.signal_correct" if view.category == CORRECT else "lane.signal"
    levels = {"before": rise.before, "after": rise.after}
    told = {k: components.level(words, v.fraction, v.low, v.high) for k, v in levels.items()}
    return words.say(said, **told)


def summary(words: Wording, view: LaneView) -> str:
    """What the chart shows, for those who do not see it."""
    return words.say(
        "lane.figure_label",
        category=name_of(words, view),
        lane=view.lane,
        totes=words.say("count.totes", count=len(view.points)),
        first=words.day(view.first_day),
        last=words.day(view.last_day),
        signals=words.say("lane.signals", count=sum(bool(each.beyond) for each in view.points)),
    )


def says(words: Wording, view: LaneView) -> str:
    """What the chart shows: the level over the days, the points beyond limits, and the sum."""
    points, say = view.points, words.say
    count, inspected = (sum(getattr(p, name) for p in points) for name in ("count", "inspected"))
    level = say(
        "lane.says_level",
        category=components.sentence(name_of(words, view)),
        totes=say("count.totes", count=len(points)),
        share=of_baseline(words, view, count / inspected),
        pieces=count,
        inspected=inspected,
    )
    if view.kind != "standardised":
        base = of_baseline(words, view, points[-1].center)
        level += say("lane.says_baseline", center=base)
    beyond = say("lane.signals", count=sum(bool(each.beyond) for each in points))
    last = points[-1]
    sums = {"sum": last.total, "limit": last.limit}
    side = "over" if last.total > last.limit else "under"
    figures = {name: words.number(value, ".1f") for name, value in sums.items()}
    told = say(f"lane.says_sum_{side}", **figures)
    return f"{level}. {components.sentence(beyond)}. {told}"


def of_baseline(words: Wording, view: LaneView, fraction: float) -> str:
    """A level in the digits that the baseline's level can bear."""
    base = view.level
    if base is None:
        return words.per_cent(fraction)
    return components.level(words, fraction, base.low, base.high)


def table(words: Wording, view: LaneView) -> html.Details:
    """The newest totes behind the chart, with what is drawn of each."""
    drawn = [] if view.kind in SHARES else ["drawn"]
    names = (
        *("tote", "when", "count", "inspected", "share"),
        *drawn,
        *("lower", "upper", "sum", "sum_limit", "says_column"),
    )
    newest = view.points[-explained.MOST_ROWS :][::-1]
    rows = [
        [
            each.tote,
            words.moment(each.at, view.programme.zone),
            *map(words.count, (each.count, each.inspected)),
            words.per_cent(each.share),
            *(level(words, view, each.value) for _ in drawn),
            *(level(words, view, limit) for limit in (each.lower, each.upper)),
            *(words.number(figure, ".1f") for figure in (each.total, each.limit)),
            reason(words, view, each),
        ]
        for each in newest
    ]
    columns = [words.say(f"lane_column.{name}") for name in names]
    texts = (0, 1, len(names) - 1)
    return explained.behind(
        words, "lane", columns, rows, of=len(view.points), newest=True, texts=texts
    )


def reason(words: Wording, view: LaneView, point: Point) -> str:
    """Why a point signals, in words; blank where it does not."""
    said = [beyond(words, view, point)] if point.beyond else []
    said += [signal_said(words, view, point.rise)] if point.rise else []
    return "; ".join(said)


def level(words: Wording, view: LaneView, value: float) -> str:
    """A level or a limit as the chart has it; one that is not there is written as a dash."""
    if value != value:
        return "–"
    if view.kind == "standardised":
        return words.number(value, ".1f")
    return words.per_cent(value)


def _local(view: LaneView, moment: datetime) -> datetime:
    return moment.astimezone(view.programme.zone).replace(tzinfo=None)
