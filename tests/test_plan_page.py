"""Plan without a browser: its view beside `qa`, its pictures, its form, its sheet."""

import json
from collections.abc import Iterator
from dataclasses import replace
from datetime import date, datetime, timedelta
from typing import Any
from urllib.parse import parse_qsl, urlencode

import plotly.graph_objects as go
import pytest
from flask.testing import FlaskClient
from numpy.testing import assert_allclose

from dashboard.app import create_app
from dashboard.figures.plan import oc_curve, work_curve
from dashboard.pages.plan import body, curves
from dashboard.pages.plan.form import conditions
from dashboard.texts import words
from dashboard.views import keeping, plan, tally
from dashboard.views.plan import PlanView
from qa import planning
from qa.errors import InvalidAsk, InvalidInput
from qa.planning.words import tell
from qa.plans import SinglePlan
from qa.programme import ClassPlan, Programme
from qa.store import records, schema
from qa.tally import routine
from qa.wording import load
from tests.small_plant import NOW, small_plant

WAYS = {
    "aql": {"lot_size": "4000", "aql": "0.65", "level": "II"},
    "points": {"lot_size": "4000", "p1": "1", "p2": "6"},
    "claim": {"lot_size": "", "target": "99"},
    "limiting_quality": {"lq": "5", "ac": "1", "lot_size": ""},
    "outgoing_quality": {"aoql": "3", "process_average": "1", "lot_size": "5000"},
    "numbers": {"n": "200", "ac": "7", "lot_size": "4000"},
}


@pytest.fixture(scope="module")
def plant(tmp_path_factory: pytest.TempPathFactory) -> Iterator[schema.Store]:
    opened = small_plant(tmp_path_factory.mktemp("plan") / "plant.db")
    yield opened
    opened.engine.dispose()


@pytest.fixture(scope="module")
def client(plant: schema.Store) -> FlaskClient:
    return create_app(plant, lambda: NOW).server.test_client()


def seen(plant: schema.Store, **said: str) -> PlanView:
    return plan.view(plant, f"?{urlencode(said)}", NOW)


def drawn(client: FlaskClient, search: str) -> str:
    sent = {
        "output": "plan-body.children",
        "outputs": {"id": "plan-body", "property": "children"},
        "inputs": [{"id": "app-address", "property": "search", "value": search}],
        "changedPropIds": [],
        "state": [],
    }
    answer = client.post("/_dash-update-component", json=sent)
    assert answer.status_code == 200, answer.text
    return json.dumps(answer.get_json(), ensure_ascii=False)


# The view


def test_a_bare_address_asks_what_the_programme_says(plant: schema.Store) -> None:
    view = seen(plant, way="aql")
    assert {name: view.fields[name] for name in ("lot_size", "aql", "level")} == {
        "lot_size": "4000",
        "aql": "1.5",
        "level": "I",
    }
    assert int(view.fields["lots"]) < 780  # 130 totes of full nests on each of six lanes
    assert plan._defaults(view.programme, "aql")["lots"] == "780"  # before the first audit
    assert view.drawn[0].answer.plan == SinglePlan(80, 3)  # MIL-STD-105E, letter J at AQL 1.5
    assert view.told is not None
    assert view.told.holds.startswith("Accepted is not free of incorrect pieces: a tote with")
    by_table = {"aql": "1.5", "level": "I", "kind": "single"}
    assert plan.class_wishes(view.programme) == (
        (("major", "minor"), "numbers", {"n": "200", "ac": "7"}),
        (("major", "minor"), "aql", by_table),
    )


def test_the_page_opens_with_the_plan_that_the_floor_runs(plant: schema.Store) -> None:
    """Tally pulls the programme's 200 and judges them by the table's 200 at AQL 1.5: Ac 7."""
    view = plan.view(plant, None, NOW)
    assert (view.way, view.fields["n"], view.fields["ac"]) == ("numbers", "200", "7")
    assert view.drawn[0].answer.plan == SinglePlan(200, 7)
    assert seen(plant, aql="1.0").way == "aql"
    pulls = tally.pulls(keeping.record(plant))
    assert {each.pieces for each in pulls} == {200}


def test_a_class_s_own_kind_is_asked_by_the_table_alone(programme: Programme) -> None:
    double = replace(programme.plans["minor"], kind="double")
    plants = replace(programme, plans={"minor": double, "critical": ClassPlan("critical", n=9)})
    assert plan.class_wishes(plants) == (
        (("critical",), "numbers", {"n": "200", "ac": "0"}),
        (("minor",), "aql", {"aql": "1.5", "level": "I", "kind": "double"}),
    )
    assert plan._defaults(plants, "aql")["kind"] == "double"
    assert plan._defaults(plants, "points")["kind"] == "single"
    bare = replace(programme, plans={})
    assert [plan._defaults(bare, "aql")[name] for name in ("aql", "level")] == ["1", "II"]


@pytest.mark.parametrize("way", WAYS)
def test_each_way_shows_what_qa_answers(way: str, plant: schema.Store) -> None:
    view = seen(plant, way=way, correlation="0", lots="", from_totes="1", **WAYS[way])
    found = planning.answer(planning.read({**WAYS[way], "way": way}))
    assert view.drawn[0].answer.plan == found.plan
    assert view.told == tell(found, load(), "tote")
    assert (view.problems, view.trouble) == ({}, "")
    direct = planning.curves(found, planning.span(found))
    assert_allclose(view.drawn[0].curves.accepted, direct.accepted)
    assert [each[:2] for each in view.points] == list(
        zip(found.chances, found.qualities, strict=True)
    )
    for _, _, said in view.points:
        assert said in view.told.holds


@pytest.mark.parametrize("way", WAYS)
def test_each_way_starts_with_an_answer(way: str, plant: schema.Store) -> None:
    view = seen(plant, way=way)
    assert view.answered
    assert set(view.fields) == set(planning.ask.names(way))
    assert not view.changed


def test_a_blank_field_is_blank_and_not_the_programme_s(plant: schema.Store) -> None:
    assert seen(plant, way="claim", lot_size="").drawn[0].answer.ask.lot_size is None
    assert seen(plant, way="claim").drawn[0].answer.ask.lot_size == 4000
    assert seen(plant, way="aql", lot_size="").problems == {"lot_size": "is missing"}


@pytest.mark.parametrize(
    ("said", "problems"),
    [
        ({"aql": "1.1"}, {"aql"}),
        ({"lot_size": "0"}, {"lot_size"}),
        ({"lot_size": "4.5", "correlation": "7"}, {"lot_size", "correlation"}),
        ({"way": "points", "p1": "6", "p2": "1"}, {"p1"}),
        ({"kind": "multiple"}, {"kind"}),
        ({"way": "claim", "level": "II"}, {"level"}),
    ],
)
def test_a_bad_field_is_named(said: dict[str, str], problems: set[str], plant: Any) -> None:
    view = seen(plant, **said)
    assert set(view.problems) == problems
    assert view.told is None
    assert view.drawn == ()
    assert view.pull.pulling is None


def test_risks_that_no_plan_meets_offer_inspecting_all(plant: schema.Store) -> None:
    view = seen(plant, way="claim", target="95", incorrect="1", lot_size="20", tote_seconds="60")
    assert view.trouble.startswith(
        "no sample of a lot of 20 tells when 1 incorrect pieces may be seen"
    )
    assert view.instead == (
        "Inspect every piece instead: 20 pieces and about 2 minutes for a tote."
    )
    process = seen(plant, way="points", p1="1", p2="1.0001", lot_size="")
    assert "must lie further apart" in process.trouble
    assert process.instead == ""


def test_kinds_are_offered_where_there_are_any(plant: schema.Store) -> None:
    assert seen(plant, way="aql").kinds == ("single", "double")  # level I prints no multiple plan
    assert seen(plant, aql="1.5", level="II").kinds == ("single", "double", "multiple")
    tight = seen(plant, aql="1.5", level="II", inspection="tightened")
    assert tight.kinds == ("single", "double")
    assert seen(plant, way="points").kinds == ("single", "double")
    assert seen(plant, way="claim").kinds == ()


def test_up_to_three_plans_share_one_picture(plant: schema.Store) -> None:
    wishes = [
        plan.wish_of("aql", {"lot_size": "4000", "aql": aql, "level": "II"})
        for aql in ("0.65", "2.5")
    ]
    asked = [("way", "claim"), *(("beside", each) for each in wishes)]
    view = plan.view(plant, f"?{urlencode(asked)}", NOW)
    assert [each.pull for each in view.drawn][1:] == [
        *("pull 200, accept on 3, reject on 4", "pull 200, accept on 10, reject on 11")
    ]
    first, *others = (each.curves.p for each in view.drawn)
    for each in others:
        assert_allclose(each, first)
    with pytest.raises(InvalidInput, match="beside must come 2 times at most"):
        plan.view(plant, f"?{urlencode([*asked, ('beside', wishes[0])])}", NOW)


def test_many_samples_are_said_briefly_and_laid_out(plant: schema.Store) -> None:
    view = seen(plant, aql="0.4", level="II", kind="multiple")
    assert view.drawn[0].pull.endswith("; then up to 6 more samples")
    assert view.samples is not None
    heads, rows = view.samples
    assert heads[0] == "sample"
    assert [row[0] for row in rows] == list("1234567")
    assert rows[0][2] == "none yet"
    assert seen(plant, kind="double").samples is None


def test_a_kept_plan_is_drawn_once_and_stays_when_the_question_fails(plant: Any) -> None:
    view = seen(plant)
    wish = view.drawn[0].wish
    assert len(seen(plant, beside=wish).drawn) == 1
    failed = seen(plant, aql="1.1", beside=wish)
    assert not failed.answered
    assert [each.wish for each in failed.drawn] == [wish]


@pytest.mark.parametrize(
    ("search", "said"),
    [
        ("?way=guess", "way must be one of aql, points, claim, "),
        ("?by=guess", "by must be one of plan, precision, rise, got guess"),
        ("?lame=4", "an address may ask for way, lot_size, aql, "),
        ("?beside=way%3Daql", "aql is missing"),
    ],
)
def test_a_wrong_address_gets_a_sentence(search: str, said: str, plant: Any) -> None:
    with pytest.raises((InvalidInput, InvalidAsk), match=f"^{said}"):
        plan.view(plant, search, NOW)


def test_the_pull_is_of_the_shift_that_runs_and_the_seed_of_the_moment(plant: Any) -> None:
    shown = seen(plant).pull
    assert (shown.fields["shift"], shown.fields["totes"]) == ("morning", "12")
    assert shown.fields["seed"] == str(int(NOW.timestamp()))
    assert len(shown.rows) == 12
    assert {row[1] for row in shown.rows} == {"Morning"}
    assert seen(plant, shift="").pull.fields["totes"] == "36"
    assert seen(plant, lane="3", shift="night").pull.fields["totes"] == "2"
    assert seen(plant, seed="4").pull.rows != shown.rows
    assert seen(plant, by="precision").pull.said.startswith("With ")
    assert set(seen(plant, totes="0").pull.problems) == {"totes"}
    far = seen(plant, by="precision", half_width="0.001", correlation="0.5").pull
    assert "needs more than 2,000 totes" in far.trouble


def test_a_claim_s_pieces_are_spread_over_the_totes_that_are_pulled(plant: Any) -> None:
    view = seen(plant, way="claim", target="99", lot_size="4000")
    n = view.drawn[0].answer.plan.n
    assert n == 288
    assert view.fields["from_totes"] == view.pull.fields["totes"] == "12"
    assert view.pull.pulling is not None
    assert view.pull.pulling.size.pieces == 24
    assert view.pull.said.startswith(
        "The 288 pieces that prove the claim are spread over 12 totes, 24 from each"
    )
    at_target = next(row for row in view.table[1] if row[0].startswith("1.0 %"))
    assert at_target[2] == "7.4 %"  # when totes differ
    assert view.pull.said.endswith("a sample that passes proves it with 92.6 % confidence.")
    alike = seen(plant, way="claim", target="99", lot_size="4000", correlation="0").pull
    assert "proves it" not in alike.said
    assert "Work: 288 pieces and about 1.1 hours for everything that is claimed" in str(view.told)
    assert (view.in_shift, view.told and "in a shift" in view.told.work) == ("", False)
    assert "lots" not in conditions(view)
    assert seen(plant, way="claim", totes="6").pull.pulling.size.pieces == 48  # type: ignore[union-attr]
    few = seen(plant, way="claim", target="60", lot_size="")  # fewer pieces than totes
    assert int(few.fields["from_totes"]) == few.drawn[0].answer.plan.n < 12
    assert few.pull.pulling is not None
    assert few.pull.pulling.size.pieces == 3
    fixed = seen(plant, way="claim", pieces="30").pull
    assert fixed.said.startswith("Pull from 12 totes, 30 pieces from each")


def test_the_work_of_a_shift_is_of_the_totes_that_are_audited(plant: Any) -> None:
    view = seen(plant, way="aql")
    days = view_days(plant)
    tallies = routine(records.tallies(plant, first_day=days[0], last_day=days[1]))
    shifts = (
        tallies.drop_duplicates(["day", "shift", "lane", "tote"]).groupby(["day", "shift"]).size()
    )
    assert view.fields["lots"] == str(round(shifts.mean()))
    lots = view.fields["lots"]
    assert view.in_shift.startswith(f"So many in a shift, {lots}, were audited on average over")
    assert view.told is not None
    assert f"{lots} in a shift make" in view.told.work
    drawn_page = str(body(words(), view))
    assert drawn_page.count(view.told.work) == 1
    assert view.in_shift in drawn_page
    assert seen(plant, way="aql", lots="5").in_shift == ""


def view_days(plant: schema.Store) -> tuple[date, date]:
    last = records.tallies(plant)["day"].max().date()
    return last - timedelta(days=plan.RECENT_DAYS - 1), last


# The pictures


def test_the_picture_has_each_plan_s_curve_and_the_effects_of_the_first(plant: Any) -> None:
    wish = plan.wish_of("aql", {"lot_size": "4000", "aql": "0.65"})
    view = seen(plant, aql="1", sensitivity="80", beside=wish)
    figure = go.Figure(oc_curve(curves.oc_panel(words(), view)))
    named = [trace.name for trace in figure.data if trace.name]
    assert named == [
        *("A: pull 80, accept on 2, reject on 3", "B: pull 200, accept on 3, reject on 4"),
        *("with inspectors' misses", "when totes differ"),
    ]
    assert {trace.line.dash for trace in figure.data} == {"solid", "dash", "dot"}
    said = [note.text for note in figure.layout.annotations]
    assert "10 %: 6.5 %" in said
    assert "<b>A</b>" in said
    assert "<b>B</b>" in said
    first = figure.data[0]
    assert_allclose(first.y[0], 100)
    work = go.Figure(work_curve(curves.work_panel(words(), view)))
    assert len(work.data) == 4  # ASN and ATI of two plans
    assert work.layout.yaxis.separatethousands
    out = go.Figure(work_curve(curves.out_panel(words(), view)))
    assert len(out.data) == 2
    assert [note.text for note in out.layout.annotations] == ["B: at most 0.92 %",
                                                               "A: at most 1.7 %"]  # fmt: skip


def test_points_on_the_curve_are_said_in_per_cent_alone_since_pieces_would_lie_over_it(
    plant: Any,
) -> None:
    view = seen(plant, way="points", lot_size="4000", p1="1", p2="6")
    assert all("of 4,000 pieces" in told for _, _, told in view.points)
    figure = oc_curve(curves.oc_panel(words(), view))
    assert not [each for each in figure["layout"]["annotations"] if "pieces" in each["text"]]


def test_what_each_plan_accepts_is_said_in_a_line_of_its_own(plant: Any) -> None:
    wish = plan.wish_of("aql", {"lot_size": "4000", "aql": "0.65"})
    said = curves.says(words(), seen(plant, aql="1", beside=wish)).splitlines()
    assert [each[:2] for each in said] == ["A:", "B:"]


# The page


@pytest.mark.parametrize("way", WAYS)
def test_the_page_says_the_answer_first(way: str, client: FlaskClient) -> None:
    said = drawn(client, f"?way={way}")
    word, holds, curve = (
        said.index(each) for each in ('"plan-word"', "Accepted is", '"plan-oc-how"')
    )
    assert word < holds < curve
    assert "Foreign matter and other food-safety matters get no AQL" in said
    assert "never from a moving conveyor" in said
    assert '"role": "img"' in said


def test_a_fault_stands_beside_its_field(client: FlaskClient) -> None:
    said = drawn(client, "?lot_size=0")
    assert '"id": "plan-lot_size-fault"' in said
    assert "Must be a whole number, 1 or more, got 0." in said
    assert "plan-oc" not in said
    stray = drawn(client, "?way=claim&level=II")
    assert "level does not belong to asking by claim" in stray
    assert "rise does not belong to a pull by plan" in drawn(client, "?rise=2")
    assert "Needs more than 2,000" not in drawn(client, "?by=precision&half_width=0.5")


def test_no_plan_is_said_with_what_to_do_instead(client: FlaskClient) -> None:
    said = drawn(client, "?way=claim&target=95&incorrect=1&lot_size=20")
    assert "No sample of a lot of 20 tells when 1 incorrect pieces may be seen" in said
    assert "Inspect every piece instead" in said


def test_a_wrong_address_is_told_on_the_page(client: FlaskClient) -> None:
    assert "That did not work" in drawn(client, "?way=guess")


def links(part: Any) -> Iterator[Any]:
    """Every link in a page, depth first."""
    for each in part if isinstance(part, list | tuple) else [part]:
        if hasattr(each, "href"):
            yield each
        yield from links(getattr(each, "children", None) or [])


def test_links_keep_what_another_way_asks_too(plant: schema.Store) -> None:
    search = "?way=aql&lot_size=900&aql=1&level=II&correlation=0.02&seed=5"
    page = body(words(), plan.view(plant, search, NOW))
    to = {each.children: dict(parse_qsl(each.href.partition("?")[2])) for each in links(page)}
    assert to["two points"] == {"way": "points", "lot_size": "900", "correlation": "0.02",
                                "seed": "5"}  # fmt: skip
    assert to["major, minor: AQL 1.5, level I"]["aql"] == "1.5"
    kept = to["Keep this plan on the picture"]
    assert dict(parse_qsl(kept["beside"]))["lot_size"] == "900"
    assert to["to find a rise"]["by"] == "rise"


def test_a_kept_plan_can_be_taken_off(plant: schema.Store) -> None:
    wish = plan.wish_of("aql", {"lot_size": "4000", "aql": "0.65"})
    page = body(words(), seen(plant, beside=wish))
    off = next(each for each in links(page) if each.children.startswith("Take off B: pull 200"))
    assert "beside" not in off.href


# The sheet


def test_the_sheet_is_that_of_the_address(client: FlaskClient, plant: schema.Store) -> None:
    page = body(words(), seen(plant, seed="9", shift="night", aql="1.5"))
    link = next(each for each in links(page) if each.href.startswith("/plan/sheet"))
    assert link.target == "_blank"
    answer = client.get(link.href)
    assert answer.mimetype == "text/html"
    assert answer.text == plan.sheet_of(plant, link.href.partition("?")[2], NOW)
    later = datetime.fromisoformat("2026-04-21T03:00+00:00")
    assert answer.text == plan.sheet_of(plant, link.href.partition("?")[2], later)
    assert "from seed 9;" in answer.text
    assert answer.text.count("<tr>") == 13


@pytest.mark.parametrize("asked", ["way=claim&lot_size=&by=precision&seed=3", "lane=2&seed=3"])
def test_the_sheet_is_of_the_way_asked(asked: str, plant: schema.Store) -> None:
    view = plan.view(plant, f"?{asked}", NOW)
    link = next(e.href for e in links(body(words(), view)) if e.href.startswith("/plan/sheet"))
    shown = plan.sheet_of(plant, link.partition("?")[2], NOW)
    assert shown == plan.sheet_of(plant, asked, NOW)


@pytest.mark.parametrize(
    ("search", "said"),
    [
        ("totes=0", "totes must be a whole number, 1 or more, got 0"),
        ("aql=1.1", "aql must be one of"),
        ("way=claim&target=95&incorrect=1&lot_size=20", "no sample of a lot of 20 tells"),
        ("by=precision&half_width=0.001&correlation=0.5", "a half width of 1e-05 needs more than"),
    ],
)
def test_a_sheet_that_cannot_be_drawn_says_why(search: str, said: str, client: FlaskClient) -> None:
    answer = client.get(f"/plan/sheet?{search}")
    assert answer.status_code == 422
    assert answer.get_json()["trouble"].startswith(said)


def test_texts_name_every_field_and_way() -> None:
    asked = {name for way in planning.WAYS for name in planning.ask.names(way)}
    pulled = {name for by in planning.pulling.WAYS for name in planning.pulling.names(by)}
    for name in asked | pulled:
        assert words().say(f"plan_field.{name}")
