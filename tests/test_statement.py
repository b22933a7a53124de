"""The buyer statement: its facts against sums made apart, its words, its paper, its digest."""

import hashlib
import json
import re
from collections.abc import Iterator
from dataclasses import asdict, replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import typst
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

import dashboard
from qa import audit, claim, statement
from qa._plain import as_json
from qa.errors import InvalidInput
from qa.files import exporting, importing
from qa.intervals import accepted, clustered
from qa.programme import Programme
from qa.statement import Paper, Scope, counting, pdf, writing
from qa.statement.document import Document
from qa.store import deeds, records, schema
from qa.store.changes import changed
from qa.wording import decimals_beside, load
from tests.conftest import PLANT

WORDS = load()
AT = datetime(2026, 3, 20, 12, tzinfo=UTC)
BY: dict[str, Any] = {"by": "Ines", "at": AT}
# A target that is settled: what would settle one that is not takes long to find.
SCOPE = Scope("sprout-whole", date(2026, 3, 16), date(2026, 3, 18), target=0.9)
CATEGORIES = ("stem", "over_trim", "double")
Row = dict[str, Any]


def routine_rows() -> list[Row]:
    """Twelve routine totes a lane on two lanes and three days, their counts drawn once."""
    rng = np.random.default_rng(20)
    rows = []
    for number in range(24):
        at = datetime(2026, 3, 16 + number % 3, 9, tzinfo=UTC) + timedelta(minutes=number)
        counts = rng.binomial(2, 0.4, 3).tolist()
        rows.append(
            {
                "pulled_at": at,
                "lane": "12"[number % 2],
                "tote": f"T{number:02}",
                "inspector": "Ines",
                "inspected": (150, 200, 250)[number // 8],
                **dict(zip(CATEGORIES, counts, strict=True)),
            }
        )
    rows[5] |= {"stem": 20, "over_trim": 0, "double": 1}  # rejected, and the worst
    return rows


ROUTINE = routine_rows()
_DAY = {"inspector": "Otto", "lane": "1"}
OTHERS: list[Row] = [
    {  # accepts what was rejected, after its re-sort
        **{"pulled_at": datetime(2026, 3, 19, 9, tzinfo=UTC), "purpose": "re-audit"},
        **{"re_sorted_at": datetime(2026, 3, 19, 8, tzinfo=UTC), "tote": "T05", "lane": "2"},
        **{"inspector": "Otto", "inspected": 200, "stem": 1},
    },
    {  # rejected and held
        **{**_DAY, "pulled_at": datetime(2026, 3, 17, 12, tzinfo=UTC), "purpose": "for-cause"},
        **{"tote": "C1", "inspected": 200, "stem": 30},
    },
    {
        **{**_DAY, "pulled_at": datetime(2026, 3, 17, 13, tzinfo=UTC), "purpose": "head-check"},
        **{"tote": "H1", "head": "A", "inspected": 100, "stem": 3},
    },
    {**_DAY, "pulled_at": datetime(2026, 3, 19, 9, tzinfo=UTC), "tote": "L8", "inspected": 200},
    {**_DAY, "pulled_at": datetime(2026, 3, 18, 9, tzinfo=UTC), "tote": "V1", "inspected": 200},
]


def filled(path: Path) -> schema.Store:
    store = schema.open_store(path, create=True)
    put = datetime(2026, 3, 1, tzinfo=UTC)
    records.put_programme(store, PLANT, by="lead", at=put, reason="the plant is set up")
    programme = records.programme(store)
    made = [audit.parse(each, programme) for each in (*ROUTINE, *OTHERS)]
    records.log_many(store, made, **BY)
    voided = next(each for each in made if each.tote == "V1")
    records.void(store, voided.key, **BY, reason="the wrong tote")
    wrong = replace(made[0], inspector="Otto")
    records.correct(store, wrong, **BY, reason="another signed")
    done = deeds.Disposition("d1", "SP1", "1", "C1", "C1", "scrap")
    deeds.dispose(store, done, **BY, reason="too many stems")
    return store


@pytest.fixture(scope="module")
def plant(tmp_path_factory: pytest.TempPathFactory) -> Iterator[schema.Store]:
    """A store that no test writes to."""
    store = filled(tmp_path_factory.mktemp("plant") / "plant.db")
    yield store
    store.engine.dispose()


@pytest.fixture
def own_plant(tmp_path: Path) -> Iterator[schema.Store]:
    """A store to write to."""
    store = filled(tmp_path / "plant.db")
    yield store
    store.engine.dispose()


def gathered(store: schema.Store, scope: Scope = SCOPE, **how: Any) -> statement.Statement:
    return statement.gather(store, scope, **how)[0]


def told(store: schema.Store, scope: Scope = SCOPE, **how: Any) -> Document:
    return statement.tell(gathered(store, scope, **how), WORDS)


def texts(document: Document) -> list[str]:
    """Everything that people read, in order."""
    found = [document.title, document.of, document.answer_said, *document.sentences]
    for section in document.sections:
        found += [section.title, *(part for pair in section.pairs for part in pair)]
        if section.table:
            found += [*section.table.heads, *(cell for row in section.table.rows for cell in row)]
        if section.strip:
            found += [section.strip.caption, section.strip.alt]
        found += section.texts
    return found


def incorrect(row: Row) -> int:
    return sum(row.get(code, 0) for code in CATEGORIES)


def pages(document: Document) -> int:
    compiler = typst.Compiler(pdf._template(), font_paths=[pdf.FONTS], ignore_system_fonts=True)
    made = compiler.compile(sys_inputs={"data": as_json(document)}, format="png", ppi=20)
    return len(made) if isinstance(made, list) else 1


def test_its_counts_are_those_of_the_audits_added_up_apart(plant: schema.Store) -> None:
    found = gathered(plant)
    n, x = sum(row["inspected"] for row in ROUTINE), sum(map(incorrect, ROUTINE))
    assert (found.made.totes, found.made.inspected, found.made.incorrect) == (24, n, x)
    assert (found.claim.totes, found.claim.inspected, found.claim.incorrect) == (24, n, x)
    for each in found.categories:
        assert each.count == sum(row[each.code] for row in ROUTINE)
        assert each.inspected == n
    for each in found.by_lane:
        of_lane = [row for row in ROUTINE if row["lane"] == each.label]
        assert (each.totes, each.incorrect) == (12, sum(map(incorrect, of_lane)))
    assert (found.counted.fewest, found.counted.most) == (150, 250)
    assert found.counted.counted == found.digest.audits == 24


def test_the_worst_tote_and_the_spread_are_those_of_the_audited_totes(plant: schema.Store) -> None:
    found = gathered(plant, replace(SCOPE, target=0.995)).spread
    good = sorted(1 - incorrect(row) / row["inspected"] for row in ROUTINE)
    assert (found.worst, found.worst_lane, found.worst_day) == ("T05", "2", date(2026, 3, 18))
    assert (found.worst_incorrect, found.worst_inspected) == (21, 150)
    assert_allclose(found.median, (good[11] + good[12]) / 2, rtol=1e-12)
    assert good[2] <= found.tenth <= good[3]
    assert found.at_target == sum(1000 * incorrect(row) <= 5 * row["inspected"] for row in ROUTINE)
    x = [row["inspected"] - incorrect(row) for row in ROUTINE]
    lanes = np.array([row["lane"] for row in ROUTINE], dtype=object)
    alike = clustered(x, [row["inspected"] for row in ROUTINE], stratum=lanes)
    assert (found.design_effect, found.effective_n, found.tarone_p) == (
        alike.design_effect,
        alike.effective_n,
        alike.tarone_p,
    )
    said = " ".join(texts(told(plant)))
    assert f"varies {alike.design_effect:.1f} times as much as one of single pieces" in said
    assert f"say as much as {alike.effective_n:,.0f} single pieces" in said
    assert alike.tarone_p < 1e-6
    assert "with a chance of less than 0.0001 % (Tarone)" in said


def test_what_is_left_out_and_changed_is_told(plant: schema.Store) -> None:
    counted = gathered(plant).counted
    assert counted.left_out == {"for-cause": 1, "head-check": 1}
    assert (counted.corrected, counted.voided) == (1, 1)
    other = gathered(plant, replace(SCOPE, lanes=("2",))).counted
    assert (other.left_out, other.corrected, other.voided) == ({}, 0, 0)
    assert (counted.silent_lanes, counted.silent_days, counted.days) == (tuple("3456"), 0, 3)
    longer = gathered(plant, replace(SCOPE, first_day=date(2026, 3, 10), lanes=("2",)))
    assert (longer.counted.silent_lanes, longer.counted.silent_days) == ((), 6)
    said = " ".join(texts(statement.tell(longer, WORDS)))
    assert "Production days without a routine audit: 6 of 9" in said
    days = {"first_day": SCOPE.first_day, "last_day": SCOPE.last_day}
    assert changed(plant, **days)["action"].tolist() == ["voided", "corrected"]
    assert changed(plant, **days, product="another").empty
    earlier = {**days, "last_day": date(2026, 3, 17)}
    assert changed(plant, **earlier)["action"].tolist() == ["corrected"]
    later = {**days, "first_day": date(2026, 3, 17)}
    assert changed(plant, **later)["action"].tolist() == ["voided"]


def test_lots_are_counted_as_they_stand_and_so_is_what_became_of_totes(plant: schema.Store) -> None:
    lots = gathered(plant).lots
    assert (lots.judged, lots.accepted, lots.re_sorted) == (25, 23, 1)
    assert (lots.held, lots.locked, lots.totes) == (1, 0, {"scrap": 1})


def test_that_no_tote_was_disposed_of_is_told(plant: schema.Store) -> None:
    found = gathered(plant)
    bare = replace(found, lots=replace(found.lots, totes={}))
    said = texts(statement.tell(bare, WORDS))
    assert "No decision on record: none re-sorted, reworked, downgraded or scrapped by one." in said


def test_a_food_safety_finding_locks_and_leaves_the_figure_as_shipped(
    own_plant: schema.Store,
) -> None:
    before = gathered(own_plant)
    seen = datetime(2026, 3, 16, 10, tzinfo=UTC)
    found = audit.Finding("f1", "SP1", seen, "A", "1", "T00", "a piece of metal")
    records.record_finding(own_plant, found, **BY)
    after = gathered(own_plant)
    assert after.lots.locked > 0
    assert before.shipped is not None
    assert after.shipped is not None
    assert after.shipped.totes == before.shipped.totes - after.lots.locked
    assert after.made == before.made
    scope = replace(SCOPE, as_shipped=True)
    assert gathered(own_plant, scope).claim.totes == after.shipped.totes


def test_as_shipped_takes_the_audit_after_the_re_sort_and_leaves_out_what_is_held(
    plant: schema.Store,
) -> None:
    found = gathered(plant).shipped
    kept = [row for row in ROUTINE if row["tote"] != "T05"]
    assert found is not None
    assert found.totes == 24
    assert found.inspected == sum(row["inspected"] for row in kept) + 200
    assert found.incorrect == sum(map(incorrect, kept)) + 1


def test_a_claim_as_shipped_rests_on_what_left_the_plant(plant: schema.Store) -> None:
    found, rows = statement.gather(plant, replace(SCOPE, as_shipped=True))
    assert found.shipped is not None
    assert (found.claim.totes, found.claim.incorrect) == (24, found.shipped.incorrect)
    assert_allclose(found.claim.bounds.lower, found.shipped.lower, rtol=1e-12)
    assert found.made.incorrect > found.shipped.incorrect
    assert found.digest.audits == len(rows.splitlines()) - 1 == 24
    assert rows.count(",re-audit,") == 1
    document = statement.tell(found, WORDS)
    assert "were correct by count, as shipped." in document.sentences[0]
    assert document.sentences[1].startswith("As made, before any re-sort:")
    [table] = [each.table for each in document.sections if each.title == "Percent correct by count"]
    assert table is not None
    share = 1 - found.shipped.incorrect / found.shipped.inspected
    assert_allclose(found.shipped.by_count, share, rtol=1e-12)
    assert found.shipped.estimate < share
    said = f"by count alone {100 * share:.1f} %; lowered to {table.rows[1][4]} because accepted"
    assert table.notes[1].startswith(said)
    data = json.loads(statement.as_json(found, document))["figures"]
    assert data["shipped"]["by_count"] == found.shipped.by_count
    made = gathered(plant)
    assert (made.categories, made.by_lane) == (found.categories, found.by_lane)


def test_the_row_of_one_lane_alone_is_not_said_twice(plant: schema.Store) -> None:
    for lanes, rows in ((("2",), 2), (("1", "2"), 4)):  # as shipped, too
        document = statement.tell(gathered(plant, replace(SCOPE, lanes=lanes)), WORDS)
        tables = [each.table for each in document.sections if each.table]
        shares = [table for table in tables if table.heads[4:] == tables[0].heads[4:]]
        assert sum(len(table.rows) for table in shares) == rows
        [strip] = [each.strip for each in document.sections if each.strip]
        assert len(strip.rows) == len(lanes)
        assert 1 <= pages(document) <= 2


def test_a_claim_as_shipped_is_of_the_average(plant: schema.Store) -> None:
    with pytest.raises(InvalidInput, match=r"as shipped must be of the average: .* got tote-by-t"):
        gathered(plant, replace(SCOPE, as_shipped=True, kind="tote-by-tote"))


def test_a_claim_as_shipped_needs_an_accepted_lot(own_plant: schema.Store) -> None:
    bad = {**_DAY, "pulled_at": datetime(2026, 4, 1, 9, tzinfo=UTC), "inspected": 200, "stem": 60}
    programme = records.programme(own_plant)
    records.log(own_plant, audit.parse({**bad, "tote": "B1"}, programme), **BY)
    scope = replace(SCOPE, first_day=date(2026, 4, 1), last_day=date(2026, 4, 1), lanes=("1",))
    assert gathered(own_plant, scope, buyers=(1, 50)).buyer.ours == "as_made"  # type: ignore[union-attr]
    assert gathered(own_plant, scope).shipped is None
    with pytest.raises(InvalidInput) as refused:
        gathered(own_plant, replace(scope, as_shipped=True))
    assert str(refused.value) == (
        "a claim as shipped needs an accepted lot, got none of sprout-whole from 2026-04-01 to "
        "2026-04-01 on lanes 1"
    )


def test_the_claim_and_the_bounds_are_those_of_the_intervals(plant: schema.Store) -> None:
    found = gathered(plant, replace(SCOPE, target=0.95, confidence=0.9))
    programme = replace(records.programme(plant), confidence=0.9)
    tallies = records.tallies(plant, last_day=SCOPE.last_day)
    assert found.claim == claim.average(tallies, programme, target=0.95)
    assert found.claim.confidence == 0.9
    rows = sorted(ROUTINE, key=lambda row: row["lane"])
    for each in found.categories:
        upper = clustered(
            [row[each.code] for row in rows],
            [row["inspected"] for row in rows],
            stratum=[row["lane"] for row in rows],
            confidence=0.9,
            method="beta_binomial",
            side="upper",
        ).interval.high
        assert_allclose(each.upper, upper, rtol=1e-6)
    assert_allclose(found.made.lower, found.claim.bounds.lower, rtol=1e-12)


def test_a_specification_counts_its_own_categories_alone(plant: schema.Store) -> None:
    found = gathered(plant, replace(SCOPE, specification="freezer"))
    assert found.made.incorrect == sum(row["stem"] + row["double"] for row in ROUTINE)
    assert [each.counts for each in found.categories] == [True, False, True]
    document = statement.tell(found, WORDS)
    assert any("double-loaded; over-trim is allowed" in text for text in texts(document))


def test_a_category_is_of_the_audits_that_looked_for_it(own_plant: schema.Store) -> None:
    more = '\n[[categories]]\ncode = "spot"\nname = "spot"\nclass = "minor"\n\n[plans.major]'
    text = PLANT.replace("\n[plans.major]", more)
    since = datetime(2026, 3, 19, 0, tzinfo=UTC)
    records.put_programme(own_plant, text, by="lead", at=since, reason="spots")
    raw = {**_DAY, "pulled_at": datetime(2026, 3, 19, 11, tzinfo=UTC), "inspected": 100}
    found = audit.parse({**raw, "tote": "N1"}, records.programme(own_plant))
    records.log(own_plant, found, **BY)
    later = replace(SCOPE, last_day=date(2026, 3, 19))
    every = {each.code: each for each in gathered(own_plant, later).categories}
    assert list(every) == ["stem", "over_trim", "double", "spot"]
    spot, stem = every["spot"], every["stem"]
    assert (spot.inspected, stem.inspected) == (100, 5100)  # N1 alone came after the change
    assert (spot.first_day, spot.last_day) == (date(2026, 3, 19), date(2026, 3, 19))
    assert (stem.first_day, stem.last_day) == (None, None)
    expected = clustered([100], [100], confidence=0.95, method="beta_binomial", side="lower")
    assert_allclose(spot.upper, 1 - expected.interval.low, rtol=1e-6)
    said = texts(told(own_plant, later))
    assert (
        "The counting rule changed within this period: spot was looked for in audits from "
        "19 March 2026 to 19 March 2026 alone, 100 of 5,100 pieces." in said
    )
    assert [each.code for each in gathered(own_plant).categories] == list(CATEGORIES)


def test_a_claim_tote_by_tote_speaks_of_a_share_of_totes(plant: schema.Store) -> None:
    found = gathered(plant, replace(SCOPE, kind="tote-by-tote", share=0.8, target=0.9))
    assert (found.claim.kind, found.claim.share, found.needed) == ("tote_by_tote", 0.8, ())
    document = statement.tell(found, WORDS)
    assert "80 % of the totes" in document.sentences[0]
    assert not any("average over the period" in text for text in texts(document))
    assert pdf.pdf(document, found.ends).startswith(b"%PDF")


def test_where_a_claim_is_not_settled_the_totes_still_needed_are_told(
    plant: schema.Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    def quick(*asked: Any, **how: Any) -> tuple[claim.Needed, ...]:
        few = claim.Simulation(samples=5, most=40)
        return asked_for(*asked, **how, simulation=few, assurances=(0.1, 0.99))

    asked_for = claim.totes_still_needed
    monkeypatch.setattr(claim, "totes_still_needed", quick)
    found = gathered(plant, replace(SCOPE, target=0.9835))
    assert found.claim.answer == "not_settled"
    assert [each.assurance for each in found.needed] == [0.1, 0.99]
    sentences = statement.tell(found, WORDS).sentences
    assert len(sentences) == 5
    assert sentences[1].endswith("10 % of the time.")
    assert "99 % of the time" in sentences[2]
    beyond = replace(found, needed=(replace(found.needed[0], totes=None),))
    assert "no number of totes that was tried" in statement.tell(beyond, WORDS).sentences[1]


def test_a_period_of_one_day_is_said_once(plant: schema.Store) -> None:
    said = " ".join(texts(told(plant, replace(SCOPE, last_day=SCOPE.first_day))))
    assert "16 March 2026 (production day: from 06:00 on 16 March to 06:00 on 17 March" in said
    assert "16 March 2026 to" not in said


def test_plans_carry_acceptance_and_rejection_numbers(plant: schema.Store) -> None:
    # MIL-STD-105E table II-A, code J: n 80; AQL 1.0 accepts 2, AQL 1.5 accepts 3.
    shown = {each.severity: each for each in gathered(plant).plans}
    assert [(s.n, s.ac, s.re) for s in shown["major"].stages] == [(80, 2, 3)]
    assert [(s.n, s.ac, s.re) for s in shown["minor"].stages] == [(80, 3, 4)]
    assert shown["major"].lanes == ("1", "2", "3", "4", "5", "6")
    assert any("pull 80, accept on 2, reject on 3" in text for text in texts(told(plant)))


def test_a_plan_of_two_samples_is_told_sample_by_sample() -> None:
    stages = (statement.result.Stage(50, None, 2), statement.result.Stage(100, 1, 2))
    assert writing.plan(WORDS, stages) == (
        "pull 50, accept on none yet, reject on 2; then pull 50 more, accept on 1 in all, "
        "reject on 2"
    )


def test_a_buyer_s_count_is_held_against_what_was_shipped(plant: schema.Store) -> None:
    found = gathered(plant, buyers=(30, 600)).buyer
    assert found is not None
    made = [(row["inspected"] - incorrect(row), row["inspected"]) for row in ROUTINE]
    x, n = zip(*made, strict=True)
    passed = [row["tote"] != "T05" for row in ROUTINE]
    first = accepted(x, n, passed, again=([199], [200]))
    other = clustered([570], [600]).interval
    off = float(other.estimate - first.estimate)
    # Zou & Donner (2008), Statistics in Medicine 27, 1693-1702: limits joined, theirs less ours.
    low = off - np.hypot(other.estimate - other.low, first.high - first.estimate)
    high = off + np.hypot(other.high - other.estimate, first.estimate - first.low)
    assert_allclose((found.estimate, found.low, found.high), (off, low, high), rtol=1e-12)
    assert found.ours == "as_shipped"
    said = " ".join(texts(told(plant, buyers=(30, 600))))
    assert "30 of 600 pieces incorrect, 95.00 % correct. Ours, as shipped:" in said
    table = told(plant).sections[1].table
    assert table is not None
    [shipped] = [row[4] for row in table.rows if row[0] == "as shipped"]
    assert f"Ours, as shipped: {shipped} correct." in said
    # Limits to two decimals, away from the difference.
    between = f"{np.floor(1e4 * low) / 100:+.2f} to {np.ceil(1e4 * high) / 100:+.2f}"
    assert f"less ours: {100 * off:+.2f} percentage points ({between}, 95 %" in said
    assert "The buyer's own count" not in texts(told(plant))


def test_the_digest_changes_when_and_only_when_audits_of_the_scope_do(
    own_plant: schema.Store,
) -> None:
    first = gathered(own_plant).digest.sha256
    programme = records.programme(own_plant)

    def another(**fields: Any) -> audit.Audit:
        raw = {**_DAY, "pulled_at": datetime(2026, 3, 18, 11, tzinfo=UTC), "inspected": 200}
        return audit.parse({**raw, **fields}, programme)

    records.log(own_plant, another(tote="N1", purpose="study"), **BY)
    late = datetime(2026, 3, 19, 11, tzinfo=UTC)
    records.log(own_plant, another(tote="N2", pulled_at=late), **BY)
    more = '\n[[categories]]\ncode = "spot"\nname = "spot"\nclass = "minor"\n\n[plans.major]'
    changed_text = PLANT.replace("\n[plans.major]", more)
    records.put_programme(own_plant, changed_text, by="lead", at=AT, reason="spots")
    kept = another(tote="N3")
    assert gathered(own_plant).digest.sha256 == first
    records.log(own_plant, kept, **BY)
    second = gathered(own_plant).digest.sha256
    assert second != first
    worse = replace(kept, correct=199, counts={**kept.counts, "stem": 1})
    records.correct(own_plant, worse, **BY, reason="one more stem")
    third = gathered(own_plant).digest.sha256
    assert third not in (first, second)
    records.void(own_plant, kept.key, **BY, reason="never pulled")
    assert gathered(own_plant).digest.sha256 == first


def test_the_file_handed_over_is_the_same_in_whatever_order_audits_come(
    plant: schema.Store,
) -> None:
    audits = records.tallies(plant)
    first = counting.canonical(audits, CATEGORIES)
    assert counting.canonical(audits.iloc[::-1], CATEGORIES[::-1]) == first
    keys = [row.partition(",")[0] for row in first.splitlines()[1:]]
    assert keys == sorted(audits["key"])
    assert first.endswith("\n")
    assert "\r" not in first


@pytest.mark.parametrize("source", ["digest", "export"])
def test_the_same_figure_follows_from_the_audits_handed_over(
    plant: schema.Store, programme: Programme, tmp_path: Path, source: str
) -> None:
    found, rows = statement.gather(plant, SCOPE)
    file = tmp_path / "audits.csv"
    if source == "export":
        exporting.export(plant, file, first_day=SCOPE.first_day, last_day=SCOPE.last_day)
    else:
        file.write_bytes(rows.encode("utf-8"))
        assert hashlib.sha256(file.read_bytes()).hexdigest() == found.digest.sha256
        assert file.read_text().splitlines()[0] == ",".join(found.digest.columns)
    other = schema.open_store(tmp_path / "other.db", create=True)
    records.put_programme(
        other, PLANT, by="buyer", at=datetime(2026, 3, 1, tzinfo=UTC), reason="to check"
    )
    importing.import_file(other, file, programme, by="buyer", at=AT)
    again = gathered(other)
    assert again.claim == found.claim
    assert again.categories == found.categories
    assert again.digest == found.digest
    other.engine.dispose()


NASTY = '#panic("run") *bold* _it_ $x$ ] } [ <label> @ref \\ "quoted" // gone\n= not a heading'


def test_paper_is_the_same_bytes_again_and_what_people_typed_stays_text(
    plant: schema.Store,
) -> None:
    paper = Paper(buyer=NASTY, chosen=NASTY, excluded=(NASTY,), signatory=NASTY, issue=NASTY)
    found = gathered(plant, paper=paper, buyers=(3, 600))
    document = statement.tell(found, WORDS)
    first = pdf.pdf(document, found.ends)
    assert first == pdf.pdf(
        statement.tell(gathered(plant, paper=paper, buyers=(3, 600)), WORDS), found.ends
    )
    assert first.startswith(b"%PDF-1.7")
    assert b"pdfuaid:part>1<" in first
    assert b"pdfaid:part>2<" in first
    assert NASTY in texts(document)
    assert 1 <= pages(document) <= 2
    plainer = replace(document, number="")
    assert pdf.pdf(plainer, found.ends) != first


def test_markup_in_a_tote_s_name_stays_text(own_plant: schema.Store) -> None:
    raw = {**_DAY, "pulled_at": datetime(2026, 3, 18, 12, tzinfo=UTC), "inspected": 50, "stem": 40}
    bad = audit.parse({**raw, "tote": '#panic("run")', "lot": "*"}, records.programme(own_plant))
    records.log(own_plant, bad, **BY)
    document = told(own_plant)
    assert any('Tote #panic("run"), lane 1' in text for text in texts(document))
    assert pdf.pdf(document, AT).startswith(b"%PDF")


def test_paper_without_a_text_for_its_picture_is_no_paper(
    plant: schema.Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    template = pdf._template()
    bare = template.replace(b"    alt: it.alt,\n", b"")
    assert bare != template
    monkeypatch.setattr(pdf, "_template", lambda: bare)
    with pytest.raises(typst.TypstError, match="PDF/UA-1 error: missing alt text"):
        pdf.pdf(told(plant), AT)


def test_a_missing_font_is_loud(plant: schema.Store, monkeypatch: pytest.MonkeyPatch) -> None:
    other = pdf._template().replace(b'"Libertinus Serif"', b'"No Such Font", "Libertinus Serif"')
    monkeypatch.setattr(pdf, "_template", lambda: other)
    with pytest.raises(RuntimeError, match="unknown font family: no such font"):
        pdf.pdf(told(plant), AT)


def test_the_paper_has_the_page_s_type_and_colours(
    plant: schema.Store, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    sheet = Path(dashboard.__file__).parent / "assets" / "toteproof.css"
    day = sheet.read_text(encoding="utf-8").partition("prefers-color-scheme")[0]
    template = pdf._template().decode()
    for name, token in (
        ("ink", "ink"),
        ("soft", "quiet"),
        ("accent", "accent"),
        ("sheet", "ground"),
    ):
        [(_, colour)] = re.findall(rf"--({token}): (#[0-9a-f]{{6}});", day)
        assert f'#let {name} = rgb("{colour}")' in template
    assert "fill: accent, weight" in template  # headings
    assert pdf.pdf(told(plant), AT).startswith(b"%PDF")
    monkeypatch.setattr(pdf, "FONTS", str(tmp_path))  # its own font is shipped, and missed
    with pytest.raises(RuntimeError, match="unknown font family: source sans 3"):
        pdf.pdf(told(plant), AT)


def test_a_character_that_the_font_lacks_is_told(plant: schema.Store) -> None:
    document = told(plant, paper=Paper(buyer="漢 Ltd"))
    with pytest.raises(InvalidInput, match='can show only what its font has, got "漢"'):
        pdf.pdf(document, AT)


def test_data_holds_the_same_figures_and_words_as_the_paper(plant: schema.Store) -> None:
    found = gathered(plant)
    document = statement.tell(found, WORDS)
    data = json.loads(statement.as_json(found, document))
    assert data["title"] == "Buyer statement"
    figures, words = data["figures"], data["words"]
    assert figures["claim"]["bounds"]["upper"] == found.claim.bounds.upper
    assert figures["digest"]["sha256"] in json.dumps(words)
    [row] = [each for each in words["sections"][1]["table"]["rows"] if each[0] == "as made"]
    made = figures["made"]
    assert row[1:4] == [f"{made[name]:,}" for name in ("totes", "inspected", "incorrect")]
    shown = [float(cell.removesuffix(" %")) / 100 for cell in row[4:]]
    for value, name in zip(shown, ("estimate", "lower", "upper"), strict=True):
        assert_allclose(value, made[name], atol=0.001)
    assert shown[1] <= made["lower"]
    assert shown[2] >= made["upper"]
    read = [text for text in texts(document) if text]
    assert all(
        json.dumps(text, ensure_ascii=False) in json.dumps(words, ensure_ascii=False)
        for text in read
    )


def test_what_a_buyer_s_quality_manager_asks_for_is_there(plant: schema.Store) -> None:
    paper = Paper(
        buyer="An invented buyer",
        order="PO 1",
        load="LD 2",
        lots="T00 to T23",
        shipped=30,
        chosen="Every second tote.",
        excluded=("Leaf length.",),
        signatory="I. Lead",
        issue="7",
        supersedes="6",
    )
    said = "\n".join(texts(told(plant, paper=paper)))
    for part in (
        *(
            "Buyer statement",
            "An invented buyer",
            "PO 1",
            "LD 2",
            "T00 to T23",
            "Every second tote.",
        ),
        *("Leaf length.", "I. Lead", "House specification"),
        "100 x correct pieces / inspected pieces",
        "30; 24 were audited and 6 were not",
        "16 March 2026 to 18 March 2026",
        "Corrected audits: 1 (as corrected they are used); voided: 1",
        "No routine audit of lanes 3, 4, 5 and 6 in this period: no figure speaks of them.",
        "for cause 1 and head checks 1",
        "scrapped 1",
        "This statement speaks of workmanship only.",
        "follow the site's food-safety plan and the law",
        "Taking all 4,800 pieces for one random sample would have said",
        f"Version 1 (SHA-256 of its text begins {hashlib.sha256(PLANT.encode()).hexdigest()[:16]})",
    ):
        assert part in said, part


def test_data_has_what_a_buyer_s_quality_manager_asks_for_by_name(plant: schema.Store) -> None:
    paper = Paper(buyer="B", order="O", load="L", lots="T", shipped=30, chosen="C", signatory="S",
                  issue="7", supersedes="6", excluded=("E",))  # fmt: skip
    found = gathered(plant, paper=paper, buyers=(3, 600))
    data = json.loads(statement.as_json(found, statement.tell(found, WORDS)))["figures"]
    assert data["paper"] == {**asdict(paper), "excluded": ["E"]}
    for part in ("specification", "first_day", "last_day", "target", "confidence"):
        assert data["scope"][part] is not None
    assert {"upper", "share", "count", "counts"} <= set(data["categories"][0])
    assert {"worst", "worst_incorrect", "tenth", "median"} <= set(data["spread"])
    assert {"held", "re_sorted", "accepted", "totes"} <= set(data["lots"])
    assert {"ac", "re", "n"} == set(data["plans"][0]["stages"][0])
    assert {"counted", "voided", "corrected", "left_out"} <= set(data["counted"])
    assert data["shipped"]["totes"] == data["made"]["totes"] == 24
    assert data["versions"][0]["version"] == 1
    assert data["buyer"]["inspected"] == 600
    assert data["digest"]["sha256"] == found.digest.sha256


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"product": "kale"}, 'product must be one of sprout-whole, got "kale"'),
        ({"lanes": ("9",)}, 'lanes must be one of 1, 2, 3, 4, 5, 6, got "9"'),
        ({"specification": "x"}, 'specification must be one of house, freezer, got "x"'),
        ({"kind": "x"}, 'kind must be one of average, tote-by-tote, got "x"'),
        ({"target": 1.0}, "target must be between 0 and 1, both excluded, got 1"),
        ({"confidence": 0.4}, "confidence must be above 0.5 for a claim, got 0.4"),
        (
            {"first_day": date(2026, 3, 19)},
            "first_day must not be after last_day, got 2026-03-19 after 2026-03-18",
        ),
        (
            {"lanes": ("3",)},
            "a claim needs a routine audit, got none of sprout-whole from 2026-03-16 to "
            "2026-03-18 on lanes 3",
        ),
    ],
)
def test_a_scope_that_is_none_is_refused(
    plant: schema.Store, change: dict[str, Any], message: str
) -> None:
    with pytest.raises(InvalidInput) as refused:
        gathered(plant, replace(SCOPE, **change))
    assert str(refused.value).startswith(message)


@pytest.mark.parametrize(
    ("how", "message"),
    [
        ({"buyers": (3, 2)}, "buyer's incorrect pieces must be from 0 to inspected, got 3 of 2"),
        ({"buyers": (0, 0)}, "buyer's pieces inspected must be"),
        ({"paper": Paper(shipped=0)}, "totes shipped must be"),
        ({"paper": Paper(buyer="x" * 301)}, "buyer must be at most 300 characters, got 301"),
        ({"paper": Paper(excluded=("x" * 301,))}, "excluded must be at most 300 characters"),
    ],
)
def test_counts_that_are_none_are_refused(
    plant: schema.Store, how: dict[str, Any], message: str
) -> None:
    with pytest.raises(InvalidInput) as refused:
        gathered(plant, **how)
    assert str(refused.value).startswith(message)


PARTS = st.floats(0.0001, 0.9999)


@given(PARTS, PARTS, st.integers(900, 999).map(lambda part: part / 1000))
def test_bounds_are_rounded_outwards_and_stay_on_their_side_of_the_target(
    one: float, two: float, target: float
) -> None:
    lower, upper = sorted((one, two))
    at = decimals_beside(lower, upper, target)
    shown = claim.bounded(WORDS, lower, lower, upper, target)
    low, high = (float(each.removesuffix(" %")) / 100 for each in (shown.lower, shown.upper))
    assert low <= lower + 1e-11
    assert high >= upper - 1e-11
    if at < 6:
        assert (low >= target - 1e-9) == (lower >= target)
        assert (high >= target - 1e-9) == (upper >= target)


def test_a_chance_is_never_written_as_none_at_all(plant: schema.Store) -> None:
    spread = replace(gathered(plant).spread, tarone_p=3e-12)
    assert "with a chance of less than 0.0001 % (Tarone)" in writing.likeness(WORDS, spread)
    assert "with a chance of 3.0 % (Tarone)" in writing.likeness(
        WORDS, replace(spread, tarone_p=0.03)
    )


@given(st.lists(st.floats(0.5, 1.0), min_size=1, max_size=9))
def test_an_axis_holds_every_fraction_with_few_round_ticks(fractions: list[float]) -> None:
    axis = writing.axis(fractions)
    assert 2 <= len(axis.ticks) <= 7
    assert all(-1e-6 <= axis.place(each) <= 1 + 1e-6 for each in fractions)
