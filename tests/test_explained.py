"""What stands with every figure: its help, the table behind it, and the words it uses."""

import re
from collections.abc import Iterator, Mapping
from dataclasses import replace
from datetime import date
from math import nan
from typing import Any

import numpy as np
import plotly.graph_objects as go
import pytest
from dash.development.base_component import Component

from dashboard import explained
from dashboard.pages import claim as claim_page
from dashboard.pages import floor as floor_page
from dashboard.pages import glossary, inspectors
from dashboard.pages import lane as lane_page
from dashboard.pages import plan as plan_page
from dashboard.pages import setup as setup_page
from dashboard.pages import shift as shift_page
from dashboard.pages import tally as tally_page
from dashboard.pages.lane import head_checks
from dashboard.pages.ledger import listing
from dashboard.texts import words
from dashboard.views import (
    claim,
    floor,
    lane,
    ledger,
    plan,
    setup,
    shift,
    sources,
    tally,
)
from dashboard.views.choices import KINDS, Choices
from dashboard.views.record import Share
from qa import drift
from qa.store import records, schema
from tests.small_plant import NOW, small_plant

DAYS = "?first=2026-04-01&last=2026-04-10"
TWO_PLANS = "?way=numbers&n=200&ac=3&beside=way%3Dnumbers%26n%3D125%26ac%3D2"
CHARTS = ("floor", "lane", "shift", "plan", "claim", "inspectors")
HELPED = (*CHARTS, "tally", "ledger", "setup")


@pytest.fixture(scope="module")
def plant(tmp_path_factory: pytest.TempPathFactory) -> Iterator[schema.Store]:
    opened = small_plant(tmp_path_factory.mktemp("explained") / "plant.db")
    yield opened
    opened.engine.dispose()


@pytest.fixture(scope="module")
def pages(plant: schema.Store) -> dict[str, list[Any]]:
    """Every page that shows a figure, as it is drawn."""
    text, yesterday = words(), Choices(day=date(2026, 4, 19), shift="morning")
    asked = claim.view(plant, DAYS)
    beside = claim.beside(plant, DAYS)
    assert beside is not None
    return {
        "floor": floor_page.body(text, floor.view(plant, Choices(), NOW)),
        "lane": lane_page.body(text, lane.view(plant, Choices(lane="2"), NOW)),
        "shift": shift_page.body(text, shift.view(plant, yesterday, NOW)),
        "plan": plan_page.body(text, plan.view(plant, TWO_PLANS, NOW)),
        "claim": [*claim_page.body(text, asked), *claim_page.more(text, beside)],
        "tally": tally_page.body(text, tally.view(plant, NOW)),
        "ledger": listing.body(text, ledger.view(plant, {})),
        "setup": setup_page.body(text, setup.view(plant, "?part=targets"), None),
        "inspectors": inspectors.body(text, two_inspectors(plant)),
    }


def two_inspectors(plant: schema.Store) -> sources.InspectorsView:
    """What the page would show if the totes of every other hour had been somebody else's."""
    tallies, programme = records.tallies(plant), records.programme(plant)
    who = np.where(tallies["pulled_at"].dt.hour % 2, "insp-01", "insp-02")
    found = drift.sources(tallies.assign(inspector=who), programme, by="inspector")
    return replace(sources.inspectors(plant), found=found)


def within(part: Any, above: tuple[Component, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """Every element of a page with those that it stands in, the outermost first."""
    if isinstance(part, (list, tuple)):
        for each in part:
            yield from within(each, above)
    elif isinstance(part, Component):
        yield (*above, part)
        yield from within(getattr(part, "children", None), (*above, part))


def every(part: Any, look: str) -> list[Any]:
    """The elements of a page that wear a look, or are of a kind."""
    found = [path[-1] for path in within(part)]
    return [each for each in found if look in looks(each) or type(each).__name__ == look]


def looks(element: Any) -> list[str]:
    return str(getattr(element, "className", "")).split()


def text_of(part: Any) -> str:
    if isinstance(part, (list, tuple)):
        return "".join(text_of(each) for each in part)
    if isinstance(part, Component):
        return text_of(getattr(part, "children", ""))
    return "" if part is None else str(part)


def table_of(details: Any) -> list[list[str]]:
    """The rows of a table behind a chart, as texts."""
    [body] = every(details, "Tbody")
    return [[text_of(cell) for cell in row.children] for row in body.children]


def named(page: Any, identity: str) -> Any:
    [found] = [path[-1] for path in within(page) if getattr(path[-1], "id", None) == identity]
    return found


# Every chart, and every figure


@pytest.mark.parametrize("name", CHARTS)
def test_every_chart_says_what_it_shows_and_has_its_figures_and_its_help(
    name: str, pages: Mapping[str, Any]
) -> None:
    drawn = [path for path in within(pages[name]) if getattr(path[-1], "role", "") == "img"]
    assert drawn, "no chart on the page"
    for path in drawn:
        [box] = [each for each in path if "charted" in looks(each)]
        [said] = every(box, "chart-says")
        assert text_of(said).endswith(".")
        assert every(box, "how")
        tables = every(box, "behind")
        assert tables
        assert all(table_of(each) for each in tables)


@pytest.mark.parametrize("name", HELPED)
def test_every_help_says_method_inputs_and_source_and_leads_to_its_words(
    name: str, pages: Mapping[str, Any]
) -> None:
    known = {term for group in glossary.GROUPS.values() for term in group}
    helps = every(pages[name], "how")
    assert helps
    for each in helps:
        heads = [text_of(term) for term in every(each, "Dt")]
        assert heads[:3] == ["Method", "At hand", "Source"]
        assert heads == heads[:3] * (len(heads) // 3)
        assert all(text_of(told).strip() for told in every(each, "Dd"))
        links = [link.href for link in every(each, "term")]
        assert links
        assert {link.partition("#")[2] for link in links} <= known


def test_ids_of_details_are_there_and_are_one_each(pages: Mapping[str, Any]) -> None:
    for name, page in pages.items():
        made = [each.id for look in ("how", "behind") for each in every(page, look)]
        assert len(set(made)) == len(made), name


def test_figures_stand_at_the_right_and_their_heads_with_them(pages: Mapping[str, Any]) -> None:
    for page in pages.values():
        for details in every(page, "behind"):
            [head], [body] = every(details, "Thead"), every(details, "Tbody")
            wanted = ["number" in looks(each) for each in head.children.children]
            assert any(wanted)
            for row in body.children:
                assert ["number" in looks(each) for each in row.children] == wanted


# Tables agree with what is drawn


def test_floor_s_table_has_the_figures_beside_its_strips(
    pages: Mapping[str, Any], plant: schema.Store
) -> None:
    view = floor.view(plant, Choices(), NOW)
    rows = table_of(named(pages["floor"], "floor-behind"))
    shown = [share for row in view.rows for share in (row.shift, row.week) if share]
    beside = [text_of(each) for each in every(pages["floor"], "row-figure")]
    assert len(rows) == len(beside) == len(shown)
    for row, said in zip(rows, beside, strict=True):
        told = f"{row[2]} ({row[3].removesuffix(' %')} to "
        assert said.startswith(told)
        assert said.removeprefix(told) in (f"{row[4].removesuffix(' %')})", ">99.9)")
    assert [[row[5], row[6], row[7]] for row in rows] == [
        [f"{each:,}" for each in (one.count, one.inspected, one.totes)] for one in shown
    ]


def test_floor_s_audits_are_the_newest_and_say_what_is_left_out(
    pages: Mapping[str, Any], plant: schema.Store
) -> None:
    view = floor.view(plant, Choices(), NOW)
    marks = sorted(
        (mark for row in view.rows for mark in row.recent),
        key=lambda each: each.pulled_at,
        reverse=True,
    )
    details = named(pages["floor"], "floor-recent-behind")
    assert [row[0] for row in table_of(details)] == [each.tote for each in marks[:24]]
    assert f"Newest first: 24 of {len(marks)}." in text_of(every(details, "Caption"))


@pytest.mark.parametrize("kind", KINDS)
def test_lane_s_table_has_what_is_drawn_newest_first(kind: str, plant: schema.Store) -> None:
    view = lane.view(plant, Choices(lane="2", category="stem", days=60, chart=kind), NOW)
    page = lane_page.body(words(), view)
    [chart] = [path[-1] for path in within(page) if type(path[-1]).__name__ == "Chart"]
    [levels, total] = [trace(go.Figure(chart.figure), row) for row in (0, 1)]
    rows = table_of(named(page, "lane-behind"))
    newest = view.points[::-1][: explained.MOST_ROWS]
    assert [row[0] for row in rows] == [each.tote for each in newest]
    drawn = 5 if kind in ("ewma", "standardised") else 4
    for row, level, reached in zip(rows, levels[::-1], total[::-1], strict=False):
        assert float(row[drawn].removesuffix(" %")) == pytest.approx(level, abs=0.051)
        assert float(row[-3]) == pytest.approx(reached, abs=0.051)
    signals = [bool(each.beyond or each.rise) for each in newest]
    assert [bool(row[-1]) for row in rows] == signals
    assert any(signals)


def trace(figure: go.Figure, place: int) -> list[float]:
    """What is drawn of the totes: their levels as points, the sum as the blue line."""
    mode = ("markers", "lines")[place]
    [found] = [
        each
        for each in figure.data
        if each.mode == mode and (each.marker if not place else each.line).color == "#0072B2"
    ]
    return [each for each in found.y if each is not None]


def test_lane_s_heads_have_the_figures_beside_their_strips(pages: Mapping[str, Any]) -> None:
    rows = table_of(named(pages["lane"], "lane-heads-behind"))
    [panel] = every(pages["lane"], "lane-heads")
    beside = [text_of(each) for each in every(panel, "nowrap")]
    assert [row[1] for row in rows] == [f"{each.partition(' %')[0]} %" for each in beside]


def test_floor_names_the_whole_line_where_it_lies_beside_the_target(plant: schema.Store) -> None:
    view = floor.view(plant, Choices(), NOW)
    rows = sorted(view.rows, key=lambda each: each.lane)
    week = rows[0].week
    assert week is not None
    under, about = replace(week, low=0.987, high=0.9897), replace(week, low=0.98, high=0.999)
    for line, lane_4, said in (
        (under, under, "the whole line and lane 4 lie below it beyond chance."),
        (under, about, ": the whole line lies below it beyond chance."),
        (about, under, ": lane 4 lies below it beyond chance."),
        (about, about, ": neither the whole line nor any lane is apart from it beyond chance."),
    ):
        weeks = tuple(replace(row, week=lane_4 if row.lane == "4" else about) for row in rows)
        assert said in floor_page.says(words(), replace(view, line_week=line, rows=weeks))


def test_floor_s_limits_are_written_on_their_side_of_the_target(plant: schema.Store) -> None:
    view = floor.view(plant, Choices(), NOW)
    row = view.rows[0]
    assert row.week is not None
    near = replace(row.week, fraction=0.9914, low=0.98972, high=0.9931)
    page = floor_page.body(words(), replace(view, rows=(replace(row, week=near),), line_week=near))
    assert str(page).count("(98.97 to 99.31)") == 2
    assert "98.97" in text_of(named(page, "floor-behind"))
    assert "99.0 to 99.3" not in str(page)


def test_a_budget_of_one_false_alarm_is_no_plural(plant: schema.Store) -> None:
    view = floor.view(plant, Choices(), NOW)
    for alarms, said in ((1.0, "may give one false alarm a week"), (2.0, "2 false alarms a week")):
        programme = replace(view.programme, false_alarms_per_week=alarms)
        assert said in str(floor_page.how(words(), replace(view, programme=programme)))


@pytest.mark.parametrize(
    ("category", "own"), [("stem", "signals of its own"), ("correct", "own a")]
)
def test_a_lane_says_which_sums_its_signals_are_of(
    category: str, own: str, plant: schema.Store
) -> None:
    view = lane.view(plant, Choices(lane="2", category=category), NOW)
    assert view.signals
    assert own in str(lane_page.history(words(), view))


def test_heads_have_so_much_correct_and_not_so_much_per_cent_correct(plant: schema.Store) -> None:
    view = lane.view(plant, Choices(lane="2", category="correct"), NOW)
    shares = ((0.97, 0.99), (0.96, 0.985))
    heads = tuple(
        lane.Head(name, Share((low + high) / 2, low, high, 1, 100, 5))
        for name, (low, high) in zip("AB", shares, strict=True)
    )
    said = head_checks.says(words(), replace(view, heads=heads))
    assert "head A has 98.0 % correct, head B 97.2 %" in said


@pytest.mark.parametrize(
    ("shares", "said"),
    [
        (
            [(0.001, 0.01), (0.02, 0.04)],
            "more stem left on than head A beyond chance, 3.0 % against",
        ),
        ([(0.001, 0.03), (0.02, 0.04)], "their intervals meet"),
        ([(0.001, 0.03)], "nothing to hold side by side"),
    ],
)
def test_heads_are_apart_where_their_intervals_do_not_meet(
    shares: list[tuple[float, float]], said: str, plant: schema.Store
) -> None:
    view = lane.view(plant, Choices(lane="2", category="stem"), NOW)
    heads = tuple(
        lane.Head(name, Share((low + high) / 2, low, high, 3, 150, 1))
        for name, (low, high) in zip("AB", shares, strict=False)
    )
    assert said in head_checks.says(words(), replace(view, heads=heads))


def test_shift_s_table_has_every_share_of_the_sheet(
    pages: Mapping[str, Any], plant: schema.Store
) -> None:
    view = shift.view(plant, Choices(day=date(2026, 4, 19), shift="morning"), NOW)
    rows = table_of(named(pages["shift"], "shift-behind"))
    shown = [
        share
        for row in view.rows
        for share in (row.correct, *(cell.now for cell in row.cells.values()))
        if share
    ]
    assert [row[5:8] for row in rows] == [
        [f"{each:,}" for each in (one.count, one.inspected, one.totes)] for one in shown
    ]
    for row, one in zip(rows, shown, strict=True):
        assert float(row[2].removesuffix(" %")) == pytest.approx(100 * one.fraction, abs=0.051)


@pytest.mark.parametrize(
    ("graph", "table", "lines"),
    [("plan-oc", "plan-oc-behind", (0, 1)), ("plan-work", "plan-pieces_unit-behind", (0,))],
)
def test_plan_s_tables_lie_on_its_curves(
    graph: str, table: str, lines: tuple[int, ...], pages: Mapping[str, Any]
) -> None:
    chart = named(pages["plan"], graph)
    rows = table_of(named(pages["plan"], table))
    for place in lines:
        curve = go.Figure(chart.figure).data[place]
        on_curve = {f"{x:.2f}": y for x, y in zip(curve.x, curve.y, strict=True)}
        for row in rows:
            told = float(row[1 + place].replace(",", ""))
            assert told == pytest.approx(on_curve[row[0]], abs=0.51 if told > 100 else 0.0051)


def test_claim_s_table_has_the_bounds_beside_its_strips(pages: Mapping[str, Any]) -> None:
    rows = table_of(named(pages["claim"], "claim-behind"))
    [panel] = every(pages["claim"], "claim-picture")
    shown = table_of(every(panel, "scroll")[1])
    assert [[row[0], *row[1:4], row[6]] for row in rows] == [[row[0], *row[2:]] for row in shown]


def test_inspectors_table_has_every_comparison_as_it_is_drawn(
    pages: Mapping[str, Any], plant: schema.Store
) -> None:
    view = two_inspectors(plant)
    rows = table_of(named(pages["inspectors"], "inspectors-behind"))
    assert [row[0] for row in rows] == [each.value for each in view.found]
    assert [row[5] for row in rows] == [f"{each.totes:,}" for each in view.found]
    [panel] = every(pages["inspectors"], "inspectors-picture")
    beside = [text_of(each) for each in every(panel, "nowrap")]
    assert [row[2] for row in rows] == [f"{each.partition(' %')[0]} %" for each in beside]


# The words


def test_every_term_of_the_trade_on_a_screen_is_in_the_glossary() -> None:
    """The words of the plant, of sampling, estimation and charts, wherever a screen says them."""
    said = words().sentences
    entries = " ".join(text for key, text in said.items() if key.startswith("word.")).lower()
    screens = " ".join(
        text for key, text in said.items() if not key.startswith(("word", "how_source"))
    ).lower()
    missing = [term for term in TERMS if re.search(rf"\b{term}\b", screens) and term not in entries]
    assert missing == []
    assert sum(bool(re.search(rf"\b{term}\b", screens)) for term in TERMS) > 50


TERMS = (
    *("piece", "line", "lane", "nest", "head", "tote", "lot", "production day", "shift", "audit"),
    *("inspected", "correct", "incorrect", "purpose", "specification", "as made", "as shipped"),
    *("category", "class", "percent correct", "hold", "release", "re-sort", "rework", "scrap"),
    *("programme", "baseline", "event", "sample size", "acceptance number", "rejection number"),
    *("aql", "lq", "limiting quality", "producer's risk", "consumer's risk", "oc"),
    *("operating characteristic", "aoq", "aoql", "asn", "ati", "average sample number"),
    *("average total inspection", "average outgoing quality", "normal", "tightened", "reduced"),
    *("discontinued", "single", "double", "multiple", "inspection level", "code letter"),
    *("estimate", "confidence", "interval", "cluster", "stratum", "design effect"),
    *("effective sample size", "correlation", "sensitivity", "specificity"),
    *("confidence sequence", "centre line", "control limits", "run rule", "ewma", "cusum"),
    *("false alarm", "overdispersion", "kappa", "steady", "watch", "drifting", "no audits"),
    *("accept", "reject", "locked"),
)


def test_every_word_of_the_glossary_has_its_meaning_and_its_address() -> None:
    page = glossary.body(words())
    entries = {path[-1].id for path in within(page) if getattr(path[-1], "tabIndex", None) == -1}
    listed = [term for group in glossary.GROUPS.values() for term in group]
    assert len(set(listed)) == len(listed)
    assert entries == set(listed)
    kept = {key.partition(".")[2] for key in words().sentences if key.startswith("word.")}
    assert kept == set(listed)
    assert set(explained.TERMS) == {
        key.partition(".")[2] for key in words().sentences if key.startswith("how_method.")
    }


# The pieces


def test_a_table_says_what_it_leaves_out() -> None:
    rows = [[str(k), "1"] for k in range(70)]
    some = explained.behind(words(), "x", ["a", "b"], rows)
    assert len(table_of(some)) == explained.MOST_ROWS
    assert text_of(every(some, "Caption")) == "60 of 70 rows; the rest is left out here."
    one = explained.behind(words(), "x", ["a", "b"], rows[:1])
    assert text_of(every(one, "Caption")) == "One row."


def test_what_a_share_rests_on_is_said() -> None:
    known = Share(0.99, 0.98, 0.995, 36, 3600, 18, 0.0123, 1240.4)
    said = explained.rests(words(), known)
    assert said == (
        "18 totes, 36 of 3,600 pieces; correlation within totes 0.012, worth 1,240 single pieces"
    )
    assert explained.rests(words(), replace(known, correlation=nan)) == (
        "18 totes, 36 of 3,600 pieces"
    )
    assert explained.rests(words(), None) == "no audit"
