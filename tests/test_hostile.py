"""Files and texts made to break things: each is refused in words, and nothing of it is stored.

Cases a test: 40, or as many as TOTEPROOF_CASES says, for a long run by hand.
"""

import io
import os
import random
import time
import zipfile
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from typing import Any

import openpyxl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from dashboard.views.taking_in import Sent
from qa import amending
from qa.errors import InvalidFile, InvalidProgramme
from qa.files.importing import import_file, rejects_text
from qa.files.mapping import parse_mapping
from qa.files.tables import MOST_COLUMNS, read_table
from qa.files.uploads import Upload
from qa.programme import Programme, parse
from qa.store import records, schema, trail
from tests.conftest import PLANT, PROGRAMME_FILE

AT = datetime(2026, 3, 20, tzinfo=UTC)
CASES = settings(
    max_examples=int(os.environ.get("TOTEPROOF_CASES", "40")),
    suppress_health_check=list(HealthCheck),
)
HEADERS = ["key", "tote", "lane", "pulled_at", "inspector", "inspected", "stem", "over_trim"]
HEADERS += ["double", "purpose", "note", "day", "shift", "pieces_in_tote", "re_sorted_at"]
GOOD = ["", "T1", "1", "2026-03-16 09:30", "Ines", "200", "1", "0", "0", "", "", "", "", "", ""]
ODD = [
    *("", " ", "0", "-1", "1e9", "1e400", "9" * 400, "nan", "inf", "0x10", "²", "٣", "½", "1,000"),
    *("=1+1", "'", '"', '""', "\0", "\x1f", "\ufeff", "\u202e", "\U0001f96c", "a" * 5000, "\t"),
    *("2026-02-30", "0000-00-00", "9999-12-31 23:59", "31/12/99", "24:00", "2026-03-29 01:30"),
    *("45000", "99999999", "true", "null", "../../x", "<script>", "'; drop table entry; --", "%s"),
    *("{0}", "\\", "\r", "\n", "total", "Sum", "routine", "re-audit", "head-check", "stem"),
]
CELL = st.sampled_from(ODD) | st.text(max_size=12) | st.integers().map(str)


@pytest.fixture(scope="module")
def plant(tmp_path_factory: pytest.TempPathFactory) -> Iterator[schema.Store]:
    opened = schema.open_store(tmp_path_factory.mktemp("hostile") / "plant.db", create=True)
    records.put_programme(opened, PLANT, by="lead", at=datetime(2026, 3, 1, tzinfo=UTC), reason="x")
    yield opened
    assert trail.check(opened) == ()
    opened.engine.dispose()


@pytest.fixture(scope="module")
def programme(plant: schema.Store) -> Programme:
    return records.programme(plant)


def taken(store: schema.Store, programme: Programme, name: str, content: bytes) -> None:
    """Imported whole or not at all; what is refused or held back has left the store as it was."""
    before = records.newest(store)
    try:
        upload = Upload(name, content, 8 * 2**20)
        report = import_file(store, upload, programme, by="Ines", at=AT, all_or_none=True)
    except InvalidFile:
        assert records.newest(store) == before
        return
    rejects_text(report)
    if report.rejects or not report.new:
        assert records.newest(store) == before
    else:
        assert records.newest(store)[0] == before[0] + report.new


def told(said: object) -> None:
    """A refusal says something."""
    assert str(said).strip("{}")


def csv_text(rows: list[list[str]], delimiter: str, newline: str, quoted: bool) -> str:
    def cell(text: str) -> str:
        return '"' + text.replace('"', '""') + '"' if quoted else text

    return newline.join(delimiter.join(cell(each) for each in row) for row in rows)


@CASES
@given(
    rows=st.lists(st.lists(CELL, max_size=len(HEADERS) + 2), max_size=4),
    at=st.lists(st.tuples(st.integers(0, len(GOOD) - 1), CELL), max_size=3),
    headers=st.permutations(HEADERS) | st.lists(CELL, max_size=9) | st.just(HEADERS),
    delimiter=st.sampled_from([",", ";", "\t", "|", " "]),
    newline=st.sampled_from(["\n", "\r\n", "\r", "\n\r\n", "\x85"]),
    quoted=st.booleans(),
    encoding=st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "cp1252", "utf-32", "shift_jis"]),
)
def test_a_csv_of_odd_cells(
    plant: schema.Store,
    programme: Programme,
    rows: list[list[str]],
    at: list[tuple[int, str]],
    headers: list[str],
    delimiter: str,
    newline: str,
    quoted: bool,
    encoding: str,
) -> None:
    spoilt = list(GOOD)
    for place, text in at:
        spoilt[place] = text
    text = csv_text([list(headers), spoilt, *rows], delimiter, newline, quoted)
    taken(plant, programme, "a.csv", text.encode(encoding, "replace"))


@CASES
@given(st.binary(max_size=300), st.integers(0, 400), st.booleans())
def test_a_csv_of_any_bytes(
    plant: schema.Store, programme: Programme, noise: bytes, at: int, inside: bool
) -> None:
    whole = csv_text([HEADERS, GOOD], ",", "\n", quoted=False).encode()
    taken(plant, programme, "a.csv", whole[:at] + noise + whole[at:] if inside else noise)


def book(rows: list[list[object]]) -> bytes:
    made, out = openpyxl.Workbook(), io.BytesIO()
    for row in rows:
        made.active.append(row)
    made.save(out)
    made.close()
    return out.getvalue()


WHOLE = book([list(HEADERS), list(GOOD)])


def parts(whole: bytes, change: Callable[[str, bytes], bytes]) -> bytes:
    """The workbook with its parts changed, and packed again."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(whole)) as old, zipfile.ZipFile(out, "w") as new:
        for name in old.namelist():
            new.writestr(name, change(name, old.read(name)))
    return out.getvalue()


@CASES
@given(seed=st.integers(0, 2**32), packed=st.booleans(), times=st.integers(1, 12))
def test_a_workbook_with_bytes_changed(
    plant: schema.Store, programme: Programme, seed: int, packed: bool, times: int
) -> None:
    draw = random.Random(seed)

    def change(_: str, content: bytes) -> bytes:
        made = bytearray(content)
        for _ in range(times if packed or draw.random() < 0.3 else 0):
            made[draw.randrange(len(made))] = draw.choice(
                [0, 34, 38, 60, 62, 255, draw.randrange(256)]
            )
        return bytes(made)

    taken(plant, programme, "a.xlsx", change("", WHOLE) if packed else parts(WHOLE, change))


VALUE = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(),
    st.floats(),
    st.datetimes(datetime(1900, 1, 1), datetime(9999, 12, 31)),
    st.dates(datetime(1900, 1, 1).date()),
    st.times(),
    st.text(st.characters(exclude_categories=["Cs", "Cc"]), max_size=8),
    st.sampled_from(["=1+1", "#N/A", "=NA()", "1", "Ines", "2026-03-16 09:30"]),
)


@CASES
@given(
    st.lists(st.tuples(st.integers(0, len(GOOD) - 1), VALUE), max_size=4),
    st.lists(VALUE, max_size=9),
)
def test_a_workbook_of_odd_cells(
    plant: schema.Store, programme: Programme, at: list[tuple[int, object]], more: list[object]
) -> None:
    spoilt: list[object] = list(GOOD)
    for place, value in at:
        spoilt[place] = value
    rows = [list(HEADERS), spoilt, more]
    numbers = [each for row in rows for each in row if isinstance(each, int) and abs(each) > 1e300]
    if numbers:
        return  # the writer of the test, not the reader, cannot
    taken(plant, programme, "a.xlsx", book(rows))


TEXT = PROGRAMME_FILE.read_text(encoding="utf-8")
LINES = TEXT.splitlines()
TOML = st.sampled_from(
    [
        *("0", "-1", "1e400", "nan", "inf", "-inf", '""', '" "', "[]", "{}", "true", "1979-05-27"),
        *(
            "07:32:00",
            "1979-05-27T07:32:00Z",
            '"Europe/Dublin"',
            '["A", "A"]',
            "[[1]]",
            '"\\u0000"',
        ),
        *("9" * 30, "9" * 4400, "0.99", "1.0", "99", '"../../etc/passwd"', '"/etc/localtime"'),
        *("{ at = 101, call = 1 }", '{ at = 5, call = "x", more = 1 }', "1e-320", "5e-324", "[1,"),
        *('"tote"', '"lane_shift"', '"multiple"', '"double"', '"III"', '"iso_2859_1"', "1_000_000"),
    ]
)


@CASES
@given(
    changes=st.lists(st.tuples(st.integers(0, len(LINES) - 1), TOML), max_size=4),
    gone=st.lists(st.integers(0, len(LINES) - 1), max_size=4),
    noise=st.just("") | st.text(max_size=20),
    at=st.integers(0, len(TEXT)),
)
def test_a_programme_with_lines_changed(
    changes: list[tuple[int, str]], gone: list[int], noise: str, at: int
) -> None:
    lines = list(LINES)
    for place, value in changes:
        lines[place] = f"{lines[place].partition('=')[0]}= {value}"
    text = "\n".join(line for place, line in enumerate(lines) if place not in gone)
    text = text[:at] + noise + text[at:]
    try:
        assert isinstance(parse(text), Programme)
        assert amending.differences(text, text) == ()
    except InvalidProgramme as fault:
        told(fault)


@CASES
@given(
    part=st.sampled_from(list(amending.PARTS)),
    rows=st.dictionaries(
        st.sampled_from(["", "0", "1", "6", "99", "major", "critical", "x", "-1", "²"]),
        st.dictionaries(
            st.sampled_from(
                [*{f.key for p in amending.PARTS.values() for f in p.fields}, amending.GONE, "x"]
            ),
            CELL | st.sampled_from(["yes", "A, B", "06:00", "true", "99.5", "major", "", "1e5"]),
            max_size=4,
        ),
        max_size=4,
    ),
)
def test_a_form_of_the_programme_with_odd_texts(part: str, rows: dict[str, dict[str, str]]) -> None:
    try:
        made = amending.amended(TEXT, part, rows)
        assert isinstance(parse(made), Programme)
        amending.differences(TEXT, made)
    except InvalidProgramme as fault:
        told(fault)
        told(amending.by_field(fault.problems, part, TEXT, rows))


@CASES
@given(
    st.text(max_size=60)
    | st.builds(
        "{} = {}\n[{}]\n{} = {}".format,
        st.sampled_from(["sheet", "header_row", "day_first", "decimal", "ignore", "x"]),
        TOML,
        st.sampled_from(["columns", "constants", "values", "values.shift", "x"]),
        st.sampled_from(["stem", "lane", "N", "key", '""']),
        TOML,
    )
)
def test_a_mapping_of_odd_texts(plant: schema.Store, programme: Programme, text: str) -> None:
    content = csv_text([HEADERS, GOOD], ",", "\n", quoted=False).encode()
    before = records.newest(plant)
    try:
        mapping = parse_mapping(text)
        upload = Upload("a.csv", content)
        import_file(plant, upload, programme, mapping, by="x", at=AT, dry_run=True)
    except InvalidFile as fault:
        told(fault)
    assert records.newest(plant) == before


def refused(name: str, content: bytes, *, within: float = 5.0, most: int = 16 * 2**20) -> str:
    began = time.process_time()  # the clock also counts what else a busy machine does
    with pytest.raises(InvalidFile) as fault:
        read_table(Upload(name, content, most))
    assert time.process_time() - began < within
    return str(fault.value)


def test_a_million_columns_are_refused_at_once() -> None:
    line = ",".join(["x"] * 1_000_000)
    assert f"right of column {MOST_COLUMNS} in row 1" in refused("a.csv", line.encode())
    assert f"right of column {MOST_COLUMNS} in row 3" in refused(
        "a.csv", f"tote,lane\n1,2\n{line}".encode()
    )


def test_a_workbook_that_unpacks_to_far_more_than_it_weighs_is_refused() -> None:
    out = io.BytesIO(WHOLE)
    with zipfile.ZipFile(out, "a", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("xl/media/zeros", bytes(64 * 2**20))
    assert len(out.getvalue()) < 2**20
    assert "unpacks to more than 16 MB" in refused("a.xlsx", out.getvalue())


def test_a_workbook_that_lies_about_its_sizes_is_refused() -> None:
    """What a part unpacks to is what its entry says, or the archive is called damaged."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        with zipfile.ZipFile(io.BytesIO(WHOLE)) as old:
            for name in old.namelist():
                filler = b" " * (40 * 2**20) if name.endswith("sheet1.xml") else b""
                archive.writestr(name, old.read(name) + filler)
        size = archive.getinfo("xl/worksheets/sheet1.xml").file_size
    lied = out.getvalue().replace(size.to_bytes(4, "little"), (999).to_bytes(4, "little"))
    assert "damaged" in refused("a.xlsx", lied)


def test_entities_that_unfold_without_end_are_refused() -> None:
    names = "".join(f'<!ENTITY e{n} "{f"&e{n - 1};" * 10}">' for n in range(1, 12))
    head = f'<?xml version="1.0"?><!DOCTYPE x [<!ENTITY e0 "spam">{names}]>'

    def change(name: str, content: bytes) -> bytes:
        if not name.endswith("sheet1.xml"):
            return content
        body = content.partition(b"?>")[2] if content.startswith(b"<?xml") else content
        return head.encode() + body.replace(b"<sheetData>", b"<sheetData>&e11;")

    assert "is built as no spreadsheet" in refused("a.xlsx", parts(WHOLE, change))


def test_a_file_of_the_machine_is_not_read_through_an_entity() -> None:
    head = b'<?xml version="1.0"?><!DOCTYPE x [<!ENTITY e SYSTEM "file:///etc/hostname">]>'

    def change(name: str, content: bytes) -> bytes:
        if not name.endswith("sheet1.xml"):
            return content
        body = content.partition(b"?>")[2] if content.startswith(b"<?xml") else content
        return head + body.replace(b"<v>0</v>", b"<v>&e;</v>").replace(
            b"</sheetData>", b"&e;</sheetData>"
        )

    assert "is built as no spreadsheet" in refused("a.xlsx", parts(WHOLE, change))


@pytest.mark.parametrize(
    "content",
    [b"", b"\0" * 5000, b"PK\x03\x04", b"PK\x05\x06" + bytes(18), b"\xd0\xcf\x11\xe0" + bytes(99),
     b"\xff\xfe", b"\xff\xfe\x00", b"a" * 200_000, b'"' * 9999, b",\n" * 9999],
)  # fmt: skip
@pytest.mark.parametrize("name", ["a.csv", "a.xlsx", "a", "a.xlsm", "..", "a.csv\0.xlsx"])
def test_what_is_no_table_is_refused_or_has_no_audit(
    plant: schema.Store, programme: Programme, name: str, content: bytes
) -> None:
    taken(plant, programme, name, content)
    assert len(records.tallies(plant, tote="a" * 200_000)) == 0


@pytest.mark.parametrize("newline", ["\n", "\r\n", "\r"])
def test_newlines_of_every_kind_in_one_file(newline: str, programme: Programme) -> None:
    rows = csv_text([HEADERS, GOOD], ",", newline, quoted=False) + "\r\n" + ",".join(GOOD) + "\n"
    table = read_table(Upload("a.csv", rows.encode()))
    assert [len(each.cells) for each in table.rows] == [len(HEADERS)] * 2


def workbook(**changed: Any) -> bytes:
    """A small sound workbook, with some of its parts put in place by others."""
    book, made, file = openpyxl.Workbook(), io.BytesIO(), io.BytesIO()
    book.active.append(["lane", "tote", "stem"])
    book.save(made)
    with zipfile.ZipFile(made) as whole, zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as other:
        parts = {each: whole.read(each) for each in whole.namelist()}
        texts = parts["[Content_Types].xml"].replace(b"</Types>", SHARED + b"</Types>")
        for name, part in (parts | {"[Content_Types].xml": texts} | changed).items():
            other.writestr(name, part)
    return file.getvalue()


MAIN = b'xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"'
SHARED = (
    b'<Override PartName="/xl/sharedStrings.xml" ContentType="application/vnd.openxmlformats-'
    b'officedocument.spreadsheetml.sharedStrings+xml"/>'
)
SHEET = b"<worksheet %s><sheetData>%s</sheetData></worksheet>"
TEXTS = b"%s<sst %s><si><t>%s</t></si></sst>"
ENTITY = b'<!DOCTYPE x [<!ENTITY a "%s">]>' % (b"b" * 1_000_000)
FILE = b'<!DOCTYPE x [<!ENTITY a SYSTEM "file:///etc/passwd">]>'
BUILT = {
    "a text that stands for longer ones": ("xl/sharedStrings.xml", (ENTITY, b"&a;" * 60)),
    "a text out of another file": ("xl/sharedStrings.xml", (FILE, b"&a;")),
    "texts without end": ("xl/sharedStrings.xml", (b"", b"</t></si><si><t>a" * 600_000)),
    "a row without end": ("xl/worksheets/sheet1.xml", b"<row>" + b"<c/>" * 2_000_000 + b"</row>"),
    "a sheet without end": ("xl/worksheets/sheet1.xml", b"<a/>" * 8_000_001),
    "formats without end": ("xl/styles.xml", b"<xf/>" * 400_000),
    "names without end": ("xl/workbook.xml", b'<definedName name="a">b</definedName>' * 200_000),
    "kinds without end": ("[Content_Types].xml", b'<Default Extension="a"/>' * 200_000),
}


@pytest.mark.parametrize("built", BUILT)
def test_a_workbook_that_would_cost_its_reader_too_much_is_refused(built: str) -> None:
    """Each is a few kilobytes to send; read, they took up to minutes and gigabytes."""
    name, inner = BUILT[built]
    part = TEXTS % (inner[0], MAIN, inner[1]) if isinstance(inner, tuple) else b"%s"
    part = SHEET % (MAIN, inner) if name.startswith("xl/worksheets") else part
    part = part if part != b"%s" else b"<x>" + bytes(inner) + b"</x>"
    content = workbook(**{name: part})
    assert len(content) < 100_000
    said = refused("a.xlsx", content, within=20.0, most=64 * 2**20)
    assert said == "a.xlsx is built as no spreadsheet builds a workbook, and is not read"


def test_a_workbook_that_a_spreadsheet_builds_is_read() -> None:
    part = TEXTS % (b"", MAIN, b"</t></si><si><t>a" * 1_000)
    table = read_table(Upload("a.xlsx", workbook(**{"xl/sharedStrings.xml": part})))
    assert table.headers == ("lane", "tote", "stem")


@pytest.mark.parametrize("row", ["\n", "a\n", ",\n"])
def test_a_csv_of_ever_more_rows_is_refused_in_time(row: str) -> None:
    content = ("a,b\n" + row * 2_000_000).encode()
    most = 64 * 2**20
    with pytest.raises(InvalidFile, match=r"^a.csv has more than 1,000 rows; import it in parts$"):
        read_table(Upload("a.csv", content, most, 1_000))
    assert Sent("a.csv", content).upload.most_lines == 500_000
