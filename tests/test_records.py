"""The record: what is logged comes back, nothing is lost or doubled, and the sums keep up."""

import random
import re
from datetime import UTC, date, datetime, timedelta

import pandas as pd
import pytest
from pandas.testing import assert_frame_equal

from qa import audit, tally
from qa import programme as programmes
from qa.audit import Finding
from qa.errors import Conflict, InvalidInput, InvalidProgramme, StoreError
from qa.store import records, schema, trail
from qa.store.records import Logged
from tests.conftest import PLANT
from tests.databases import both

pytestmark = both

AT = datetime(2026, 3, 16, 10, tzinfo=UTC)
START = datetime(2026, 3, 16, 6, tzinfo=UTC)
BY = {"by": "Ines", "at": AT}
WHY = {**BY, "reason": "miscounted"}


@pytest.fixture
def text():
    return PLANT


@pytest.fixture
def make(programme, audit_fields):
    """A factory of audits: the good one, with changes."""

    def one(**changes):
        return audit.parse(audit_fields(**changes), programme)

    return one


@pytest.fixture
def many(make):
    """200 audits of all kinds over five days; about every third tote is audited more than once."""
    chance = random.Random(20260316)

    def one(number):
        pulled_at = START + timedelta(minutes=37 * number)
        purpose = chance.choice(["routine"] * 6 + ["for-cause", "study", "re-audit", "head-check"])
        times = {"re-audit": {"re_sorted_at": pulled_at - timedelta(minutes=5)}}
        return make(
            pulled_at=pulled_at,
            lane=str(chance.randint(1, 3)),
            tote=f"T{number // 2 if chance.random() < 0.4 else number}",
            purpose=purpose,
            head="B" if purpose == "head-check" else None,
            inspected=chance.choice([100, 200, 250]),
            stem=chance.choice([0, 0, 1, 2, 5]),
            over_trim=chance.choice([0, 1]),
            double=chance.choice([0, 0, 3]),
            raw_lot=chance.choice([None, "field 7"]),
            pieces_in_tote=chance.choice([None, 4000]),
            fill_start=pulled_at - timedelta(minutes=chance.choice([6, 9])),
            **times.get(purpose, {}),
        )

    return [one(number) for number in range(200)]


def of(audits, programme, at=AT):
    """The tally that the store should give of audits recorded at a moment."""
    expected = tally.from_audits(audits, programme)
    stamps = pd.Series(at, expected.index, dtype=expected["recorded_at"].dtype)
    expected = expected.assign(recorded_at=stamps)
    return expected.sort_values(["pulled_at", "key"], ignore_index=True)


# --- logging ----------------------------------------------------------------------------------


def test_what_is_logged_comes_back(store, programme, many):
    assert records.log_many(store, many, **BY) == tuple(Logged(a.key, new=True) for a in many)
    assert_frame_equal(records.tallies(store), of(many, programme))
    assert trail.check(store) == ()


def test_an_empty_store_gives_an_empty_tally(store, programme):
    empty = records.tallies(store)
    assert len(empty) == 0
    assert_frame_equal(empty, of([], programme))
    assert records.log_many(store, [], **BY) == ()
    assert len(records.findings(store)) == 0
    assert len(records.sums(store)) == 0
    assert records.sums(store, by=()).loc[0].tolist() == [0] * 6


@pytest.mark.parametrize(
    ("name", "values"),
    [
        ("lane", ["1", "3", "9"]),
        ("line", ["A", "B"]),
        ("shift", ["night", "morning"]),
        ("product", ["sprout-whole", "kale"]),
        ("purpose", ["routine", "re-audit"]),
        ("tote", ["T7", "T8"]),
        ("lot", ["T7", "T8"]),
        ("inspector", ["Ines", "Ivo"]),
    ],
)
def test_tallies_are_filtered_by_each_column(store, programme, many, name, values):
    records.log_many(store, many, **BY)
    for value in values:
        wanted = [each for each in many if getattr(each, name) == value]
        assert_frame_equal(records.tallies(store, **{name: value}), of(wanted, programme))
        assert records.how_many(store, **{name: value}) == len(wanted)


def test_days_are_filtered_both_included(store, programme, many):
    records.log_many(store, many, **BY)
    first, last = date(2026, 3, 17), date(2026, 3, 18)
    wanted = [each for each in many if first <= each.day <= last]
    found = records.tallies(store, first_day=first, last_day=last)
    assert_frame_equal(found, of(wanted, programme))
    assert 0 < len(found) < 200
    assert records.how_many(store, first_day=first, last_day=last) == len(found)
    assert found["day"].agg(["min", "max"]).tolist() == [pd.Timestamp(first), pd.Timestamp(last)]


def test_texts_are_in_the_order_of_their_characters_on_every_database(store, make):
    """A language's order would put a and B, é and f together."""
    keys = ["a", "B", "é", "f", "Z", "10", "9", "_"]
    records.log_many(store, [make(key=key, tote=key) for key in keys], **BY)
    assert records.tallies(store)["key"].tolist() == sorted(keys)


def test_codes_stay_text(store, text, audit_fields):
    changed = text.replace('code = "1"', 'code = "007"')
    records.put_programme(store, changed, by="lead", at=AT, reason="lanes are renamed")
    fields = audit_fields(lane="007", tote="0012", pulled_at="2026-03-17T09:30Z")
    records.log(store, audit.parse(fields, programmes.parse(changed)), **BY)
    assert records.tallies(store).loc[0, ["lane", "tote", "lot"]].tolist() == [
        "007",
        "0012",
        "0012",
    ]
    assert records.sums(store)["lane"].tolist() == ["007"]


def test_sending_again_is_harmless(store, make):
    first = make()
    assert records.log(store, first, **BY) == Logged(first.key, new=True)
    assert records.log(store, make(), by="Ivo", at=AT + timedelta(hours=1)).new is False
    assert records.log(store, make(source="the same rows.csv"), **BY).new is False
    assert len(records.history(store, first.key)) == 1
    assert records.sums(store).loc[0].tolist() == ["1", 1, 200, 3, 40000, 9, 600]


def test_an_early_message_that_comes_late_is_harmless(store, make):
    first = make(stem=2)
    records.log(store, first, **BY)
    records.correct(store, make(stem=4), **WHY)
    assert records.log(store, first, **BY).new is False
    assert records.log(store, make(stem=4), **BY).new is False
    records.void(store, first.key, **WHY)
    assert records.log(store, first, **BY).new is False
    assert len(records.tallies(store)) == 0


def test_the_same_key_with_other_content_is_a_conflict(store, make):
    key = make().key
    records.log(store, make(), **BY)
    with pytest.raises(Conflict) as caught:
        records.log(store, make(stem=3, note="late", key=key), **BY)
    assert str(caught.value) == (
        f"audit {key} is recorded with other content: correct is 197 there and 196 here, "
        "note is blank there and late here, stem is 2 there and 3 here"
    )
    assert records.tallies(store)["stem"].tolist() == [2]


def test_many_are_logged_all_or_none(store, make):
    records.log(store, make(), **BY)
    batch = [make(tote="T2"), make(stem=3, key=make().key), make(tote="T3")]
    with pytest.raises(Conflict, match="stem is 2 there and 3 here"):
        records.log_many(store, batch, **BY)
    assert records.tallies(store)["tote"].tolist() == ["T1"]
    assert trail.check(store) == ()


def test_the_same_twice_in_one_batch(store, make):
    answers = records.log_many(store, [make(), make(tote="T2"), make()], **BY)
    assert [answer.new for answer in answers] == [True, True, False]
    assert len(records.tallies(store)) == 2
    with pytest.raises(Conflict):
        records.log_many(store, [make(tote="T3", key="K"), make(tote="T4", key="K")], **BY)
    assert len(records.tallies(store)) == 2


def test_what_would_be_logged_is_told_and_not_done(store, make, text):
    records.log(store, make(), **BY)
    strange = make(inspected=100, stem=5)
    wrong = audit.Audit(
        **{name: getattr(strange, name) for name in strange.__dataclass_fields__}
        | {"key": "W", "correct": 100}
    )
    new, again, conflict, contradiction = records.would_log(
        store, [make(tote="T2"), make(), make(key=make().key, stem=9), wrong]
    )
    assert (new.new, again.new) == (True, False)
    assert isinstance(conflict, Conflict)
    assert isinstance(contradiction, StoreError)
    assert "the counts must sum to the 0 incorrect, and sum to 6" in str(contradiction)
    assert len(records.tallies(store)) == 1


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"counts": {"stem": 3, "bruise": 1}, "correct": 196}, "it has no category bruise"),
        ({"counts": {"stem": 2}, "correct": 197}, "must sum to the 3 incorrect, and sum to 2"),
        ({"inspected": 10**30, "correct": 10**30}, "inspected must be from 1 to 1,000,000, got 10"),
        ({"correct": 201}, "correct must be from 0 to inspected, got 201 of 200"),
        ({"counts": {"stem": 4, "double": -1}}, "a count must be 0 or more, got -1"),
    ],
)
def test_an_audit_that_contradicts_its_programme_is_refused(store, make, changes, told):
    good = make()
    fields = {name: getattr(good, name) for name in good.__dataclass_fields__}
    with pytest.raises(
        StoreError, match="contradicts programme version 1, in force when"
    ) as caught:
        records.log(store, audit.Audit(**{**fields, **changes}), **BY)
    assert told in str(caught.value)
    assert len(records.tallies(store)) == 0


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"by": " "}, "by must say who, and is blank"),
        ({"at": datetime(2026, 3, 16)}, "at must have its zone, got 2026-03-16 00:00:00"),
    ],
)
def test_who_and_when_are_needed(store, make, changes, told):
    with pytest.raises(InvalidInput, match=told):
        records.log(store, make(), **{**BY, **changes})


def test_a_store_without_a_programme_takes_no_audit(somewhere, make):
    empty = schema.open_store(somewhere(), create=True)
    with pytest.raises(StoreError, match="the store has no programme yet"):
        records.log(empty, make(), **BY)
    with pytest.raises(StoreError, match="the store has no programme yet"):
        records.programme(empty)
    empty.engine.dispose()


# --- correcting and voiding -------------------------------------------------------------------


def test_a_correction_takes_the_place_and_keeps_the_past(store, programme, make):
    records.log(store, make(), **BY)
    better = make(stem=5, key=make().key)
    later = AT + timedelta(hours=1)
    assert records.correct(store, better, by="Ivo", at=later, reason="recounted").new
    assert_frame_equal(records.tallies(store), of([better], programme, later))
    told = records.history(store, better.key)
    assert told["revision"].tolist() == [1, 2]
    assert told["action"].tolist() == ["logged", "corrected"]
    assert told["by"].tolist() == ["Ines", "Ivo"]
    assert told["at"].tolist() == [AT, later]
    assert told["reason"].tolist() == ["", "recounted"]
    assert told["stem"].tolist() == [2, 5]
    assert told["correct"].tolist() == [197, 194]
    assert list(told.columns[5:-2]) == list(of([better], programme).columns)
    assert records.correct(store, better, **WHY).new is False, "nothing differs any more"
    assert len(records.history(store, better.key)) == 2


def test_a_correction_may_move_an_audit_to_another_cell(store, make):
    records.log_many(store, [make(), make(tote="T2")], **BY)
    records.correct(store, make(lane="4", tote="T9", key=make().key), **WHY)
    assert records.sums(store)["lane"].tolist() == ["1", "4"]
    assert records.sums(store)["totes"].tolist() == [1, 1]
    assert trail.check(store) == ()


def test_a_voided_audit_counts_nowhere(store, make):
    records.log_many(store, [make(), make(tote="T2")], **BY)
    assert records.void(store, make().key, **WHY).new
    assert records.tallies(store)["tote"].tolist() == ["T2"]
    assert records.sums(store).loc[0].tolist() == ["1", 1, 200, 3, 40000, 9, 600]
    assert records.void(store, make().key, **WHY).new is False
    assert records.history(store, make().key)["action"].tolist() == ["logged", "voided"]


def test_a_voided_audit_is_not_corrected(store, make):
    records.log(store, make(), **BY)
    records.void(store, make().key, **WHY)
    told = r"was voided by Ines at 2026-03-16 10:00 UTC \(miscounted\), and a voided audit is not"
    with pytest.raises(Conflict, match=told):
        records.correct(store, make(stem=3, key=make().key), **WHY)


@pytest.mark.parametrize("change", ["correct", "void"])
def test_a_change_needs_a_reason_and_an_audit(store, make, change):
    def act(reason):
        if change == "void":
            return records.void(store, make().key, **BY, reason=reason)
        return records.correct(store, make(), **BY, reason=reason)

    with pytest.raises(StoreError, match=f"there is no audit {make().key} in the store"):
        act("miscounted")
    records.log(store, make(), **BY)
    with pytest.raises(InvalidInput, match="reason must say why, and is blank"):
        act(" ")
    assert len(records.history(store, make().key)) == 1


@pytest.mark.parametrize("change", ["correct", "void"])
def test_the_second_of_two_who_change_one_audit_is_told(store, make, change):
    """Both looked at revision 1; Ivo was quicker."""
    records.log(store, make(), **BY)
    key = make().key
    records.correct(store, make(stem=5, key=key), by="Ivo", at=AT, reason="recounted", revision=1)

    def act(revision):
        if change == "void":
            return records.void(store, key, **WHY, revision=revision)
        return records.correct(store, make(stem=9, key=key), **WHY, revision=revision)

    with pytest.raises(Conflict) as caught:
        act(1)
    assert str(caught.value) == (
        f"audit {key} was corrected by Ivo at 2026-03-16 10:00 UTC (recounted) and is revision 2 "
        "now, and this change is of revision 1; look at it again"
    )
    assert records.tallies(store)["stem"].tolist() == [5]
    with pytest.raises(Conflict, match="is revision 2 now, and this change is of revision 3"):
        act(3)
    assert act(2).new
    assert act(2).new is False, "sent again, it is harmless"
    assert records.history(store, key)["revision"].tolist() == [1, 2, 3]


def test_the_history_of_nobody(store):
    with pytest.raises(StoreError, match="there is no audit K in the store"):
        records.history(store, "K")


# --- the six sums -----------------------------------------------------------------------------


def test_audits_of_one_tote_are_one_cluster(store, make):
    """By hand: 200 with 3 and 100 with 1 are one tote of 300 with 4; and one tote of 50 with 0."""
    records.log(store, make(), **BY)
    records.log(store, make(inspected=100, stem=1, over_trim=0, inspector="Ivo"), **BY)
    records.log(store, make(tote="T2", inspected=50, stem=0, over_trim=0), **BY)
    expected = ["1", 2, 350, 4, 300**2 + 50**2, 4**2, 300 * 4]
    assert records.sums(store).loc[0].tolist() == expected
    stem = ["1", 2, 350, 3, 300**2 + 50**2, 3**2, 300 * 3]
    assert records.sums(store, counted="stem").loc[0].tolist() == stem
    assert records.sums(store, by=()).loc[0].tolist() == expected[1:]


def test_the_sums_are_those_of_the_tallies_whatever_happens(store, programme, many):
    """300 changes in random order; cell by cell the sums equal those of the audits left."""
    chance = random.Random(7)
    logged = []
    for each in many:
        records.log(store, each, **BY)
        logged.append(each)
        if chance.random() < 0.4:
            other, old = chance.choice(many), chance.choice(logged)
            fields = {name: getattr(other, name) for name in other.__dataclass_fields__}
            records.correct(store, audit.Audit(**{**fields, "key": old.key}), **WHY)
        if chance.random() < 0.1:
            gone = logged.pop(chance.randrange(len(logged)))
            records.void(store, gone.key, **WHY)
    left = records.tallies(store)
    assert len(left) == len(logged)
    for counted in ("incorrect", *programme.category_codes):
        found = records.sums(store, by=schema.CELL, counted=counted, purpose=None)
        assert_frame_equal(found, tally.six_sums(left, schema.CELL, counted))
    assert trail.check(store) == ()


def test_the_sums_of_wider_groups_where_a_tote_lies_in_one_cell(store, make):
    audits = [
        make(
            pulled_at=START + timedelta(minutes=50 * number),
            lane=str(number % 6 + 1),
            tote=f"T{number}",
            stem=number % 5,
            inspected=100 + number,
        )
        for number in range(100)
    ]
    records.log_many(store, audits, **BY)
    everything = records.tallies(store)
    for by in (("lane",), ("shift", "lane"), ("day",), ("line", "product"), ()):
        assert_frame_equal(records.sums(store, by=by), tally.six_sums(everything, by))
    some = {"first_day": date(2026, 3, 17), "last_day": date(2026, 3, 18), "shift": "morning"}
    expected = tally.six_sums(records.tallies(store, lane="2", **some), ["lane"])
    assert_frame_equal(records.sums(store, lane="2", **some), expected)


def test_a_tote_in_two_cells_of_a_group_is_two_clusters_in_the_sums(store, make):
    """As `records.sums` says: a tote audited before and after a change of shift."""
    records.log(store, make(pulled_at="2026-03-16T13:55Z", inspected=100), **BY)
    records.log(store, make(pulled_at="2026-03-16T14:05Z", inspected=100), **BY)
    assert records.sums(store, by=("shift", "lane"))["totes"].tolist() == [1, 1]
    assert records.sums(store).loc[0].tolist() == ["1", 2, 200, 6, 20000, 18, 600]
    together = tally.six_sums(records.tallies(store), ["lane"])
    assert together.loc[0].tolist() == ["1", 1, 200, 6, 40000, 36, 1200]


def test_only_routine_audits_are_summed_unless_asked(store, make):
    records.log_many(store, [make(), make(tote="T2", purpose="for-cause")], **BY)
    assert records.sums(store)["n"].tolist() == [200]
    assert records.sums(store, purpose="for-cause")["n"].tolist() == [200]
    assert records.sums(store, purpose=None)["n"].tolist() == [400]


@pytest.mark.parametrize(
    ("asked", "told"),
    [
        ({"by": ("inspector",)}, 'by must be one of site, day, .* purpose, got "inspector"'),
        ({"counted": "stems"}, 'counted must be "incorrect" or a category, got "stems"'),
    ],
)
def test_the_sums_of_what_is_not_kept(store, asked, told):
    with pytest.raises(InvalidInput, match=told):
        records.sums(store, **asked)


# --- the programme's versions -----------------------------------------------------------------

NEW_CATEGORY = '\n[[categories]]\ncode = "bruise"\nname = "bruised"\nclass = "minor"\n'


def test_an_audit_comes_under_the_programme_of_its_time(store, text, make, programme):
    """Versions of 1 and 16 March: the first holds for an audit of February too."""
    assert records.put_programme(store, text + NEW_CATEGORY, **WHY) == 2
    changed = records.programme(store)
    assert changed.category_codes == ("stem", "over_trim", "double", "bruise")
    records.log(store, make(pulled_at="2026-02-10T09:00Z", tote="early"), **BY)
    records.log(store, make(pulled_at="2026-03-16T09:59:59Z", tote="before"), **BY)
    late = {"lane": "1", "inspector": "Ines", "inspected": 200, "bruise": 4, "tote": "after"}
    records.log(store, audit.parse({**late, "pulled_at": "2026-03-16T10:00Z"}, changed), **BY)
    found = records.tallies(store)
    assert found["tote"].tolist() == ["early", "before", "after"]
    assert found["programme"].tolist() == [1, 1, 2]
    assert found["bruise"].tolist() == [0, 0, 4]
    # Nobody looked for bruises before there was the category: those pieces are not counted in.
    assert records.sums(store, counted="bruise").loc[0].tolist() == ["1", 1, 200, 4, 40000, 16, 800]
    assert records.sums(store)["n"].tolist() == [600]
    assert records.programmes_by_version(store) == {1: programme, 2: changed}
    assert records.programme(store, AT - timedelta(seconds=1)) == programme
    assert records.programme(store, datetime(2020, 1, 1, tzinfo=UTC)) == programme
    assert records.programme(store, AT) == changed
    assert trail.check(store) == ()


def test_a_new_form_does_not_count_what_the_old_programme_had_not(store, text, make):
    records.put_programme(store, text + NEW_CATEGORY, **WHY)
    changed = records.programme(store)
    fields = {"lane": "1", "inspector": "Ines", "inspected": 200, "tote": "T1", "stem": 3}
    records.log(store, audit.parse({**fields, "pulled_at": "2026-03-16T09:00Z"}, changed), **BY)
    assert len(records.sums(store, counted="bruise")) == 0
    fields["bruise"] = 1
    with pytest.raises(StoreError, match=r"programme version 1, .*: it has no category bruise"):
        records.log(store, audit.parse({**fields, "pulled_at": "2026-03-16T09:30Z"}, changed), **BY)


def test_a_piece_may_show_several_categories_where_the_programme_says_so(store, text, audit_fields):
    changed = text.replace("several_per_piece = false", "several_per_piece = true")
    changed = re.sub(
        r'\[\[specifications\]\]\ncode = "freezer".*?\n\n', "", changed, flags=re.DOTALL
    )
    records.put_programme(store, changed, **WHY)
    fields = audit_fields(pulled_at="2026-03-17T09:30Z", stem=3, over_trim=2, correct=196)
    good = audit.parse(fields, records.programme(store))
    records.log(store, good, **BY)
    assert records.tallies(store).loc[0, ["incorrect", "stem", "over_trim"]].tolist() == [4, 3, 2]
    for correct in (198, 194):
        wrong = {name: getattr(good, name) for name in good.__dataclass_fields__}
        told = f"the counts allow 3 to 5 incorrect, and there are {200 - correct}"
        with pytest.raises(StoreError, match=told):
            records.log(store, audit.Audit(**{**wrong, "key": "W", "correct": correct}), **BY)
    assert trail.check(store) == ()


def test_a_later_change_never_rewrites_the_past(store, text, make):
    records.log(store, make(), **BY)
    first = datetime(2026, 3, 1, tzinfo=UTC)
    for at in (first, first - timedelta(days=1)):
        told = "a programme is in force since 2026-03-01 00:00:00 UTC, and the next one must begin"
        with pytest.raises(StoreError, match=told):
            records.put_programme(store, text + NEW_CATEGORY, by="lead", at=at, reason="why")
    # Dated before an audit that is there already: the audit keeps the version it came under.
    early = first + timedelta(days=1)
    records.put_programme(store, text + NEW_CATEGORY, by="lead", at=early, reason="bruises")
    assert records.tallies(store)["programme"].tolist() == [1]


def test_the_same_programme_again_is_no_new_version(store, text):
    assert records.put_programme(store, text, **WHY) == 1
    kept = records.programmes(store)
    assert kept[["version", "by", "reason"]].values.tolist() == [[1, "lead", "the plant is set up"]]
    assert kept["at"].tolist() == [datetime(2026, 3, 1, tzinfo=UTC)]
    assert kept["text"].tolist() == [text]


def test_a_programme_with_faults_or_without_a_reason_is_not_kept(store, text):
    with pytest.raises(InvalidProgramme, match="time_zone"):
        records.put_programme(store, text.replace("Europe/Dublin", "Europe/Nowhere"), **WHY)
    with pytest.raises(InvalidInput, match="reason must say why"):
        records.put_programme(store, text + NEW_CATEGORY, **BY, reason="")
    assert len(records.programmes(store)) == 1


# --- food-safety findings ---------------------------------------------------------------------


def test_a_finding_stands_until_it_is_lifted_with_a_reason(store):
    glass = Finding("F1", "SP1", AT, "A", "1", "T1", "a shard of glass")
    bolt = Finding("F2", "SP1", AT - timedelta(hours=1), "A", "2", "T9", "a bolt")
    assert records.record_finding(store, glass, **BY).new
    assert records.record_finding(store, glass, **BY).new is False
    assert records.record_finding(store, bolt, **BY).new
    later = AT + timedelta(days=1)
    with pytest.raises(InvalidInput, match="reason must say why"):
        records.lift_finding(store, "F1", by="lead", at=later, reason="")
    assert records.lift_finding(
        store, "F1", by="lead", at=later, reason="the tote was scrapped"
    ).new
    assert records.lift_finding(store, "F1", by="lead", at=later, reason="again").new is False
    found = records.findings(store)
    assert found["key"].tolist() == ["F2", "F1"]
    assert found["what"].tolist() == ["a bolt", "a shard of glass"]
    assert found["found_at"].tolist() == [bolt.found_at, AT]
    assert found["by"].tolist() == ["Ines", "Ines"]
    assert found["lifted_at"].isna().tolist() == [True, False]
    assert found["lifted_at"][1] == later
    assert found["lifted_by"].tolist() == ["", "lead"]
    assert found["lifted_reason"].tolist() == ["", "the tote was scrapped"]
    assert trail.check(store) == ()


def test_a_finding_that_is_refused(store):
    glass = Finding("F1", "SP1", AT, "A", "1", "T1", "a shard of glass")
    records.record_finding(store, glass, **BY)
    other = Finding("F1", "SP1", AT, "A", "1", "T2", "a shard of glass")
    with pytest.raises(
        Conflict, match=r"finding F1 .* other content: tote is T1 there and T2 here"
    ):
        records.record_finding(store, other, **BY)
    with pytest.raises(StoreError, match="there is no finding F7 in the store"):
        records.lift_finding(store, "F7", **WHY)
    with pytest.raises(InvalidInput, match="what of the finding must not be blank"):
        records.record_finding(store, Finding("F3", "SP1", AT, "A", "1", "T1", " "), **BY)
    naive = Finding("F3", "SP1", AT.replace(tzinfo=None), "A", "1", "T1", "a bolt")
    with pytest.raises(InvalidInput, match="found_at must have its zone, got 2026-03-16 10:00"):
        records.record_finding(store, naive, **BY)
    assert records.findings(store)["key"].tolist() == ["F1"]
