"""Files that a store is made as: drafts first, so that what is half made never bears its name."""

import os
import secrets
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from qa.errors import StoreError

_BESIDE = ("", "-wal", "-shm", "-journal")


@contextmanager
def draft_of(path: Path) -> Iterator[Path]:
    """A name beside a file's own to make it under; whatever is left there is taken away."""
    draft = path.with_name(f".{path.name}.{secrets.token_hex(4)}.new")
    try:
        yield draft
    finally:
        for end in _BESIDE:
            draft.with_name(f"{draft.name}{end}").unlink(missing_ok=True)


def settle(draft: Path, path: Path) -> bool:
    """Give a draft its name, once it is safe on the disk; False if another was there first."""
    with draft.open("rb+") as file:
        os.fsync(file.fileno())
    try:
        os.link(draft, path)
    except FileExistsError:
        return False
    except OSError:  # a file system without links
        try:
            path.touch(exist_ok=False)
        except FileExistsError:
            return False
        draft.replace(path)
    return True


def check_folder(path: Path) -> None:
    """Refuse a place where no file can be."""
    if path.is_dir():
        raise StoreError(f"{path} is a folder, not a store")
    if not path.parent.is_dir():
        raise StoreError(f"there is no folder {path.parent} for the store {path.name}")


def check_file(path: Path) -> None:
    """Refuse what is no SQLite file, and leave it as it is."""
    try:
        with path.open("rb") as file:
            head = file.read(16)
    except FileNotFoundError:
        raise StoreError(f"there is no store at {path}") from None
    except OSError as reason:
        raise StoreError(f"the store {path} cannot be read: {reason.strerror}") from None
    if head != b"SQLite format 3\0":
        raise StoreError(f"{path} is not a Toteproof store")
