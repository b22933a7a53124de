"""Claim: the page's answer is that of qa, in words that the figures bear out."""

from collections.abc import Iterator
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from dashboard.pages import claim as page
from dashboard.pages.claim.picture import named_parts, picture
from dashboard.texts import words
from dashboard.views import claim as view
from dashboard.views.claim_days import windows
from qa import claim as claims
from qa import efficiency, statement
from qa.claim import Bounds, Claim
from qa.claim.evidence import reaches
from qa.errors import InvalidInput
from qa.intervals import InspectionStudy, rogan_gladen
from qa.statement import Scope
from qa.statement.document import Document
from qa.store import records, schema
from qa.wording import load
from tests.small_plant import NOW, PROGRAMME_FILE, small_plant

DAYS = "?first=2026-04-01&last=2026-04-10"
OF = "(sprouts) on lane 2, 1 May 2026"


@pytest.fixture(scope="module")
def plant(tmp_path_factory: pytest.TempPathFactory) -> Iterator[schema.Store]:
    opened = small_plant(Path(tmp_path_factory.mktemp("claim")) / "plant.db")
    yield opened
    opened.engine.dispose()


def test_the_answer_is_that_of_the_claim(plant: schema.Store) -> None:
    shown = view.view(plant, DAYS)
    programme = records.programme(plant)
    days = records.tallies(plant, first_day=date(2026, 4, 1), last_day=date(2026, 4, 10))
    expected = claims.average(days, programme)
    assert shown.answered is not None
    assert shown.answered.claim == expected
    of = "(Whole trimmed sprouts, 25 to 32 mm) on all lanes, 1 to 10 April 2026"
    assert shown.answered.told == claims.told(expected, load(), of=of)
    lanes = efficiency.estimate(days, programme, by=("lane",)).set_index("lane")
    for part in shown.answered.lanes:
        assert part.share.fraction == lanes.loc[part.label, "correct"]
    made = shown.answered.sides[0]
    assert (made.label, made.share.count) == ("as made", expected.incorrect)
    assert (made.share.low, made.share.high) == (expected.bounds.lower, expected.bounds.upper)
    assert shown.answered.left_out == (("head-check", 6),)


@pytest.mark.parametrize(("target", "look"), [("98", "release"), ("99.9", "hold"), (None, "open")])
def test_yes_no_and_not_yet_each_have_a_look_of_their_own(
    target: str | None, look: str, plant: schema.Store
) -> None:
    answered = view.view(plant, DAYS).answered
    assert answered is not None
    amid = 50 * (answered.claim.bounds.lower + answered.claim.bounds.upper)
    shown = view.view(plant, f"{DAYS}&target={target or f'{amid:.3f}'}")
    assert shown.answered is not None
    section = page.answer(words(), shown.answered, shown.fields).to_plotly_json()
    assert section["props"]["data-state"] == look


def test_one_lane_and_another_specification_may_be_asked_for(plant: schema.Store) -> None:
    one = view.view(plant, f"{DAYS}&lane=2&specification=freezer").answered
    assert one is not None
    assert {part.label for part in one.lanes} == {"2"}
    every = view.view(plant, f"{DAYS}&lane=2").answered
    assert every is not None
    assert one.claim.incorrect < every.claim.incorrect  # over-trim does not count


def test_a_claim_s_answer_names_product_lanes_and_days(plant: schema.Store) -> None:
    for asked, said in (
        (
            DAYS,
            "pieces (Whole trimmed sprouts, 25 to 32 mm) on all lanes, 1 to 10 April 2026, were",
        ),
        (
            f"{DAYS}&lane=2",
            "(Whole trimmed sprouts, 25 to 32 mm) on lane 2, 1 to 10 April 2026, were correct",
        ),
        ("?first=2026-03-30&last=2026-04-10&kind=tote-by-tote", "on all lanes, 30 March to 10 Ap"),
        ("?first=2026-04-10&last=2026-04-10", "on all lanes, 10 April 2026, were"),
    ):
        found = view.view(plant, asked).answered
        assert found is not None
        assert said in found.told.sentence
    spanish = view.view(plant, f"{DAYS}&lane=2", "es").answered
    assert spanish is not None
    assert "en el carril 2, del 1 al 10 de abril de 2026, " in spanish.told.sentence


def test_only_an_address_that_leaves_nothing_to_setup_is_called_the_claim(
    plant: schema.Store,
) -> None:
    own = "The address of this page is the claim"
    for asked in ("", DAYS, f"{DAYS}&lane=2&figure=shipped"):
        left = view.view(plant, asked)
        assert own not in str(page.body(words(), left))
        assert f"/claim?{left.full}" in str(page.body(words(), left))
        full = view.view(plant, f"?{left.full}")
        assert full.full == ""
        assert own in str(page.body(words(), full))
        assert full.answered == left.answered
    assert own not in str(page.body(words(), view.view(plant, f"{DAYS}&target=x")))


def test_days_may_be_chosen_as_on_a_lane_s_page(plant: schema.Store) -> None:
    shown = view.view(plant, f"{DAYS}&lane=2&target=98")
    offered = windows(shown.fields)
    assert [each.days for each in offered] == [7, 14, 30]
    assert not any(each.chosen for each in offered)
    asked = view.view(plant, offered[0].search)
    assert asked.wish is not None
    scope = asked.wish.scope
    assert (scope.first_day, scope.last_day) == (date(2026, 4, 4), date(2026, 4, 10))
    assert (scope.lanes, scope.target) == (("2",), 0.98)
    assert [each.chosen for each in windows(asked.fields)] == [True, False, False]
    assert "/claim?" in str(page.form(words(), asked))
    assert windows({"first": "soon", "last": "2026-04-10"}) == ()


def test_tote_by_tote_asks_for_its_share(plant: schema.Store) -> None:
    found = view.view(plant, f"{DAYS}&kind=tote-by-tote&share=90&target=97").answered
    assert found is not None
    assert (found.claim.kind, found.claim.share, found.claim.target) == ("tote_by_tote", 0.9, 0.97)
    assert view.beside(plant, f"{DAYS}&kind=tote-by-tote&share=90&target=97") is None


def test_what_would_change_the_answer_stands_beside_it(plant: schema.Store) -> None:
    found = view.beside(plant, DAYS)
    assert found is not None
    changes = [each.change for each in found.changes]
    assert changes.count("without lane") == 6
    assert changes.count("without day") == 10
    assert (found.ahead != ()) == (view.view(plant, DAYS).answered.claim.answer == "not_settled")  # type: ignore[union-attr]


def test_every_problem_is_told_beside_its_field(plant: schema.Store) -> None:
    bad = "?target=ninety&share=100&first=1 May&last=x&kind=all&lane=9&product=q&specification=z"
    shown = view.view(plant, bad)
    assert shown.answered is None
    assert set(shown.problems) == {
        *("target", "share", "first", "last", "kind", "lane", "product", "specification")
    }
    assert (
        shown.problems["target"] == "must be a share from 50 to below 100 %, such as 99, got ninety"
    )
    turned = view.view(plant, "?first=2026-04-10&last=2026-04-01")
    assert turned.problems == {"last": "must not be before the first day"}
    with pytest.raises(InvalidInput, match=r'an address may ask for kind, .*, got "tone"'):
        view.view(plant, "?tone=loud")


def test_days_without_an_audit_have_no_answer(plant: schema.Store) -> None:
    shown = view.view(plant, "?first=2020-01-01&last=2020-01-02")
    assert (shown.answered, shown.problems) == (None, {})
    assert view.beside(plant, "?first=2020-01-01&last=2020-01-02") is None


def claimed(low: float, high: float, answer: str, naive: str = "supported") -> Claim:
    return Claim(
        kind="average",
        target=0.99,
        share=1.0,
        confidence=0.95,
        answer=answer,
        totes=40,
        inspected=8000,
        incorrect=70,
        estimate=(low + high) / 2,
        bounds=Bounds("beta_binomial", low, high, answer),
        beside=(),
        naive=Bounds("pooled", low, high, naive),
        assumed=(),
        design_effect=1.0,
        tarone_p=0.4,
    )


@pytest.mark.parametrize(
    ("low", "high", "answer", "said"),
    [
        (0.99004, 0.99496, "supported", "it was 99.0 % or more"),
        (0.98504, 0.98996, "contradicted", "it was 98.996 % or less"),
        (0.98996, 0.99504, "not_settled", "it was 98.9 % or more, and with as much 99.6 % or less"),
    ],
)
def test_bounds_are_rounded_so_that_nothing_is_overstated(
    low: float, high: float, answer: str, said: str
) -> None:
    told = claims.told(claimed(low, high, answer), load(), of=OF)
    assert said in told.sentence
    [own, _] = told.ways
    assert float(own.lower.removesuffix(" %")) <= 100 * low
    assert float(own.upper.removesuffix(" %")) >= 100 * high


def test_a_naive_count_that_says_otherwise_is_called_wrong() -> None:
    other = claims.told(claimed(0.989, 0.995, "not_settled"), load(), of=OF)
    assert '"supported". That is wrong: pieces of one tote are alike' in other.naive
    same = claims.told(claimed(0.991, 0.995, "supported"), load(), of=OF)
    assert "Here it comes close" in same.naive
    close = replace(same_claim := claimed(0.991, 0.995, "supported"), naive=same_claim.bounds)
    narrow = replace(close, naive=Bounds("pooled", 0.992, 0.994, "supported"))
    assert "makes the limits 2.0 times too close" in claims.told(narrow, load(), of=OF).naive


@pytest.mark.parametrize("differing", [{"design_effect": 1.9}, {"tarone_p": 1e-9}])
def test_totes_that_differ_are_never_said_to_hardly_differ(differing: dict[str, float]) -> None:
    told = claims.told(replace(claimed(0.991, 0.995, "supported"), **differing), load(), of=OF)
    assert "Here it comes close" not in told.naive
    assert "That is wrong: pieces of one tote are alike and totes differ" in told.naive


def test_a_count_of_accepted_lots_is_told_to_forget_that_samples_chose_them() -> None:
    shipped = claimed(0.991, 0.995, "supported")
    shipped = replace(shipped, bounds=replace(shipped.bounds, method=claims.SHIPPED))
    told = claims.told(shipped, load(), of=OF, figure="as_shipped")
    assert "forgets that the same samples chose which lots were accepted" in told.naive
    assert "Here it comes close" not in told.naive
    assert "hardly differ" not in told.naive


def test_one_tote_is_not_called_totes() -> None:
    one = claims.told(replace(claimed(0.95, 0.999, "not_settled"), totes=1), load(), of=OF)
    assert "from one tote, pulled" in one.rests
    assert "all pieces come from one tote" in one.naive
    assert (
        "from 40 totes, pulled"
        in claims.told(claimed(0.95, 0.999, "not_settled"), load(), of=OF).rests
    )


def test_a_tote_exactly_at_the_target_reaches_it() -> None:
    assert 0.07 * 100 > 7  # as floating point has it
    assert reaches(np.array([7, 6]), np.array([100, 100]), 0.07).tolist() == [True, False]


def test_whoever_looks_each_day_is_told_which_bounds_hold(plant: schema.Store) -> None:
    shown = view.view(plant, DAYS)
    assert shown.answered is not None
    said = str(page.answer(words(), shown.answered, shown.fields))
    assert "Whoever looks every day" in said
    assert "design effect" in said
    for other in ("&kind=tote-by-tote", "&figure=shipped"):  # nothing beside them allows for it
        found = view.view(plant, DAYS + other).answered
        assert found is not None
        assert "Whoever looks" not in str(page.answer(words(), found, shown.fields))


def test_totes_still_needed_are_told_only_while_nothing_is_settled() -> None:
    needed = [claims.Needed(0.8, 223, 200, 0.81, 0.02), claims.Needed(0.9, None, 200, 0.5, 0.02)]
    told = claims.told(claimed(0.989, 0.995, "not_settled"), load(), of=OF, needed=needed)
    assert told.ahead[0].startswith("If the line goes on as it has, about 220 more totes of 200")
    assert "no number of totes that was tried settles it 90 % of the time" in told.ahead[1]
    one = claims.told(
        claimed(0.989, 0.995, "not_settled"), load(), of=OF, needed=[replace(needed[0], totes=1)]
    )
    assert one.ahead[0].startswith("If the line goes on as it has, one tote more of 200 pieces")
    assert claims.told(claimed(0.991, 0.995, "supported"), load(), of=OF, needed=needed).ahead == ()


def rows_of(document: Document, title: str) -> list[tuple[str, ...]]:
    [table] = [each.table for each in document.sections if each.title == title]
    assert table is not None
    return list(table.rows)


def notes_of(document: Document, title: str) -> list[str]:
    [table] = [each.table for each in document.sections if each.title == title]
    assert table is not None
    return list(table.notes or [""] * len(table.rows))


@pytest.mark.parametrize(
    ("asked", "how"),
    [
        ("&target=99.2", {"target": 0.992}),
        ("&target=99.8", {"target": 0.998}),
        ("&target=99.4", {"target": 0.994}),
        ("&target=99.2&figure=shipped", {"target": 0.992, "as_shipped": True}),
        ("&target=98&lane=2", {"target": 0.98, "lanes": ("2",)}),
        (
            "&target=98&kind=tote-by-tote&share=90",
            {"target": 0.98, "kind": "tote-by-tote", "share": 0.9},
        ),
    ],
)
def test_page_and_statement_read_the_same_word_for_word(
    plant: schema.Store, asked: str, how: dict[str, Any]
) -> None:
    """The command prints the statement's document, so it reads so too."""
    shown = view.view(plant, "?first=2026-04-06&last=2026-04-20" + asked).answered
    assert shown is not None
    scope = Scope("sprout-whole", date(2026, 4, 6), date(2026, 4, 20), **how)
    facts, _ = statement.gather(plant, scope)
    paper = statement.tell(facts, load())
    assert paper.answer_said.lower() == shown.told.word
    assert paper.sentences[0] == shown.told.sentence
    [method] = [each for each in paper.sections if each.title == "How the figure was made"]
    assert shown.told.naive in method.texts
    assert method.table is not None
    assert list(method.table.rows) == [
        (each.name, each.lower, each.upper, each.answer) for each in shown.told.ways
    ]
    parted = {"Percent correct by count": shown.sides}
    if len(shown.lanes) > 1:  # on paper the row of one lane alone stands above, as made
        parted["Lanes, as made"] = shown.lanes
    for title, parts in parted.items():
        assert notes_of(paper, title) == [each.note for each in parts]
        assert [(row[0], *row[4:]) for row in rows_of(paper, title)] == [
            (each.label, each.said.estimate, each.said.lower, each.said.upper) for each in parts
        ]
    beside = view.beside(plant, "?first=2026-04-06&last=2026-04-20" + asked)
    end = len(paper.sentences) - len(shown.cautions)
    assert paper.sentences[end:] == shown.cautions
    assert beside is None or beside.ahead == paper.sentences[1 : end - 1]
    if beside:
        assert beside.changes[0].way == shown.told.ways[0]


def test_a_past_period_is_answered_by_the_programme_of_its_time(tmp_path: Path) -> None:
    store = small_plant(tmp_path / "plant.db")
    before = view.view(store, DAYS + "&target=99.2").answered
    text = PROGRAMME_FILE.read_text(encoding="utf-8").replace(
        "confidence = 0.95", "confidence = 0.9"
    )
    assert "confidence = 0.9\n" in text
    records.put_programme(store, text, by="lead", at=NOW, reason="less sure")
    after = view.view(store, DAYS + "&target=99.2").answered
    assert before is not None
    assert after is not None
    assert after.claim == before.claim
    assert view.view(store, "?first=2026-04-20&last=2026-04-21").answered.claim.confidence == 0.9  # type: ignore[union-attr]
    store.engine.dispose()


STUDY = "&found=95&incorrect=100&passed=298&study_correct=300"


def test_what_inspectors_miss_is_shown_beside_the_figure_as_counted(plant: schema.Store) -> None:
    found = view.view(plant, DAYS + STUDY).answered
    assert found is not None
    plain, missed = found.told.ways[0].bounds, found.told.ways[1].bounds
    assert (plain.method, missed.method) == ("beta_binomial", "inspectors")
    study = InspectionStudy(95, 100, 298, 300)
    days = records.tallies(plant, first_day=date(2026, 4, 1), last_day=date(2026, 4, 10))
    assert missed == claims.with_misses(days, records.programme(plant), study)
    # By hand: pieces over the design effect, and Lang and Reiczigel's limits of the incorrect ones.
    made = efficiency.estimate(days, records.programme(plant), by=()).iloc[0]
    seen = (1 - made["correct"]) * made["effective_n"]
    assert missed.lower < 1 - rogan_gladen(seen / made["effective_n"], 0.95, 298 / 300)


@pytest.mark.parametrize(
    ("study", "field", "told"),
    [
        ("&found=95", "passed", "is missing"),
        (STUDY.replace("95", "many"), "found", "must be a whole number"),
        (STUDY.replace("95", "101"), "found", "found must be from 0 to incorrect, got 101 of 100"),
    ],
)
def test_a_study_is_whole_or_not_there(
    plant: schema.Store, study: str, field: str, told: str
) -> None:
    assert view.view(plant, DAYS + study).problems[field] == told


def test_the_statement_is_the_page_s_claim_and_the_same_file_again(plant: schema.Store) -> None:
    made = view.statement_of(plant, f"{DAYS}&lane=1")
    assert made.startswith(b"%PDF-")
    assert made == view.statement_of(plant, f"{DAYS}&lane=1")
    assert made != view.statement_of(plant, f"{DAYS}&lane=1&target=98")
    with pytest.raises(
        InvalidInput, match="target must be a share from 50 to below 100 %, such as 99, got x"
    ):
        view.statement_of(plant, f"{DAYS}&target=x")
    with pytest.raises(InvalidInput, match="audit"):
        view.statement_of(plant, "?first=2020-01-01&last=2020-01-02")


def test_a_claim_may_be_of_what_was_shipped(plant: schema.Store) -> None:
    days = "?first=2026-04-10&last=2026-04-20&lane=2"  # lane 2 drifts, and its lots are rejected
    made, shipped = (view.view(plant, days + more).answered for more in ("", "&figure=shipped"))
    assert made is not None
    assert shipped is not None
    assert shipped.claim.totes < made.claim.totes
    [made_side, side] = shipped.sides
    counted = 100 * (1 - shipped.claim.incorrect / shipped.claim.inspected)
    note = f"by count alone {counted:.1f} %; lowered to {side.said.estimate} because accepted"
    assert side.note.startswith(note)
    assert made_side.note == ""
    names = [name for name, _ in named_parts(words(), shipped)]
    assert names == ["lane 2, as made", "lane 2, as shipped"]  # the lane is the whole: told once
    assert note in str(picture(words(), shipped))
    assert shipped.claim.inspected == side.share.inspected
    assert shipped.claim.incorrect == side.share.count
    assert "the figure allows for that" in shipped.told.rests
    assert "drawn towards what all audited totes of the lots were like" in shipped.told.rests
    assert "they failed in up to 6 samples of 100" in shipped.told.rests
    unspoken = dict(made.left_out)
    assert unspoken["head-check"] > 0
    assert dict(shipped.left_out)["head-check"] == unspoken["head-check"]
    assert shipped.claim.estimate < 1 - shipped.claim.incorrect / shipped.claim.inspected
    both = view.view(plant, days + "&figure=shipped&kind=tote-by-tote")
    assert both.answered is None
    assert "must be made for a claim tote by tote" in both.problems["figure"]
    assert view.beside(plant, days + "&figure=shipped") is None
    assert view.statement_of(plant, days + "&figure=shipped") != view.statement_of(plant, days)
    assert view.view(plant, f"{days}&figure=sold").problems == {"figure": "must be chosen"}


def test_why_there_is_no_answer_is_said_with_days_as_the_page_writes_them(
    tmp_path: Path,
) -> None:
    store = small_plant(tmp_path / "plant.db")
    try:
        for language, said in (
            ("en", "from 1 May 2027 to 14 May 2027"),
            ("es", "1 de mayo de 2027"),
        ):
            shown = view.view(store, "first=2027-05-01&last=2027-05-14", language)
            assert said in shown.reason
            assert "2027-05" not in shown.reason
    finally:
        store.engine.dispose()
