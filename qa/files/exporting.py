"""Audits out of the record: a CSV or XLSX file that the importer takes back, or a Parquet file.

Headers are the fields' own names. A spreadsheet would run a text that begins like a formula, so
such a text gets an apostrophe before it, which the importer takes away again. Parquet is for other
programs: texts stand as they are, days are days, times are in UTC, unknown is null.
"""

import os
import secrets
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pandas as pd

from qa.errors import InvalidFile
from qa.files.formulas import defused
from qa.store import records
from qa.store.schema import Store

LEFT_OUT = ("incorrect", "programme", "recorded_at")  # follow from the rest, or are of the store
MOST_IN_SHEET = 1_048_575  # rows of a sheet, less the headers


def export(store: Store, path: str | Path, **wanted: Any) -> int:
    """Write the current audits that are not voided; how many there were.

    Parameters
    ----------
    store : Store
    path : path
        Ends in .csv, .xlsx or .parquet, and is not there yet.
    **wanted
        As for `qa.store.records.audits`.

    Raises
    ------
    InvalidFile
        If the file is there already, has another ending, cannot hold so many audits, cannot be
        written, or its writer is not installed.
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
    if len(audits) > MOST_IN_SHEET:
        raise InvalidFile(
            f"a sheet holds at most {MOST_IN_SHEET:,} audits, got {len(audits):,}; export fewer "
            "days, or a .csv or .parquet file"
        )
    as_rows(audits).to_excel(path, index=False, sheet_name="audits", engine="openpyxl")


def _parquet(audits: pd.DataFrame, path: Path) -> None:
    try:
        import duckdb  # noqa: PLC0415 - an extra that few need and that takes long to import
    except ModuleNotFoundError:
        raise InvalidFile(
            'a .parquet file needs its writer: pip install "toteproof[fleet]"'
        ) from None
    with duckdb.connect(config=_AT_HOME) as connection:
        try:
            rows = connection.from_df(audits)
            rows.project(_TYPED).write_parquet(str(path), compression="zstd")
        except duckdb.IOException as reason:
            raise OSError(0, str(reason).partition("\n")[0]) from None


_AT_HOME: dict[str, str | bool | int | float | list[str]] = {
    "autoinstall_known_extensions": "false",
    "autoload_known_extensions": "false",
}
_TYPED = "* REPLACE (CAST(day AS DATE) AS day, CAST(pieces_in_tote AS INTEGER) AS pieces_in_tote)"
_WRITERS: dict[str, Callable[[pd.DataFrame, Path], None]] = {
    ".csv": _csv,
    ".xlsx": _xlsx,
    ".parquet": _parquet,
}
