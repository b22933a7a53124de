"""Audits out of the record into a CSV or XLSX file that the importer takes back.

Headers are the fields' own names. A spreadsheet would run a text that begins like a formula, so
such a text gets an apostrophe before it, which the importer takes away again.
"""

import os
import secrets
from collections.abc import Callable
from pathlib import Path

import pandas as pd

from qa.errors import InvalidFile
from qa.files.cells import defused
from qa.store import records
from qa.store.schema import Store

LEFT_OUT = ("incorrect", "programme")  # follow from the rest


def export(store: Store, path: str | Path, **wanted: object) -> int:
    """Write the current audits that are not voided; how many there were.

    Parameters
    ----------
    store : Store
    path : path
        Ends in .csv or .xlsx, and is not there yet.
    **wanted
        As for `qa.store.records.tallies`.

    Raises
    ------
    InvalidFile
        If the file is there already, has another ending, or cannot be written.
    """
    path = Path(path)
    write = _WRITERS.get(path.suffix.lower())
    if write is None:
        raise InvalidFile(f"{path} must end in one of {', '.join(_WRITERS)}")
    if path.exists():
        raise InvalidFile(f"{path} is there already; name another file")
    if not path.parent.is_dir():
        raise InvalidFile(f"there is no folder {path.parent} for {path.name}")
    audits = records.audits(store, **wanted)
    audits = audits.drop(columns=list(LEFT_OUT))
    draft = path.with_name(f".{path.stem}.{secrets.token_hex(4)}{path.suffix}")
    try:
        write(audits, draft)
        os.replace(draft, path)
    except OSError as reason:
        raise InvalidFile(f"{path} cannot be written: {reason.strerror}") from None
    finally:
        draft.unlink(missing_ok=True)
    return len(audits)


def as_rows(audits: pd.DataFrame) -> pd.DataFrame:
    """Audits as texts and whole numbers: days and UTC times in ISO 8601, blank where unknown."""
    rows = audits.copy()
    for name in rows.columns:
        column = rows[name]
        if name == "day":
            rows[name] = column.dt.strftime("%Y-%m-%d")
        elif isinstance(column.dtype, pd.DatetimeTZDtype):
            rows[name] = column.map(lambda at: "" if pd.isna(at) else at.isoformat())
        elif name == "pieces_in_tote":
            rows[name] = column.map(lambda n: "" if pd.isna(n) else str(int(n)))
        elif column.dtype == "str":
            rows[name] = column.fillna("").map(defused)
    return rows


def _csv(audits: pd.DataFrame, path: Path) -> None:
    as_rows(audits).to_csv(path, index=False, encoding="utf-8-sig")


def _xlsx(audits: pd.DataFrame, path: Path) -> None:
    as_rows(audits).to_excel(path, index=False, sheet_name="audits", engine="openpyxl")


_WRITERS: dict[str, Callable[[pd.DataFrame, Path], None]] = {".csv": _csv, ".xlsx": _xlsx}
