"""A file into the record: read, compared with what is there, recorded; every row accounted for."""

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

from qa.audit import Audit
from qa.errors import InvalidFile, StoreError
from qa.files.columns import Skipped
from qa.files.formulas import defused
from qa.files.mapping import REASON, ColumnMapping, complete
from qa.files.rows import Progress, Reading, Reject, read_audits
from qa.files.tables import Row, Table, read_table, shown
from qa.files.uploads import Upload
from qa.programme import Programme
from qa.store import records
from qa.store.schema import Store


@dataclass(frozen=True, slots=True)
class ImportReport:
    """What became of a file.

    Attributes
    ----------
    rows : int
        Rows below the headers that are not blank.
    audits : int
        Audits read from them without fault.
    new, already : int
        Of these, how many went (in a dry run: would go) into the record, and how many were there.
    rejects : tuple of Reject
        Every cell at fault; `rejected` are their rows.
    skipped, notes : tuple
        As in `Reading`.
    recorded : bool
        False after a dry run, and when a reject held all of the file back.
    """

    name: str
    rows: int
    audits: int
    new: int
    already: int
    rejects: tuple[Reject, ...]
    rejected: tuple[Row, ...]
    skipped: tuple[Skipped, ...]
    notes: tuple[str, ...]
    mapping: ColumnMapping
    recorded: bool
    table: Table


def import_file(
    store: Store | None,
    file: str | Path | Upload,
    programme: Programme,
    mapping: ColumnMapping | None = None,
    *,
    by: str,
    at: datetime,
    all_or_none: bool = False,
    dry_run: bool = False,
    progress: Progress | None = None,
) -> ImportReport:
    """Take a file's audits into the record, in one transaction.

    Importing a file again adds nothing: an audit's key comes from what it is of. A row whose
    audit is there with other figures is a reject.

    Parameters
    ----------
    store : Store or None
        None, for a dry run, where there is no store yet.
    file : path or Upload
        CSV or XLSX.
    programme : Programme
    mapping : ColumnMapping, optional
        What it leaves open is guessed from the headers; the report says what was taken.
    by, at : str, datetime
        Who imports, and when.
    all_or_none : bool
        Record nothing if any row is rejected.
    dry_run : bool
        Record nothing, and say what would happen.
    progress : callable, optional
        Told now and then how many rows are read, of how many.

    Raises
    ------
    InvalidFile
        If the file cannot be read as a table of audits; nothing is recorded then.
    """
    mapping = mapping or ColumnMapping()
    table = read_table(file, sheet=mapping.sheet, header_row=mapping.header_row)
    mapping = complete(mapping, table, programme)
    read = read_audits(table, mapping, programme, source=table.name, progress=progress)
    read, fresh = _compared(store, read, mapping)
    recorded = store is not None and not dry_run and not (all_or_none and read.rejects)
    if store is not None and recorded and fresh:
        records.log_many(store, fresh, by=by, at=at)
    return ImportReport(
        name=table.name,
        rows=len(table.rows),
        audits=len(read.audits),
        new=0 if all_or_none and read.rejects else len(fresh),
        already=len(read.audits) - len(fresh),
        rejects=read.rejects,
        rejected=read.rejected,
        skipped=read.skipped,
        notes=read.notes,
        mapping=mapping,
        recorded=recorded,
        table=table,
    )


def write_rejects(report: ImportReport, path: str | Path) -> None:
    """The rejected rows in a new file; see `rejects_text`.

    Raises
    ------
    InvalidFile
        If there is such a file already, which may hold somebody's mending, or it cannot be written.
    """
    try:
        with Path(path).open("x", encoding="utf-8-sig", newline="") as file:
            file.write(rejects_text(report))
    except FileExistsError:
        raise InvalidFile(
            f"{path} is there already and may hold mended rows; name another"
        ) from None
    except OSError as reason:
        raise InvalidFile(f"{path} cannot be written: {reason.strerror}") from None


def rejects_text(report: ImportReport) -> str:
    """The rejected rows as a CSV to mend and import with the same mapping.

    The file's headers, and a last column that says why, which an import leaves out. Dates and
    numbers that only the whole column could decide are written in the one way that all read alike.
    A text that a spreadsheet would run as a formula gets an apostrophe, as in an export.
    """
    why: dict[int, list[str]] = {}
    for each in report.rejects:
        why.setdefault(each.row, []).append(f"{each.column}: {each.reason}")
    width = len(report.table.headers)
    last = ""
    lines = [[shown(cell) for cell in row.cells] for row in report.table.above]
    lines.append([*report.table.headers, REASON])
    for row in report.rejected:
        last = "; ".join(why.get(row.number, ())) or last  # a long audit's later rows share it
        lines.append([*(shown(cell) for cell in row.cells[:width]), last])
    written = io.StringIO(newline="")
    safe = ([defused(cell) for cell in line] for line in lines)
    csv.writer(written, delimiter=report.table.delimiter).writerows(safe)
    return written.getvalue()


def _compared(
    store: Store | None, read: Reading, mapping: ColumnMapping
) -> tuple[Reading, Sequence[Audit]]:
    """The reading, what the record contradicts now among its rejects; and the audits new to it."""
    audits = [audit for _, audit in read.audits]
    if store is None:
        return read, audits
    kept, fresh = [], []
    rejects, rejected = list(read.rejects), list(read.rejected)
    for (rows, audit), answer in zip(read.audits, records.would_log(store, audits), strict=True):
        if isinstance(answer, StoreError):
            header = mapping.columns.get("tote", "tote")
            rejects.append(Reject(rows[0].number, header, audit.tote, str(answer)))
            rejected += rows
            continue
        kept.append((rows, audit))
        if answer.new:
            fresh.append(audit)
    told = replace(
        read,
        audits=tuple(kept),
        rejects=tuple(sorted(rejects, key=lambda each: each.row)),
        rejected=tuple(sorted(rejected, key=lambda each: each.number)),
    )
    return told, fresh
