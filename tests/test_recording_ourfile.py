"""A recording of the phone recorder: one open file that is read like any other, and by anybody else's programs."""

import csv
import io
import json
import zipfile
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from recorder_pieces import ABOUT, BEGUN_S, assembled, first_piece, piece, pieces_of

from vibeorder.errors import RecordingError
from vibeorder.recording import ReadOptions, marks_of, read_recording, sound_of
from vibeorder.recording.ourfile import JSON_NAME, MOTION_COLUMNS, SPEED_COLUMNS
from vibeorder.units import STANDARD_GRAVITY
from vibeorder.web.pieces import parse_piece

FloatArray = NDArray[np.float64]
DOCS = Path(__file__).resolve().parents[1] / "docs"
SAMPLES = Path(__file__).resolve().parents[1] / "sample_data"
RATE, LENGTH_S, FIRST_S = 100.0, 12.0, 0.25


def motion(seed: int = 1) -> tuple[FloatArray, FloatArray]:
    """Stamps from 0.25 s on, and three axes with a knock of 5 m/s^2 at 6.25 s on the recording's clock."""
    times = FIRST_S + np.arange(int(LENGTH_S * RATE)) / RATE
    samples = np.random.default_rng(seed).normal(0, 0.2, (3, times.size))
    samples[2] += STANDARD_GRAVITY + 5.0 * (times == 6.25)
    return times, samples


def tone(length_s: float = LENGTH_S, burst_s: float = 5.0) -> NDArray[np.int16]:
    """Sound at 8000 Hz: a 300 Hz tone, ten times as loud for 0.2 s from burst_s on."""
    t = np.arange(int(8000 * length_s)) / 8000
    loud = np.where((t >= burst_s) & (t < burst_s + 0.2), 10_000, 1000)
    return (loud * np.sin(2 * np.pi * 300 * t)).astype(np.int16)


def whole(tmp_path: Path) -> Path:
    """A recording with all that there can be in it: speed 20 m/s and rising, sound from 0.5 s on, two marks."""
    times, samples = motion()
    fixes = [(k + 0.4, 20.0 + 0.1 * k) for k in range(12)]
    path = tmp_path / "drive.zip"
    assembled(
        path, pieces_of(times, samples, fixes=fixes, sound=tone(), sound_start_s=0.5, marks=(3.25, 9.0))
    )
    return path


def test_motion_speed_sound_and_marks_come_back_on_one_clock(tmp_path: Path) -> None:
    path = whole(tmp_path)
    recording, sound = read_recording(path), sound_of(path)
    assert recording.unit == "m/s^2" and recording.kind == "acceleration"
    assert recording.rate_hz == pytest.approx(RATE, rel=1e-6)
    assert recording.epoch_s == pytest.approx(BEGUN_S + FIRST_S, abs=1e-6)
    knock = recording.start_s + np.argmax(recording.samples[2]) / recording.rate_hz
    assert knock == pytest.approx(6.25 - FIRST_S, abs=1e-6)
    assert recording.speed is not None and recording.speed.unit == "m/s"
    assert recording.speed.times_s[0] == pytest.approx(0.4 - FIRST_S)
    assert recording.speed.values[[0, -1]] == pytest.approx([20.0, 21.1])
    assert marks_of(path) == pytest.approx((3.0, 8.75))
    assert sound is not None and sound.kind == "audio" and sound.channels == ("sound",)
    assert sound.duration_s == pytest.approx(LENGTH_S, abs=0.01)
    # the burst 5 s into a sound that began at 0.5 s and was heard 20 ms late
    begins = np.flatnonzero(np.abs(sound.samples[0]) > 0.1)[0] / sound.rate_hz + sound.start_s
    assert begins == pytest.approx(0.5 + 0.02 + 5.0 - FIRST_S, abs=0.005)


def test_the_history_says_what_the_recorder_knew(tmp_path: Path) -> None:
    said = " ".join(read_recording(whole(tmp_path)).history)
    assert '"it shakes now" was marked at 3.0, 8.8 s' in said
    assert "--" not in said, "nobody gave an option"
    times, samples = motion()
    path, still = tmp_path / "cut.zip", {**ABOUT["still_check"], "passed": False}
    assembled(path, pieces_of(times, samples, stopped=False, still_check=still))
    said = " ".join(read_recording(path).history)
    assert "was cut off" in said and "in a hand" in said and "no road speed" in said
    assert sound_of(path) is None and marks_of(path) == ()


def test_other_programs_open_every_file_of_it(tmp_path: Path) -> None:
    """Python's own zipfile, csv and json, and libsndfile (through soundfile) for the WAV."""
    with zipfile.ZipFile(whole(tmp_path)) as bundle:
        assert bundle.testzip() is None
        about = json.loads(bundle.read(JSON_NAME))
        rows = list(csv.DictReader(io.StringIO(bundle.read("motion.csv").decode())))
        speeds = list(csv.DictReader(io.StringIO(bundle.read("speed.csv").decode())))
        samples, rate = soundfile.read(io.BytesIO(bundle.read("sound.wav")), dtype="int16")
    assert list(rows[0]) == list(MOTION_COLUMNS) == list(about["motion"]["columns"])
    assert list(speeds[0]) == list(SPEED_COLUMNS) == list(about["speed"]["columns"])
    times, values = motion()
    assert [float(row["time_s"]) for row in rows] == pytest.approx(list(times), abs=1e-6)
    assert [float(row["acceleration_z_mps2"]) for row in rows] == pytest.approx(list(values[2]), abs=1e-6)
    assert {row["rotation_x_degps"] for row in rows} == {""}, "what the phone does not give is an empty cell"
    assert rate == 8000 == about["sound"]["rate_hz"] and np.array_equal(samples, tone())
    assert about["begun_utc"] == "2026-09-21T14:13:20.000+00:00"  # date -u -d @1790000000


def test_the_page_about_the_layout_names_every_column_and_key(tmp_path: Path) -> None:
    text = (DOCS / "recorder-format.md").read_text("utf-8")
    with zipfile.ZipFile(whole(tmp_path)) as bundle:
        about = json.loads(bundle.read(JSON_NAME))
        names = bundle.namelist()
    wanted = [*names, *MOTION_COLUMNS, *SPEED_COLUMNS, *about, *about["sound"], *about["still_check"]]
    assert [name for name in wanted if f"`{name}`" not in text] == []


def test_the_same_pieces_make_the_same_bytes(tmp_path: Path) -> None:
    first = whole(tmp_path).read_bytes()
    assert whole(tmp_path).read_bytes() == first


def test_a_recording_packed_anew_or_unpacked_is_the_same_recording(tmp_path: Path) -> None:
    path = whole(tmp_path)
    first, again, folder = read_recording(path), tmp_path / "again.zip", tmp_path / "unpacked"
    with zipfile.ZipFile(path) as bundle, zipfile.ZipFile(again, "w", zipfile.ZIP_DEFLATED) as packed:
        for name in reversed(bundle.namelist()):
            packed.writestr(name, bundle.read(name))
        bundle.extractall(folder)
    second, third = read_recording(again), read_recording(folder)
    assert np.array_equal(first.samples, second.samples) and marks_of(again) == marks_of(path)
    assert np.allclose(first.samples, third.samples) and third.speed is not None and first.speed is not None
    assert third.speed.values == pytest.approx(first.speed.values)
    assert third.speed.times_s == pytest.approx(first.speed.times_s, abs=1e-6)


def test_where_the_sound_stopped_is_no_sound_and_what_follows_stands_where_it_was_heard(
    tmp_path: Path,
) -> None:
    """A call from 4 s to 7 s: the sound card's own count goes on as if nothing had happened."""
    times, samples = motion()
    made = pieces_of(times, samples)
    made[0] = first_piece()
    sound = tone(9.0, burst_s=6.0)  # 6 s of heard sound: 9 s on the clock
    blocks = [(1, 0, 4.02, sound[:32_000]), (2, 32_000, 9.02, sound[32_000:48_000]),
              (2, 48_000, 12.05, sound[48_000:])]  # fmt: skip
    made.append(piece(len(made), None, blocks))
    path = tmp_path / "call.zip"
    assembled(path, made)
    heard = sound_of(path)
    assert heard is not None and heard.duration_s == pytest.approx(12.0, abs=0.01)
    t = heard.start_s + FIRST_S + np.arange(heard.valid.size) / heard.rate_hz
    assert not heard.valid[(t > 4.05) & (t < 7.0)].any() and heard.valid[(t < 4.0) | (t > 7.05)].all()
    assert heard.quality.gaps[0] == pytest.approx((4.02 - FIRST_S, 3.0), abs=0.001)
    loud = t[np.abs(heard.samples[0]) > 0.1]
    assert loud[0] == pytest.approx(9.02, abs=0.01)


def test_a_phone_that_takes_gravity_out_is_read_without_it(tmp_path: Path) -> None:
    times, samples = motion()
    made = pieces_of(times, samples)
    rows = np.full((times.size, 10), np.nan)
    rows[:, 0], rows[:, 4:7] = times, (samples - samples.mean(axis=1, keepdims=True)).T
    recording_pieces = [made[0], piece(1, rows)]
    assembled(tmp_path / "free.zip", recording_pieces)
    recording = read_recording(tmp_path / "free.zip")
    assert recording.unit == "m/s^2" and recording.channels[0].startswith("linear_acceleration_x")
    assert recording.samples[2].mean() == pytest.approx(0.0, abs=0.01)


def test_what_the_user_says_goes_before_what_the_file_says(tmp_path: Path) -> None:
    recording = read_recording(whole(tmp_path), ReadOptions(axes=("linear_acceleration_z_mps2",)))
    assert recording.channels == ("linear_acceleration_z_mps2",)


def test_speeds_between_positions_are_said_to_be(tmp_path: Path) -> None:
    times, samples = motion()
    made = pieces_of(times, samples)
    made.append(piece(len(made), fixes=[[k + 0.5, 15.0, k + 1.2, "positions", 8.0] for k in range(10)]))
    assembled(tmp_path / "p.zip", made)
    recording = read_recording(tmp_path / "p.zip")
    assert recording.speed is not None and "way between two positions" in " ".join(recording.history)


def test_a_drive_recorded_so_gives_the_verdict_of_the_log_it_was_made_from(tmp_path: Path) -> None:
    from vibeorder.diagnosis import diagnose
    from vibeorder.vehicle import load_vehicle

    log = read_recording(SAMPLES / "tire.csv")
    assert log.speed is not None
    times = np.arange(log.samples.shape[1]) / log.rate_hz
    fixes = list(zip(log.speed.times_s.tolist(), log.speed.values.tolist(), strict=True))
    assembled(tmp_path / "tire.zip", pieces_of(times, log.samples, fixes=fixes))
    result = diagnose(read_recording(tmp_path / "tire.zip"), load_vehicle(SAMPLES / "truck.toml"))
    assert (result.suspects[0].part, result.suspects[0].order) == ("tire_wheel", 1.0)
    assert result.suspects[0].probability > 0.9


def test_other_zips_are_not_ours(tmp_path: Path) -> None:
    with zipfile.ZipFile(tmp_path / "logs.zip", "w") as bundle:
        bundle.write(SAMPLES / "tire.csv", "accelerometer.csv")
    assert sound_of(tmp_path / "logs.zip") is None and marks_of(tmp_path / "logs.zip") == ()
    assert sound_of(SAMPLES / "voice_memo.wav") is None
    assert read_recording(tmp_path / "logs.zip").kind == "acceleration"


def repacked(path: Path, target: Path, **changes: bytes | None) -> Path:
    """The recording with some of its files changed, or left out for None."""
    with zipfile.ZipFile(path) as bundle, zipfile.ZipFile(target, "w") as packed:
        for name in bundle.namelist():
            data = changes.get(name.split(".")[0].replace("-", "_"), bundle.read(name))
            if data is not None:
                packed.writestr(name, data)
    return target


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"vibeorder_recording": b"{"}, "is not the JSON"),
        ({"vibeorder_recording": b'{"format": "vibeorder recording", "version": 9}'}, "bring vibeorder up to date"),
        ({"motion": None}, "holds no motion.csv"),
        ({"motion": b"time_s,a\n"}, "motion.csv"),
        ({"sound": b"RIFF"}, "sound.wav"),
    ],
)  # fmt: skip
def test_a_damaged_recording_is_one_sentence(
    tmp_path: Path, changes: dict[str, bytes | None], said: str
) -> None:
    path = repacked(whole(tmp_path), tmp_path / "damaged.zip", **changes)
    with pytest.raises(RecordingError, match=said) as trouble:
        sound_of(path)
        read_recording(path)
    assert "\n" not in str(trouble.value)


def test_a_member_without_a_name_is_one_sentence(tmp_path: Path) -> None:
    """A name is cut off at a zero byte (APPNOTE 4.4.17), and zipfile asks what is left for its last letter."""
    data = bytearray(whole(tmp_path).read_bytes())
    data[data.rindex(b"PK\x01\x02") + 46] = 0
    broken = tmp_path / "nameless.zip"
    broken.write_bytes(bytes(data))
    with pytest.raises(RecordingError, match="cannot be unpacked"):
        read_recording(broken)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(at=st.floats(0, 1, exclude_max=True), value=st.integers(0, 255), cut=st.booleans())
def test_a_byte_changed_or_the_rest_cut_off_is_read_or_refused_never_worse(
    tmp_path: Path, at: float, value: int, cut: bool
) -> None:
    path = tmp_path / "drive.zip"
    data = bytearray((path if path.exists() else whole(tmp_path)).read_bytes())
    place = int(at * len(data))
    data[place] = value
    broken = tmp_path / "broken.zip"
    broken.write_bytes(bytes(data[:place]) if cut else bytes(data))
    for door in (read_recording, sound_of, marks_of):
        try:
            door(broken)
        except RecordingError as error:
            assert "\n" not in str(error)


@settings(max_examples=60, deadline=None)
@given(
    numbers=st.lists(st.floats(-1e6, 1e6, allow_nan=False), min_size=9, max_size=9),
    samples=st.lists(st.integers(-32768, 32767), max_size=50),
    speed=st.floats(0, 200),
)
def test_a_piece_comes_back_as_it_was_written(numbers: list[float], samples: list[int], speed: float) -> None:
    row = np.array([[1.5, *numbers]])
    body = piece(3, row, [(2, 77, 1.6, np.array(samples, np.int16))], fixes=[[1.0, speed, 1.2, "gps", None]])
    found = parse_piece(body, 3)
    assert np.array_equal(found.motion, row) and found.sound[0].samples.tolist() == samples
    assert found.fixes[0].speed_mps == speed and (found.sound[0].segment, found.sound[0].frame) == (2, 77)


@settings(max_examples=200, deadline=None)
@given(at=st.floats(0, 1, exclude_max=True), value=st.integers(0, 255), cut=st.booleans())
def test_a_piece_made_by_anybody_else_is_refused_or_harmless(at: float, value: int, cut: bool) -> None:
    body = bytearray(
        piece(1, np.ones((2, 10)), [(1, 0, 1.0, np.ones(8, np.int16))], fixes=[[1, 2, 3, "gps", 4]])
    )
    place = int(at * len(body))
    body[place] = value
    try:
        parse_piece(bytes(body[:place]) if cut else bytes(body), 1)
    except RecordingError as error:
        assert "\n" not in str(error)


def test_a_recording_without_motion_or_of_more_than_the_page_takes_is_refused(tmp_path: Path) -> None:
    with pytest.raises(RecordingError, match="no motion"):
        assembled(tmp_path / "none.zip", [first_piece()])
    times, samples = motion()
    with pytest.raises(RecordingError, match="takes up to"):
        assembled(tmp_path / "long.zip", pieces_of(times, samples), longest_s=5.0)
    late = piece(
        1, np.ones((2, 10)), [(1, 0, 2.0, np.ones(9, np.int16)), (2, 9, 40_000.0, np.ones(9, np.int16))]
    )
    with pytest.raises(RecordingError, match="takes up to"):
        assembled(tmp_path / "late.zip", [first_piece(), late])
