"""What can go wrong with the casebook's file, each as one sentence."""

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from vibeorder.errors import VibeorderError

__all__ = ["CasebookError", "in_a_sentence"]

SAFE = "nothing of this entry was kept, and everything kept before is safe"


class CasebookError(VibeorderError):
    """A casebook that cannot be used as it stands, or a job that is not in it."""


@contextmanager
def in_a_sentence(path: Path) -> Iterator[None]:
    """Turn every error of the database into a CasebookError."""
    try:
        yield
    except sqlite3.Error as error:
        raise CasebookError(_sentence(path, error)) from error


def _sentence(path: Path, error: sqlite3.Error) -> str:
    code = (getattr(error, "sqlite_errorcode", None) or 0) & 0xFF  # the rest tells details of the same mishap
    if code == sqlite3.SQLITE_FULL:
        return f"the disk of casebook {path} is full: {SAFE}; make room and do it again"
    if code in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
        return f"another program has been writing to casebook {path} for too long: {SAFE}; do it again"
    if code in (sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_PERM):
        return (
            f"casebook {path} cannot be written: no permission for it or its folder, where SQLite also keeps "
            "a -wal file; choose another place with --casebook"
        )
    if code == sqlite3.SQLITE_NOTADB:
        return f"{path} is not a casebook (not an SQLite file); name another file"
    if code == sqlite3.SQLITE_CORRUPT:
        return f"casebook {path} is damaged ({error}); copy it away, then bring back a copy or exported jobs"
    if code == sqlite3.SQLITE_IOERR:
        return f"casebook {path} cannot be written: the disk refused ({error}): {SAFE}"
    return f"casebook {path} cannot be used: {error}"
