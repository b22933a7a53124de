"""What people record on a lane's page: events, answers to signals, a baseline, what was wrong."""

from typing import Any

from dash import dcc, html

from dashboard import components, people
from dashboard.pages.sending import asked_who
from dashboard.texts import Wording
from dashboard.views import signals
from dashboard.views.deeds import KINDS, Event
from dashboard.views.keeping import ALL
from dashboard.views.lane import LaneView
from dashboard.views.signals import MOST_ASIDE, REACHES, ChosenBaseline, Programme, Signal

EVENT_AT, ANSWER_AT = "/lane/events", "/lane/acknowledgements"
BASE_AT, UNDO_AT = "/lane/baselines", "/lane/withdrawals"
NAMES = ("lane", "lane-ack", "lane-base", "lane-undo")  # of the forms
MOST_ASKED = 12  # signals offered to be answered
BASE_BOX, BASE_FIRST, BASE_LAST = "lane-base-box", "lane-base-first", "lane-base-last"


def recorded(words: Wording, event: Event) -> str:
    kind = words.say(f"event.{event.kind}")
    return words.say("lane.event_saved", lane=event.lane, kind=kind)


def events(words: Wording, view: LaneView) -> html.Details:
    """What was done to the lane, as people enter it; open where inspection waits for it."""
    stopped = any(each.stopped for each in view.inspections)
    form = entering(words, view) if people.may(people.DECIDE) else []
    return html.Details(
        [html.Summary(words.say("lane.event")), done(words, view), *form],
        className="panel no-print",
        open=stopped or bool(view.events),
    )


def entering(words: Wording, view: LaneView) -> list[Any]:
    """The form for what was done."""
    say = words.say
    kinds = [(each, say(f"event.{each}")) for each in KINDS]
    return [
        html.P(say("lane.event_lead"), className="quiet"),
        components.form(
            words,
            "lane",
            EVENT_AT,
            say("lane.event_save"),
            dcc.Input(id="lane-lane", type="hidden", value=view.lane),
            components.buttons("lane-kind", say("lane.event_kind"), kinds),
            html.Div(
                [
                    components.field("lane-what", say("lane.event_what")),
                    asked_who(words, "lane-who"),
                    components.field("lane-when", say("form.when"), hint=say("form.hint")),
                ],
                className="fields",
            ),
        ),
    ]


def done(words: Wording, view: LaneView) -> Any:
    """What was recorded lately."""
    if not view.events:
        return html.P(words.say("lane.events_none"), className="quiet")
    lines = [
        words.say(
            "lane.event_line",
            when=words.moment(each.at, view.programme.zone),
            kind=words.say(f"event.{each.kind}"),
            by=each.by,
            what=each.what,
        )
        for each in view.events
    ]
    return html.Ul([html.Li(each) for each in lines])


def ends(chosen: str | None) -> tuple[str, str] | None:
    """Both ends of the stretch that was dragged over, as the chart gives them; None for none."""
    first, _, last = str(chosen or "").partition("/")
    return (first, last) if last else None


def named(words: Wording, programme: Programme, signal: Signal) -> str:
    """A signal's category as people call it."""
    if signal.category == ALL:
        return words.say("category.correct")
    return next(each.name for each in programme.categories if each.code == signal.category)


def acknowledged(words: Wording, programme: Programme, signal: Signal) -> str:
    when = words.moment(signal.excursion.signalled_at, programme.zone)
    return words.say("lane.ack_saved", category=named(words, programme, signal), when=when)


def chosen(words: Wording, made: ChosenBaseline) -> str:
    days = {"first": words.day(made.first_day), "last": words.day(made.last_day)}
    if made.lane is None:
        return words.say("lane.base_saved_all", **days)
    return words.say("lane.base_saved", lane=made.lane, **days)


def deciding(words: Wording, view: LaneView) -> list[html.Details]:
    """What is said of signals, and a baseline, where whoever looks may decide."""
    if not people.may(people.DECIDE):
        return []
    return [*answers(words, view), baseline(words, view)]


def answers(words: Wording, view: LaneView) -> list[html.Details]:
    """What caused a signal and what was done: open while a signal waits for it."""
    say, zone = words.say, view.programme.zone
    waiting = [each for each in view.signals if each.state == "open"]
    rest = [each for each in view.signals if each.state != "open" and each.said is None]
    which = [
        (
            each.key,
            say(
                "lane.ack_which",
                category=named(words, view.programme, each),
                when=words.moment(each.excursion.signalled_at, zone),
            ),
        )
        for each in (*waiting, *rest)[:MOST_ASKED]
    ]
    if not which:
        return []
    form = components.form(
        words,
        "lane-ack",
        ANSWER_AT,
        say("lane.ack_save"),
        dcc.Input(id="lane-ack-lane", type="hidden", value=view.lane),
        components.buttons(
            "lane-ack-signal",
            say("lane.ack_signal"),
            which,
            waiting[0].key if len(waiting) == 1 else "",
        ),
        html.Div(
            [
                components.field("lane-ack-cause", say("lane.ack_cause")),
                components.field("lane-ack-done", say("lane.ack_done")),
                asked_who(words, "lane-ack-who"),
            ],
            className="fields",
        ),
    )
    lead = html.P(say("lane.ack_lead"), className="quiet")
    return [
        html.Details(
            [html.Summary(say("lane.ack")), lead, form],
            className="panel no-print",
            open=bool(waiting),
        )
    ]


def baseline(words: Wording, view: LaneView) -> html.Details:
    """A baseline for the days that were dragged over, or typed."""
    say = words.say
    reaches = [(each, say(f"lane.base_{each}", lane=view.lane)) for each in REACHES]
    fields = [
        components.field(BASE_FIRST, say("lane.base_first"), hint=say("lane.base_hint")),
        components.field(BASE_LAST, say("lane.base_last"), hint=say("lane.base_hint")),
        components.field(
            "lane-base-aside",
            say("lane.base_aside"),
            hint=say("lane.base_aside_hint"),
            most=MOST_ASIDE,
        ),
        components.field("lane-base-why", say("shift.reason")),
        asked_who(words, "lane-base-who"),
    ]
    form = components.form(
        words,
        "lane-base",
        BASE_AT,
        say("lane.base_save"),
        dcc.Input(id="lane-base-lane", type="hidden", value=view.lane),
        components.buttons("lane-base-reach", say("lane.base_reach"), reaches),
        html.Div(fields, className="fields"),
    )
    lead = html.P(say("lane.base_lead"), className="quiet")
    return html.Details(
        [html.Summary(say("lane.base")), lead, form], id=BASE_BOX, className="panel no-print"
    )


def undo(words: Wording, view: LaneView) -> list[html.Details]:
    """What was entered wrongly, withdrawn with its reason."""
    say, zone = words.say, view.programme.zone
    which = [
        (
            f"{signals.EVENT}|{each.key}",
            say(
                "lane.undo_event",
                kind=say(f"event.{each.kind}"),
                when=words.moment(each.at, zone),
                what=each.what,
            ),
        )
        for each in view.events
    ]
    which += [
        (
            f"{signals.ANSWER}|{each.said.key}",
            say("lane.undo_ack", category=named(words, view.programme, each), by=each.said.by),
        )
        for each in view.signals
        if each.said
    ]
    if not which or not people.may(people.DECIDE):
        return []
    form = components.form(
        words,
        "lane-undo",
        UNDO_AT,
        say("lane.undo_save"),
        components.buttons("lane-undo-which", say("lane.undo_which"), which),
        html.Div(
            [
                components.field("lane-undo-why", say("shift.reason")),
                asked_who(words, "lane-undo-who"),
            ],
            className="fields",
        ),
    )
    lead = html.P(say("lane.undo_lead"), className="quiet")
    return [html.Details([html.Summary(say("lane.undo")), lead, form], className="panel no-print")]
