"""The form that Tally is: which tote, how many pieces, a counter a category, the verdict."""

import json
from typing import Any

from dash import dcc, html

from dashboard import components, explained, people
from dashboard.texts import Wording
from dashboard.views.tally import Running, TallyView

FORM, ANSWER = "tally-form", "tally-answer"
SAVE_AT, FINDING_AT, CLOCK_AT = "/tally/audits", "/tally/findings", "/tally/clock"
BEFORE_AT = "/tally/before"
SCAN_GAP = 100  # milliseconds at most between two keys of a scanner
PURPOSES = ("routine", "re-audit", "for-cause", "head-check", "study")
LIVE = {"data-live": ""}  # what is true only of this moment: it is not kept for later
SAYS = (
    *("uncounted", "minus", "unsaved", "unsaved_trouble", "refused", "refused_title"),
    *("correct_unknown", "save", "saving", "again", "waiting", "all_correct"),
    *("kept", "kept_title", "waiting_tote", "waiting_unsent", "waiting_refused"),
    *("waiting_seen", "waiting_mend", "waiting_busy"),
    *("scanned", "scan_again", "waiting_accepted", "last"),
    *("save_tote", "save_tote_lane"),
)  # what the page's script may have to say


def body(words: Wording, view: TallyView) -> list[Any]:
    say = words.say
    shift = view.running.name
    return [
        components.head(
            say("tally.title"), html.P(lead(words, view.running), id="tally-lead", **LIVE)
        ),
        kept(words, view),
        html.P(id="tally-last", className="tally-last", hidden=True),
        html.Form(
            [
                outbox(words),
                html.Div(
                    [which(words, view, shift), found(words, view), more(words, view)],
                    className="tally-fields",
                ),
                html.Div(
                    [
                        verdict(words),
                        finding(words),
                        caution(words),
                        how(words, view),
                    ],
                    className="tally-aside",
                ),
            ],
            id=FORM,
            className="tally",
            autoComplete="off",
            **script(words, view),
        ),
    ]


def lead(words: Wording, running: Running) -> str:
    """Which shift runs, and how much was logged in it."""
    return words.say(
        "tally.lead",
        shift=running.name,
        day=words.day(running.day),
        audits=words.say("count.audits", count=running.logged),
    )


def kept(words: Wording, view: TallyView) -> html.P:
    """What the page says where it is one that was kept, since there is no network."""
    say, at = words.say, words.moment(view.now, view.programme.zone)
    signs = " " + say("tally.offline_who") if people.person() else ""
    waits = {name: say(f"tally.offline_{name}", count="{count}") for name in ("none", "some")}
    return html.P(
        id="tally-kept",
        className="tally-kept",
        hidden=True,
        role="status",
        **{
            "data-say-gone": say("tally.offline", when=at, waiting="{waiting}") + signs,
            "data-say-back": say("tally.offline_back", waiting="{waiting}"),
            "data-say-anew": say("tally.offline_anew"),
            "data-say-clock": say("tally.offline_clock"),
            **{f"data-say-{name}": text for name, text in waits.items()},
        },
    )


def script(words: Wording, view: TallyView) -> dict[str, str]:
    """What the page's script needs to know and to say."""
    names = {name: words.say(f"tally.{name}", **_kept(name)) for name in SAYS}
    person = people.person()
    return {
        "data-scan-gap": str(SCAN_GAP),
        "data-pull": str(view.programme.pull),
        "data-pulls": json.dumps(pulls(words, view)),
        "data-shift": f"{view.running.day} {view.running.shift}",
        "data-now": view.now.isoformat(),
        "data-counts": " ".join(view.programme.category_codes),
        "data-several": str(view.programme.several_per_piece).lower(),
        "data-save-at": SAVE_AT,
        "data-finding-at": FINDING_AT,
        "data-clock-at": CLOCK_AT,
        "data-before-at": BEFORE_AT,
        "data-inspector": person.name if person else "",
        **{f"data-say-{name.replace('_', '-')}": text for name, text in names.items()},
    }


def _kept(name: str) -> dict[str, str]:
    """Values that only the script knows stay in their braces."""
    places = {
        "minus": ("sum", "inspected"),
        "unsaved_trouble": ("trouble",),
        "refused": ("count",),
        "all_correct": ("count",),
        "kept": ("tote",),
        "waiting_tote": ("tote", "lane"),
        "waiting_refused": ("trouble",),
        "scanned": ("tote", "scanned"),
        "scan_again": ("scanned",),
        "waiting_accepted": ("count",),
        "last": ("tote", "word"),
        "save_tote": ("tote",),
        "save_tote_lane": ("tote", "lane"),
    }
    return {place: f"{{{place}}}" for place in places.get(name, ())}


def pulls(words: Wording, view: TallyView) -> dict[str, dict[str, Any]]:
    """What to pull, by lane and product: the count, the count in words, and what is not normal."""
    said = {}
    for each in view.pulls:
        notes = [
            words.say(
                f"inspection.{found.inspection}", severity=words.say(f"class.{found.severity}")
            )
            for found in each.inspections
        ]
        told = {"pull": each.pieces, "said": words.say("tally.pull", count=each.pieces)}
        said[f"{each.lane} {each.product}"] = {**told, "note": " ".join(notes)}
    return said


def which(words: Wording, view: TallyView, shift: str) -> html.Section:
    """Which tote, by whom and why."""
    say, programme = words.say, view.programme
    lanes = [(each.code, each.code) for each in programme.lanes]
    purposes = [(each, say(f"purpose.{each}")) for each in PURPOSES]
    shifts = [("", say("tally.shift_auto", shift=shift))]
    shifts += [(each.code, each.name) for each in programme.shifts]
    heads = [(each, each) for each in dict.fromkeys(h for e in programme.lanes for h in e.heads)]
    return components.panel(
        None,
        html.Div(
            [
                html.Div(
                    [
                        field("tote", say("tally.tote"), hint=say("tally.tote_hint")),
                        html.P(id="tally-scanned", className="tally-note", role="alert"),
                        html.P(id="tally-before", className="tally-note", role="status"),
                    ]
                ),
                inspector(words, view),
            ],
            className="fields",
        ),
        components.buttons("tally-lane", say("tally.lane"), lanes),
        components.buttons("tally-purpose", say("tally.purpose"), purposes, "routine"),
        html.Div(
            components.buttons("tally-head", say("tally.head"), heads),
            className="hidden",
            **{"data-only": "head-check"},
        ),
        html.Div(
            field("re_sorted_at", say("tally.re_sorted_at"), hint=say("tally.time_hint")),
            className="hidden",
            **{"data-only": "re-audit"},
        ),
        components.buttons("tally-shift", say("tally.shift"), shifts, ""),
        className="tally-which",
    )


def inspector(words: Wording, view: TallyView) -> html.Div:
    """Who pulls: whoever is signed in, and a choice where nobody is or others' totes come in."""
    person, label = people.person(), words.say("tally.inspector")
    if person is None or person.may(people.DECIDE):
        return field("inspector", label, offers=view.inspectors)
    return field("inspector", label, fixed=person.name)


def found(words: Wording, view: TallyView) -> html.Section:
    """How many to pull, and a counter for each category."""
    say, programme = words.say, view.programme
    counters = [
        counter(words, each.code, each.name, say(f"class.{each.severity}"))
        for each in programme.categories
    ]
    if programme.several_per_piece:
        counters.append(counter(words, "correct", say("tally.correct"), ""))
    return components.panel(
        say("tally.counts"),
        asked(words, view),
        html.Div(counters, className="counters"),
        summed(words, view),
    )


def asked(words: Wording, view: TallyView) -> html.Div:
    """How many pieces to pull, how, and how many were."""
    say = words.say
    pull = [
        html.B(say("tally.pull", count=view.programme.pull), id="tally-pull"),
        html.P(say("tally.pull_how"), className="quiet"),
        html.P(say("tally.pull_take"), className="quiet"),
        html.P(id="tally-pull-note", className="tally-note", role="status"),
    ]
    inspected = field("inspected", say("tally.inspected"), number=True)
    return html.Div([html.Div(pull, className="pull"), inspected], className="fields tally-pull")


def summed(words: Wording, view: TallyView) -> html.Div:
    """What follows from the counters, and what is done with it."""
    say = words.say

    def button(name: str, said: str, kind: str = "button", **more: Any) -> html.Button:
        look = "act act-save" if kind == "submit" else "act act-second"
        return html.Button(said, id=f"tally-{name}", type=kind, className=look, **more)

    return html.Div(
        [
            html.P(
                [say("tally.correct"), html.B(id="tally-sum")],
                className="tally-correct",
                role="status",
            ),
            button("undo", say("tally.undo"), disabled=True),
            button("clean", say("tally.all_correct", count=view.programme.pull)),
            components.fault("tally-correct"),
            button("save", say("tally.save"), "submit"),
            components.fault("tally-save"),
            html.Div(
                [
                    html.P(say("tally.twice")),
                    button("same", say("tally.twice_same")),
                    button("re-audit", say("tally.twice_re_audit")),
                    button("number", say("tally.twice_number")),
                ],
                id="tally-twice",
                className="tally-twice",
                role="alert",
                hidden=True,
            ),
            button("clear", say("tally.clear")),
        ],
        className="tally-sum",
    )


def counter(words: Wording, code: str, name: str, note: str) -> html.Div:
    identity = f"tally-{code}"

    def step(sign: str, by: int, said: str) -> html.Button:
        marks = {"data-step": str(by), "data-of": identity, "aria-label": said}
        return html.Button(sign, type="button", className="step", **marks)

    return html.Div(
        [
            html.Label([name, html.Small(note)], htmlFor=identity, className="counter-name"),
            html.Div(
                [
                    step("−", -1, words.say("tally.less", category=name)),
                    dcc.Input(id=identity, type="text", inputMode="numeric", maxLength=6),
                    step("+", 1, words.say("tally.add", category=name)),
                ],
                className="counter-set",
            ),
            components.fault(identity),
        ],
        className="counter",
    )


def more(words: Wording, view: TallyView) -> html.Details:
    say = words.say
    products = [(each.code, each.name) for each in view.programme.products]
    several = [components.buttons("tally-product", say("tally.product"), products)]
    return html.Details(
        [
            html.Summary(say("tally.more")),
            html.Div(
                [
                    *(several if len(products) > 1 else ()),
                    field("pulled_at", say("tally.pulled_at"), hint=say("tally.time_hint")),
                    field("raw_lot", say("tally.raw_lot")),
                    field("pieces_in_tote", say("tally.pieces_in_tote"), number=True),
                    field("note", say("tally.note")),
                ],
                className="fields",
            ),
        ],
        className="panel",
    )


def outbox(words: Wording) -> html.Section:
    """What waits in this browser; the page's script fills it in."""
    said = [html.H2(words.say("tally.waiting_title")), html.Ul([])]
    return html.Section(
        said, id="tally-outbox", className="panel tally-outbox", hidden=True, role="status"
    )


def verdict(words: Wording) -> html.Section:
    return html.Section(
        [
            html.H2(words.say("tally.answer")),
            html.Div(
                html.P(words.say("tally.waiting"), className="quiet"),
                id=ANSWER,
                role="status",
                **{"aria-live": "assertive"},
            ),
        ],
        id="tally-verdict",
        className="panel answer",
    )


def how(words: Wording, view: TallyView) -> html.Section:
    """How many to pull, and by what the verdict comes; no number that a count could aim at."""
    known = {"pull": words.count(view.programme.pull)}
    worked = explained.how(words, "tally", ("tally_pull", known), ("tally_verdict", known))
    return components.panel(None, worked, className="tally-how")


def caution(words: Wording) -> html.Section:
    return components.panel(
        words.say("tally.caution"),
        html.P(words.say("tally.workmanship")),
        className="caution",
    )


def finding(words: Wording) -> html.Details:
    """A food-safety finding, which locks whatever the sample says."""
    say = words.say
    return html.Details(
        [
            html.Summary(say("tally.finding")),
            html.P(say("tally.finding_lead"), className="quiet"),
            field("what", say("tally.finding_what")),
            html.Button(
                say("tally.finding_save"), id="tally-lock", type="button", className="act act-alarm"
            ),
        ],
        className="panel tally-finding",
    )


def field(name: str, label: str, **more: Any) -> html.Div:
    return components.field(f"tally-{name}", label, **more)
