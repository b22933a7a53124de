"""The command's plans: six ways of asking, the same in JSON, the sheet, and what is refused."""

import json
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result
from scipy import stats

from qa import cli, planning
from qa.planning import words
from qa.store import schema
from qa.wording import load

STANDARD = ("--lot-size", "4000", "--aql", "1.0")
WAYS = [
    (STANDARD, "pull 200, accept on 5, reject on 6"),
    (("--p1", "1", "--p2", "6"), "pull 110, accept on 3, reject on 4"),
    (("--target", "99"), "pull 299, accept on 0, reject on 1"),
    (("--lq", "2", "--ac", "1"), "pull 194, accept on 1, reject on 2"),
    (
        ("--aoql", "3", "--process-average", "1", "--lot-size", "5000"),
        "pull 64, accept on 3, reject on 4",
    ),
    (("--n", "200", "--ac", "7"), "pull 200, accept on 7, reject on 8"),
]


def run(*arguments: str, status: int = 0) -> Result:
    result = CliRunner().invoke(cli.main, ["plan", *arguments])
    if result.exception and not isinstance(result.exception, SystemExit):
        raise result.exception
    assert result.exit_code == status, result.output
    return result


def answer(*arguments: str) -> dict[str, Any]:
    return json.loads(run(*arguments, "--json").stdout)


def refused(*arguments: str) -> str:
    result = run(*arguments, status=2)
    assert result.stdout == ""
    return result.stderr.rstrip("\n")


@pytest.mark.parametrize(("asked", "said"), WAYS, ids=list(planning.WAYS))
def test_each_way_is_answered_in_words_first_and_the_same_in_json(
    asked: tuple[str, ...], said: str
) -> None:
    text, found = run(*asked).stdout, answer(*asked)
    assert text.startswith(f"{said}\n")
    assert found["words"] == said
    for part in (found["meaning"], found["holds"], found["work"]["words"], *found["warnings"]):
        assert part
        assert part in text
    for row in found["table"]["rows"]:
        for cell in row:
            assert cell in text
    assert "Foreign matter and other food-safety matters get no AQL" in text


def test_json_holds_what_qa_answers() -> None:
    found = answer(*STANDARD, "--sensitivity", "80", "--correlation", "0.01", "--lots", "9")
    raw = {"lot_size": "4000", "aql": "1.0", "sensitivity": "80", "correlation": "0.01"}
    direct = planning.answer(planning.read({**raw, "lots": "9"}))
    assert (found["way"], found["lot_size"], found["aql"], found["level"]) == ("aql", 4000, 1, "II")
    assert (found["n"], found["ac"], found["re"]) == (200, 5, 6)
    assert found["stages"] == [{"n": 200, "ac": 5, "re": 6}]
    for at, row in enumerate(found["risks"]):
        assert row["accepted"] == pytest.approx(stats.binom.cdf(5, 200, row["incorrect"]))
        for name in ("by_inspectors", "in_totes", "asn", "ati", "aoq"):
            assert row[name] == pytest.approx(getattr(direct.risks, name)[at])
    assert [each["incorrect"] for each in found["qualities"]] == pytest.approx(direct.qualities)
    assert found["aoql_reached"]["value"] == pytest.approx(direct.aoql.value)  # type: ignore[union-attr]
    assert found["work"]["hours"] == pytest.approx(direct.work.hours)
    assert found["conditions"]["sensitivity"] == 0.8


def test_what_is_unknown_is_null() -> None:
    found = answer("--target", "99")
    assert found["lot_size"] is None
    assert {row["ati"] for row in found["risks"]} == {None}
    assert found["aoql_reached"] is None


def test_kinds_and_inspections_are_taken() -> None:
    assert answer(*STANDARD, "--inspection", "tightened")["ac"] == 3
    double = answer(*STANDARD, "--kind", "double")
    assert [stage["n"] for stage in double["stages"]] == [125, 125]
    multiple = answer("--lot-size", "4000", "--aql", "1.5", "--kind", "multiple")
    assert len(multiple["stages"]) == 7
    assert multiple["stages"][0]["ac"] is None or multiple["stages"][0]["ac"] >= 0


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        (("--lot-size", "4000", "--aql", "1.1"), "aql must be one of 0.01, "),
        (("--lot-size", "0", "--aql", "1"), "lot_size must be a whole number, 1 or more, got 0"),
        (("--lot-size", "9.5", "--aql", "1"), "lot_size must be a whole number, 1 or more, got 9."),
        (("--aql", "1"), "lot_size is missing"),
        (
            (),
            "a plan is asked in one way: by aql, by p1 and p2, by target, by lq, by aoql or by n;",
        ),
        (("--p1", "6", "--p2", "1"), "p1 must be below p2 1 %, got 6 %"),
        (
            ("--target", "95", "--incorrect", "1", "--lot-size", "20"),
            "no sample of a lot of 20 tells when 1 incorrect pieces may be seen",
        ),
        (("--target", "99", "--aql", "1"), "a plan is asked in one way: "),
        (("--target", "99", "--level", "I"), "level does not belong to asking by claim, which"),
        ((*STANDARD, "--totes", "3"), "filled is missing; give it, or --store"),
        (("--target", "99", "--totes", "3", "--filled", "9"), "lot_size is missing; give it, or"),
        (
            (*STANDARD, "--totes", "3", "--filled", "9", "--lane", "2"),
            "lane is of a programme, which --store names; got 2",
        ),
        ((*STANDARD, "--filled", "9", "--sheet", "-"), "totes is missing"),
        ((*STANDARD, "--sheet", "-", "--json"), "--sheet - and --json both take the output; name"),
        ((*STANDARD, "--store", "nowhere.db"), "nowhere.db"),
    ],
)
def test_a_refusal_is_one_sentence(asked: tuple[str, ...], said: str) -> None:
    told = refused(*asked)
    assert told.startswith(said) or said in told
    assert "\n" not in told


def test_the_sheet_is_written_once_and_told(tmp_path: Path) -> None:
    where = tmp_path / "sheet.html"
    pull = (*STANDARD, "--totes", "3", "--filled", "40", "--seed", "7")
    text = run(*pull, "--sheet", str(where)).stdout
    assert f"The pull sheet is in {where}." in text
    page = where.read_text(encoding="utf-8")
    assert page == run(*pull, "--sheet", "-").stdout
    assert page.startswith("<!DOCTYPE html>")
    assert page.count("<tr>") == 4
    assert refused(*pull, "--sheet", str(where)) == (
        f"{where} is there already; name another file with --sheet"
    )
    assert "cannot be written" in refused(*pull, "--sheet", str(tmp_path / "no" / "sheet.html"))


def test_a_drawn_seed_is_told_and_draws_the_same_again() -> None:
    first = answer(*STANDARD, "--totes", "3", "--filled", "400")["pull"]
    again = answer(*STANDARD, "--totes", "3", "--filled", "400", "--seed", str(first["seed"]))
    assert again["pull"] == first
    other = answer(*STANDARD, "--totes", "3", "--filled", "400")["pull"]
    assert other["seed"] != first["seed"]
    text = run(*STANDARD, "--totes", "3", "--filled", "400", "--seed", str(first["seed"])).stdout
    assert f"seed {first['seed']}," in text
    for each in first["schedule"]:
        assert each["where"] in text
        assert sum(place["pieces"] for place in each["positions"]) == 200


def test_a_store_s_programme_gives_lot_lanes_and_shifts(store: schema.Store) -> None:
    where = ("--store", store.url.removeprefix("sqlite:///"))
    found = answer(*where, "--aql", "1.0", "--shift", "night", "--totes", "12", "--seed", "1")
    assert found["lot_size"] == 4000
    assert {each["shift"] for each in found["pull"]["schedule"]} == {"night"}
    assert len(found["pull"]["schedule"]) == 12
    assert "a tote with" in found["holds"]
    size = answer(*where, "--aql", "1", "--half-width", "0.5", "--expect", "1.2", "--lane", "4",
                  "--correlation", "0.01")["pull"]  # fmt: skip
    assert "is told to within" in size["words"]
    rise = answer(*where, "--aql", "1", "--rise", "3", "--expect", "1", "--power", "80")["pull"]
    assert "is found with a chance of" in rise["words"]


def test_the_words_are_those_of_the_page() -> None:
    said = words.tell(planning.answer(planning.read({"lot_size": "4000", "aql": "1.0"})), load())
    found = answer(*STANDARD)
    assert (found["holds"], found["work"]["words"]) == (said.holds, said.work)
    assert found["warnings"] == list(said.warnings)
