"""Words: what the terms on the screens mean, and where they come from."""

from collections.abc import Callable
from datetime import datetime
from typing import Any

from dash import Dash, html

from dashboard import components
from dashboard.explained import GLOSSARY
from dashboard.texts import Wording, words
from qa.store.schema import Store

PATH, TITLE = GLOSSARY, "words.title"
BODY = "words-body"
GROUPS: dict[str, tuple[str, ...]] = {
    "plant": (
        *("piece", "line", "lane", "nest", "head", "tote", "lot", "production_day", "shift"),
        *("programme", "event"),
    ),
    "audit": (
        *("audit", "inspected", "correct", "incorrect", "purpose", "head_check", "category"),
        *("class", "specification", "percent_correct", "as_made", "as_shipped"),
    ),
    "verdict": (
        *("accept", "reject", "pull_more", "hold", "release", "re_audit", "re_sort", "rework"),
        *("scrap", "disposition", "finding", "locked", "gross_limit"),
    ),
    "sampling": (
        *("sample_size", "lot_size", "acceptance_number", "rejection_number", "plan_kind", "aql"),
        *("lq", "inspection_level", "code_letter", "inspection", "discontinued"),
        *("producer_risk", "consumer_risk", "oc", "asn", "ati", "aoq", "aoql", "rectifying"),
    ),
    "estimation": (
        *("estimate", "interval", "confidence_level", "bound", "cluster", "stratum", "weight"),
        *("correlation", "design_effect", "effective_n", "confidence_sequence"),
        *("sensitivity", "specificity", "kappa"),
    ),
    "charts": (
        *("baseline", "control_chart", "center", "control_limits", "overdispersion", "signal"),
        *("false_alarm", "cusum", "ewma", "run_rule", "run_length", "change_point"),
    ),
    "status": ("steady", "watch", "drifting", "no_audits"),
}


def layout() -> list[Any]:
    return body(words())


def register(app: Dash, store: Store, now: Callable[[], datetime]) -> None:
    del app, store, now  # it shows nothing of a store


def body(words: Wording) -> list[Any]:
    say = words.say
    names = [(say(f"words_group.{each}"), f"#words-{each}", False) for each in GROUPS]
    return [
        components.head(say("words.title"), html.P(say("words.lead"))),
        html.Div(components.links(say("words.groups"), names), className="filters"),
        html.Div([group(words, name) for name in GROUPS], id=BODY),
    ]


def group(words: Wording, name: str) -> html.Section:
    """Words that belong together, in the order in which they build on one another."""
    entries = [entry(words, each) for each in GROUPS[name]]
    listed = html.Dl(entries, className="words")
    return components.panel(words.say(f"words_group.{name}"), listed, id=f"words-{name}")


def entry(words: Wording, term: str) -> html.Div:
    """A word, what it means, and whose word it is."""
    return html.Div(
        [
            html.Dt(words.say(f"word.{term}")),
            html.Dd(
                [
                    words.say(f"word_means.{term}"),
                    " ",
                    html.Small(words.say(f"word_from.{term}"), className="quiet"),
                ]
            ),
        ],
        id=term,
        tabIndex=-1,
    )
