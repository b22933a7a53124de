"""Files as plants keep them, into audits: what goes in, what is told, nothing silently."""

import csv
import io
import tomllib
import zipfile
from collections.abc import Callable
from datetime import UTC, date, datetime, time
from pathlib import Path

import openpyxl
import pytest
import xlsxwriter

from qa.errors import InvalidFile
from qa.files import cells, tables
from qa.files.importing import ImportReport, import_file, write_rejects
from qa.files.mapping import ColumnMapping, code_of, load_mapping
from qa.files.rows import read_audits
from qa.files.tables import read_table
from qa.programme import Programme, parse
from qa.store import records, schema

NOW = datetime(2026, 6, 1, 8, tzinfo=UTC)
TEXT = """
site = "T1"
name = "A works for tests"
time_zone = "Europe/Dublin"
lot = "tote"
pieces_per_tote = 4000
pull = 200
target = 0.99
lines = [{ code = "A" }]
lanes = [{ code = "007", line = "A", heads = ["A", "B"] }, { code = "8", line = "A" }]
shifts = [
    { code = "day", name = "Day shift", start = 06:00:00, end = 18:00:00 },
    { code = "night", name = "Night shift", start = 18:00:00, end = 06:00:00 },
]
products = [{ code = "sprout", name = "Sprouts" }]
categories = [
    { code = "stem", name = "stem left on", class = "major" },
    { code = "over_trim", name = "over-trim", class = "minor" },
]
[plans.major]
n = 80
ac = 2
[plans.minor]
n = 80
ac = 3
"""
PROGRAMME = parse(TEXT)
HEAD = "lane,tote,pulled_at,inspector,inspected,stem,over_trim"
GOOD = "007,T1,2026-05-14 02:10,Ines,200,2,1"

Write = Callable[..., Path]


@pytest.fixture
def write(tmp_path: Path) -> Write:
    def written(*lines: str, name: str = "audits.csv", encoding: str = "utf-8") -> Path:
        path = tmp_path / name
        path.write_bytes("\n".join(lines).encode(encoding))
        return path

    return written


@pytest.fixture
def own_store(tmp_path: Path):
    opened = schema.open_store(tmp_path / "plant.db", create=True)
    at = datetime(2026, 1, 1, tzinfo=UTC)
    records.put_programme(opened, TEXT, by="lead", at=at, reason="set up")
    yield opened
    opened.engine.dispose()


def dry(path: Path, mapping: ColumnMapping | None = None, programme: Programme = PROGRAMME):
    return import_file(None, path, programme, mapping, by="lead", at=NOW, dry_run=True)


def audits(report: ImportReport, mapping: ColumnMapping | None = None):
    return [a for _, a in read_audits(report.table, report.mapping, PROGRAMME).audits]


def first(path: Path, mapping: ColumnMapping | None = None):
    report = dry(path, mapping)
    assert report.rejects == ()
    return audits(report)[0]


# -- what goes in --------------------------------------------------------------------------------


def test_a_wide_row_becomes_an_audit(write: Write) -> None:
    audit = first(write(HEAD, GOOD))
    assert (audit.lane, audit.tote, audit.inspected, audit.correct) == ("007", "T1", 200, 197)
    assert audit.counts == {"stem": 2, "over_trim": 1}
    assert audit.pulled_at == datetime(2026, 5, 14, 1, 10, tzinfo=UTC)  # Irish summer time
    assert (audit.day, audit.shift) == (date(2026, 5, 13), "night")


@pytest.mark.parametrize("delimiter", [";", "\t", "|"])
def test_the_delimiter_is_found(write: Write, delimiter: str) -> None:
    path = write(HEAD.replace(",", delimiter), GOOD.replace(",", delimiter))
    assert first(path).inspected == 200


def test_semicolons_with_decimal_commas_and_thousands(write: Write) -> None:
    path = write(
        HEAD.replace(",", ";") + ";pieces in tote",
        "007;T1;14.05.2026 02:10;Ines;200,0;2,00;1;4.000",
    )
    audit = first(path)
    assert (audit.inspected, audit.counts["stem"], audit.pieces_in_tote) == (200, 2, 4000)


def test_a_number_that_could_be_two_is_asked_about_and_never_guessed(write: Write) -> None:
    path = write(HEAD + ",pieces_in_tote", GOOD + ',"4,000"')
    (reject,) = dry(path).rejects
    assert (reject.row, reject.column, reject.value) == (2, "pieces_in_tote", "4,000")
    assert "say decimal" in reject.reason
    assert first(path, ColumnMapping(decimal=".")).pieces_in_tote == 4000


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "cp1252", "utf-16"])
def test_encodings(write: Write, encoding: str) -> None:
    path = write(HEAD, GOOD.replace("Ines", "Inés"), encoding=encoding)
    assert first(path).inspector == "Inés"


def test_a_line_that_names_the_delimiter_is_no_header(write: Write) -> None:
    report = dry(write("sep=;", HEAD.replace(",", ";"), GOOD.replace(",", ";")))
    assert (report.new, report.table.rows[0].number) == (1, 3)


def test_blank_lines_do_not_shift_row_numbers(write: Write) -> None:
    report = dry(write("", HEAD, "", GOOD, ",,,,,,", GOOD.replace("T1", "T2").replace("007", "9")))
    assert report.new == 1
    assert [(each.row, each.column, each.value) for each in report.rejects] == [(6, "lane", "9")]


def test_a_title_above_the_headers(write: Write) -> None:
    path = write("Audits of May", "", HEAD, GOOD)
    assert first(path, ColumnMapping(header_row=3)).tote == "T1"


def test_headers_are_guessed_whatever_their_case_and_spacing(write: Write) -> None:
    path = write(
        "Lane No.;TOTE;Date;Time;Inspected by;Inspected;Stem left on;Over Trim;Remarks",
        "007;T1;14/05/2026;02:10;Ines;200;;1;wet",
    )
    audit = first(path)
    assert audit.counts == {"stem": 0, "over_trim": 1}  # a blank category cell is 0
    assert (audit.note, audit.pulled_at.hour) == ("wet", 1)


def test_an_obvious_guess_is_shown(write: Write) -> None:
    mapping = dry(write(HEAD.replace("lane", "Lane no."), GOOD)).mapping
    assert mapping.columns["lane"] == "Lane no."
    assert "lane" in mapping.guessed


def test_a_guess_never_overrides_the_mapping(write: Write) -> None:
    path = write(HEAD.replace("stem", "STEM,Stems"), GOOD.replace(",2,", ",9,2,"))
    mapping = ColumnMapping(columns={"stem": "Stems"}, ignore=("STEM",))
    found = dry(path, mapping).mapping
    assert (found.columns["stem"], "stem" in found.guessed) == ("Stems", False)
    assert first(path, mapping).counts["stem"] == 2


def test_a_mapping_names_columns_constants_and_words(write: Write, tmp_path: Path) -> None:
    (tmp_path / "m.toml").write_text(
        """
        ignore = ["Temp"]
        day_first = false
        [columns]
        pulled_at = "Date/time"
        lane = "Bahn"
        stem = "Stems"
        [constants]
        inspector = "not noted"
        [values.shift]
        N = "night"
        """,
        encoding="utf-8",
    )
    path = write(
        "Bahn,Tote,Date/time,Temp,Shift,Inspected,Stems,over-trim",
        "007,T1,05/04/2026 2:10 AM,3.5,N,200,2,1",
    )
    audit = first(path, load_mapping(tmp_path / "m.toml"))
    assert (audit.inspector, audit.shift) == ("not noted", "night")
    assert audit.pulled_at == datetime(2026, 5, 4, 1, 10, tzinfo=UTC)


def test_a_long_file_has_a_row_for_each_category(write: Write) -> None:
    report = dry(
        write(
            "lane,tote,pulled_at,inspector,inspected,Defect,Count",
            "007,T1,2026-05-14 02:10,Ines,200,Stem left on,2",
            "8,T2,2026-05-14 02:15,Ines,150,,",
            "007,T1,2026-05-14 02:10,Ines,200,over trim,1",
        )
    )
    found = {each.tote: each for each in audits(report)}
    assert (report.rejects, report.new) == ((), 2)
    assert found["T1"].counts == {"stem": 2, "over_trim": 1}
    assert (found["T2"].correct, found["T2"].counts["stem"]) == (150, 0)


def test_a_long_file_maps_its_words_for_categories(write: Write) -> None:
    path = write(
        "lane,tote,pulled_at,inspector,inspected,Kind,Pieces",
        "007,T1,2026-05-14 02:10,Ines,200,Stiel,2",
        "007,T1,2026-05-14 02:10,Ines,200,good,198",
    )
    mapping = ColumnMapping(
        columns={"category": "Kind", "count": "Pieces"},
        values={"category": {"Stiel": "stem", "good": "correct"}},
    )
    audit = first(path, mapping)
    assert (audit.counts["stem"], audit.correct) == (2, 198)


def test_a_faulty_row_holds_all_rows_of_its_long_audit_back(write: Write, tmp_path: Path) -> None:
    lines = (
        "lane,tote,pulled_at,inspector,inspected,category,count",
        "007,T1,2026-05-14 02:10,Ines,200,stem,2",
        "007,T1,2026-05-14 02:10,Ines,200,rot,1",
        "007,T1,2026-05-14 02:10,Ines,200,stem,3",
    )
    report = dry(write(*lines))
    assert report.new == 0
    assert [(e.row, e.column, e.value) for e in report.rejects] == [
        (3, "category", "rot"),
        (4, "category", "stem"),
    ]
    assert [row.number for row in report.rejected] == [2, 3, 4]


def test_an_incorrect_column_gives_correct_or_must_agree(write: Write) -> None:
    head = "lane,tote,pulled_at,inspector,inspected,incorrect,stem,over_trim"
    assert first(write(head, "007,T1,2026-05-14 02:10,Ines,200,3,2,1")).correct == 197
    (reject,) = dry(write(head, "007,T1,2026-05-14 02:10,Ines,200,4,2,1")).rejects
    assert (reject.column, reject.value) == ("incorrect", "4")
    with_correct = write(
        head.replace("incorrect", "incorrect,correct"), "007,T1,2026-05-14 02:10,Ines,200,4,197,2,1"
    )
    (reject,) = dry(with_correct).rejects
    assert reject.reason == "must be inspected less correct: 3, got 4"


# -- dates and times -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "day", "clock"),
    [
        ("2026-05-14T02:10", date(2026, 5, 14), time(2, 10)),
        ("2026-05-14 02:10:30", date(2026, 5, 14), time(2, 10, 30)),
        ("14/5/26 2:10 pm", date(2026, 5, 14), time(14, 10)),
        ("14.05.2026 02.10", date(2026, 5, 14), time(2, 10)),
        ("14-May-2026, 12:05 AM", date(2026, 5, 14), time(0, 5)),
        ("46156.0902777778", date(2026, 5, 14), time(2, 10)),
        ("46156,0902777778", date(2026, 5, 14), time(2, 10)),
        ("46156", date(2026, 5, 14), None),
        ("0.0902777778", None, time(2, 10)),
        ("02:10", None, time(2, 10)),
        ("14.05", None, time(14, 5)),
    ],
)
def test_moments(text: str, day: date | None, clock: time | None) -> None:
    said = cells.when(text, day_first=True, epoch=datetime(1899, 12, 30))
    assert said is not None
    assert (said.day, said.clock) == (day, clock)


def test_a_serial_date_counts_days_as_a_workbook_does() -> None:
    epoch = datetime(1899, 12, 30)
    assert (datetime(1970, 1, 1) - epoch).days == 25569  # the known serial of that day; from memory
    said = cells.when(46156, day_first=True, epoch=epoch)
    assert said is not None
    assert said.day == date(2026, 5, 14)
    assert openpyxl.utils.datetime.from_excel(46156).date() == said.day  # an independent reader


@pytest.mark.parametrize(
    "text", ["", "31/02/2026 02:10", "14/05/2026 25:00", "26-05-14", "tomorrow", "2026", "13:00 pm"]
)
def test_no_moment(text: str) -> None:
    assert cells.when(text, day_first=True, epoch=datetime(1899, 12, 30)) is None


def test_an_offset_is_kept() -> None:
    said = cells.when("2026-03-29T01:30+02:00", day_first=True, epoch=datetime(1899, 12, 30))
    assert said is not None
    assert said.text() == "2026-03-29 01:30:00+0200"


@pytest.mark.parametrize(
    ("other", "month"),
    [("14/05/2026 03:00", 5), ("05/14/2026 03:00", 3)],
    ids=["day first", "month first"],
)
def test_the_whole_column_decides_day_or_month_first(write: Write, other: str, month: int) -> None:
    path = write(
        HEAD,
        GOOD.replace("2026-05-14", "03/05/2026"),
        GOOD.replace("2026-05-14 02:10", other).replace("T1", "T2"),
    )
    assert first(path).pulled_at.month == month


def test_a_column_that_cannot_decide_is_asked_about_in_one_sentence(write: Write) -> None:
    path = write(HEAD, GOOD.replace("2026-05-14", "03/05/2026"))
    with pytest.raises(InvalidFile) as caught:
        dry(path)
    assert str(caught.value) == (
        'audits.csv: dates of column "pulled_at", such as 03/05/2026 02:10, could be day first or '
        "month first; say day_first = true or false in a mapping"
    )
    assert first(path, ColumnMapping(day_first=True)).pulled_at.month == 5
    assert first(path, ColumnMapping(day_first=False)).pulled_at.month == 3


def test_a_column_of_both_orders_is_asked_about_too(write: Write) -> None:
    path = write(
        HEAD, GOOD.replace("2026-05-14", "13/05/2026"), GOOD.replace("2026-05-14", "05/13/2026")
    )
    with pytest.raises(InvalidFile, match="only be day first and some only month first"):
        dry(path)
    (reject,) = dry(path, ColumnMapping(day_first=True)).rejects
    assert (reject.row, reject.value) == (3, "05/13/2026 02:10")


def test_a_date_without_time_of_day_is_a_reject(write: Write) -> None:
    (reject,) = dry(write(HEAD, GOOD.replace(" 02:10", ""))).rejects
    assert reject.reason == "has no time of day"


def test_a_fill_time_alone_is_the_last_before_the_pieces_were_pulled(write: Write) -> None:
    path = write(HEAD + ",fill_start,fill_end", GOOD.replace("02:10", "00:05") + ",23:58,00:02")
    audit = first(path)
    assert audit.fill_start == datetime(2026, 5, 13, 22, 58, tzinfo=UTC)
    assert audit.fill_end == datetime(2026, 5, 13, 23, 2, tzinfo=UTC)


# -- what is told --------------------------------------------------------------------------------


def test_every_fault_of_a_row_is_told_with_row_column_value_and_reason(write: Write) -> None:
    report = dry(
        write(
            HEAD.replace("stem", "Stems pieces"),
            GOOD,
            GOOD.replace("007", "9").replace("Ines", "").replace(",2,", ",-2,"),
        ),
        ColumnMapping(columns={"stem": "Stems pieces"}),
    )
    assert [(e.row, e.column, e.value) for e in report.rejects] == [
        (3, "lane", "9"),
        (3, "inspector", ""),
        (3, "Stems pieces", "-2"),
    ]
    assert report.rejects[0].reason == 'must be one of 007, 8, got "9"'


def test_a_totals_row_is_skipped_and_said(write: Write) -> None:
    other = GOOD.replace("T1", "T2")
    by_word = dry(write(HEAD, GOOD, other, "Total,,,,400,4,2"))
    by_sums = dry(write(HEAD, GOOD, other, ",,,,400,4,2"))
    assert (by_word.new, by_word.rejects, by_sums.new, by_sums.rejects) == (2, (), 2, ())
    assert [(e.row, e.reason) for e in by_word.skipped] == [(4, "is a totals row")]
    assert by_sums.skipped[0].reason == "is a totals row: the sums of the rows above"
    assert dry(write(HEAD, GOOD, other, ",,,,401,4,2")).rejects  # no sums: an audit at fault


def test_a_row_that_repeats_another_is_said(write: Write) -> None:
    report = dry(write(HEAD, GOOD, GOOD))
    assert report.new == 1
    assert [(e.row, e.reason) for e in report.skipped] == [(3, "repeats row 2")]


def test_the_same_audit_with_other_figures_is_a_reject(write: Write) -> None:
    report = dry(write(HEAD, GOOD, GOOD.replace(",2,1", ",5,1")))
    assert report.new == 1
    (reject,) = report.rejects
    assert (reject.row, reject.column, reject.value) == (3, "tote", "T1")
    assert reject.reason == "is the audit of row 2 with other figures or words"


def test_a_cell_beyond_the_headers_is_a_reject(write: Write) -> None:
    (reject,) = dry(write(HEAD, GOOD + ",,7")).rejects
    assert (reject.row, reject.reason) == (2, 'stands right of the last header, got "7"')


def test_zeros_that_a_spreadsheet_took_are_put_back_and_said(write: Write) -> None:
    report = dry(write(HEAD, GOOD.replace("007", "7")))
    assert audits(report)[0].lane == "007"
    assert report.notes == ('lane "7" is taken for 007',)


def test_a_code_is_taken_only_when_one_fits() -> None:
    assert code_of("7", {"007": "", "07": ""}) == "7"
    assert code_of("7", {"007": "", "7": ""}) == "7"
    assert code_of("007", {"007": "", "7": ""}) == "007"
    assert code_of("Night Shift", {"n": "night shift", "d": "day shift"}) == "n"
    assert code_of("evening", {"n": "night shift"}) == "evening"


@pytest.mark.parametrize(
    ("head", "told"),
    [
        (HEAD + ",Rot", 'the header "Rot" is unknown'),
        (HEAD.replace("lane", "x_lane"), "there is no column for lane"),
        (HEAD.replace("pulled_at", "note"), "there is no column for pulled_at, nor for date"),
        (HEAD.replace(",over_trim", ""), "there is no column for category over_trim, and none for"),
        (HEAD + ",stem", 'the header "stem" is there more than once'),
        (HEAD + ",", "column 8 has no header"),
    ],
)
def test_a_file_that_cannot_be_understood_is_refused_whole(
    write: Write, head: str, told: str
) -> None:
    with pytest.raises(InvalidFile, match=r"^audits\.csv: ") as caught:
        dry(
            write(head + ",Extra" if head.endswith(",") else head, GOOD + ",7,8"),
            ColumnMapping(ignore=("Extra",)),
        )
    assert told in str(caught.value)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("colums = {}", "colums must be one of sheet, header_row"),
        ("day_first = 1", "day_first must be true or false, got 1"),
        ("header_row = 0", "header_row must be a row number, got 0"),
        ('decimal = ";"', 'decimal must be "." or ",", got'),
        ("[columns]\nlane = 7", "columns.lane must be a text, got 7"),
        ("[values]\nshift = 1", "values.shift must be a table of words and codes, got 1"),
        ("[constants]\nlane = [1]", "constants.lane must be a text, number, date or time"),
        ("ignore = [1]", "ignore must be a list of headers, got 1 in it"),
        ("day_first = ", "is not TOML"),
    ],
)
def test_a_mapping_at_fault(tmp_path: Path, text: str, told: str) -> None:
    (tmp_path / "m.toml").write_text(text, encoding="utf-8")
    with pytest.raises(InvalidFile) as caught:
        load_mapping(tmp_path / "m.toml")
    assert told in str(caught.value)


@pytest.mark.parametrize(
    ("mapping", "told"),
    [
        (ColumnMapping(columns={"lane": "Bahn"}), 'there is no header "Bahn"'),
        (ColumnMapping(columns={"lame": "lane"}), "columns.lame of the mapping is no field"),
        (ColumnMapping(values={"lame": {}}), "values.lame of the mapping is no field"),
        (
            ColumnMapping(columns={"lane": "lane"}, constants={"lane": "8"}),
            "lane of the mapping must be a column or a constant, not both",
        ),
    ],
)
def test_a_mapping_that_does_not_fit_the_file(
    write: Write, mapping: ColumnMapping, told: str
) -> None:
    with pytest.raises(InvalidFile) as caught:
        dry(write(HEAD, GOOD), mapping)
    assert told in str(caught.value)


def test_no_mapping_file() -> None:
    with pytest.raises(InvalidFile, match=r"nowhere\.toml cannot be read: No such file"):
        load_mapping("nowhere.toml")


@pytest.mark.parametrize(
    ("raw", "told"),
    [
        (b"", "has no row with headers"),
        (b"\n\n", "has no row with headers"),
        (b"lane\0,tote\n", "is not text in UTF-8 or Windows-1252"),
        (b'lane,tote\n1,"T1\n', "row 2 is not CSV"),
        (b"PK\x03\x04", "is a workbook or an archive, not CSV"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", "an old .xls or a workbook with a password"),
    ],
)
def test_a_file_that_is_no_csv(tmp_path: Path, raw: bytes, told: str) -> None:
    (tmp_path / "audits.csv").write_bytes(raw)
    with pytest.raises(InvalidFile) as caught:
        read_table(tmp_path / "audits.csv")
    assert told in str(caught.value)


def test_a_file_that_is_not_there() -> None:
    with pytest.raises(InvalidFile, match=r"^nowhere\.csv cannot be read: No such file"):
        read_table("nowhere.csv")


# -- workbooks -----------------------------------------------------------------------------------


def workbook(path: Path, *rows: list[object], formats: dict[int, str] | None = None) -> Path:
    with xlsxwriter.Workbook(path, {"default_date_format": "yyyy-mm-dd hh:mm"}) as book:
        sheet = book.add_worksheet("Audits")
        styles = {at: book.add_format({"num_format": text}) for at, text in (formats or {}).items()}
        for number, row in enumerate(rows):
            for at, value in enumerate(row):
                style = styles.get(at) if number else None
                sheet.write(number, at, value, *([style] if style else []))
    return path


HEADERS: list[object] = list(HEAD.split(","))


@pytest.mark.parametrize("lane", ["007", 7], ids=["text", "number"])
def test_a_workbook_with_a_real_date(tmp_path: Path, lane: object) -> None:
    row = [lane, 1201, datetime(2026, 5, 14, 2, 10), "Ines", 200, 2, None]
    audit = first(workbook(tmp_path / "a.xlsx", HEADERS, row))
    assert (audit.lane, audit.tote, audit.correct) == ("007", "1201", 198)
    assert audit.pulled_at == datetime(2026, 5, 14, 1, 10, tzinfo=UTC)


def test_a_number_shown_with_its_zeros_is_that_text(tmp_path: Path) -> None:
    row = [7, 12, datetime(2026, 5, 14, 2, 10), "Ines", 200, 2, 0]
    path = workbook(tmp_path / "a.xlsx", HEADERS, row, formats={0: "000", 1: "00000"})
    table = read_table(path)
    assert table.rows[0].cells[:2] == ("007", "00012")
    assert dry(path).notes == ()


def test_a_workbook_with_date_and_time_apart_and_serials(tmp_path: Path) -> None:
    head = [*HEADERS[:2], "Date", "Time", *HEADERS[3:]]
    rows = [
        ["007", "T1", datetime(2026, 5, 14), time(2, 10), "Ines", 200, 2, 1],
        ["007", "T2", datetime(2026, 5, 14), time(2, 10), "Ines", 200, 2, 1],
    ]
    path = workbook(tmp_path / "a.xlsx", head, *rows, formats={2: "dd/mm/yyyy", 3: "hh:mm"})
    unformatted = workbook(
        tmp_path / "b.xlsx", head, ["007", "T1", 46156, 130 / 1440, "Ines", 200, 2, 1]
    )
    for each in (path, unformatted):
        assert first(each).pulled_at == datetime(2026, 5, 14, 1, 10, tzinfo=UTC)


def test_sheets(tmp_path: Path) -> None:
    path = tmp_path / "a.xlsx"
    with xlsxwriter.Workbook(path) as book:
        book.add_worksheet("Cover").write(0, 0, "Audits of May")
        book.add_worksheet("Audits").write_row(0, 0, HEADERS)
    assert read_table(path, sheet="Audits").headers == tuple(HEADERS)
    assert read_table(path).headers == ("Audits of May",)
    with pytest.raises(InvalidFile, match='has the sheets Cover, Audits, got "audits"'):
        read_table(path, sheet="audits")


def far_away(path: Path, dimension: str) -> Path:
    """A workbook of a few kB whose only cell is in the last row and column that there are."""
    openpyxl.Workbook().save(path)
    with zipfile.ZipFile(path) as archive:
        parts = {name: archive.read(name) for name in archive.namelist()}
    sheet = (
        '<worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main">'
        f'{dimension}<sheetData><row r="1048576"><c r="XFD1048576"><v>1</v></c></row></sheetData>'
        "</worksheet>"
    )
    parts["xl/worksheets/sheet1.xml"] = sheet.encode()
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, raw in parts.items():
            archive.writestr(name, raw)
    return path


@pytest.mark.parametrize(
    "dimension", ["", '<dimension ref="A1:XFD1048576"/>', '<dimension ref="A1"/>']
)
def test_one_cell_at_the_far_corner_is_refused_at_once(tmp_path: Path, dimension: str) -> None:
    path = far_away(tmp_path / "far.xlsx", dimension)
    assert path.stat().st_size < 6_000
    with pytest.raises(InvalidFile, match=r'far\.xlsx: sheet "Sheet" has cells below row 200,000'):
        read_table(path)


def test_a_column_far_to_the_right_is_refused(tmp_path: Path) -> None:
    path = workbook(tmp_path / "a.xlsx", [*HEADERS, *[None] * 300, "x"])
    with pytest.raises(InvalidFile, match="has cells right of column 256 in row 1"):
        read_table(path)


def test_a_workbook_that_unpacks_to_too_much_is_not_unpacked(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(tables, "MOST_BYTES", 8 * 2**20)
    path = tmp_path / "bomb.xlsx"
    with (
        zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive,
        archive.open("xl/worksheets/sheet1.xml", "w", force_zip64=True) as part,
    ):
        for _ in range(9):
            part.write(bytes(2**20))
    with pytest.raises(InvalidFile, match="unpacks to more than 8 MB, and is not read"):
        read_table(path)


@pytest.mark.parametrize(
    ("raw", "told"),
    [
        (b"lane,tote\n1,2\n", "is not an XLSX workbook, whatever its name says"),
        (b"PK\x03\x04 and then nothing", "is not an XLSX workbook"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1 encrypted", "a workbook with a password"),
        (b"", "is not an XLSX workbook"),
    ],
)
def test_what_only_its_name_makes_a_workbook(tmp_path: Path, raw: bytes, told: str) -> None:
    (tmp_path / "audits.xlsx").write_bytes(raw)
    with pytest.raises(InvalidFile) as caught:
        read_table(tmp_path / "audits.xlsx")
    assert told in str(caught.value)


def test_another_archive_and_a_broken_sheet(tmp_path: Path) -> None:
    path = tmp_path / "a.xlsx"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("a.txt", "no workbook")
    with pytest.raises(InvalidFile, match="is not an XLSX workbook, or is damaged"):
        read_table(path)
    far_away(path, "")
    with zipfile.ZipFile(path) as archive:
        parts = {name: archive.read(name) for name in archive.namelist()}
    with zipfile.ZipFile(path, "w") as archive:
        for name, raw in parts.items():
            archive.writestr(name, raw[:120] if "sheet1" in name else raw)
    with pytest.raises(InvalidFile, match="damaged"):
        read_table(path)


# -- into the record -----------------------------------------------------------------------------


def take(store, path: Path, mapping: ColumnMapping | None = None, **options) -> ImportReport:
    return import_file(store, path, PROGRAMME, mapping, by="lead", at=NOW, **options)


BAD = GOOD.replace("T1", "T9").replace("007", "9")


def test_good_rows_go_in_and_again_adds_nothing(own_store, write: Write) -> None:
    path = write(HEAD, GOOD, BAD)
    once = take(own_store, path)
    assert (once.new, once.already, len(once.rejects), once.recorded) == (1, 0, 1, True)
    again = take(own_store, write(HEAD, GOOD, BAD, name="the same under another name.csv"))
    assert (again.new, again.already) == (0, 1)
    tallies = records.tallies(own_store)
    assert (len(tallies), tallies["lane"].item(), tallies["stem"].item()) == (1, "007", 2)


def test_all_or_none(own_store, write: Write) -> None:
    report = take(own_store, write(HEAD, GOOD, BAD), all_or_none=True)
    assert (report.new, report.recorded, len(records.tallies(own_store))) == (0, False, 0)
    assert take(own_store, write(HEAD, GOOD), all_or_none=True).new == 1


def test_a_dry_run_records_nothing(own_store, write: Write) -> None:
    path = write(HEAD, GOOD, BAD)
    report = take(own_store, path, dry_run=True)
    assert (report.new, report.recorded, len(records.tallies(own_store))) == (1, False, 0)
    take(own_store, path)
    assert take(own_store, path, dry_run=True).already == 1


def test_other_figures_than_the_record_has_are_a_reject(own_store, write: Write) -> None:
    take(own_store, write(HEAD, GOOD))
    report = take(own_store, write(HEAD, GOOD.replace(",2,1", ",5,1"), GOOD.replace("T1", "T2")))
    (reject,) = report.rejects
    assert (reject.row, reject.column, reject.value, report.new) == (2, "tote", "T1", 1)
    assert "stem" in reject.reason
    assert records.tallies(own_store).set_index("tote")["stem"].to_dict() == {"T1": 2, "T2": 2}


def test_rejects_can_be_mended_and_imported_with_the_same_mapping(
    own_store, write: Write, tmp_path: Path
) -> None:
    mapping = ColumnMapping(columns={"lane": "Bahn"}, header_row=2)
    head = HEAD.replace("lane", "Bahn").replace(",", ";")
    rows = [
        "007;T1;14/05/2026 02:10;Ines;200;2;1",
        "9;T2;03/05/2026 02:10;Ines;200,0;2;1",  # on its own, this date could not be decided
    ]
    report = take(own_store, write("Audits of May", head, *rows), mapping)
    rejects = tmp_path / "rejects.csv"
    write_rejects(report, rejects)
    text = rejects.read_text(encoding="utf-8-sig")
    assert list(csv.reader(io.StringIO(text), delimiter=";")) == [
        ["Audits of May"],
        [*head.split(";"), "why not imported"],
        [
            *("9", "T2", "2026-05-03 02:10:00", "Ines", "200,0", "2", "1"),
            'Bahn: must be one of 007, 8, got "9"',
        ],
    ]
    rejects.write_text(text.replace("9;T2", "8;T2"), encoding="utf-8-sig")
    mended = take(own_store, rejects, mapping)
    assert (mended.new, mended.rejects) == (1, ())
    assert set(records.tallies(own_store)["tote"]) == {"T1", "T2"}


def test_no_reject_is_run_as_a_formula(own_store, write: Write, tmp_path: Path) -> None:
    """A file from outside is looked at in a spreadsheet, where its rejects would run."""
    head, mapping = f"{HEAD},note,=1+2", ColumnMapping(ignore=("=1+2",))
    row = '9,=1+1,2026-05-14 02:10,@Ines,200,2,1,"a;=HYPERLINK(1)",-3'
    report = take(own_store, write(head, row), mapping)
    rejects = tmp_path / "rejects.csv"
    write_rejects(report, rejects)
    text = rejects.read_text(encoding="utf-8-sig")
    heads, cells = csv.reader(io.StringIO(text))
    assert [cell for cell in cells if cell.startswith("'")] == ["'=1+1", "'@Ines", "'-3"]
    assert "a;'=HYPERLINK(1)" in cells
    assert heads[-2] == "'=1+2"
    rejects.write_text(text.replace("9,", "8,", 1), encoding="utf-8-sig")
    mended = take(own_store, rejects, mapping)
    assert (mended.new, mended.rejects) == (1, ())
    row = records.audits(own_store).iloc[0]
    assert (row["tote"], row["inspector"], row["note"]) == ("=1+1", "@Ines", "a;=HYPERLINK(1)")


def test_mended_rejects_are_never_written_over(own_store, write: Write, tmp_path: Path) -> None:
    report = take(own_store, write(HEAD, BAD))
    write_rejects(report, tmp_path / "rejects.csv")
    with pytest.raises(InvalidFile, match="is there already and may hold mended rows"):
        write_rejects(report, tmp_path / "rejects.csv")
    with pytest.raises(InvalidFile, match="cannot be written"):
        write_rejects(report, tmp_path / "no folder" / "rejects.csv")


def test_progress_is_told_and_ends_at_the_end(write: Write) -> None:
    lines = [GOOD.replace("T1", f"T{at}") for at in range(1200)]
    told: list[tuple[int, int]] = []
    import_file(
        None,
        write(HEAD, *lines),
        PROGRAMME,
        by="lead",
        at=NOW,
        dry_run=True,
        progress=lambda done, total: told.append((done, total)),
    )
    assert told == [(500, 1200), (1000, 1200), (1200, 1200)]


def test_the_demo_is_read_as_its_truth_says(programme: Programme) -> None:
    folder = Path(__file__).resolve().parents[1] / "data_demo"
    truth = tomllib.loads((folder / "truth.toml").read_text(encoding="utf-8"))
    report = dry(folder / "audits.csv", programme=programme)
    assert [(e.row, e.column) for e in report.rejects] == [
        (each["line"], each["column"]) for each in truth["bad_rows"]
    ]
    assert report.audits == truth["rows"]["good"]
    assert len(report.skipped) == truth["rows"]["twice"] + truth["rows"]["totals_rows"]
