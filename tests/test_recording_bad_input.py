"""Files that are no recordings: one clear sentence each, no traceback, and the file left as it was."""

import io
import os
import zipfile
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from vibeorder.errors import RecordingError, VibeorderError
from vibeorder.recording import ReadOptions, read_recording
from vibeorder.speed.logged import read_speed_log


def log(rows: int = 300, names: str = "time,ax,ay,az") -> str:
    rng = np.random.default_rng(1)
    body = "".join(f"{i / 100:.2f},{a:.4f},{b:.4f},{c:.4f}\n" for i, (a, b, c) in
                   enumerate(rng.normal(0, 1, (rows, 3)) + np.array([0, 0, 9.81])))  # fmt: skip
    return f"{names}\n{body}"


def wav(seconds: float = 0.5) -> bytes:
    out = io.BytesIO()
    soundfile.write(out, np.sin(np.arange(int(8000 * seconds)) / 9), 8000, format="WAV")
    return out.getvalue()


CASES = {
    "empty.csv": (b"", "is empty"),
    "empty.wav": (b"", "is empty"),
    "header_only.csv": (b"time,ax,ay,az\n", "no rows of numbers"),
    "one_row.csv": (b"time,ax,ay,az\n0,1,2,3\n", "1 row"),
    "prose.txt": (b"the car shakes at sixty\nand it hums\n", "no rows of numbers"),
    "binary.csv": (bytes(range(256)) * 8, "neither a sound file nor a text log"),
    "all_nan.csv": (
        b"time,ax,ay,az\n" + b"".join(b"%f,nan,nan,nan\n" % (i / 100) for i in range(50)),
        "--axes",
    ),
    "constant.csv": (b"time,ax,ay,az\n" + b"".join(b"%f,0,0,9.8\n" % (i / 100) for i in range(50)), "--axes"),
    "asked_constant.csv": (b"time,ax\n" + b"".join(b"%f,9.8\n" % (i / 100) for i in range(50)), "--axes"),
    "words.csv": (b"time,ax,ay,az\n" + b"".join(b"%f,a,b,c\n" % (i / 100) for i in range(50)), "no rows"),
    "no_time.csv": (b"ax,ay,az\n" + b"".join(b"%d,%d,9\n" % (i % 7, i % 5) for i in range(50)), "--rate"),
    "wav_header_only.wav": (wav()[:44], "sound"),
    "broken.wav": (b"RIFF\x10\x00\x00\x00WAVEjunkjunkjunk", "cannot be decoded"),
    "broken.m4a": (b"\x00\x00\x00\x20ftypM4A " + b"\x00" * 200, "cannot be decoded"),
    "broken.flac": (b"fLaC" + b"\x00" * 100, "cannot be decoded"),
    "broken.zip": (b"PK\x03\x04" + b"\x00" * 100, "zip"),
    "broken.json": (b'{"x": [1, 2, 3', "JSON"),
    "empty.json": (b"{}", "JSON"),
    "page.html": (b"<html><body>1,2,3</body></html>", "markup"),
    "track.gpx": (b'<?xml version="1.0"?><gpx version="1.1"></gpx>', "--speed-log"),
}


def test_a_files_name_in_another_encoding_is_shown_and_can_be_written_anywhere(tmp_path: Path) -> None:
    """As files from an old stick are called on Linux: a byte that is no UTF-8 is half a surrogate in Python."""
    path = tmp_path / os.fsdecode(b"drive\xfe.csv")
    try:
        path.write_bytes(
            b"time,ax,ay,az\n" + b"".join(b"%f,%d,%d,9.8\n" % (i / 100, i % 7, i % 5) for i in range(500))
        )
    except OSError:
        pytest.skip("no such name on this file system")
    recording = read_recording(path)
    assert recording.source == "drive?.csv"
    assert "".join(recording.history).encode()
    log = tmp_path / os.fsdecode(b"gps\xfe.csv")
    log.write_text("t,latitude,longitude\n" + "".join(f"{i},{50 + i / 5000:.6f},8.0\n" for i in range(60)))
    assert "gps?.csv" in read_speed_log(log).name


@pytest.mark.parametrize("name", sorted(CASES))
def test_each_bad_file_gets_its_own_sentence_and_is_left_alone(tmp_path: Path, name: str) -> None:
    content, word = CASES[name]
    path = tmp_path / name
    path.write_bytes(content)
    before = path.stat().st_mtime_ns
    with pytest.raises(RecordingError) as caught:
        read_recording(path)
    assert word in str(caught.value)
    assert "\n" not in str(caught.value)
    assert "Traceback" not in str(caught.value)
    assert path.read_bytes() == content
    assert path.stat().st_mtime_ns == before


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(RecordingError, match=r"there is no file .*gone\.wav"):
        read_recording(tmp_path / "gone.wav")


def test_a_folder_without_logs_says_what_it_holds(tmp_path: Path) -> None:
    (tmp_path / "photo.jpg").write_bytes(b"\xff\xd8\xff")
    with pytest.raises(RecordingError, match=r"no log of acceleration.*photo\.jpg"):
        read_recording(tmp_path)


def test_a_zip_that_unpacks_to_more_than_it_should_is_refused(tmp_path: Path) -> None:
    with (
        zipfile.ZipFile(tmp_path / "bomb.zip", "w", zipfile.ZIP_DEFLATED, compresslevel=1) as bundle,
        bundle.open("Accelerometer.csv", "w") as log_file,
    ):
        for _ in range(600):
            log_file.write(bytes(1 << 20))
    with pytest.raises(RecordingError, match="unpacks to more than"):
        read_recording(tmp_path / "bomb.zip")


@pytest.mark.parametrize(
    "options",
    [
        ReadOptions(time_column="zeit"),
        ReadOptions(time_column="ax"),
        ReadOptions(axes=("ax", "ax")),
        ReadOptions(axes=("9",)),
        ReadOptions(unit="furlong"),
        ReadOptions(speed_column="v"),
        ReadOptions(rpm_column="v"),
        ReadOptions(mark_column="ax"),
        ReadOptions(axes=("1", "2", "3", "4")),
    ],
)
def test_a_wrong_option_is_answered_with_a_sentence(tmp_path: Path, options: ReadOptions) -> None:
    (tmp_path / "a.csv").write_text(log())
    with pytest.raises(RecordingError):
        read_recording(tmp_path / "a.csv", options)


def test_an_impossible_rate_is_refused(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text(log())
    with pytest.raises(RecordingError, match="rate"):
        read_recording(tmp_path / "a.csv", ReadOptions(rate_hz=1e9))


VALID = [
    log().encode(),
    wav(),
    log().replace(",", ";").replace(".", ",").encode(),
    b'{"ax": [1, 2, 5], "t": [0, 1]}',
]


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    content=st.one_of(
        st.binary(max_size=400),
        st.text(alphabet="0123456789.,;:-+eE \t\n\r\"'#TZnaxyzg/()", max_size=600).map(str.encode),
        st.tuples(
            st.sampled_from([b"RIFF\x24\x00\x00\x00WAVEfmt ", b"OggS", b"fLaC", b"ID3", b"\xff\xfb\x90\x00",
                             b"\x00\x00\x00\x20ftypM4A ", b"\xff\xf1\x50\x80", b"PK\x03\x04",
                             b"#!AMR\n", b"{", b"[{",
                             b"\xff\xfe", b"\x1aE\xdf\xa3", b"FORM\x00\x00\x00\x20AIFF"]),
            st.binary(max_size=300),
        ).map(b"".join),
        st.tuples(st.sampled_from(VALID), st.integers(0, 4000), st.binary(min_size=1, max_size=20)).map(
            lambda parts: parts[0][: parts[1]] + parts[2] + parts[0][parts[1] + 3 :]
        ),
    )
)  # fmt: skip
@example(b"1e400,1\n2e400,2\n3e400,3\n")
@example(b"0,1\n99999999999999999999999999,2\n1,3\n")
@example(b"time,x\n2024-13-45 99:99:99,1\n2024-13-45 99:99:98,2\n")
def test_any_bytes_give_a_recording_or_one_sentence(tmp_path: Path, content: bytes) -> None:
    """Property: nothing but VibeorderError ever leaves the reader, and the file stays as it was."""
    path = tmp_path / "thing.bin"
    path.write_bytes(content)
    try:
        recording = read_recording(path)
    except VibeorderError as error:
        assert "\n" not in str(error)
    else:
        assert np.isfinite(recording.samples).all()
        assert recording.rate_hz > 0
    assert path.read_bytes() == content


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(cut=st.integers(1, 12_000), kind=st.integers(0, 2))
def test_a_truncated_copy_gives_what_is_there_or_one_sentence(tmp_path: Path, cut: int, kind: int) -> None:
    """Property: cut anywhere, a file is read as far as it goes or refused."""
    path = tmp_path / "cut.bin"
    path.write_bytes(VALID[kind][:cut])
    try:
        recording = read_recording(path)
    except VibeorderError:
        return
    assert np.isfinite(recording.samples).all()
