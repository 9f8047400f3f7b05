"""The casebook keeps what it said it kept, whatever happens to the program, the disk or the file.

Source of what is expected of the file: sqlite.org, "Atomic Commit In SQLite", "Write-Ahead Logging" and
"Result and Error Codes"; the kills themselves are real (SIGKILL of a writing process).
"""

import os
import shutil
import sqlite3
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from casebook_examples import NOW, TESTS, example_job, live_and_die, sound_entries
from patience import PATIENCE_S

from vibeorder.casebook import open_casebook
from vibeorder.casebook.migrations import APPLICATION_ID, MIGRATIONS, create_jobs_and_entries
from vibeorder.casebook.trouble import CasebookError

PATHS = os.pathsep.join([str(TESTS), str(TESTS.parent)])


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "casebook.sqlite"


@pytest.fixture
def open_folder() -> Iterator[Path]:
    """A folder that another user can reach."""
    folder = Path(tempfile.mkdtemp())
    folder.chmod(0o755)
    yield folder
    folder.chmod(0o755)
    shutil.rmtree(folder)


def run(code: str, **more: object) -> subprocess.CompletedProcess[str]:
    return subprocess.run(  # type: ignore[call-overload, no-any-return]
        [sys.executable, "-c", code],
        capture_output=True,
        text=True,
        env=os.environ | {"PYTHONPATH": PATHS},
        timeout=PATIENCE_S,
        **more,
    )


def test_nothing_acknowledged_is_lost_in_twenty_kills_and_at_most_the_last_write_is_extra(path: Path) -> None:
    rng = np.random.default_rng(7)
    held = 0
    for kill in range(20):
        life = live_and_die(path, rng, at_birth=kill % 5 == 0)
        now = sound_entries(path)
        assert held + life.acknowledged <= now <= held + life.acknowledged + 1
        held = now
    assert held > 20


def test_two_programs_that_write_at_once_lose_nothing(path: Path) -> None:
    code = (
        "import sys; from pathlib import Path; from casebook_examples import NOW; "
        "from vibeorder.casebook import open_casebook\n"
        f"with open_casebook(Path({str(path)!r}), create=True) as book:\n"
        "    job = book.add_job(sys.argv[1], '', '', NOW)\n"
        "    for i in range(25): book.add(job, 'decision', {'text': f'{sys.argv[1]} {i}'}, NOW)\n"
    )
    env = os.environ | {"PYTHONPATH": PATHS}
    writers = [
        subprocess.Popen([sys.executable, "-c", code, name], env=env) for name in ("one", "two", "three")
    ]
    assert [writer.wait(60) for writer in writers] == [0, 0, 0]
    with open_casebook(path) as book:
        jobs = [book.job(line.number) for line in book.jobs()]
    assert sorted(job.complaint for job in jobs) == ["one", "three", "two"]
    for job in jobs:
        assert [entry.body["text"] for entry in job.entries] == [f"{job.complaint} {i}" for i in range(25)]


def test_a_writer_that_waits_too_long_says_that_another_program_is_writing(path: Path) -> None:
    with open_casebook(path, create=True) as first, open_casebook(path, wait_s=0.05) as second:
        first._db.execute("BEGIN IMMEDIATE")
        with pytest.raises(CasebookError, match="another program has been writing"):
            second.add_job("shakes", "", "", NOW)
        first._db.execute("ROLLBACK")
        assert second.add_job("shakes", "", "", NOW) == 1


def test_readers_are_not_held_up_by_a_writer(path: Path) -> None:
    with open_casebook(path, create=True) as first, open_casebook(path, wait_s=0.05) as second:
        first.add_job("shakes", "", "", NOW)
        first._db.execute("BEGIN IMMEDIATE")
        assert second.job(1).complaint == "shakes"
        first._db.execute("ROLLBACK")


def test_what_is_acknowledged_is_flushed_to_the_disk_and_logged_ahead(path: Path) -> None:
    with open_casebook(path, create=True) as book:
        ask = {"synchronous": 2, "journal_mode": "wal", "foreign_keys": 1, "busy_timeout": 10_000}
        assert {name: book._db.execute(f"PRAGMA {name}").fetchone()[0] for name in ask} == ask


def test_a_full_database_is_one_sentence_and_what_was_there_stays(path: Path) -> None:
    with open_casebook(path, create=True) as book:
        job = book.add_job("shakes", "", "", NOW)
        pages = book._db.execute("PRAGMA page_count").fetchone()[0]
        book._db.execute(f"PRAGMA max_page_count = {pages + 2}")  # SQLITE_FULL, as a full disk gives
        with pytest.raises(
            CasebookError, match=r"disk of casebook .* is full: nothing of this entry was kept"
        ):
            book.add(job, "decision", {"text": "x" * 100_000}, NOW)
        assert book.job(job).entries == ()
        book._db.execute("PRAGMA max_page_count = 1000000")
        book.add(job, "decision", {"text": "once there is room"}, NOW)
    with open_casebook(path) as book:
        assert len(book.job(job).entries) == 1


def test_a_disk_that_refuses_is_one_sentence_and_what_was_there_stays(path: Path) -> None:
    with open_casebook(path, create=True) as book:
        book.add_job("shakes", "", "", NOW)
    code = (
        "import resource; resource.setrlimit(resource.RLIMIT_FSIZE, (90_000, 90_000))\n"
        "from vibeorder.cli import main\n"
        f"main(['job', 'decide', '1', 'x' * 200_000, '--casebook', {str(path)!r}])"
    )
    said = run(code)
    assert said.stdout == ""
    assert said.stderr.count("\n") == 1
    assert "everything kept before is safe" in said.stderr
    with open_casebook(path) as book:
        assert book.job(1).entries == ()


def as_nobody(code: str) -> subprocess.CompletedProcess[str]:
    """Run as a user who may not write (root may), with everything imported before the change."""
    warm = (
        "import contextlib, io, os; from vibeorder.cli import main\n"
        "with contextlib.redirect_stderr(io.StringIO()): main(['job', 'list', '--casebook', 'no/such'])\n"
    )
    return run(warm + "os.getuid() == 0 and os.setuid(65534)\n" + code)


def test_a_folder_that_cannot_be_written_is_one_sentence(open_folder: Path) -> None:
    open_folder.chmod(0o555)
    said = as_nobody(f"main(['job', 'new', '--complaint', 'x', '--casebook', '{open_folder}/c.sqlite'])")
    assert said.stdout == ""
    assert said.stderr.count("\n") == 1
    assert "cannot be written: no permission" in said.stderr


def test_a_casebook_on_a_read_only_medium_can_be_read_and_not_written(open_folder: Path) -> None:
    path = open_folder / "c.sqlite"
    with open_casebook(path, create=True) as book:
        book.add_job("shakes at 60", "", "", NOW)
    path.chmod(0o444)
    open_folder.chmod(0o555)
    assert "shakes at 60" in as_nobody(f"main(['job', 'list', '--casebook', {str(path)!r}])").stdout
    said = as_nobody(f"main(['job', 'decide', '1', 'x', '--casebook', {str(path)!r}])")
    assert "cannot be written: no permission" in said.stderr


def test_each_migration_is_applied_once_and_an_old_casebook_keeps_its_jobs(path: Path) -> None:
    db = sqlite3.connect(path, isolation_level=None)
    create_jobs_and_entries(db)
    db.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    db.execute("PRAGMA user_version = 1")
    db.execute("INSERT INTO job VALUES (4, 'u', 'then', 'an old shake', '', '')")
    db.close()
    for _ in range(2):
        with open_casebook(path) as book:
            assert book.job(4).complaint == "an old shake"
            assert book.kept_file("00") is None
            assert book._db.execute("PRAGMA user_version").fetchone()[0] == len(MIGRATIONS)


def test_a_newer_casebook_is_refused_untouched(path: Path) -> None:
    with open_casebook(path, create=True) as book:
        book._db.execute("PRAGMA user_version = 99")
    with pytest.raises(CasebookError, match="newer vibeorder"):
        open_casebook(path)


@pytest.mark.parametrize("content", [b"time,x,y,z\n" * 400, b"\x00" * 5000], ids=["a log", "zeros"])
def test_a_file_that_is_no_casebook_is_refused_untouched(path: Path, content: bytes) -> None:
    path.write_bytes(content)
    with pytest.raises(CasebookError, match="not a casebook"):
        open_casebook(path, create=True)
    assert path.read_bytes() == content


def test_another_programs_database_is_refused_untouched(path: Path) -> None:
    db = sqlite3.connect(path)
    db.execute("CREATE TABLE theirs (x)")
    db.commit()
    db.close()
    before = path.read_bytes()
    with pytest.raises(CasebookError, match="database of another program"):
        open_casebook(path, create=True)
    assert path.read_bytes() == before


def test_a_damaged_casebook_is_one_sentence(path: Path) -> None:
    with open_casebook(path, create=True) as book:
        job = book.add_job("shakes", "", "", NOW)
        for _ in range(20):
            book.add(job, "decision", {"text": "y" * 5000}, NOW)
    content = bytearray(path.read_bytes())
    content[4096:] = os.urandom(len(content) - 4096)
    path.write_bytes(content)
    with pytest.raises(CasebookError, match="damaged"), open_casebook(path) as book:
        book.job(job)


def test_reading_does_not_make_a_casebook(path: Path) -> None:
    with pytest.raises(CasebookError, match="vibeorder job new starts one"):
        open_casebook(path)
    assert not path.exists()


def test_a_closed_job_takes_nothing_until_it_is_opened_again(path: Path) -> None:
    with open_casebook(path, create=True) as book:
        job = book.add_job("shakes", "", "", NOW)
        with pytest.raises(CasebookError, match="is open already"):
            book.add(job, "reopened", {}, NOW)
        book.add(job, "closed", {"text": "done"}, NOW)
        with pytest.raises(CasebookError, match="job 1 is closed"):
            book.add(job, "cure", {"text": "late"}, NOW)
        book.add(job, "reopened", {}, NOW)
        book.add(job, "cure", {"text": "late"}, NOW)
        assert [entry.kind for entry in book.job(job).entries] == ["closed", "reopened", "cure"]


@pytest.mark.parametrize("number", [0, 2, -1, 2**70])
def test_a_job_that_is_not_there_is_one_sentence(path: Path, number: int) -> None:
    with open_casebook(path, create=True) as book:
        book.put(example_job(), {})
        with pytest.raises(CasebookError, match=f"there is no job {number}"):
            book.job(number)


@pytest.mark.parametrize("complaint", ["", "  \n"])
def test_an_empty_complaint_opens_no_job(path: Path, complaint: str) -> None:
    with open_casebook(path, create=True) as book:
        with pytest.raises(CasebookError, match="complaint is empty"):
            book.add_job(complaint, "", "", NOW)
        assert book.jobs() == ()
