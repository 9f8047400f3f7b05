"""A writer that is killed, for the tests and the benchmark of the casebook."""

import hashlib
import os
import signal
import sqlite3
import subprocess
import sys
import time
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from vibeorder.casebook import Entry, Job, open_casebook

__all__ = ["NOW", "Life", "example_job", "live_and_die", "odd_entries", "sound_entries", "write_until_killed"]

NOW = datetime(2030, 5, 6, 7, 8, 9, tzinfo=UTC)
TESTS = Path(__file__).resolve().parent


@dataclass(frozen=True, slots=True)
class Life:
    """One writer until its death. acknowledged: writes told to be kept. writing: died within one."""

    acknowledged: int
    writing: bool


def example_job(uid: str = "0" * 32) -> Job:
    """An invented job with an entry of most kinds."""
    stamp = NOW.isoformat()
    runout = {"verdict": "within", "place": {"label": "shaft tube, rear"}}
    reading = {
        "command": "runout",
        "inputs": {"readings": "0 2 5"},
        "result": {"sentence": "True.", "result": runout},
    }
    entries = (
        Entry(
            "recording", stamp, {"name": "drive.csv", "sha256": "ab" * 32, "role": "before", "kept": False}
        ),
        Entry("reading", stamp, reading),
        Entry("decision", stamp, {"text": "index the shaft"}),
        Entry("cure", stamp, {"text": "turned half a turn"}),
    )
    return Job(0, uid, stamp, "shakes at 60 mph", "Marlow half-ton", '[vehicle]\nname = "x"\n', entries)


ODD: tuple[Any, ...] = ("text", [1, {"a": 2}], 7, True, None, {"verdict": 3, "suspects": [4, {"part": 5}]})
"""Invented values where an object is looked for, as another program or an older casebook may hold them."""


def odd_entries() -> list[tuple[str, dict[str, Any]]]:
    """(kind, body) with each of them in every place that somebody reads."""
    parts = {
        "recording": ("name", "role", "diagnosis", "together", "inputs", "history", "sha256"),
        "reading": ("command", "inputs", "result"),
        "comparison": ("before", "after", "result", "inputs"),
        "intake": ("answers", "text"),
        "checked": ("checks", "text"),
        "cure": ("text",),
    }
    found = [(kind, {name: odd}) for kind, names in parts.items() for name in names for odd in ODD]
    return found + [("reading", {"command": "runout", "result": {"result": odd}}) for odd in ODD]


def write_until_killed(path: str, size: int) -> None:
    """Add entries without end; "w" before each write, "k" once it is kept, on stdout at once."""
    os.write(1, b"r")
    with open_casebook(Path(path), create=True) as book:
        jobs = book.jobs()
        job = jobs[0].number if jobs else book.add_job("written by a test", "", "", NOW)
        for _ in range(100_000):
            text = os.urandom(size // 2).hex()
            os.write(1, b"w")
            book.add(job, "decision", {"text": text, "sum": hashlib.sha256(text.encode()).hexdigest()}, NOW)
            os.write(1, b"k")


def live_and_die(
    path: Path, rng: np.random.Generator, size: int = 100_000, *, at_birth: bool = False
) -> Life:
    """Start a writer and SIGKILL it at a random moment; at_birth: likely while it opens the casebook."""
    code = f"from casebook_examples import write_until_killed as w; w({str(path)!r}, {size})"
    paths = os.pathsep.join([str(TESTS), str(TESTS.parent)])
    with subprocess.Popen(
        [sys.executable, "-c", code], stdout=subprocess.PIPE, env=os.environ | {"PYTHONPATH": paths}
    ) as writer:
        assert writer.stdout is not None
        said = writer.stdout.read(1)
        while not at_birth and said.count(b"k") < 1:
            said += writer.stdout.read(1)
        time.sleep(float(rng.uniform(0.0, 0.02 if at_birth else 0.06)))
        writer.send_signal(signal.SIGKILL)
        said += writer.stdout.read()
    return Life(said.count(b"k"), said.endswith(b"w"))


def sound_entries(path: Path) -> int:
    """How many entries the casebook holds; AssertionError if it or one of them is damaged."""
    with open_casebook(path, create=True) as book:
        jobs = book.jobs()
        entries = book.job(jobs[0].number).entries if jobs else ()
    db = sqlite3.connect(path)
    try:
        assert db.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        assert db.execute("PRAGMA foreign_key_check").fetchall() == []
    finally:
        db.close()
    for entry in entries:
        text, expected = entry.body["text"], entry.body["sum"]
        assert hashlib.sha256(text.encode()).hexdigest() == expected
    return len(entries)
