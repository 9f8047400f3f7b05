"""The casebook's tables, version by version: small steps, each applied once, counted in user_version."""

import sqlite3
from collections.abc import Callable

__all__ = ["APPLICATION_ID", "MIGRATIONS", "migrate"]

APPLICATION_ID = 0x76696F63
"""Says to whoever opens the file that it is a casebook ("vioc")."""


def create_jobs_and_entries(db: sqlite3.Connection) -> None:
    """Jobs, and what happened in them."""
    db.execute(
        "CREATE TABLE job ("
        " number INTEGER PRIMARY KEY AUTOINCREMENT, uid TEXT NOT NULL UNIQUE, opened_at TEXT NOT NULL,"
        " complaint TEXT NOT NULL, vehicle_name TEXT NOT NULL, vehicle_text TEXT NOT NULL)"
    )
    db.execute(
        "CREATE TABLE entry ("
        " id INTEGER PRIMARY KEY AUTOINCREMENT, job INTEGER NOT NULL REFERENCES job (number),"
        " kind TEXT NOT NULL, added_at TEXT NOT NULL, body TEXT NOT NULL)"
    )
    db.execute("CREATE INDEX entry_of_job ON entry (job, id)")


def add_kept_files(db: sqlite3.Connection) -> None:
    """Recordings kept whole, each content once however many jobs it is in."""
    db.execute("CREATE TABLE kept_file (sha256 TEXT PRIMARY KEY, content BLOB NOT NULL) WITHOUT ROWID")


MIGRATIONS: tuple[Callable[[sqlite3.Connection], None], ...] = (create_jobs_and_entries, add_kept_files)
"""Applied in this order; a new one goes to the end, and none is ever changed once released."""


def migrate(db: sqlite3.Connection) -> None:
    """Bring the file up to date within the open transaction: all steps or none."""
    done = int(db.execute("PRAGMA user_version").fetchone()[0])
    if done == 0:
        db.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    for number, step in enumerate(MIGRATIONS[done:], done + 1):
        step(db)
        db.execute(f"PRAGMA user_version = {number}")
