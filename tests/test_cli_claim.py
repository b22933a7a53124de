"""The command's claim: in words, as data, on paper, and what is refused."""

import hashlib
import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from qa import cli
from tests.small_plant import small_plant

DAYS = ("--from", "2026-03-16", "--to", "2026-04-12")
TARGET = ("--target", "99.2")


@pytest.fixture(scope="module")
def where(tmp_path_factory: pytest.TempPathFactory) -> str:
    """A store that no test writes to."""
    path = tmp_path_factory.mktemp("claim") / "plant.db"
    small_plant(path).engine.dispose()
    return str(path)


HIGH = "must be from 50 to below 100 per cent, such as 99, got"


def run(*arguments: str, status: int = 0) -> Result:
    result = CliRunner().invoke(cli.main, ["claim", *arguments])
    if result.exception and not isinstance(result.exception, SystemExit):
        raise result.exception
    assert result.exit_code == status, result.output
    return result


def asked(where: str, *arguments: str) -> str:
    return run("--store", where, *DAYS, *TARGET, *arguments).stdout


def refused(where: str, *arguments: str) -> str:
    result = run("--store", where, *arguments, status=2)
    assert result.stdout == ""
    said = result.stderr.rstrip("\n")
    assert "\n" not in said
    return said


def test_the_claim_is_said_in_words_first(where: str) -> None:
    text = asked(where, "--buyer", "An invented buyer")
    title, claim = text.split("\n\n")[:2]
    assert title == "Buyer statement, The invented sprout works (SP1)"
    assert claim.startswith("Supported: At least 99.2 % of the pieces (Whole trimmed sprouts, ")
    assert "An invented buyer" in text
    assert "This statement speaks of workmanship only." in text


def test_data_holds_what_is_printed(where: str) -> None:
    text, data = asked(where), json.loads(asked(where, "--json"))
    words = data["words"]
    cells = [
        cell
        for section in words["sections"]
        for row in [*section["pairs"], *(section["table"] or {"rows": []})["rows"]]
        for cell in row
    ]
    for said in (*words["sentences"], *cells):
        assert said in text
    assert data["figures"]["claim"]["answer"] == "supported"
    assert data["figures"]["made"]["totes"] == 28 * 6 * 4


def test_paper_and_audits_are_written_once_and_never_over_another(
    where: str, tmp_path: Path
) -> None:
    paper, audits = tmp_path / "statement.pdf", tmp_path / "audits.csv"
    said = asked(where, "--pdf", str(paper), "--audits", str(audits))
    assert f"The statement is in {paper}." in said
    assert f"The audits that the claim rests on are in {audits}." in said
    assert hashlib.sha256(audits.read_bytes()).hexdigest() in said
    first = paper.read_bytes()
    assert first.startswith(b"%PDF")
    told = refused(where, *DAYS, *TARGET, "--pdf", str(paper))
    assert told == f"{paper} is there already; name another file with --pdf"
    told = refused(where, *DAYS, *TARGET, "--audits", str(audits))
    assert told == f"{audits} is there already; name another file with --audits"
    other = tmp_path / "again.pdf"
    data = json.loads(asked(where, "--pdf", str(other), "--json"))
    assert data["title"] == "Buyer statement"
    assert other.read_bytes() == first == paper.read_bytes()


def test_what_people_say_is_on_the_statement(where: str) -> None:
    text = asked(
        where,
        *("--lanes", "1, 3", "--order", "PO 1", "--load", "LD", "--lots", "L1 to L9"),
        *("--shipped", "400", "--chosen", "By lot.", "--signatory", "I. Lead", "--issue", "8"),
        *("--supersedes", "7", "--exclude", "Leaf length.", "--exclude", "Colour."),
        *("--buyer-incorrect", "4", "--buyer-inspected", "500", "--confidence", "90"),
    )
    for part in (
        *("1 and 3", "PO 1", "LD", "L1 to L9", "400; 224 were audited and 176 were not", "By lot."),
        *("I. Lead", "Leaf length.", "Colour.", "4 of 500 pieces incorrect", "With 90 % confid"),
    ):
        assert part in text


def test_a_claim_as_shipped(where: str) -> None:
    assert "were correct by count, as shipped." in asked(where, "--as-shipped").split("\n\n")[1]


def test_a_claim_tote_by_tote(where: str) -> None:
    text = asked(where, "--kind", "tote-by-tote", "--share", "90", "--lanes", "1")
    assert "90 % of the totes" in text.split("\n\n")[1]


def test_per_cent_may_be_typed_as_people_write_it(where: str) -> None:
    assert asked(where, "--target", "98,5 %") == asked(where, "--target", "98.5")


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("--from", "yesterday"), "--from must be a date such as 2026-05-14, got yesterday"),
        (
            ("--from", "2026-04-13"),
            "first_day must not be after last_day, got 2026-04-13 after 2026-04-12",
        ),
        (("--target", "high"), "--target must be in per cent, such as 99, got high"),
        (("--target", "100"), f"--target {HIGH} 100"),
        (("--target", "nan"), f"--target {HIGH} nan"),
        (("--target", "0.99"), f"--target {HIGH} 0.99"),
        (("--confidence", "0.95"), f"--confidence {HIGH} 0.95"),
        (("--share", "90"), "--share is of totes, for --kind tote-by-tote, got average"),
        (("--kind", "x"), 'kind must be one of average, tote-by-tote, got "x"'),
        (("--lanes", "9"), 'lanes must be one of 1, 2, 3, 4, 5, 6, got "9"'),
        (("--product", "kale"), 'product must be one of sprout-whole, got "kale"'),
        (("--shipped", "-1"), "--shipped must be a whole number of 0 or more, got -1"),
        (
            ("--buyer-incorrect", "1"),
            "--buyer-incorrect and --buyer-inspected must be given together",
        ),
        (
            ("--buyer-incorrect", "9", "--buyer-inspected", "3"),
            "buyer's incorrect pieces must be from 0 to inspected, got 9 of 3",
        ),
        (("--pdf", "/no/such/folder/a.pdf"), "there is no folder /no/such/folder for a.pdf"),
        (
            ("--buyer", "漢", "--pdf", "new.pdf"),
            'the paper can show only what its font has, got "漢"',
        ),
    ],
)
def test_what_cannot_be_is_refused_in_one_sentence(
    where: str,
    arguments: tuple[str, ...],
    message: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.chdir(tmp_path)
    assert refused(where, *DAYS, *TARGET, *arguments) == message
    assert list(tmp_path.iterdir()) == []
