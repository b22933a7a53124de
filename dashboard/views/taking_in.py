"""A file taken into the record from a page: looked at first, then recorded as it was looked at."""

import hashlib
from dataclasses import dataclass
from datetime import datetime

from dashboard.views.typed import texts
from qa.errors import Conflict, InvalidAudit
from qa.files import importing
from qa.files.importing import ImportReport
from qa.files.mapping import parse_mapping
from qa.files.uploads import Upload
from qa.store import records
from qa.store.schema import Store
from qa.wording import load

MOST_UPLOAD = 16 * 2**20  # bytes that a page sends
MOST_UNPACKED = 64 * 2**20  # bytes of a workbook that it sends, once unpacked
MOST_LINES = 500_000  # rows of a CSV that it sends
MOST_NAME = 200


@dataclass(frozen=True, slots=True)
class Sent:
    """What a page sends: the file, how to read it, and whether one bad row holds all back."""

    name: str
    content: bytes
    mapping: str = ""
    all_or_none: bool = False

    @property
    def upload(self) -> Upload:
        """The file for the importer; its name is for messages and the record alone."""
        return Upload(self.name[-MOST_NAME:], self.content, MOST_UNPACKED, MOST_LINES)

    @property
    def digest(self) -> str:
        """Names what was looked at, so that nothing else is recorded in its place."""
        how = f"{self.name}\0{self.mapping}\0{self.all_or_none}\0".encode()
        return hashlib.sha256(how + self.content).hexdigest()


def preview(store: Store, sent: Sent, now: datetime, language: str = "en") -> ImportReport:
    """What an import would do; nothing is recorded.

    Raises
    ------
    InvalidAudit
        If no file came.
    InvalidFile
        If it cannot be read as a table of audits.
    """
    if not sent.content:
        raise InvalidAudit({"file": load(language).say("field.file")})
    return _run(store, sent, "preview", now, dry_run=True)


def take(
    store: Store, sent: Sent, digest: str, who: str, now: datetime, language: str = "en"
) -> ImportReport:
    """Record a file's audits, by whom, as the preview with this digest showed them.

    Raises
    ------
    InvalidAudit
        If nobody is named.
    Conflict
        If the file, its mapping or the choice is another than what was looked at.
    """
    problems: dict[str, str] = {}
    said = texts({"who": who}, ("who",), problems, language)
    if problems:
        raise InvalidAudit(problems)
    if digest != sent.digest:
        raise Conflict(load(language).say("field.another_file"))
    return _run(store, sent, said["who"], now, dry_run=False)


def rejects(store: Store, sent: Sent, now: datetime) -> str:
    """The rows that an import would not take, as a CSV to mend."""
    return importing.rejects_text(_run(store, sent, "preview", now, dry_run=True))


def _run(store: Store, sent: Sent, who: str, now: datetime, *, dry_run: bool) -> ImportReport:
    return importing.import_file(
        store,
        sent.upload,
        records.programme(store),
        parse_mapping(sent.mapping) if sent.mapping.strip() else None,
        by=who,
        at=now,
        all_or_none=sent.all_or_none,
        dry_run=dry_run,
    )
