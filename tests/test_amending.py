"""A programme's text changed by form: what is not touched stays to the character."""

import tomllib
from dataclasses import fields as fields_of

import pytest
from hypothesis import given
from hypothesis import strategies as st

from qa import amending
from qa.amending import PARTS, Difference
from qa.errors import InvalidProgramme
from qa.programme import Programme, parse
from tests.conftest import PROGRAMME_FILE

TEXT = PROGRAMME_FILE.read_text(encoding="utf-8")


def test_every_key_of_a_programme_is_in_a_form() -> None:
    single = {each.key for part in PARTS.values() if not part.rows for each in part.fields}
    lists = {name for name, part in PARTS.items() if part.rows}
    assert single | lists == {each.name for each in fields_of(Programme)}
    raw = tomllib.loads(TEXT)
    for name in lists:
        rows = raw[name].values() if PARTS[name].names else raw[name]
        keys = {key for row in rows for key in row}
        assert keys <= {each.key.partition(".")[0] for each in PARTS[name].fields}


@pytest.mark.parametrize("part", PARTS)
def test_what_is_typed_as_it_was_shown_changes_no_character(part: str) -> None:
    assert amending.amended(TEXT, part, amending.shown(TEXT)[part]) == TEXT
    assert amending.amended(TEXT, part, {}) == TEXT


def test_a_value_that_somebody_wrote_otherwise_stays_as_it_was_written() -> None:
    odd = TEXT.replace("pull = 200", "pull = 2_00").replace("aql = 1.5", "aql = 1.50")
    odd = odd.replace("start = 06:00:00", 'start = "06:00"').replace(
        "target = 0.99 ", "target = 99e-2 "
    )
    for part in PARTS:
        assert amending.amended(odd, part, amending.shown(odd)[part]) == odd
    assert parse(odd) == parse(TEXT)


def test_one_value_changes_and_the_comment_beside_it_stays() -> None:
    made = amending.amended(TEXT, "targets", {"": {"target": "98.5"}})
    old, new = TEXT.splitlines(), made.splitlines()
    changed = [(a, b) for a, b in zip(old, new, strict=True) if a != b]
    assert len(changed) == 1
    assert changed[0][1].startswith("target = 0.985 ")
    assert changed[0][1].endswith("# percent correct by count, as a fraction")


@given(st.decimals("0.0001", "99.9999", places=4))
def test_a_share_in_per_cent_is_its_fraction_to_the_last_digit(per_cent: object) -> None:
    made = amending.amended(TEXT, "targets", {"": {"target": str(per_cent)}})
    assert amending.shown(made)["targets"][""]["target"] == amending._plain(per_cent)  # type: ignore[arg-type]
    assert parse(made).target == float(f"{float(str(per_cent)) / 100:.6f}")


def test_rows_are_changed_added_and_taken_away() -> None:
    typed = {
        "1": {"heads": "A"},
        "2": {"gone": "yes"},
        "6": {"code": "007", "line": "A", "heads": " B ,C"},
        "7": {"code": " ", "line": ""},
    }
    programme = parse(amending.amended(TEXT, "lanes", typed))
    assert [each.code for each in programme.lanes] == ["1", "2", "4", "5", "6", "007"]
    assert programme.lanes[1].heads == ("A",)
    assert programme.lanes[-1].heads == ("B", "C")


def test_rows_of_a_name_come_and_go_and_a_blank_leaves_a_value_out() -> None:
    typed = {
        "critical": {"n": "200", "ac": "0"},
        "major": {"level": ""},
        "minor": dict.fromkeys(("aql", "level", "kind", "n", "ac"), ""),
    }
    made = amending.amended(TEXT, "plans", typed)
    raw = tomllib.loads(made)["plans"]
    assert raw == {"major": {"aql": 1.5}, "critical": {"n": 200, "ac": 0}}


def test_a_table_within_comes_and_goes() -> None:
    raw = tomllib.loads(TEXT)["categories"]
    assert "gross" in raw[0], "the demo shows one"
    made = amending.amended(TEXT, "categories", {"0": {"gross.at": "12.5"}})
    assert tomllib.loads(made)["categories"][0]["gross"]["at"] == 12.5
    made = amending.amended(TEXT, "categories", {"0": {"gross.at": "", "gross.call": ""}})
    assert "gross" not in tomllib.loads(made)["categories"][0]
    back = amending.amended(made, "categories", {"0": {"gross.at": "9", "gross.call": "lead"}})
    assert tomllib.loads(back)["categories"][0]["gross"] == {"at": 9, "call": "lead"}


def test_a_clock_a_day_and_a_flag_keep_their_kinds() -> None:
    made = amending.amended(TEXT, "shifts", {"0": {"start": "06:30"}})
    assert "start = 06:30:00" in made
    made = amending.amended(TEXT, "baselines", {"0": {"last_day": "2026-04-05"}})
    assert "last_day = 2026-04-05" in made
    made = amending.amended(TEXT, "plant", {"": {"several_per_piece": "true"}})
    assert tomllib.loads(made)["several_per_piece"] is True


FAULTS = [
    ("targets", {"": {"confidence": "x"}}, "confidence", "must be a fraction"),
    ("targets", {"": {"pull": "2.5"}}, "pull", "must be a whole number"),
    ("targets", {"": {"pull": "5000"}}, "pull", "must be at most pieces_per_tote 4000"),
    ("plant", {"": {"time_zone": "Mars/Base"}}, "time_zone", "must be a time zone"),
    ("lanes", {"3": {"line": "Z"}}, "3-line", 'must be one of A, got "Z"'),
    ("lanes", {"0": {"gone": "yes"}, "3": {"line": ""}}, "3-line", "is missing"),
    ("shifts", {"1": {"start": "25:00"}}, "1-start", "must be a time of day"),
    ("shifts", {"1": {"start": "13:00"}}, "1-code", "must not overlap another shift"),
    ("categories", {"1": {"code": "Über"}}, "1-code", "must be small letters"),
    ("categories", {"9": {"code": "bits", "name": "bits", "class": "bad"}}, "9-class", "one of"),
    ("categories", {"0": {"gross.at": "much"}}, "0-gross.at", "must be"),
    ("plans", {"major": {"aql": "0"}}, "major-aql", "must be a number above 0"),
    ("plans", {"minor": {"aql": "", "level": ""}}, "minor-aql", "is missing"),
    ("products", {"0": {"name": ""}}, "0-name", "is missing"),
    ("baselines", {"0": {"last_day": "2026-01-01"}}, "0-last_day", "must not be before first_day"),
]


@pytest.mark.parametrize(("part", "typed", "field", "said"), FAULTS, ids=str)
def test_a_fault_is_given_back_to_its_field(
    part: str, typed: dict[str, dict[str, str]], field: str, said: str
) -> None:
    whole = {
        row: {**amending.shown(TEXT)[part].get(row, {}), **kept} for row, kept in typed.items()
    }
    whole = {**amending.shown(TEXT)[part], **whole}
    with pytest.raises(InvalidProgramme) as fault:
        parse(amending.amended(TEXT, part, whole))
    found = amending.by_field(fault.value.problems, part, TEXT, whole)
    assert said in found[field], found


def test_a_fault_of_another_part_is_said_whole() -> None:
    typed = {"0": {"code": "B"}}
    with pytest.raises(InvalidProgramme) as fault:
        parse(amending.amended(TEXT, "lines", typed))
    found = amending.by_field(fault.value.problems, "lines", TEXT, typed)
    assert found.keys() == {""}
    assert found[""].startswith('lanes (1).line: must be one of B, got "A"; lanes (2).line')


def test_what_differs_is_told_field_by_field() -> None:
    made = amending.amended(TEXT, "targets", {"": {"target": "98.5"}})
    made = amending.amended(made, "lanes", {"1": {"heads": ""}, "2": {"gone": "yes"}})
    made = amending.amended(made, "plans", {"critical": {"n": "200", "ac": "0"}})
    assert amending.differences(TEXT, made) == (
        Difference("targets", "", "target", "99", "98.5"),
        Difference("lanes", "2", "heads", "A, B", ""),
        Difference("lanes", "3", "", "3, A, A, B", ""),
        Difference("plans", "critical", "", "", "200, 0"),
    )
    assert amending.differences(TEXT, f"# a comment\n{TEXT}") == ()


@pytest.mark.parametrize(
    "text", ["[[", "lanes = 3", "plans = []", "lanes = [1]", "plans.major = 2"]
)
def test_a_text_of_another_shape_is_refused_in_words(text: str) -> None:
    with pytest.raises(InvalidProgramme):
        amending.amended(text, "plans" if "plans" in text else "lanes", {"0": {"code": "1"}})


def test_rows_on_one_line_are_changed_in_the_text() -> None:
    one = TEXT.replace('[[products]]\ncode = "sprout-whole"', "[[other]]\ncode = 1")
    one = f'products = [{{ code = "p", name = "P" }}]\n{one}'
    assert amending.shown(one)["products"]["0"]["code"] == "p"
    with pytest.raises(InvalidProgramme, match="is written on one line; change it in the text"):
        amending.amended(one, "products", {"0": {"name": "Q"}})


def test_half_a_character_is_no_programme() -> None:
    with pytest.raises(InvalidProgramme, match="is not TOML"):
        parse(TEXT.replace("The invented", "\ud800"))


def test_a_number_of_thousands_of_digits_is_refused_in_words() -> None:
    with pytest.raises(InvalidProgramme):
        parse(TEXT.replace("pull = 200", f"pull = {'9' * 5000}"))
