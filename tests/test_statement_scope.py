"""Of which audits a statement speaks; page and paper speak of the same."""

import csv
import io
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from dashboard.views import claim as view
from qa import audit, claim, statement, tally
from qa.errors import InvalidInput
from qa.statement import Scope, pdf
from qa.store import deeds, records, schema
from qa.wording import load
from tests.conftest import PLANT
from tests.small_plant import small_plant

WORDS = load()
BY: dict[str, Any] = {"by": "Ines", "at": datetime(2026, 3, 30, 12, tzinfo=UTC)}
START = datetime(2026, 3, 16, 9, tzinfo=UTC)
FIRST, LAST = date(2026, 3, 16), date(2026, 3, 18)
SCOPE = Scope("sprout-whole", FIRST, LAST, target=0.9)
TEXT = PLANT.replace('switching = "none"', 'switching = "mil_std_105e"').replace(
    "\n[[products]]",
    '\n[[products]]\ncode = "sprout-half"\nname = "Brussels sprouts, halved"\n\n[[products]]',
    1,
)
BAD = 40  # stems in 200 pieces: every plan rejects


def row(day: int, minute: int, **changes: object) -> dict[str, object]:
    """Raw fields of an audit so many days and minutes after the start."""
    fields: dict[str, object] = {
        "pulled_at": START + timedelta(days=day, minutes=minute),
        "product": "sprout-whole",
        "lane": "1",
        "tote": f"T{day}{minute:02}",
        "inspector": "Ines",
        "inspected": 200,
    }
    return {**fields, **changes}


def again(day: int, minute: int, tote: str, **changes: object) -> dict[str, object]:
    """A re-audit of a tote an hour after its re-sort."""
    re_sorted = START + timedelta(days=day, minutes=minute - 60)
    return row(day, minute, tote=tote, purpose="re-audit", re_sorted_at=re_sorted, **changes)


ROWS = [
    *(
        row(day, minute, lane=lane, tote=f"{lane}{day}{minute:02}", stem=(day + minute) % 3)
        for day in range(3)
        for lane in "123"
        for minute in range(0, 40, 10)
    ),
    row(0, 50, product="sprout-half", tote="H1", stem=9, over_trim=3),
    row(2, 300, tote="R1", lane="2", stem=12, inspected=150),
    again(3, 0, "R1", lane="2", stem=1),  # the day after the period
    row(1, 300, tote="B1", lane="2", stem=BAD),  # rejected and held
    row(1, 310, tote="L1", lane="3", over_trim=1),  # locked below
    row(1, 320, tote="C1", purpose="for-cause", over_trim=2, inspected=250),
    *(row(8, 10 * at, tote=f"D{at:02}", stem=BAD) for at in range(16)),  # inspection stops
]


@pytest.fixture(scope="module")
def plant(tmp_path_factory: pytest.TempPathFactory) -> Iterator[schema.Store]:
    store = schema.open_store(tmp_path_factory.mktemp("scope") / "plant.db", create=True)
    put = datetime(2026, 3, 1, tzinfo=UTC)
    records.put_programme(store, TEXT, by="lead", at=put, reason="the plant is set up")
    programme = records.programme(store)
    records.log_many(store, [audit.parse(each, programme) for each in ROWS], **BY)
    for key, lane, tote in (("d1", "2", "B1"), ("d2", "1", "D01")):
        done = deeds.Disposition(key, "SP1", lane, tote, tote, "scrap")
        deeds.dispose(store, done, **BY, reason="too many stems")
    seen = START + timedelta(days=1, minutes=315)
    found = audit.Finding("f1", "SP1", seen, "A", "3", "L1", "a piece of metal")
    records.record_finding(store, found, **BY)
    right = deeds.Event(
        "e1", "SP1", "A", "1", START + timedelta(days=9), "put-right", "nozzle changed"
    )
    deeds.record_event(store, right, **BY)
    yield store
    store.engine.dispose()


def gathered(store: schema.Store, scope: Scope = SCOPE) -> statement.Statement:
    return statement.gather(store, scope)[0]


def texts(found: statement.Statement) -> list[str]:
    document = statement.tell(found, WORDS)
    said = [*document.sentences]
    for section in document.sections:
        said += [part for pair in section.pairs for part in pair]
        said += [cell for each in (section.table.rows if section.table else ()) for cell in each]
        said += section.texts
    return said


def test_plans_are_those_of_the_product_at_the_end_of_the_period(plant: schema.Store) -> None:
    def inspection(last: date) -> dict[str, set[str]]:
        found: dict[str, set[str]] = {}
        for each in gathered(plant, replace(SCOPE, last_day=last, lanes=("1",))).plans:
            assert each.lanes == ("1",)
            found.setdefault(each.severity, set()).add(each.inspection)
        return found

    assert inspection(LAST)["major"] == {"normal"}
    assert inspection(date(2026, 3, 24))["major"] == {"discontinued"}
    assert inspection(date(2026, 3, 25))["major"] == {"tightened"}  # put right that day


def test_plans_tell_their_numbers_at_the_sizes_pulled(plant: schema.Store) -> None:
    # MIL-STD-105E table II-A, normal: at AQL 1.0, n 80 accepts 2, n 125 accepts 3, n 200 accepts 5.
    [major] = [each for each in gathered(plant).plans if each.severity == "major"]
    assert [(each.n, each.ac, each.re) for each in major.stages] == [(80, 2, 3)]
    assert [(each.n, each.ac, each.re) for each in major.pulled] == [(150, 3, 4), (200, 5, 6)]
    said = (
        "pull 80, accept on 2, reject on 3; from 150 pieces on, accept on 3, reject on 4; "
        "from 200 pieces on, accept on 5, reject on 6"
    )
    assert said in texts(gathered(plant))


def test_only_lots_of_the_scope_and_their_dispositions_count(plant: schema.Store) -> None:
    lots = gathered(plant).lots
    assert (lots.held, lots.re_sorted, lots.totes) == (1, 1, {"scrap": 1})
    assert lots.locked == 3  # the tote with metal, and those audited before and after it
    assert lots.judged == 40
    other = gathered(plant, replace(SCOPE, product="sprout-half"))
    assert (other.made.totes, other.made.incorrect, other.lots.judged) == (1, 12, 1)


def test_as_shipped_its_counts_are_of_what_left_the_plant(plant: schema.Store) -> None:
    made, shipped = (gathered(plant, replace(SCOPE, as_shipped=it)) for it in (False, True))
    assert made.spread.worst == "B1"
    assert shipped.spread.worst != "B1"
    assert made.counted.left_out == {"for-cause": 1}
    # Routine audits of B1, of R1 before its re-sort and of three locked totes; the other purpose.
    assert shipped.counted.left_out == {"for-cause": 1, "routine": 5}
    assert (made.counted.counted, shipped.counted.counted) == (39, 35)
    assert (made.counted.fewest, shipped.counted.fewest) == (150, 200)
    assert shipped.claim.totes == shipped.counted.counted
    said = " ".join(texts(shipped))
    assert "Totes 35, audits 35, pieces 7,000 (200 an audit)." in said
    assert "Of 35 audited totes" in said
    assert "re-audits of lots accepted after a re-sort" in said
    assert "routine 5" in said
    assert "do not speak of what lanes make" not in said


@pytest.mark.parametrize("as_shipped", [False, True])
def test_the_figure_follows_from_the_file_handed_over_over_a_period_s_edge(
    plant: schema.Store, as_shipped: bool
) -> None:
    found, file = statement.gather(plant, replace(SCOPE, as_shipped=as_shipped))
    rows = pd.DataFrame(csv.DictReader(io.StringIO(file))).replace("", None)
    assert ("2026-03-19" in set(rows["day"])) == as_shipped  # the re-audit came after the period
    programme = records.programme(plant)
    for each in ("inspected", "correct"):
        rows[each] = rows[each].astype(int)
    taken = tally.table(
        rows.assign(purpose="routine", incorrect=rows["inspected"] - rows["correct"], programme=1),
        programme.category_codes,
    )
    ours = claim.average(taken, programme, target=0.9)
    if as_shipped:  # drawn towards the audited totes that did not leave, which the file has not
        assert (ours.totes, ours.incorrect) == (found.claim.totes, found.claim.incorrect)
        assert ours.estimate > found.claim.estimate
    else:
        assert ours == found.claim
    told = " ".join(texts(found))
    assert ("The file has the audits of what left the plant" in told) == as_shipped
    assert ("under the same programme" in told) != as_shipped


ASKED: list[tuple[str, dict[str, Any]]] = [
    ("", {}),
    ("&figure=shipped", {"as_shipped": True}),
    ("&specification=freezer&product=sprout-half", {"product": "sprout-half"}),
    ("&lane=3&figure=shipped", {"lanes": ("3",), "as_shipped": True}),
    ("&kind=tote-by-tote&share=70", {"kind": "tote-by-tote", "share": 0.7}),
]


@pytest.mark.parametrize(("asked", "how"), ASKED)
def test_page_and_paper_speak_of_the_same_audits(
    plant: schema.Store, asked: str, how: dict[str, Any]
) -> None:
    search = f"?first={FIRST}&last={LAST}&target=90&product=sprout-whole{asked}"
    search = search.replace("product=sprout-whole&specification", "specification")
    if "specification" in asked:
        how = {**how, "specification": "freezer"}
    if "share" in asked:
        how = {**how, "share": 0.7}
    found = gathered(plant, replace(SCOPE, **how))
    shown = view.view(plant, search).answered
    assert shown is not None
    assert shown.claim == found.claim
    assert dict(shown.left_out) == found.counted.left_out
    assert [(each.share.count, each.share.low) for each in shown.sides] == [
        (each.incorrect, each.lower) for each in (found.made, found.shipped) if each
    ]
    assert [each.share.inspected for each in shown.lanes] == [
        each.inspected for each in found.by_lane
    ]
    paper = pdf.pdf(statement.tell(found, WORDS), found.ends)
    assert view.statement_of(plant, search) == paper


def test_a_kind_of_defect_that_was_not_found_has_no_share(tmp_path: Path) -> None:
    store = small_plant(tmp_path / "plant.db")  # so many strata that their weights do not add to 1
    found = gathered(store, replace(SCOPE, first_day=date(2026, 4, 6), last_day=date(2026, 4, 20)))
    store.engine.dispose()
    [double] = [each for each in found.categories if each.code == "double"]
    assert (double.count, double.share) == (0, 0.0)
    [row] = [
        row
        for section in statement.tell(found, WORDS).sections
        for row in (section.table.rows if section.table else ())
        if row[0] == "double-loaded"
    ]
    assert row[5].strip("0 %") == "."
    assert len(row[5]) <= len("0.000 %")


def test_few_totes_and_silent_lanes_and_days_stand_at_the_head(plant: schema.Store) -> None:
    scope = replace(SCOPE, first_day=date(2026, 3, 1), last_day=FIRST)
    head = statement.tell(gathered(plant, scope), WORDS).sentences
    assert head[-3].startswith("Only 12 totes were audited: fewer than 20 cannot show")
    assert head[-2:] == (
        "No routine audit of lanes 4, 5 and 6 in this period: no figure speaks of them.",
        "Production days without a routine audit: 15 of 16; no figure speaks of them.",
    )
    page = view.view(plant, f"?first=2026-03-01&last={FIRST}&target=90&product=sprout-whole")
    assert page.answered is not None
    assert page.answered.cautions == head[-3:]
    shipped = statement.tell(gathered(plant, replace(scope, as_shipped=True)), WORDS).sentences
    assert shipped[-1].startswith("Production days without an audit of an accepted lot: 15 of 16")


@pytest.mark.parametrize("name", ["target", "confidence", "share"])
def test_more_decimals_than_are_ever_written_are_refused(plant: schema.Store, name: str) -> None:
    scope = replace(SCOPE, kind="tote-by-tote", **{name: 0.9999999})
    with pytest.raises(InvalidInput) as refused:
        gathered(plant, scope)
    told = f"{name} must have at most 3 decimals in per cent, got 99.99999"
    assert str(refused.value) == told
    assert gathered(plant, replace(scope, **{name: 0.89001}))


def test_the_page_refuses_more_decimals_beside_the_field(plant: schema.Store) -> None:
    problems = view.view(plant, "?target=99.99999").problems
    assert problems == {"target": "must have at most 3 decimals, got 99.99999"}


def test_quoted_coverage_is_that_of_an_average_as_made_at_95(plant: schema.Store) -> None:
    quoted = "95 % bounds of this kind failed"
    other = "These bounds are of the quality that 95 % of the totes reach"
    for how, told in (
        ({}, quoted),
        ({"confidence": 0.9}, None),
        ({"as_shipped": True}, None),
        ({"kind": "tote-by-tote"}, other),
    ):
        said = " ".join(texts(gathered(plant, replace(SCOPE, **how))))  # type: ignore[arg-type]
        assert (quoted in said) == (told == quoted)
        assert (other in said) == (told == other)


def test_the_page_tells_why_there_is_no_answer(plant: schema.Store) -> None:
    days = f"?first={FIRST}&last={LAST}&target=90&product=sprout-whole"
    shown = view.view(plant, days + "&lane=5")
    assert (shown.answered, shown.problems) == (None, {})
    assert shown.reason.startswith("a claim needs a routine audit, got none of sprout-whole from")
    assert shown.reason.endswith("on lanes 5")
    held = view.view(plant, "?first=2026-03-24&last=2026-03-24&figure=shipped&product=sprout-whole")
    assert held.reason.startswith("a claim as shipped needs an accepted lot, got none of")
    study = "&found=95&incorrect=100&passed=150&study_correct=200"  # every fourth is called so
    assert "the study's wrong calls alone give" in view.view(plant, days + study).reason
