"""The audit: raw fields become a record, or every fault is said at once; keys sort by time."""

import ast
import math
import uuid
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta, timezone
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from qa import _form, audit
from qa.audit import PURPOSES, Audit, derived_key, new_key, parse
from qa.errors import InvalidAudit
from qa.programme import Lane, Product, Programme
from qa.wording import Wording, load

Fields = Callable[..., dict[str, object]]
GOOD: dict[str, object] = {
    "pulled_at": "2026-03-16T09:30:00+00:00",
    "lane": "1",
    "tote": "T1",
    "inspector": "insp-01",
    "inspected": 200,
}


def problems(fields: dict[str, object], programme: Programme) -> dict[str, str]:
    with pytest.raises(InvalidAudit) as told:
        parse(fields, programme)
    return told.value.problems


@pytest.fixture(scope="module")
def several(programme: Programme) -> Programme:
    return replace(programme, several_per_piece=True, specifications=())


def test_what_follows_may_be_left_out(programme: Programme, audit_fields: Fields) -> None:
    audit = parse(audit_fields(), programme)
    assert (audit.site, audit.line, audit.lane, audit.lot) == ("SP1", "A", "1", "T1")
    assert (audit.day, audit.shift) == (date(2026, 3, 16), "morning")
    assert (audit.product, audit.purpose, audit.head) == ("sprout-whole", "routine", None)
    assert audit.counts == {"stem": 2, "over_trim": 1, "double": 0}
    assert (audit.inspected, audit.correct, audit.incorrect) == (200, 197, 3)
    assert audit.pulled_at == datetime(2026, 3, 16, 9, 30, tzinfo=UTC)
    assert (audit.raw_lot, audit.pieces_in_tote, audit.fill_end) == (None, None, None)
    assert audit.key == derived_key(audit)


def test_what_is_given_is_kept(programme: Programme, audit_fields: Fields) -> None:
    given_fields = audit_fields(
        key="k1",
        site="SP1",
        day="2026-03-15",
        shift="night",
        line="A",
        product="sprout-whole",
        raw_lot="F07",
        lot="L1",
        purpose="re-audit",
        correct=197,
        pieces_in_tote="3990",
        fill_start="2026-03-16 05:50:10",
        fill_end="2026-03-16 05:54:00",
        re_sorted_at="2026-03-16T09:00:00Z",
        note=" two words ",
        source="form",
    )
    audit = parse(given_fields, programme)
    assert (audit.key, audit.lot, audit.raw_lot, audit.source) == ("k1", "L1", "F07", "form")
    assert (audit.day, audit.shift) == (date(2026, 3, 15), "night")
    assert (audit.pieces_in_tote, audit.note) == (3990, "two words")
    assert audit.re_sorted_at == datetime(2026, 3, 16, 9, tzinfo=UTC)


TYPED = ("tote", "inspector", "lot", "raw_lot", "note", "key")


@pytest.mark.parametrize("name", TYPED)
def test_a_text_has_at_most_200_characters(
    name: str, programme: Programme, audit_fields: Fields
) -> None:
    kept = parse(audit_fields(**{name: "é" * 200}), programme)
    assert getattr(kept, name) == "é" * 200
    told = problems(audit_fields(**{name: "é" * 201}), programme)
    assert told == {name: "must be at most 200 characters long, got 201"}


@pytest.mark.parametrize("value", [["T1"], {"T": 1}, ("T", 1), b"T1"])
@pytest.mark.parametrize("name", [*TYPED, "lane", "purpose"])
def test_a_text_is_no_list_of_things(
    name: str, value: object, programme: Programme, audit_fields: Fields
) -> None:
    told = problems(audit_fields(**{name: value}), programme)
    assert told == {name: f"must be a text or a number, got {value}"}


def test_a_file_s_name_may_be_as_long_as_it_is(programme: Programme, audit_fields: Fields) -> None:
    assert len(parse(audit_fields(source="f" * 251 + ".csv"), programme).source) == 255


def test_a_lot_may_be_what_a_lane_made_in_a_shift(
    programme: Programme, audit_fields: Fields
) -> None:
    lane_shift = replace(programme, lot="lane_shift")
    assert parse(audit_fields(), lane_shift).lot == "2026-03-16 morning 1"


def test_lane_007_stays_text(programme: Programme, audit_fields: Fields) -> None:
    other = replace(programme, lanes=(Lane("007", "A", ()), Lane("7", "A", ())))
    assert parse(audit_fields(lane="007"), other).lane == "007"
    assert parse(audit_fields(lane=7.0), other).lane == "7"
    assert parse(audit_fields(lane="007", tote="0012"), other).tote == "0012"


def test_numbers_of_a_spreadsheet_are_read(programme: Programme, audit_fields: Fields) -> None:
    fields = audit_fields(
        tote=1182.0, inspected=200.0, stem="2.0", over_trim=np.int64(1), double=np.float64(0)
    )
    fields |= {"pieces_in_tote": math.nan, "fill_end": pd.NaT, "note": None, "correct": "  "}
    audit = parse(fields, programme)
    assert (audit.tote, audit.inspected, audit.correct) == ("1182", 200, 197)
    assert (audit.pieces_in_tote, audit.fill_end) == (None, None)


@pytest.mark.parametrize(
    "pulled_at",
    [
        "2026-04-01 08:30",
        "2026-04-01T08:30:00",
        "2026-04-01T07:30:00Z",
        "2026-04-01 09:30+02:00",
        datetime(2026, 4, 1, 8, 30),
        pd.Timestamp("2026-04-01 08:30"),
        datetime(2026, 4, 1, 2, 30, tzinfo=timezone(timedelta(hours=-5))),
    ],
)
def test_a_time_without_a_zone_is_plant_time(
    programme: Programme, audit_fields: Fields, pulled_at: object
) -> None:
    audit = parse(audit_fields(pulled_at=pulled_at), programme)
    assert audit.pulled_at == datetime(2026, 4, 1, 7, 30, tzinfo=UTC)


@pytest.mark.parametrize(
    ("pulled_at", "shift", "day"),
    [
        ("2026-03-17 02:00", None, date(2026, 3, 16)),  # the night began on the 16th
        ("2026-03-17 06:05", "night", date(2026, 3, 16)),  # pulled after the night had ended
        ("2026-03-17 22:05", "afternoon", date(2026, 3, 17)),
        ("2026-03-17 05:00", "afternoon", date(2026, 3, 16)),
        ("2026-03-29 02:30", None, date(2026, 3, 28)),
    ],
)
def test_the_day_is_the_one_on_which_the_shift_last_began(
    programme: Programme, audit_fields: Fields, pulled_at: str, shift: str | None, day: date
) -> None:
    audit = parse(audit_fields(pulled_at=pulled_at, shift=shift), programme)
    assert (audit.day, audit.shift) == (day, shift or "night")


def test_a_day_may_come_as_a_date_or_a_time(programme: Programme, audit_fields: Fields) -> None:
    for day in ("2026-03-16", date(2026, 3, 16), datetime(2026, 3, 16), pd.Timestamp("2026-03-16")):
        assert parse(audit_fields(day=day), programme).day == date(2026, 3, 16)


def test_a_head_check_is_pulled_while_its_tote_fills(
    programme: Programme, audit_fields: Fields
) -> None:
    fields = audit_fields(
        purpose="head-check",
        head="B",
        fill_start="2026-03-16 09:28",
        fill_end="2026-03-16 09:32",
    )
    assert parse(fields, programme).head == "B"


FIELD_FAULTS = [
    ({"pulled_at": None}, "pulled_at", "is missing"),
    ({"lane": ""}, "lane", "is missing"),
    ({"tote": "  "}, "tote", "is missing"),
    ({"inspector": None}, "inspector", "is missing"),
    ({"inspected": None}, "inspected", "is missing"),
    (
        {"pulled_at": "16/03/2026"},
        "pulled_at",
        'must be a date and time such as 2026-03-16 14:05, got "16/03/2026"',
    ),
    (
        {"pulled_at": "2026-03-16"},
        "pulled_at",
        'must be a date and time such as 2026-03-16 14:05, got "2026-03-16"',
    ),
    (
        {"pulled_at": 45000},
        "pulled_at",
        "must be a date and time such as 2026-03-16 14:05, got 45000",
    ),
    (
        {"pulled_at": "0026-03-16 14:05"},
        "pulled_at",
        'must be after the year 1970 and before 2200, got "0026-03-16 14:05"',
    ),
    (
        {"fill_start": "9999-12-31T23:59:59-12:00"},
        "fill_start",
        'must be after the year 1970 and before 2200, got "9999-12-31T23:59:59-12:00"',
    ),
    (
        {"pulled_at": "2026-03-29 01:30"},
        "pulled_at",
        "does not come in plant time on the night the clocks change, "
        'got "2026-03-29 01:30"; add the offset, such as 2026-03-29 01:30+00:00',
    ),
    (
        {"pulled_at": "2026-10-25 01:30"},
        "pulled_at",
        "comes twice in plant time on the night the clocks change, "
        'got "2026-10-25 01:30"; add the offset, such as 2026-10-25 01:30+01:00',
    ),
    ({"lane": "9"}, "lane", 'must be one of 1, 2, 3, 4, 5, 6, got "9"'),
    ({"line": "B"}, "line", 'must be A, the line of lane 1, got "B"'),
    ({"site": "SP2"}, "site", 'must be SP1, the programme\'s site, got "SP2"'),
    ({"product": "carrot"}, "product", 'must be one of sprout-whole, got "carrot"'),
    ({"shift": "evening"}, "shift", 'must be one of morning, afternoon, night, got "evening"'),
    ({"day": "16.3.2026"}, "day", 'must be a date such as 2026-03-16, got "16.3.2026"'),
    ({"day": 20260316}, "day", "must be a date such as 2026-03-16, got 20260316"),
    ({"day": "2026-03-17"}, "day", "must not be after the pieces were pulled, got 2026-03-17"),
    ({"purpose": "fun"}, "purpose", f'must be one of {", ".join(PURPOSES)}, got "fun"'),
    (
        {"head": "A"},
        "head",
        "must be blank: pieces of both heads mix in a tote, and only a head-check has one",
    ),
    ({"purpose": "head-check"}, "head", "is missing"),
    ({"purpose": "head-check", "head": "C"}, "head", 'must be one of A, B, got "C"'),
    (
        {"inspected": 0, "stem": 0, "over_trim": 0},
        "inspected",
        "must be a whole number, 1 or more, got 0",
    ),
    ({"inspected": "two"}, "inspected", 'must be a whole number, 1 or more, got "two"'),
    ({"stem": -1}, "stem", "must be a whole number, 0 or more, got -1"),
    ({"stem": 1.5}, "stem", "must be a whole number, 0 or more, got 1.5"),
    ({"stem": "1.5"}, "stem", 'must be a whole number, 0 or more, got "1.5"'),
    ({"stem": "٣"}, "stem", 'must be a whole number, 0 or more, got "٣"'),
    ({"stem": True}, "stem", "must be a whole number, 0 or more, got True"),
    ({"stem": math.inf}, "stem", "must be a whole number, 0 or more, got inf"),
    ({"inspected": 10**9}, "inspected", "must be a whole number, 1 or more, got 1000000000"),
    ({"inspected": 10, "stem": 11}, "stem", "must be from 0 to inspected, got 11 of 10"),
    (
        {"inspected": 10, "stem": 6, "over_trim": 6},
        "inspected",
        "must be at least what was counted, got 12 of 10",
    ),
    ({"correct": 201}, "correct", "must be from 0 to inspected, got 201 of 200"),
    (
        {"correct": 198},
        "correct",
        "must be inspected less the counts: 200 - 3 = 197, got 198",
    ),
    ({"pieces_in_tote": 150}, "pieces_in_tote", "must be at least inspected 200, got 150"),
    ({"pieces_in_tote": "x"}, "pieces_in_tote", 'must be a whole number, 1 or more, got "x"'),
    (
        {"purpose": "re-audit"},
        "re_sorted_at",
        "is missing: a re-audit says when the tote was re-sorted",
    ),
    ({"re_sorted_at": "2026-03-16 09:00"}, "re_sorted_at", "must be blank for purpose routine"),
    (
        {"purpose": "re-audit", "re_sorted_at": "2026-03-16 09:31"},
        "re_sorted_at",
        'must not be after Pulled at (09:30 on 16 March), got "2026-03-16 09:31"',
    ),
    (
        {"fill_start": "2026-03-16 09:20", "fill_end": "2026-03-16 09:16"},
        "fill_start",
        'must not be after Fill ended (09:16 on 16 March), got "2026-03-16 09:20"',
    ),
    (
        {"fill_end": "2026-03-16 09:40"},
        "fill_end",
        'must not be after Pulled at (09:30 on 16 March), got "2026-03-16 09:40"',
    ),
    (
        {"purpose": "head-check", "head": "A", "fill_start": "2026-03-16 09:40"},
        "fill_start",
        'must not be after Pulled at (09:30 on 16 March), got "2026-03-16 09:40"',
    ),
    (
        {
            "purpose": "re-audit",
            "re_sorted_at": "2026-03-16 09:00",
            "fill_end": "2026-03-16 09:10",
        },
        "fill_end",
        'must not be after Re-sorted at (09:00 on 16 March), got "2026-03-16 09:10"',
    ),
    ({"stems": 1}, "stems", "is no field of an audit and no category of the programme"),
    ({"counts": {"stem": 1}}, "counts", "is no field of an audit and no category of the programme"),
    (
        {"tote": "T\x001"},
        "tote",
        "must be plain text, and has a character that cannot be shown",
    ),
    (
        {"note": "\ud800"},
        "note",
        "must be plain text, and has a character that cannot be shown",
    ),
    (
        {"stem": "\ud800" + "x" * 80},
        "stem",
        'must be a whole number, 0 or more, got "?' + "x" * 55 + "...",
    ),
]


@pytest.mark.parametrize(("changes", "field", "told"), FIELD_FAULTS)
def test_each_fault_names_its_field_and_what_came(
    programme: Programme,
    audit_fields: Fields,
    changes: dict[str, object],
    field: str,
    told: str,
) -> None:
    assert problems(audit_fields(**changes), programme) == {field: told}


def test_every_fault_is_told_at_once(programme: Programme) -> None:
    fields = {
        "pulled_at": "yesterday",
        "lane": "9",
        "line": "B",
        "inspected": "many",
        "stem": -1,
        "purpose": "re-audit",
        "head": "A",
        "fill_start": "2026-03-16 09:20",
        "fill_end": "2026-03-16 09:16",
        "colour": "green",
    }
    with pytest.raises(InvalidAudit) as told:
        parse(fields, programme)
    assert set(told.value.problems) == {
        *("pulled_at", "lane", "tote", "inspector", "inspected", "stem", "head", "re_sorted_at"),
        *("fill_start", "colour"),
    }
    assert 'lane: must be one of 1, 2, 3, 4, 5, 6, got "9"; ' in str(told.value)


def test_a_faulty_lane_is_not_blamed_on_its_head(
    programme: Programme, audit_fields: Fields
) -> None:
    fields = audit_fields(lane="9", purpose="head-check", head="A")
    assert list(problems(fields, programme)) == ["lane"]


def test_a_lane_without_heads_has_no_head_check(programme: Programme, audit_fields: Fields) -> None:
    other = replace(programme, lanes=(Lane("1", "A", ()),))
    told = {"head": "the programme names no heads of lane 1"}
    assert problems(audit_fields(purpose="head-check", head="A"), other) == told


def test_a_product_must_be_named_where_there_are_two(
    programme: Programme, audit_fields: Fields
) -> None:
    other = replace(programme, products=(Product("a", "A"), Product("b", "B")))
    assert problems(audit_fields(), other) == {"product": "is missing"}
    assert parse(audit_fields(product="b"), other).product == "b"


def test_a_time_that_falls_in_no_shift_needs_the_shift(
    programme: Programme, audit_fields: Fields
) -> None:
    other = replace(programme, shifts=programme.shifts[:1])
    fields = audit_fields(pulled_at="2026-03-16 14:00")
    told = {"shift": "no shift runs at 14:00 plant time; say which it was"}
    assert problems(fields, other) == told
    late = parse({**fields, "shift": "morning"}, other)
    assert (late.day, late.shift) == (date(2026, 3, 16), "morning")


def test_several_categories_a_piece_need_correct(several: Programme, audit_fields: Fields) -> None:
    told = {"correct": "is missing, and is needed where a piece may show several"}
    assert problems(audit_fields(), several) == told
    assert parse(audit_fields(correct=198), several).incorrect == 2  # one stem is over-trimmed too
    assert parse(audit_fields(correct=197), several).incorrect == 3
    for correct, incorrect in ((199, 1), (196, 4)):
        told = {
            "correct": f"leaves {incorrect} incorrect, and the counts allow 2 to 3, got {correct}"
        }
        assert problems(audit_fields(correct=correct), several) == told


@given(st.integers(0, 60), st.integers(0, 60), st.integers(0, 60), st.integers(0, 70))
def test_counts_are_taken_exactly_when_pieces_can_show_them(
    several: Programme, stem: int, over_trim: int, double: int, correct: int
) -> None:
    fields = GOOD | {"inspected": 60, "correct": correct}
    fields |= {"stem": stem, "over_trim": over_trim, "double": double}
    counts = (stem, over_trim, double)
    possible = 60 - correct >= 0 and max(counts) <= 60 - correct <= sum(counts)
    try:
        taken = bool(parse(fields, several))
    except InvalidAudit:
        taken = False
    assert taken == possible


ANY_VALUE = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(),
    st.floats(),
    st.text(st.characters(), max_size=30),
    st.text(st.characters(categories=["Cs", "Cc", "Nd"]), max_size=8),
    st.sampled_from([*PURPOSES, "1", "A", "B", "night", "2026-03-29 01:30", "2026-03-16", "SP1"]),
    st.dates(),
    st.times(),
    st.datetimes(),
    st.datetimes(timezones=st.timezones()),
    st.datetimes(timezones=st.just(timezone(timedelta(hours=14)))),
    st.lists(st.integers(), max_size=2),
    st.dictionaries(st.text(max_size=3), st.integers(), max_size=2),
    st.just(pd.NaT),
    st.decimals(),
)
NAMES = [*Audit.__dataclass_fields__, "stem", "over_trim", "double", "incorrect", ""]


@given(
    st.dictionaries(st.sampled_from(NAMES), ANY_VALUE, max_size=8),
    st.booleans(),
)
def test_whatever_comes_is_an_audit_or_a_list_of_faults(
    programme: Programme, fields: dict[str, object], filled: bool
) -> None:
    try:
        audit = parse((GOOD if filled else {}) | fields, programme)
    except InvalidAudit as told:
        str(told).encode()  # can be printed and stored
        return
    assert audit.inspected == audit.correct + sum(audit.counts.values())
    assert audit.pulled_at.tzinfo == UTC
    assert uuid.UUID(derived_key(audit)).version == 8


# RFC 9562, appendix A.6: the example UUID of version 7, made at 2022-02-22 14:22:22 -05:00
# (cited from memory; rand_a is CC3, rand_b 18C4DC0C0C07398F).
def test_a_key_is_the_published_version_7() -> None:
    moment = datetime(2022, 2, 22, 14, 22, 22, tzinfo=timezone(timedelta(hours=-5)))
    for random in ("0cc318c4dc0c0c07398f", "fcc3d8c4dc0c0c07398f"):
        assert new_key(moment, bytes.fromhex(random)) == "017f22e2-79b0-7cc3-98c4-dc0c0c07398f"


@given(
    st.datetimes(datetime(1971, 1, 1), datetime(2199, 1, 1), timezones=st.just(UTC)),
    st.integers(1, 10**9),
    st.binary(min_size=10, max_size=16),
    st.binary(min_size=10, max_size=16),
)
def test_keys_sort_by_time_and_carry_their_version(
    moment: datetime, milliseconds: int, first: bytes, second: bytes
) -> None:
    early = new_key(moment, first)
    late = new_key(moment + timedelta(milliseconds=milliseconds), second)
    assert early < late
    for key in (early, late):
        assert (uuid.UUID(key).version, uuid.UUID(key).variant) == (7, uuid.RFC_4122)
        assert len(key) == 36


def test_random_bits_reach_the_key() -> None:
    moment = datetime(2026, 3, 16, tzinfo=UTC)
    keys = {new_key(moment, (1 << bit).to_bytes(10, "big")) for bit in range(80)}
    assert len(keys) == 80 - 6 + 1  # four bits say the version and two the variant


def test_the_same_row_always_gets_the_same_key(programme: Programme, audit_fields: Fields) -> None:
    audit = parse(audit_fields(), programme)
    assert parse(audit_fields(pulled_at="2026-03-16 10:30+01:00"), programme).key == audit.key
    assert parse(audit_fields(stem=3, note="more"), programme).key == audit.key  # a correction
    assert uuid.UUID(audit.key).version == 8
    assert uuid.UUID(audit.key).variant == uuid.RFC_4122
    others = (
        {"lane": "2"},
        {"tote": "T2"},
        {"inspector": "insp-02"},
        {"purpose": "study"},
        {"pulled_at": "2026-03-16 09:31"},
        {"purpose": "head-check", "head": "A"},
        {"purpose": "head-check", "head": "B"},
    )
    keys = {parse(audit_fields(**other), programme).key for other in others}
    assert len(keys | {audit.key}) == len(others) + 1


def strings(path: Path) -> list[str]:
    """Every string of a file, the fixed parts of built ones too; no docstrings."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    told = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
    found = (node for node in ast.walk(tree) if isinstance(node, ast.Constant))
    return [node.value for node in found if isinstance(node.value, str) and id(node) not in told]


VALIDATOR = [Path(each.__file__ or "") for each in (audit, _form)]


@pytest.mark.parametrize("path", VALIDATOR, ids=lambda path: path.stem)
def test_the_validator_words_nothing_itself(path: Path) -> None:
    worded = [each for each in strings(path) if " " in each and any(map(str.isalpha, each))]
    assert worded == []


def test_every_sentence_of_the_validator_is_said() -> None:
    keys = {key for key in load().sentences if key.startswith("problem.")}
    assert keys <= {f"problem.{each}" for path in VALIDATOR for each in strings(path)}


def test_problems_are_said_in_the_language_asked_for(
    monkeypatch: pytest.MonkeyPatch, programme: Programme, audit_fields: Fields
) -> None:
    plain = load()
    loud = {key: each.replace("is missing", "FEHLT") for key, each in plain.sentences.items()}
    other = Wording("de", loud, plain.decimal, plain.thousands, plain.months)
    monkeypatch.setattr(_form, "load", {"en": plain, "de": other}.__getitem__)
    fields = audit_fields(tote="", pulled_at="")
    assert problems(fields, programme) == dict.fromkeys(("tote", "pulled_at"), "is missing")
    with pytest.raises(InvalidAudit) as told:
        parse(fields, programme, language="de")
    assert told.value.problems == dict.fromkeys(("tote", "pulled_at"), "FEHLT")
    with pytest.raises(InvalidAudit, match="pulled_at: FEHLT"):
        audit.moment("pulled_at", "", programme, language="de")


@pytest.mark.parametrize("sign", ["\u202e", "\u2066", "\u2028", "\x85x\x9f", "\ufeff", "\uffff"])
def test_a_text_that_would_read_as_another_is_refused(
    programme: Programme, audit_fields: Fields, sign: str
) -> None:
    """What turns the order of reading makes the rest of a sentence look like another."""
    with pytest.raises(InvalidAudit) as fault:
        parse(audit_fields(note=f"tote {sign}7811"), programme)
    assert list(fault.value.problems) == ["note"]
    assert parse(audit_fields(note="\u0637\u0645\u0627\u0637\u0645 7811"), programme)  # Arabic
