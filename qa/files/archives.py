"""A workbook looked through before it is read: what would cost far more to read than to send.

A workbook is a ZIP archive of XML parts, and its reader makes objects of whole parts. Here each
part is only counted, as it streams by.
"""

import io
import re
import zipfile
from typing import Any
from xml.parsers import expat

from qa.errors import InvalidFile
from qa.files.uploads import Upload

MOST_PARTS = 2_000
MOST_ELEMENTS = 8_000_000  # of a sheet
MOST_TEXTS = 1_000_000  # of the texts that its cells share: two elements a text
MOST_ABOUT = 100_000  # of a part about the workbook, whose every element becomes an object
MOST_IN_ROW = 16_384  # cells of a row: as many as the format has columns
_ABOUT = re.compile(r"\[content_types\]\.xml|.*\.rels|docprops/.*|xl/(?:workbook|styles)\.xml")
_XML = (".xml", ".rels")


def check_archive(file: Upload) -> None:
    """Refuse a workbook that is built to cost its reader too much.

    Raises
    ------
    InvalidFile
        If it unpacks to more than it may, has too many parts, elements or cells in a row, or
        defines texts of its own, which can stand for ever longer ones.
    """
    with zipfile.ZipFile(io.BytesIO(file.content)) as archive:
        parts = archive.infolist()
        if sum(part.file_size for part in parts) > file.most_bytes or len(parts) > MOST_PARTS:
            raise InvalidFile(
                f"{file} unpacks to more than {file.most_bytes >> 20} MB, and is not read"
            )
        for part in parts:
            name = part.filename.casefold().lstrip("/")
            if name.endswith(_XML):
                _count(file, archive, part, _most(name))


def _most(name: str) -> int:
    if name == "xl/sharedstrings.xml":
        return MOST_TEXTS
    return MOST_ABOUT if _ABOUT.fullmatch(name) else MOST_ELEMENTS


def _count(file: Upload, archive: zipfile.ZipFile, part: zipfile.ZipInfo, most: int) -> None:
    elements = cells = 0

    def refuse(*_: Any) -> None:
        raise InvalidFile(f"{file} is built as no spreadsheet builds a workbook, and is not read")

    def count(name: str, _: Any) -> None:
        nonlocal elements, cells
        elements += 1
        kind = name.rpartition(" ")[2]
        cells = 0 if kind == "row" else cells + (kind == "c")
        if elements > most or cells > MOST_IN_ROW:
            refuse()

    parser = expat.ParserCreate(namespace_separator=" ")
    parser.StartElementHandler = count
    parser.StartDoctypeDeclHandler = refuse
    with archive.open(part) as content:
        try:
            parser.ParseFile(content)
        except expat.ExpatError:
            return  # the reader comes no farther, and says so where it needs the part
