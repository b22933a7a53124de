"""Which column of a file is which field of an audit: said in TOML, and guessed where obvious.

::

    sheet = "Audits"            # of a workbook
    header_row = 3              # where a title stands above the headers
    day_first = true            # how to read 03/05/2026, where the column cannot say
    decimal = ","               # likewise 4,000
    ignore = ["Remarks"]        # columns that are not of the audit

    [columns]                   # our field = "the file's header"
    date = "Datum"
    time = "Uhrzeit"
    stem = "Stems"

    [constants]                 # what the file leaves out
    inspector = "not noted"

    [values.shift]              # the file's words = our codes
    N = "night"

The fields are those of `qa.audit.Audit`, the programme's category codes and `EXTRA`. A file with a
column for ``category`` and one for ``count`` is long: one row per audit and category.
"""

import re
import tomllib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from qa.audit import PURPOSES, Audit
from qa.errors import InvalidFile
from qa.files.tables import Table
from qa.programme import Programme

EXTRA = ("date", "time", "incorrect", "category", "count")
REASON = "why not imported"  # the last column of a file of rejects
CODED = ("line", "lane", "head", "shift", "product", "purpose", "category")
COUNTED = ("inspected", "correct", "incorrect", "count", "pieces_in_tote")
_FIELDS = (*(name for name in Audit.__dataclass_fields__ if name != "counts"), *EXTRA)
_OPTIONS: dict[str, tuple[type, str]] = {
    "sheet": (str, "the name of a sheet"),
    "header_row": (int, "a row number"),
    "day_first": (bool, "true or false"),
    "decimal": (str, '"." or ","'),
    "ignore": (list, "a list of headers"),
    "columns": (dict, "a table of headers"),
    "constants": (dict, "a table of values"),
    "values": (dict, "tables such as [values.shift]"),
}
# Headers that leave no doubt, as `_plain` writes them.
_OBVIOUS: dict[str, tuple[str, ...]] = {
    "pulled_at": ("pulled", "datetime", "dateandtime", "timestamp", "timepulled", "datetimepulled"),
    "date": ("datepulled", "pulldate", "auditdate"),
    "time": ("pulltime", "audittime", "timeofday"),
    "day": ("productionday", "proddate", "productiondate"),
    "inspector": ("inspectedby", "auditor", "checkedby"),
    "inspected": ("piecesinspected", "pieceschecked", "samplesize", "piecespulled"),
    "correct": ("correctpieces", "piecescorrect"),
    "incorrect": ("incorrectpieces", "piecesincorrect"),
    "raw_lot": ("rawmateriallot", "rawmaterial"),
    "pieces_in_tote": ("totepieces", "piecespertote"),
    "re_sorted_at": ("resorted", "resorttime"),
    "note": ("notes", "remark", "remarks", "comment", "comments"),
    "category": ("defect", "defectcategory", "defecttype", "kindofdefect"),
    "count": ("defectcount", "numberofdefects"),
}


@dataclass(frozen=True, slots=True)
class ColumnMapping:
    """How the columns of a file become the fields of an audit.

    Attributes
    ----------
    columns : mapping of field to header
    constants : mapping of field to value
        The same for every row.
    values : mapping of field to mapping of the file's word to our code
    day_first, decimal : bool or None, str
        None and "": the columns decide.
    ignore : headers of columns that are left out
    guessed : fields whose column nobody named
    """

    columns: Mapping[str, str] = field(default_factory=dict)
    constants: Mapping[str, Any] = field(default_factory=dict)
    values: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    sheet: str | None = None
    header_row: int | None = None
    day_first: bool | None = None
    decimal: str = ""
    ignore: tuple[str, ...] = ()
    guessed: frozenset[str] = frozenset()

    @property
    def long(self) -> bool:
        """Whether an audit has a row for each category."""
        return "category" in self.columns and "count" in self.columns

    def gives(self, *fields: str) -> bool:
        """Whether any of the fields comes from a column or is a constant."""
        return any(each in self.columns or each in self.constants for each in fields)


def load_mapping(path: str | Path) -> ColumnMapping:
    """The mapping in a TOML file, as the docstring of this module shows one.

    Raises
    ------
    InvalidFile
        With every key at fault.
    """
    try:
        text = Path(path).read_text(encoding="utf-8-sig")
    except OSError as reason:
        raise InvalidFile(f"{path} cannot be read: {reason.strerror}") from None
    except UnicodeDecodeError as reason:
        raise InvalidFile(f"{path} is not TOML: {reason}") from None
    return parse_mapping(text, str(path))


def parse_mapping(text: str, where: str = "mapping") -> ColumnMapping:
    """The mapping in a TOML text; `where` names it in the error.

    Raises
    ------
    InvalidFile
        With every key at fault.
    """
    try:
        raw = tomllib.loads(text)
    except (ValueError, RecursionError) as reason:  # a number of thousands of digits is the first
        raise InvalidFile(f"{where} is not TOML: {reason}") from None
    faults = [*_option_faults(raw)] or [*_table_faults(raw)]
    if faults:
        raise InvalidFile(f"{where}: {'; '.join(faults)}")
    return ColumnMapping(**{**raw, "ignore": tuple(raw.get("ignore", ()))})


def complete(mapping: ColumnMapping, table: Table, programme: Programme) -> ColumnMapping:
    """The mapping with what it leaves open guessed from the headers, checked against the file.

    Raises
    ------
    InvalidFile
        If it names a header that the file lacks or has twice, a field that does not exist, leaves
        a column of the file without a place, or an audit without what it needs.
    """
    headers = [header for header in table.headers if header]
    full = _with_guesses(mapping, headers, programme)
    faults = [
        *_name_faults(full, headers, programme),
        *_column_faults(full, table),
        *_missing(full, programme),
    ]
    if faults:
        raise InvalidFile(f"{table.name}: {'; '.join(faults)}")
    return full


def code_of(value: str, codes: Mapping[str, str]) -> str:
    """The code that a file's word must mean, or the word itself if no code or several fit.

    Parameters
    ----------
    value : str
        A code; or a code or name in other case and spacing, or without its leading zeros, which a
        spreadsheet takes from a number.
    codes : mapping of code to name
    """
    if value in codes:
        return value
    plain, bare = _plain(value), value.lstrip("0")
    found = {code for code, name in codes.items() if plain in (_plain(code), _plain(name))}
    if not found and value.isdecimal():
        found = {code for code in codes if code.isdecimal() and code.lstrip("0") == bare}
    return found.pop() if len(found) == 1 else value


def choices(programme: Programme) -> dict[str, dict[str, str]]:
    """The codes and names that each coded field may have."""
    categories = {each.code: each.name for each in programme.categories}
    heads = {head: head for lane in programme.lanes for head in lane.heads}
    return {
        "line": {each.code: each.code for each in programme.lines},
        "lane": {each.code: f"lane {each.code}" for each in programme.lanes},
        "head": heads,
        "shift": {each.code: each.name for each in programme.shifts},
        "product": {each.code: each.name for each in programme.products},
        "purpose": {each: each for each in PURPOSES},
        "category": {**categories, "correct": "correct pieces"},
    }


def _option_faults(raw: Mapping[str, Any]) -> Iterator[str]:
    for key, value in raw.items():
        if key not in _OPTIONS:
            yield f"{key} must be one of {', '.join(_OPTIONS)}"
            continue
        kind, rule = _OPTIONS[key]
        good = type(value) is kind and (key != "decimal" or value in (".", ","))
        if not good or (key == "header_row" and value < 1):
            yield f"{key} must be {rule}, got {value!r}"


def _table_faults(raw: Mapping[str, Any]) -> Iterator[str]:
    texts = [("columns", raw.get("columns", {}))]
    for name, table in raw.get("values", {}).items():
        if isinstance(table, dict):
            texts.append((f"values.{name}", table))
        else:
            yield f"values.{name} must be a table of words and codes, got {table!r}"
    for where, table in texts:
        for key, value in table.items():
            if not isinstance(value, str):
                yield f"{where}.{key} must be a text, got {value!r}"
    for key, value in raw.get("constants", {}).items():
        if isinstance(value, dict | list | bool):
            yield f"constants.{key} must be a text, number, date or time, got {value!r}"
    for header in raw.get("ignore", ()):
        if not isinstance(header, str):
            yield f"ignore must be a list of headers, got {header!r} in it"


def _with_guesses(
    mapping: ColumnMapping, headers: Iterable[str], programme: Programme
) -> ColumnMapping:
    columns, guessed = dict(mapping.columns), set()
    taken = {*columns.values(), *mapping.ignore}
    names = _obvious_names(programme)
    for header in headers:
        field_name = names.get(_plain(header))
        if header in taken or field_name is None or mapping.gives(field_name):
            continue
        columns.setdefault(field_name, header)
        guessed.add(field_name)
    return replace(mapping, columns=columns, guessed=frozenset(guessed))


def _obvious_names(programme: Programme) -> dict[str, str]:
    """Field by every header that leaves no doubt; what two fields could claim is left out."""
    claims = [(_plain(name), name) for name in _FIELDS]
    claims += [(plain, name) for name, plains in _OBVIOUS.items() for plain in plains]
    for each in programme.categories:
        claims += {(_plain(each.code), each.code), (_plain(each.name), each.code)}
    for name in ("site", "line", "lane", "head", "shift", "product", "tote", "lot", "raw_lot"):
        claims += [(f"{_plain(name)}{end}", name) for end in ("no", "nr", "number", "code", "id")]
    owners: dict[str, set[str]] = {}
    for plain, name in claims:
        owners.setdefault(plain, set()).add(name)
    return {plain: names.pop() for plain, names in owners.items() if len(names) == 1}


def _name_faults(
    mapping: ColumnMapping, headers: Sequence[str], programme: Programme
) -> Iterator[str]:
    fields = {*_FIELDS, *programme.category_codes}
    for where in ("columns", "constants", "values"):
        for name in getattr(mapping, where):
            if name not in fields:
                yield f"{where}.{name} of the mapping is no field of an audit and no category"
    for name, header in mapping.columns.items():
        if header not in headers:
            yield f'columns.{name} of the mapping: there is no header "{header}"'
        elif headers.count(header) > 1:
            yield f'the header "{header}" is there more than once'
        elif name in mapping.constants:
            yield f"{name} of the mapping must be a column or a constant, not both"


def _column_faults(mapping: ColumnMapping, table: Table) -> Iterator[str]:
    placed = {*mapping.columns.values(), *mapping.ignore, REASON}
    for at, header in enumerate(table.headers):
        if header and header not in placed:
            yield (
                f'the header "{header}" is unknown; say in a mapping which field it is under '
                "[columns], or list it in ignore"
            )
        elif not header and any(row.cells[at] != "" for row in table.rows):
            yield f"column {at + 1} has no header"


def _missing(mapping: ColumnMapping, programme: Programme) -> Iterator[str]:
    """What every audit needs and this file never says."""
    for name in ("lane", "tote", "inspector", "inspected"):
        if not mapping.gives(name):
            yield f"there is no column for {name}"
    if not mapping.gives("pulled_at", "date"):
        yield "there is no column for pulled_at, nor for date and time"
    if len(programme.products) > 1 and not mapping.gives("product"):
        yield "there is no column for product"
    if mapping.gives("category", "count") and not mapping.long:
        yield "category and count must both be columns, or neither"
    if mapping.long or mapping.gives("correct", "incorrect"):
        return
    for code in programme.category_codes:
        if not mapping.gives(code):
            yield (
                f"there is no column for category {code}, and none for correct or incorrect that "
                "would show what is missing"
            )


def _plain(text: str) -> str:
    return re.sub(r"[\W_]+", "", text).casefold()
