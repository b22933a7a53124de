"""Agreement studies: the file and its faults, the figures, the words, the command."""

import json
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import openpyxl
import pytest
from click.testing import CliRunner, Result
from numpy.testing import assert_allclose
from statsmodels.stats.inter_rater import cohens_kappa

from qa import cli, studies
from qa.errors import InvalidFile, InvalidInput, InvalidStudy
from qa.files import studies as files
from qa.files.studies import Study, read_study
from qa.intervals import InspectionStudy, binomial
from qa.wording import load

DEMO = Path(__file__).resolve().parents[1] / "data_demo"
PLANTED: dict[str, Any] = tomllib.loads((DEMO / "truth.toml").read_text("utf-8"))["study"]
INSPECTORS = ("insp-02", "insp-05", "insp-08")
HEAD = "piece,inspector,called"


def written(folder: Path, text: str, name: str = "study.csv") -> Path:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def faults(folder: Path, text: str) -> tuple[str, ...]:
    with pytest.raises(InvalidStudy) as refused:
        read_study(written(folder, text))
    return refused.value.faults


@pytest.fixture(scope="module")
def demo() -> Study:
    return read_study(DEMO / "study.csv")


def test_the_demo_s_study_says_what_was_planted(demo: Study) -> None:
    found = studies.answer(demo)
    size = sum(PLANTED["pieces"].values())
    assert (found.pieces, found.inspectors, found.correct) == (size, INSPECTORS, "correct")
    assert (found.alike, found.shared) == (PLANTED["all_agree"], size)
    assert found.calling is not None
    assert found.together is not None
    names = found.calling.categories
    for at, inspector in enumerate(INSPECTORS):
        wrong = PLANTED["wrong"][inspector]
        for one, kind in enumerate(names):
            row = {other: wrong.get(kind, {}).get(other, 0) for other in names}
            row[kind] = PLANTED["pieces"][kind] - sum(row.values())
            assert found.calling.confusion[at, one].tolist() == [row[other] for other in names]
        missed = sum(called.get("correct", 0) for called in wrong.values())
        incorrect = size - PLANTED["pieces"]["correct"]
        assert_allclose(found.calling.miss_rate.estimate[at], missed / incorrect, rtol=1e-12)
        again = PLANTED["called_again"]
        same = again - PLANTED["otherwise"][inspector]
        assert (found.itself[at].same, found.itself[at].pieces) == (same, again)
        assert_allclose(found.itself[at].share.low, binomial(same, again).low, rtol=1e-12)
    # No two err on the same piece, so two agree on all pieces but those on which either errs.
    errors = {
        inspector: sum(n for called in kinds.values() for n in called.values())
        for inspector, kinds in PLANTED["wrong"].items()
    }
    for at, (a, b) in enumerate(found.together.pairs):
        off = errors[INSPECTORS[a]] + errors[INSPECTORS[b]]
        assert_allclose(found.together.agreed.estimate[at], 1 - off / size, rtol=1e-12)
        kappa = cohens_kappa(found.together.tables[at])
        assert_allclose(found.together.kappa.estimate[at], kappa.kappa, rtol=1e-10)
        assert_allclose(found.together.kappa.error[at], kappa.std_kappa, rtol=1e-10)


def test_a_claim_takes_each_piece_once_with_the_inspectors_in_turn(demo: Study) -> None:
    found = studies.answer(demo).carried
    assert found is not None
    assert demo.known is not None
    by_hand = {"correct": [0, 0], "incorrect": [0, 0]}  # rightly called, seen
    for piece, known in enumerate(demo.known):
        kind = "correct" if known == "correct" else "incorrect"
        called = demo.calls[0][piece, by_hand[kind][1] % 3]
        by_hand[kind][0] += (called == "correct") == (kind == "correct")
        by_hand[kind][1] += 1
    assert found == InspectionStudy(*by_hand["incorrect"], *by_hand["correct"])
    assert (found.incorrect, found.correct) == (60, 180)


def test_a_piece_passes_the_turn_to_who_called_it(tmp_path: Path) -> None:
    rows = ["1,a,correct,correct", "2,b,stem,correct", "3,a,stem,stem", "3,b,correct,stem"]
    rows += ["4,a,stem,stem", "4,b,correct,stem", "5,a,correct,correct", "5,b,correct,correct"]
    text = "\n".join(["piece,inspector,called,known", *rows])
    # Correct: 1 by a, 2 by b alone, 5 by a again. Incorrect: 3 by a, 4 by b.
    answer = studies.answer(read_study(written(tmp_path, text)))
    assert answer.carried == InspectionStudy(found=1, incorrect=2, passed=2, correct=3)
    worse = text.replace("3,a,stem,stem", "3,a,correct,stem").replace("5,a,correct", "5,a,stem")
    answer = studies.answer(read_study(written(tmp_path, worse)))
    assert answer.carried is None
    assert studies.told(answer, load()).carried.startswith("A claim cannot use this study")


def test_capitals_spaces_and_columns_in_any_order_are_read_alike(tmp_path: Path) -> None:
    text = "Note,CALLED , Known,Inspector,Piece\nx,Correct,correct,Ann,007\n,STEM,stem,Ann,8\n"
    text += ",stem,Stem,Bo,8\n,correct,,Bo,007\n"
    study = read_study(written(tmp_path, text))
    assert (study.pieces, study.inspectors) == (("007", "8"), ("Ann", "Bo"))
    assert study.calls[0].tolist() == [["correct", "correct"], ["STEM", "STEM"]]
    assert study.known is not None
    assert study.known.tolist() == ["correct", "STEM"]  # as it was written first
    book = openpyxl.Workbook()
    for line in text.splitlines():
        book.active.append([int(cell) if cell == "8" else cell for cell in line.split(",")])
    book.save(tmp_path / "study.xlsx")
    again = read_study(tmp_path / "study.xlsx")
    assert (again.pieces, again.calls[0].tolist()) == (study.pieces, study.calls[0].tolist())


def test_first_calls_are_first_by_their_trial_and_not_by_their_row(tmp_path: Path) -> None:
    rows = ["1,a,2,stem", "1,a,1,correct", "1,b,5,stem", "2,a,,stem", "2,b,1,stem"]
    study = read_study(
        written(tmp_path, "\n".join(["piece,inspector,trial,called", *rows, "3,b,1,correct"]))
    )
    assert study.calls[0].tolist() == [["correct", "stem"], ["stem", "stem"], ["", "correct"]]
    assert study.calls[1].tolist() == [["stem", ""], ["", ""], ["", ""]]
    [own] = studies.answer(study).itself
    assert (own.inspector, own.same, own.pieces) == ("a", 0, 1)


def test_another_word_for_correct(tmp_path: Path) -> None:
    rows = ["1,a,ok,ok", "1,b,OK,ok", "2,a,stem,stem", "2,b,ok,stem", "3,a,stem,stem"]
    text = "\n".join(["piece,inspector,called,known", *rows])
    told = faults(tmp_path, text)
    assert told == (
        'column "known" never says "correct": call a correct piece so in the whole file',
    )
    study = read_study(written(tmp_path, text), correct="Ok")
    assert study.correct == "Ok"
    found = studies.answer(study).calling
    assert found is not None
    assert found.miss_rate.estimate.tolist() == [0.0, 1.0]
    with pytest.raises(InvalidInput, match="word for a correct piece must not be blank"):
        read_study(written(tmp_path, text), correct=" ")


def test_every_fault_is_told_at_once_with_its_row_its_column_and_what_to_do(
    tmp_path: Path,
) -> None:
    rows = [
        "1,a,1,stem,stem",
        ",a,1,stem,stem",
        "2,a,first,stem,stem",
        "2,b,0,stem,stem",
        "1,a,1,correct,stem",
        "1,b,1,stem,double",
        f"3,{'x' * 61},1,stem,stem",
        "4,a\u200b,1,,stem",
    ]
    text = "\n".join(["piece,inspector,trial,called,known", *rows])
    assert faults(tmp_path, text) == (
        'row 3, column "piece": is blank: fill it in, or delete the row',
        'row 4, column "trial": must be a whole number from 1 on, got "first"',
        'row 5, column "trial": must be a whole number from 1 on, got "0"',
        'row 8, column "inspector": has 61 characters: shorten it to 60 at most',
        'row 9, column "inspector": has a character that cannot be shown: type it anew',
        'row 9, column "called": is blank: fill it in, or delete the row',
        'row 6, column "piece": a has called piece 1 in row 2 already: delete one',
        'row 7, column "known": says that piece 1 is double, and row 2 that it is stem: make them '
        "the same",
    )
    told = faults(tmp_path, f"{HEAD}\n1,a,stem\n1,a,stem\n")
    assert told == (
        'row 3, column "piece": a has called piece 1 in row 2 already: delete one, or number them '
        'in a column "trial"',
    )


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (f"{HEAD}\n", ["has no row below its headers: write one row a call"]),
        (
            "piece,who\n1,a\n",
            [
                f'has no column "{name}": give it the headers piece, inspector, called, and trial '
                "and known where there are such"
                for name in ("inspector", "called")
            ],
        ),
        (f"{HEAD},called\n1,a,stem,stem\n", ['has the column "called" 2 times: leave one']),
        (
            f"{HEAD}\n1,a,stem\n2,a,correct\n",
            ['has one inspector and no column "known": have others call the same pieces'],
        ),
        (
            f"{HEAD}\n1,a,stem\n1,b,stem\n2,a,stem\n",
            ["has one word alone for every call: show pieces of several kinds"],
        ),
        (
            f"{HEAD}\n1,a,stem\n2,b,correct\n",
            ["has no piece that a and b both called: have each two call the same pieces"],
        ),
        (
            f"{HEAD},known\n1,a,stem,stem\n1,b,stem,stem\n2,b,correct,correct\n",
            [
                "has no piece known as correct that a called: show every inspector both kinds",
            ],
        ),
        (
            f"{HEAD},known\n1,a,correct,correct\n2,a,stem,correct\n",
            ["has no piece known as incorrect that a called: show every inspector both kinds"],
        ),
    ],
)
def test_what_the_whole_file_lacks_is_told(text: str, told: list[str], tmp_path: Path) -> None:
    assert list(faults(tmp_path, text)) == told


def test_a_file_that_is_too_large_for_a_study_is_told_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    rows = "\n".join(f"{at},a,word{at}" for at in range(31))
    assert faults(tmp_path, f"{HEAD}\n{rows}\n") == (
        'column "called" has 31 different words: use 30 at most',
    )
    many = "\n".join(f"{at},a{at % 41},1{at % 7},stem" for at in range(5_001))
    assert faults(tmp_path, f"piece,inspector,trial,called\n{many}\n")[:2] == (
        'column "piece" has 5,001 different words: use 5,000 at most',
        'column "inspector" has 41 different words: use 40 at most',
    )
    monkeypatch.setattr(files, "MOST_CALLS", 5_000)
    assert faults(tmp_path, f"piece,inspector,trial,called\n{many}\n") == (
        "has 5,001 rows: take at most 5,000 of them",
    )


def test_a_long_list_of_faults_is_cut(tmp_path: Path) -> None:
    path = written(tmp_path, f"{HEAD}\n" + ",a,stem\n" * 60)
    with pytest.raises(InvalidStudy) as refused:
        read_study(path)
    assert len(refused.value.faults) == 60
    lines = str(refused.value).splitlines()
    assert lines[0] == "study.csv has 60 faults:"
    assert len(lines) == 52
    assert lines[-1] == "  and 10 more"


def test_a_file_that_is_no_table_is_refused_by_the_reader_of_tables(tmp_path: Path) -> None:
    with pytest.raises(InvalidFile, match="has no row with headers"):
        read_study(written(tmp_path, ""))
    with pytest.raises(InvalidFile, match="is not an XLSX workbook"):
        read_study(written(tmp_path, "piece", "study.xlsx"))
    with pytest.raises(InvalidFile, match="cannot be read"):
        read_study(tmp_path / "none.csv")


def told_of(folder: Path, rows: list[str], head: str = HEAD) -> studies.Told:
    study = read_study(written(folder, "\n".join([head, *rows])))
    return studies.told(studies.answer(study), load())


def test_two_who_agree_on_all_have_a_coefficient_without_limits(tmp_path: Path) -> None:
    rows = [f"{at},{who},{'stem' if at < 4 else 'correct'}" for at in range(12) for who in "ab"]
    told = told_of(tmp_path, rows)
    assert told.sentences[0] == "On every one of 12 pieces a and b agree, 100.0 % (73.5 to 100.0)."
    assert "1.00 (limits unknown) by Gwet's AC1" in told.sentences[1]
    assert [table.title for table in told.tables] == ["Inspectors two by two"]
    assert told.carried == ""


def test_without_known_kinds_it_is_told_where_inspectors_differ(tmp_path: Path) -> None:
    rows = [f"{at},{who},{'stem' if at < 4 else 'correct'}" for at in range(12) for who in "ab"]
    rows += ["20,a,stem", "20,b,correct", "21,a,stem", "21,b,correct", "22,a,correct", "22,b,stem"]
    told = told_of(tmp_path, rows)
    assert told.sentences[0].startswith("On 12 of 15 pieces a and b agree, 80.0 % (51.9 to 95.7)")
    [table] = [each for each in told.tables if each.title == "Where they differ"]
    assert table.rows == (("a", "stem", "b", "correct", "2"), ("a", "correct", "b", "stem", "1"))


def test_one_inspector_may_be_held_against_what_pieces_are(tmp_path: Path) -> None:
    rows = [f"{at},a,correct,correct" for at in range(30)]
    rows += [f"{at},a,stem,stem" for at in range(30, 39)] + ["39,a,correct,stem"]
    told = told_of(tmp_path, rows, f"{HEAD},known")
    assert told.sentences[0] == ("a called 1 of 10 incorrect pieces correct, 10.0 % (0.3 to 44.5).")
    assert told.sentences[1].startswith("No correct piece was called incorrect; of 30 pieces")
    assert "9 of 10 incorrect pieces were found, and 30 of 30 correct" in told.carried
    assert [table.title for table in told.tables] == [
        "Each inspector against what the pieces are",
        "What is taken for what",
    ]


def test_who_errs_most_is_named_first_and_a_text_is_never_a_formula(demo: Study) -> None:
    told = studies.told(studies.answer(demo), load())
    said = "\n".join(told.sentences)
    assert "On 221 of 240 pieces insp-02, insp-05 and insp-08 agree" in said
    assert "insp-05 and insp-08 agree least: on 92.9 %" in said
    assert "insp-08 misses most: 11 of 60 incorrect pieces were called correct" in said
    assert "over_trim, which insp-08 called correct 10 times of 20" in said
    assert "insp-08 agrees least with itself: on 56 of the 60 pieces" in said
    confused = next(each for each in told.tables if each.title == "What is taken for what")
    times = [int(row[3]) for row in confused.rows]
    assert times == sorted(times, reverse=True)
    assert sum(times) == 240 - PLANTED["all_agree"]


def run(*arguments: str, status: int = 0) -> Result:
    result = CliRunner().invoke(cli.main, ["agreement", *arguments])
    if result.exception and not isinstance(result.exception, SystemExit):
        raise result.exception
    assert result.exit_code == status, result.output
    return result


def test_the_command_says_words_first_and_the_same_as_data() -> None:
    text = run(str(DEMO / "study.csv")).stdout
    assert text.startswith("On 221 of 240 pieces insp-02, insp-05 and insp-08 agree, 92.1 %")
    data = json.loads(run(str(DEMO / "study.csv"), "--json").stdout)
    for sentence in data["words"]["sentences"]:
        assert sentence in text
    for table in data["words"]["tables"]:
        assert table["title"] in text
        assert all(cell in text for row in table["rows"] for cell in row)
    assert data["figures"]["carried"]["incorrect"] == 60
    assert data["figures"]["together"]["agreed"]["estimate"][0] == pytest.approx(232 / 240)
    narrow = json.loads(run(str(DEMO / "study.csv"), "--json", "--confidence", "50").stdout)
    wide, half = (each["figures"]["together"]["ac1"] for each in (data, narrow))
    assert wide["low"] < half["low"] < half["high"] < wide["high"]


def test_the_command_refuses_in_words(tmp_path: Path) -> None:
    path = written(tmp_path, f"{HEAD}\n1,a,\n")
    said = run(str(path), status=2).stderr
    first, fault = said.splitlines()
    assert first == "study.csv has 1 fault:"
    assert fault == '  row 2, column "called": is blank: fill it in, or delete the row'
    demo = str(DEMO / "study.csv")
    for level, told in (("x", "in per cent, such as 99, got x"), ("100", "from 50 to below 100")):
        assert told in run(demo, "--confidence", level, status=2).stderr
    assert np.isfinite(json.loads(run(demo, "--json").stdout)["figures"]["pieces"])
