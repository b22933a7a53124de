"""What accounts and devices share: their names and roles, and rows of which the newest holds."""

import hashlib
import re
from collections.abc import Mapping
from typing import Any

from sqlalchemy import Connection, Table, func, select

from qa.errors import InvalidInput
from qa.store.rows import add, check_filled

VIEWER, RECORDER, SUPERVISOR, LEAD = ROLES = ("viewer", "recorder", "supervisor", "lead")
_NAME = re.compile(r"[^\W_](?:[\w .'-]{0,38}\w)?")


def check_name(name: str) -> None:
    """Refuse what is no name of an account or a device."""
    if not _NAME.fullmatch(name):
        raise InvalidInput(
            "a name must have 1 to 40 letters or digits, with blanks, dots, dashes or apostrophes "
            f"between them, got {name!r}"
        )


def same(name: str) -> str:
    """What stands for a name: those that differ in the size of their letters alone are one."""
    return name.strip().casefold()


def digest(key: str) -> str:
    """What is kept of a key that nobody can guess."""
    return hashlib.sha256(key.encode("utf-8", "replace")).hexdigest()


def append(connection: Connection, table: Table, row: Mapping[str, Any]) -> None:
    """Add a row with the next number."""
    last = connection.execute(select(func.max(table.c.number))).scalar() or 0
    check_filled({"name": row["name"], "by": row["by"]}, table.name)
    add(connection, table, [{**row, "number": last + 1}])


def rows_of(connection: Connection, table: Table) -> list[Mapping[str, Any]]:
    """Every row, the oldest first."""
    found = connection.execute(select(table).order_by(table.c.number)).mappings()
    return [dict(row) for row in found]
