"""Audits out of the record into a file, and back."""

import glob
import re
import sys
from collections.abc import Callable
from datetime import UTC, date, datetime
from pathlib import Path

import duckdb
import openpyxl
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pandas.testing import assert_frame_equal

from qa.audit import parse
from qa.errors import InvalidFile
from qa.files import exporting, importing
from qa.files.formulas import defused, plain
from qa.programme import Programme
from qa.store import records, schema
from tests.conftest import PLANT

AT = datetime(2026, 3, 20, tzinfo=UTC)
Fields = Callable[..., dict[str, object]]
FORMULAS = ["=1+1", "+49 30", "-2", "@here", "'=quoted", "plain, with a comma", 'a "quote"', "007"]
FORMULAS += ["＝1+1", "＠here", "'＋1", "a\tb", '=HYPERLINK("http://x","y")', "''=1"]


@pytest.fixture
def filled(store: schema.Store, programme: Programme, audit_fields: Fields) -> schema.Store:
    """A record with awkward texts, optional fields given and not, a voided audit and a re-audit."""
    made = [audit_fields(tote=f"T{at}", note=text) for at, text in enumerate(FORMULAS)]
    made.append(audit_fields(tote="=T9", raw_lot="-field", pieces_in_tote=3987, lane="2"))
    made.append(
        audit_fields(
            tote="T0",
            purpose="re-audit",
            pulled_at="2026-03-17T09:30:00+00:00",
            re_sorted_at="2026-03-17T08:00:00+00:00",
            fill_start="2026-03-16T09:20:31+00:00",
        )
    )
    made.append(audit_fields(tote="void"))
    logged = records.log_many(store, [parse(each, programme) for each in made], by="Ines", at=AT)
    records.void(store, logged[-1].key, by="Ines", at=AT, reason="logged twice")
    return store


@pytest.mark.parametrize("ending", [".csv", ".xlsx"])
def test_what_is_exported_is_taken_back_to_the_last_field(
    filled: schema.Store, tmp_path: Path, ending: str
) -> None:
    path = tmp_path / f"audits{ending}"
    assert exporting.export(filled, path) == len(FORMULAS) + 2
    other = schema.open_store(tmp_path / "other.db", create=True)
    records.put_programme(
        other, PLANT, by="lead", at=datetime(2026, 3, 1, tzinfo=UTC), reason="the plant is set up"
    )
    report = importing.import_file(other, path, records.programme(other), by="Ines", at=AT)
    assert (report.rejects, report.new) == ((), len(FORMULAS) + 2)
    assert_frame_equal(
        records.audits(other).drop(columns="source"), records.audits(filled).drop(columns="source")
    )
    other.engine.dispose()


@pytest.mark.parametrize("ending", [".csv", ".xlsx"])
def test_no_text_is_run_as_a_formula(filled: schema.Store, tmp_path: Path, ending: str) -> None:
    path = tmp_path / f"audits{ending}"
    exporting.export(filled, path)
    if ending == ".csv":
        cells = pd.read_csv(path, dtype=str, keep_default_na=False).to_numpy().ravel().tolist()
    else:
        sheet = openpyxl.load_workbook(path)["audits"]
        assert not any(cell.data_type == "f" for row in sheet.iter_rows() for cell in row)
        cells = [str(cell.value or "") for row in sheet.iter_rows() for cell in row]
    assert "'=1+1" in cells
    assert not any(cell.startswith(("=", "+", "-", "@", "\t", "＝", "＠")) for cell in cells)


@pytest.mark.parametrize("text", FORMULAS)
def test_an_apostrophe_put_before_a_text_is_taken_away_again(text: str) -> None:
    assert plain(defused(text)) == text
    assert plain("'tis") == "'tis"


@given(st.text(alphabet="=+-@;,'\t\r\n a＝1"))
def test_no_part_of_a_text_is_run_and_none_is_lost(text: str) -> None:
    """Also where a spreadsheet splits cells at semicolons or at ends of lines."""
    safe = defused(text)
    assert plain(safe) == text
    assert not safe.startswith(("\t", "\r", "\n"))
    assert not any(
        part.startswith(("=", "+", "-", "@", "＝")) for part in re.split("[;\t\r\n]", safe)
    )


def test_only_what_is_asked_for_is_exported(filled: schema.Store, tmp_path: Path) -> None:
    assert exporting.export(filled, tmp_path / "one.csv", lane="2") == 1
    day = date(2026, 3, 17)
    assert exporting.export(filled, tmp_path / "two.csv", first_day=day, last_day=day) == 1


def test_no_file_is_written_over_and_nothing_is_left_half_written(
    filled: schema.Store, tmp_path: Path
) -> None:
    folder = tmp_path / "out"
    folder.mkdir()
    there = folder / "a.csv"
    there.write_text("mine")
    with pytest.raises(InvalidFile, match=r"a.csv is there already; name another file"):
        exporting.export(filled, there)
    assert there.read_text() == "mine"
    with pytest.raises(InvalidFile, match=r"a.ods must end in one of .csv, .xlsx, .parquet"):
        exporting.export(filled, folder / "a.ods")
    with pytest.raises(InvalidFile, match=r"there is no folder .*none for a.csv"):
        exporting.export(filled, folder / "none" / "a.csv")
    assert sorted(each.name for each in folder.iterdir()) == ["a.csv"]


def test_parquet_has_typed_columns_and_texts_as_they_are(
    filled: schema.Store, tmp_path: Path
) -> None:
    path = tmp_path / "it's *.parquet"  # a name is a name, never a pattern or a statement
    assert exporting.export(filled, path) == len(FORMULAS) + 2
    with duckdb.connect(config={"autoinstall_known_extensions": "false"}) as connection:
        rows = connection.read_parquet(glob.escape(str(path)))
        kinds = dict(zip(rows.columns, map(str, rows.types), strict=True))
        notes = {note for (note,) in rows.project("note").fetchall()}
        sums = rows.aggregate(
            "sum(inspected)::INT, sum(stem)::INT, count(pieces_in_tote)::INT, "
            "max(epoch_us(pulled_at)), min(day)"
        ).fetchall()
    assert notes == {*FORMULAS, ""}
    assert kinds["day"] == "DATE"
    assert kinds["pieces_in_tote"] == "INTEGER"
    assert kinds["pulled_at"] == kinds["re_sorted_at"] == "TIMESTAMP WITH TIME ZONE"
    count, last = len(FORMULAS) + 2, datetime(2026, 3, 17, 9, 30, tzinfo=UTC)
    expected = (200 * count, 2 * count, 1, round(last.timestamp() * 1e6), date(2026, 3, 16))
    assert sums == [expected]


def test_parquet_without_its_writer_says_what_to_install(
    filled: schema.Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "duckdb", None)
    with pytest.raises(
        InvalidFile, match=r'parquet file needs .* pip install "toteproof\[fleet\]"'
    ):
        exporting.export(filled, tmp_path / "a.parquet")
    assert not (tmp_path / "a.parquet").exists()


def test_what_a_sheet_cannot_hold_is_said(
    filled: schema.Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(exporting, "MOST_IN_SHEET", 3)
    with pytest.raises(InvalidFile, match=r"holds at most 3 audits, got 16; export fewer days"):
        exporting.export(filled, tmp_path / "a.xlsx")


def test_corrected_audits_alone_can_be_exported(
    filled: schema.Store, programme: Programme, audit_fields: Fields, tmp_path: Path
) -> None:
    old = records.tallies(filled, tote="T3").iloc[0]["key"]
    mended = parse(audit_fields(tote="T3", key=old, stem=5), programme)
    records.correct(filled, mended, by="Ines", at=AT, reason="counted again")
    assert exporting.export(filled, tmp_path / "a.csv", state="corrected") == 1
