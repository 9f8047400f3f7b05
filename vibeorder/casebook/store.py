"""The casebook's file: opened, written and read so that what was said to be kept is kept.

SQLite in write-ahead mode with synchronous=FULL: a transaction that returned has reached the disk, one that
was cut off leaves nothing behind (sqlite.org, "Atomic Commit" and "Write-Ahead Logging"). Every write is one
BEGIN IMMEDIATE transaction, so that two programs wait for each other instead of overwriting.
"""

import json
import os
import sqlite3
import time
import uuid
import zlib
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import Any

from vibeorder.casebook.migrations import APPLICATION_ID, MIGRATIONS, migrate
from vibeorder.casebook.model import KINDS, Entry, Job, JobLine
from vibeorder.casebook.plain import plain, text_line
from vibeorder.casebook.trouble import CasebookError, in_a_sentence

__all__ = ["DEFAULT_NAME", "PATH_VARIABLE", "Casebook", "casebook_path", "open_casebook"]

PATH_VARIABLE = "VIBEORDER_CASEBOOK"
DEFAULT_NAME = "casebook.sqlite"
WAIT_S = 10.0
SHORT_NAP_S = 0.02


def casebook_path(given: Path | None) -> Path:
    """The file that was named, else that of VIBEORDER_CASEBOOK, else ./casebook.sqlite."""
    return given or Path(os.environ.get(PATH_VARIABLE) or DEFAULT_NAME)


def open_casebook(path: Path, *, create: bool = False, wait_s: float = WAIT_S) -> "Casebook":
    """Open a casebook, bringing an older one up to date; make a new one only where `create`.

    Raises CasebookError with one sentence: no such file, not a casebook, newer, no permission, full disk.
    """
    if not path.exists() and not create:
        raise CasebookError(
            f"there is no casebook {path}; vibeorder job new starts one, --casebook names another"
        )
    if path.is_dir():
        raise CasebookError(f"casebook {path} is a folder; name a file, like {path / DEFAULT_NAME}")
    if not path.absolute().parent.is_dir():
        raise CasebookError(f"casebook {path}: there is no folder {path.parent}; make it first")
    with in_a_sentence(path):
        db = _connect(path, wait_s)
        try:
            _prepare(db, path, wait_s)
        except BaseException:
            db.close()
            raise
    return Casebook(path, db)


def _connect(path: Path, wait_s: float) -> sqlite3.Connection:
    if _read_only(path):
        # Nobody can be writing to what cannot be written, so no lock is needed, nor could one be taken.
        uri = f"{path.absolute().as_uri()}?mode=ro&immutable=1"
        return sqlite3.connect(uri, uri=True, isolation_level=None)
    return sqlite3.connect(path, timeout=wait_s, isolation_level=None)


def _read_only(path: Path) -> bool:
    if not path.exists() or Path(f"{path}-wal").exists():
        return False
    return not (os.access(path, os.W_OK) and os.access(path.absolute().parent, os.W_OK))


def _prepare(db: sqlite3.Connection, path: Path, wait_s: float) -> None:
    db.execute(f"PRAGMA busy_timeout = {int(1000 * wait_s)}")
    db.execute("PRAGMA foreign_keys = ON")
    db.execute("PRAGMA synchronous = FULL")
    version = _recognised(db, path)
    if version < len(MIGRATIONS):
        _into_wal(db, wait_s)
        with _writing(db):
            migrate(db)  # reads the version again: another program may have been quicker


def _recognised(db: sqlite3.Connection, path: Path) -> int:
    """Version of the casebook, 0 for an empty file; CasebookError for a database of something else."""
    version, owner, tables = (
        int(db.execute(question).fetchone()[0])
        for question in ("PRAGMA user_version", "PRAGMA application_id", "SELECT count(*) FROM sqlite_master")
    )
    if (tables or version) and owner != APPLICATION_ID:
        raise CasebookError(f"{path} is a database of another program, not a casebook; name another file")
    if version > len(MIGRATIONS):
        raise CasebookError(
            f"casebook {path} was written by a newer vibeorder (version {version}, this one knows "
            f"{len(MIGRATIONS)}); update vibeorder"
        )
    return version


def _into_wal(db: sqlite3.Connection, wait_s: float) -> None:
    """Switch the file to write-ahead mode; SQLite does not wait for others here, so we do."""
    until = time.monotonic() + wait_s
    while True:
        try:
            db.execute("PRAGMA journal_mode = WAL")
            return
        except sqlite3.OperationalError as error:
            if error.sqlite_errorcode & 0xFF != sqlite3.SQLITE_BUSY or time.monotonic() > until:
                raise
            time.sleep(SHORT_NAP_S)


@contextmanager
def _writing(db: sqlite3.Connection) -> Iterator[None]:
    db.execute("BEGIN IMMEDIATE")
    try:
        yield
        db.execute("COMMIT")
    except BaseException:
        if db.in_transaction:
            db.execute("ROLLBACK")
        raise


class Casebook:
    """An open casebook. A method that returns from a write has its data on the disk."""

    def __init__(self, path: Path, db: sqlite3.Connection) -> None:
        self.path = path
        self._db = db

    def __enter__(self) -> "Casebook":
        return self

    def __exit__(self, *_: object) -> None:
        self._db.close()

    def add_job(
        self, complaint: str, vehicle_name: str, vehicle_text: str, now: datetime, uid: str | None = None
    ) -> int:
        """Open a job and return its number. Raises CasebookError where the complaint is empty."""
        said = text_line(complaint, "complaint")
        with in_a_sentence(self.path), _writing(self._db):
            return self._insert_job(uid or uuid.uuid4().hex, stamp(now), said, vehicle_name, vehicle_text)

    def add(
        self,
        job: int,
        kind: str,
        body: Mapping[str, Any],
        now: datetime,
        files: Mapping[str, bytes] | None = None,
    ) -> None:
        """Add one entry to an open job, with the files that it keeps (sha256 -> content).

        Raises CasebookError for an unknown or closed job.
        """
        entry = Entry(kind, stamp(now), plain(body))
        with in_a_sentence(self.path), _writing(self._db):
            self._check_open(job, kind)
            self._insert_files(files or {})
            self._insert_entry(job, entry)

    def put(self, job: Job, files: Mapping[str, bytes]) -> tuple[int, bool]:
        """Bring in a whole job, all or nothing: (its number here, whether it is new).

        The same job, unchanged, is not added twice; CasebookError where it has changed on either side.
        """
        with in_a_sentence(self.path), _writing(self._db):
            found = self._db.execute("SELECT number FROM job WHERE uid = ?", (job.uid,)).fetchone()
            if found is not None:
                here = self._read(int(found[0]))
                if _content(here) == _content(job):
                    return here.number, False
                raise CasebookError(
                    f"this job is already in {self.path} as number {here.number}, with other entries; import "
                    "it into another casebook to compare"
                )
            number = self._insert_job(
                job.uid, job.opened_at, job.complaint, job.vehicle_name, job.vehicle_text
            )
            self._insert_files(files)
            for entry in job.entries:
                self._insert_entry(number, entry)
            return number, True

    def job(self, number: int) -> Job:
        """One job with all its entries. Raises CasebookError where there is none of that number."""
        with in_a_sentence(self.path):
            return self._read(number)

    def jobs(self) -> tuple[JobLine, ...]:
        """Every job, newest first."""
        ask = (
            "SELECT number, opened_at, complaint, vehicle_name,"
            " (SELECT count(*) FROM entry WHERE job = number),"
            " coalesce((SELECT kind FROM entry WHERE job = number AND kind IN ('closed', 'reopened')"
            " ORDER BY id DESC LIMIT 1), '') FROM job ORDER BY number DESC"
        )
        with in_a_sentence(self.path):
            rows = self._db.execute(ask).fetchall()
        return tuple(
            JobLine(n, at, said, car, count, last == "closed") for n, at, said, car, count, last in rows
        )

    def kept_file(self, sha256: str) -> bytes | None:
        """Content of a recording that was kept whole."""
        with in_a_sentence(self.path):
            row = self._db.execute("SELECT content FROM kept_file WHERE sha256 = ?", (sha256,)).fetchone()
        return None if row is None else zlib.decompress(row[0])

    def kept_files(self, job: Job) -> dict[str, bytes]:
        """Every recording of a job that was kept whole: sha256 -> content."""
        found = {}
        for entry in job.of_kind("recording"):
            content = self.kept_file(str(entry.body.get("sha256"))) if entry.body.get("kept") else None
            if content is not None:
                found[str(entry.body["sha256"])] = content
        return found

    def _read(self, number: int) -> Job:
        columns = "number, uid, opened_at, complaint, vehicle_name, vehicle_text"
        row = self._db.execute(f"SELECT {columns} FROM job WHERE number = ?", (_int64(number),)).fetchone()
        if row is None:
            raise CasebookError(
                f"there is no job {number} in {self.path}; vibeorder job list shows what there is"
            )
        entries = self._db.execute(
            "SELECT kind, added_at, body FROM entry WHERE job = ? ORDER BY id", (number,)
        ).fetchall()
        found = tuple(Entry(kind, at, self._body(number, body)) for kind, at, body in entries)
        return Job(row[0], row[1], row[2], row[3], row[4], row[5], found)

    def _body(self, number: int, text: object) -> Mapping[str, Any]:
        try:
            body = json.loads(str(text))
        except (ValueError, RecursionError):
            body = None
        if not isinstance(body, Mapping):
            raise CasebookError(
                f"an entry of job {number} in casebook {self.path} is damaged: it is no JSON object; copy the file "
                "away, then bring back a copy or exported jobs"
            )
        return body

    def _check_open(self, number: int, kind: str) -> None:
        closed = self._read(number).closed
        if closed and kind != "reopened":
            raise CasebookError(f"job {number} is closed; vibeorder job close {number} --undo opens it again")
        if kind == "reopened" and not closed:
            raise CasebookError(f"job {number} is open already")

    def _insert_job(self, uid: str, opened_at: str, complaint: str, name: str, profile: str) -> int:
        done = self._db.execute(
            "INSERT INTO job (uid, opened_at, complaint, vehicle_name, vehicle_text) VALUES (?, ?, ?, ?, ?)",
            (uid, opened_at, complaint, name, profile),
        )
        return int(done.lastrowid or 0)

    def _insert_entry(self, number: int, entry: Entry) -> None:
        if entry.kind not in KINDS:
            raise CasebookError(f"a job has no entry of kind {entry.kind!r}; one of: {', '.join(KINDS)}")
        body = json.dumps(plain(entry.body), ensure_ascii=False, allow_nan=False)
        self._db.execute(
            "INSERT INTO entry (job, kind, added_at, body) VALUES (?, ?, ?, ?)",
            (number, entry.kind, entry.added_at, body),
        )

    def _insert_files(self, files: Mapping[str, bytes]) -> None:
        for sha256, content in files.items():
            self._db.execute(
                "INSERT OR IGNORE INTO kept_file VALUES (?, ?)", (sha256, zlib.compress(content))
            )


def stamp(now: datetime) -> str:
    """UTC to the second, ISO 8601."""
    return now.isoformat(timespec="seconds")


def _int64(number: int) -> int:
    return number if abs(number) < 2**63 else -1


def _content(job: Job) -> tuple[object, ...]:
    entries = [(e.kind, e.added_at, plain(e.body)) for e in job.entries]
    return job.opened_at, job.complaint, job.vehicle_name, job.vehicle_text, entries
