"""What stands with every figure: what it says, the table behind it, and how it is worked out."""

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from dash import html

from dashboard import components
from dashboard.texts import Wording
from dashboard.views.plan import class_wishes
from dashboard.views.record import Share
from qa.programme import Programme
from qa.wording import decimals_apart

GLOSSARY = "/words"
MOST_ROWS = 60  # of a table behind a chart
Worked = tuple[str, Mapping[str, Any]]  # the name of a method in the texts, and its inputs at hand

# The words that each method uses, as the glossary has them.
TERMS: dict[str, tuple[str, ...]] = {
    "floor_share": ("percent_correct", "as_made", "cluster", "stratum", "interval"),
    "floor_status": ("drifting", "watch", "steady", "no_audits", "cusum", "false_alarm"),
    "floor_recent": ("audit", "incorrect", "accept", "reject"),
    "lane_levels": ("control_limits", "overdispersion", "correlation", "false_alarm"),
    "lane_sum": ("cusum", "baseline", "run_length", "change_point"),
    "lane_heads": ("head", "interval"),
    "lane_sources": ("false_alarm", "stratum"),
    "shift_cells": ("category", "baseline", "interval", "cluster"),
    "shift_tiles": ("as_made", "lot", "hold", "release"),
    "plan_answer": ("sample_size", "acceptance_number", "aql", "producer_risk", "consumer_risk"),
    "plan_curve": ("oc", "sensitivity", "correlation"),
    "plan_risks": ("asn", "ati", "aoq"),
    "plan_work": ("asn", "ati", "aoq", "aoql"),
    "plan_pull": ("sample_size", "correlation", "design_effect"),
    "claim_answer": ("bound", "confidence_level", "correlation", "design_effect", "effective_n"),
    "claim_picture": ("bound", "as_made", "as_shipped", "confidence_sequence"),
    "claim_ahead": ("cluster", "correlation"),
    "claim_changes": ("stratum", "correlation"),
    "claim_study": ("sensitivity", "specificity", "kappa"),
    "tally_pull": ("sample_size", "aql", "inspection"),
    "tally_verdict": ("accept", "reject", "acceptance_number", "hold", "release"),
    "ledger_check": ("audit",),
    "setup_targets": ("percent_correct", "confidence_level", "false_alarm", "correlation"),
    "setup_plans": ("aql", "inspection_level", "acceptance_number", "class"),
    "setup_baselines": ("baseline", "control_limits"),
    "inspectors": ("interval", "false_alarm", "sensitivity"),
}


def charted(says: str, chart: Iterable[Any], *details: html.Details) -> html.Div:
    """A chart with what it says above it, and below it its figures and how it is worked out."""
    return html.Div(
        [html.P(says, className="chart-says"), *chart, more(*details)], className="charted"
    )


def more(*details: html.Details) -> html.Div:
    """What opens below a figure, side by side."""
    return html.Div(list(details), className="chart-more")


def behind(
    words: Wording,
    identity: str,
    columns: Sequence[str],
    rows: Sequence[Sequence[Any]],
    *,
    of: int | None = None,
    newest: bool = False,
    texts: Iterable[int] = (0,),
    title: str = "",
) -> html.Details:
    """The figures behind a chart as a table: figures at the right, those at `texts` at the left.

    Rows come in the order in which they are to be read; `newest` says that it is the newest first.
    `of` says how many there are where not all of them are told; `title` what opens it.
    """
    shown = rows[:MOST_ROWS]
    every = len(rows) if of is None else of
    left = every - len(shown)
    told = {"shown": len(shown), "count": every}
    caption = words.say("behind.some", **told) if left > 0 else words.say("behind.all", count=every)
    if newest:
        caption = words.say("behind.newest", **told)
    numbers = set(range(len(columns))) - set(texts)
    title = title or words.say("behind.title")
    table = components.table(caption, columns, shown, name=title, numbers=numbers)
    return html.Details([html.Summary(title), table], id=f"{identity}-behind", className="behind")


def how(words: Wording, identity: str, *worked: Worked) -> html.Details:
    """How figures are worked out: for each the method, its inputs at hand, and whose it is."""
    several = len(worked) > 1
    parts = [part for name, inputs in worked for part in _worked(words, name, inputs, several)]
    terms = dict.fromkeys(term for name, _ in worked for term in TERMS[name])
    return html.Details(
        [html.Summary(words.say("how.title")), *parts, _terms(words, list(terms))],
        id=f"{identity}-how",
        className="how",
    )


def _worked(
    words: Wording, name: str, inputs: Mapping[str, Any], several: bool
) -> list[html.H3 | html.Dl]:
    told = [
        ("how.method", words.say(f"how_method.{name}", **inputs)),
        ("how.inputs", words.say(f"how_inputs.{name}", **inputs)),
        ("how.source", words.say(f"how_source.{name}")),
    ]
    listed = [
        html.Div([html.Dt(words.say(key)), html.Dd(text)], className="how-part")
        for key, text in told
    ]
    title = [html.H3(words.say(f"how_of.{name}"))] if several else []
    return [*title, html.Dl(listed)]


def _terms(words: Wording, terms: Sequence[str]) -> html.Nav:
    """The words that it uses, each with its place in the glossary."""
    links = [
        html.A(words.say(f"word.{each}"), href=f"{GLOSSARY}#{each}", className="term")
        for each in terms
    ]
    name = words.say("how.words")
    said = html.Span(name, className="how-name")
    return html.Nav([said, *links], className="how-terms", **{"aria-label": name})


def rests(words: Wording, share: Share | None) -> str:
    """What a share rests on: totes, pieces, and how alike the pieces of a tote are."""
    if share is None:
        return words.say("share.none")
    told = words.say(
        "how.rests",
        totes=words.say("count.totes", count=share.totes),
        count=share.count,
        inspected=share.inspected,
    )
    if share.correlation != share.correlation:
        return told
    known = {
        "correlation": words.number(share.correlation, ".3f"),
        "effective": words.count(share.effective_n),
    }
    return f"{told}{words.say('how.alike', **known)}"


def plans(words: Wording, programme: Programme) -> str:
    """The plan of each class, as the floor judges by it."""
    told = []
    for wish in class_wishes(programme):
        names = ", ".join(words.say(f"class.{each}") for each in wish.classes)
        asked = {name: components.figured(words, each) for name, each in wish.asked.items()}
        told.append(words.say(f"plan.of_class_{wish.way}", classes=names, **asked))
    return "; ".join(told) or words.say("how.no_plans")


def ends(words: Wording, share: Share, target: float | None = None) -> list[str]:
    """A share and the ends of its interval, with the decimals that they can bear.

    Beside a target with as many as keep each end on its side of it.
    """
    places = decimals_apart(share.low, share.high, target)
    return [
        words.per_cent(each, decimals=places) for each in (share.fraction, share.low, share.high)
    ]


def counts(words: Wording, share: Share) -> list[str]:
    """The pieces of the kind, those inspected, and the totes."""
    return [words.count(each) for each in (share.count, share.inspected, share.totes)]
