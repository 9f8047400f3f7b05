"""A recording read in a process of its own is the one that is read here, and what is wrong with it is said here."""

import os
import signal
import sys
from pathlib import Path

import numpy as np
import pytest
from pages import ROOT

from vibeorder.cli import main
from vibeorder.errors import RecordingError
from vibeorder.recording import ReadOptions, Recording, ahead, read_ahead, read_recording

TRUCK = ROOT / "sample_data" / "truck.toml"
SAMPLE = ROOT / "sample_data" / "tire.csv"


@pytest.fixture(autouse=True)
def two_processors(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ahead, "at_once", lambda: 2)


def forbidden(path: Path, options: ReadOptions) -> Recording:
    raise AssertionError(f"{path.name} was read a second time")


def test_a_recording_read_ahead_is_the_same_and_not_read_again(monkeypatch: pytest.MonkeyPatch) -> None:
    here = read_recording(SAMPLE, ReadOptions())
    reader = read_ahead(SAMPLE, ReadOptions())
    monkeypatch.setattr(ahead, "read_recording", forbidden)
    there = reader(SAMPLE, ReadOptions())
    np.testing.assert_array_equal(there.samples, here.samples)
    assert (there.rate_hz, there.channels, there.history) == (here.rate_hz, here.channels, here.history)


def test_another_file_or_other_words_are_read_as_they_were_asked_for(tmp_path: Path) -> None:
    other = tmp_path / "other.csv"
    other.write_bytes(SAMPLE.read_bytes())
    reader = read_ahead(SAMPLE, ReadOptions())
    assert reader(other, ReadOptions()).source == "other.csv"
    with pytest.raises(RecordingError, match="no such column"):
        reader(SAMPLE, ReadOptions(time_column="no such column"))


def test_what_is_wrong_is_said_where_it_is_asked_for(tmp_path: Path) -> None:
    bad = tmp_path / "bad.csv"
    bad.write_text("neither numbers\nnor columns\n", "utf-8")
    reader = read_ahead(bad, ReadOptions())
    with pytest.raises(RecordingError, match=r"bad\.csv"):
        reader(bad, ReadOptions())
    with pytest.raises(RecordingError, match="there is no file"):
        read_ahead(tmp_path / "none.csv", ReadOptions())(tmp_path / "none.csv", ReadOptions())


def test_a_process_that_dies_leaves_the_reading_to_this_one(monkeypatch: pytest.MonkeyPatch) -> None:
    here = os.getpid()

    def fatal(path: Path, options: ReadOptions) -> Recording:
        if os.getpid() != here:
            os._exit(1)
        return read_recording(path, options)

    monkeypatch.setattr(ahead, "read_recording", fatal)
    assert read_ahead(SAMPLE, ReadOptions())(SAMPLE, ReadOptions()).source == "tire.csv"


@pytest.mark.skipif(sys.platform == "win32", reason="no such signals")
def test_a_file_that_crashes_its_reader_is_refused_and_not_read_here(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def fatal(path: Path, options: ReadOptions) -> Recording:
        signal.signal(signal.SIGSEGV, signal.SIG_DFL)  # pytest's own would print a traceback
        os.kill(os.getpid(), signal.SIGSEGV)
        raise AssertionError("alive")

    monkeypatch.setattr(ahead, "read_recording", fatal)
    reader = read_ahead(SAMPLE, ReadOptions())
    monkeypatch.setattr(ahead, "read_recording", forbidden)
    with pytest.raises(RecordingError, match=r"tire\.csv crashed .*-11.*copy it again"):
        reader(SAMPLE, ReadOptions())


@pytest.mark.skipif(sys.platform == "win32", reason="no such signals")
@pytest.mark.parametrize(
    "words",
    [
        ("turning", "bad.wav", "--rate-of-turn", "1800 rpm"),
        ("diagnose", str(SAMPLE), "bad.wav", "--vehicle", str(TRUCK)),
        ("diagnose", str(SAMPLE), "--sound", "bad.wav", "--vehicle", str(TRUCK)),
        ("diagnose", str(SAMPLE), "--standing", "bad.wav", "--vehicle", str(TRUCK)),
    ],
)
def test_a_crash_of_any_recording_named_is_one_sentence(
    words: tuple[str, ...],
    monkeypatch: pytest.MonkeyPatch,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    read = read_recording

    def fatal(path: Path, options: ReadOptions = ReadOptions()) -> Recording:  # noqa: B008 (frozen)
        if path.name == "bad.wav":
            signal.signal(signal.SIGSEGV, signal.SIG_DFL)
            os.kill(os.getpid(), signal.SIGSEGV)
        return read(path, options)

    (tmp_path / "bad.wav").write_bytes(b"RIFF")
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(ahead, "read_recording", fatal)
    assert main(words) == 2
    said = capsys.readouterr().err
    assert said.count("crashed") == 1
    assert "bad.wav crashed the process that read it" in " ".join(said.split())


def test_what_lies_on_disk_is_not_handed_over(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ahead, "on_disk", lambda samples: True)
    assert read_ahead(SAMPLE, ReadOptions())(SAMPLE, ReadOptions()).source == "tire.csv"
