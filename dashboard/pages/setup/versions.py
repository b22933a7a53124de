"""The versions of the programme, and what two of them say differently, in words."""

from collections.abc import Sequence
from typing import Any

from dash import html

from dashboard import components
from dashboard.texts import Wording
from dashboard.views.setup import TEXT, SetupView
from qa.amending import PARTS, Difference

PATH = "/setup"


def body(words: Wording, view: SetupView) -> html.Div:
    say, zone = words.say, view.programme.zone
    columns = [say(f"setup.{name}") for name in ("version", "since", "by", "reason", "changes")]
    rows = [
        [
            str(each.version),
            f"{each.at.astimezone(zone):%Y-%m-%d} {words.clock(each.at, zone)}",
            each.by,
            each.reason,
            listed(words, each.changes) if each.version > 1 else say("setup.first"),
        ]
        for each in view.versions
    ]
    table = components.table(None, columns, rows, say("setup_part.versions"), stacks=columns)
    parts = [components.panel(say("setup_part.versions"), table, id="setup-versions")]
    if len(view.versions) > 1:
        parts.append(between(words, view))
    return html.Div(parts)


def between(words: Wording, view: SetupView) -> html.Section:
    """Any two versions side by side: the question lives in the address."""
    say = words.say
    numbers = [(str(each.version), str(each.version)) for each in view.versions]
    older = str(view.older or view.versions[1].version)
    newer = str(view.newer or view.versions[0].version)
    form = html.Form(
        [
            html.Div(
                [
                    components.select("setup-older", say("setup.older"), numbers, older, "older"),
                    components.select("setup-newer", say("setup.newer"), numbers, newer, "newer"),
                ],
                className="fields",
            ),
            html.Button(say("setup.compare"), type="submit", className="act act-second"),
        ],
        className="form",
        key=f"{older} {newer}",
        **{"data-to": PATH},
    )
    told = []
    if view.older is not None:
        head = say("setup.between", older=view.older, newer=view.newer)
        told = [html.P(head, className="quiet"), listed(words, view.between)]
    return components.panel(say("setup.side_by_side"), form, *told, id="setup-between")


def listed(words: Wording, changes: Sequence[Difference]) -> Any:
    if not changes:
        return words.say("setup.layout_only")
    return html.Ul([html.Li(told(words, each)) for each in changes], className="says")


def changed(words: Wording, changes: Sequence[Difference]) -> str:
    """What a form hears back: what is in force from now on."""
    if not changes:
        return words.say("setup.same")
    if changes[0].part == TEXT:
        return words.say("setup.layout_saved")
    return words.say("setup.saved", changes="; ".join(told(words, each) for each in changes))


def told(words: Wording, change: Difference) -> str:
    """One difference as a sentence."""
    say, part = words.say, PARTS[change.part]
    row = say(f"class.{change.row}") if part.names else change.row
    of = say(f"setup_one.{change.part}", row=row)
    if not change.field:
        kind, held = ("taken", change.before) if change.before else ("added", change.after)
        return say(f"setup.{kind}", of=of, held=held)
    field = say(f"setup_field.{change.field}")
    blank = say("setup.left_out")
    return say(
        "setup.change",
        of=of,
        field=field,
        before=components.figured(words, change.before) or blank,
        after=components.figured(words, change.after) or blank,
    )
