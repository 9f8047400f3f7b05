"""Inputs that once crashed, hung or filled the memory, as small as fuzzing made them: refused or read, and at once."""

import sys
import time
from pathlib import Path

import numpy as np
import pytest
from diagnosis_examples import TRUCK

sys.path.insert(0, str(Path(__file__).resolve().parent / "benchmarks"))
from fuzz_seeds import BETWEEN, SEEDS, zipped
from fuzz_targets import tried

from vibeorder.diagnosis.prepare import judged_signal, trace_clock
from vibeorder.errors import RecordingError, SpeedError, UnitError, VehicleError
from vibeorder.recording import Recording, Trace, read_recording
from vibeorder.speed.logged import read_speed_log
from vibeorder.units import parse_length
from vibeorder.vehicle import load_vehicle

DIGITS = b"9" * 400
EVEN = "".join(f"{i / 50:.3f},{np.sin(i):.4f},{np.cos(3 * i):.4f},9.8{i % 7}\n" for i in range(60))
NO_RATE = "time,ax,ay,az\n" + "".join(
    f"{i * 2e-11:.3e},{np.sin(i):.3f},{np.cos(i):.3f},9.8{i % 7}\n" for i in range(60)
)
MOSTLY_EMPTY = "time,ax,ay,az\n" + "".join(
    f"{3500 * block + i / 1000:.3f},{np.sin(i):.3f},{np.cos(i):.3f},9.8{i % 7}\n"
    for block in range(9)
    for i in range(9)
)

ONCE_CRASHED = {
    "a speed column without one possible speed": ("log", b";;;;speed\n,0;2;6;;954\n;3;0"),
    "two rows more than an hour apart": ("log", b"s\tg\n9\t3\n9999\t0"),
    "an axis of 1e308": ("log", b"6 1e308 8\n4 1 8"),
    "stamps of 1e308": ("log", b"0\t.\t1e308\t\n\t3\t-1e308"),
    "whole numbers of 400 digits in JSON": (
        "log", b'{"time": [0, 1, 2], "ax": [' + DIGITS + b", 2, 3], \"ay\": [1, 2, 3]}",
    ),
    "more cells than the header names": (
        "log", "0.000,0.2382,0.6286,9.9322\x850.533,10.0768\x85".encode("utf-16"),
    ),
    "a text log whose name ends in .zip": ("zip", b"1"),
    "stamps that say a rate of 50 GHz": ("log", NO_RATE.encode()),
    "rows of milliseconds with pauses of an hour": ("log", MOSTLY_EMPTY.encode()),
    "a whole axis beyond single precision": (
        "log", b"time,ax,ay,az\n" + b"".join(b"%.2f,%d,%de25,9\n" % (i / 50, i % 7, i % 5) for i in range(400)),
    ),
    "a date in digits of another script": ("log", ("t,x,y\n" + "٣-12-31T23:59:59Z,1,2\n" * 2).encode()),
    "dates of nothing but zeros": ("log", b"t,x,y\n00/00/0000 12:00:01,1,2\n00/00/0000 12:00:02,2,1"),
    "a speed log without one possible speed": ("speed log", b"time,speed(\n0,1e8\n1,1e8"),
    "positions without one stamp": ("speed log", b";Latitude;Longitude\n0;0;null;\nnull;5\n06"),
    "a GPX in an encoding that does not exist": (
        "speed log", '<?xml version="" encoding="UTF0"?><gpx>'.encode("utf-16-le"),
    ),
    "a GPX with a longitude of 1e308": (
        "speed log", SEEDS["speed log"]()[1].replace(b'lon="8.5"', b'lon="1e308"', 3),
    ),
    "a ratio of 400 digits": ("vehicle", SEEDS["vehicle"]()[0].replace(b"3.55", DIGITS)),
    "a number of cylinders of 400 digits": ("vehicle", SEEDS["vehicle"]()[0].replace(b"= 8", b"= " + DIGITS)),
    "a place of 5000 digits": ("bench form", b"runout\n" + b"9" * 5000 + b"h:0 3h:4 6h:7 9h:2 thou"),
    "a bolt of 5000 digits": ("bench form", b"runout\nb" + b"9" * 5000 + b":0 b2:4 b3:7 b4:2 thou"),
    "a critical speed of nothing": ("bench form", b"effect\n1thou\n1g\n4\n0"),
    "a critical speed of 400 digits": ("bench form", b"effect\n10 thou\n10 kg\n2400\n" + DIGITS),
    "a shake of 1e300": ("bench form", b"balance\n1e300@6, 5@0\n2g@0, 0=3@4, 5@8; 0, 2g@0=2@9, 4@3"),
    "a shaft that turns 1e-320 times a minute": ("bench form", b"shaft\n5in\n.3in\n60in\nsteel\n1e-320"),
    "a length of 400 digits": ("bench form", b"quantity\n" + DIGITS + b" mph\n" + DIGITS + b" mm"),
}  # fmt: skip


@pytest.mark.parametrize("what", ONCE_CRASHED)
def test_it_is_refused_or_read(what: str, tmp_path: Path) -> None:
    target, raw = ONCE_CRASHED[what]
    path = tmp_path / ("input.zip" if target == "zip" else "input")
    path.write_bytes(raw)
    came = tried(target, path)
    assert came.how in ("refused", "read"), came.said


def test_sound_in_a_codec_that_nobody_knows_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "memo.m4a"
    path.write_bytes(SEEDS["sound"]()[12].replace(b"esds", b"zzzz").replace(b"mp4a", b"zzzz"))
    with pytest.raises(RecordingError, match=r"memo\.m4a.*rate"):
        read_recording(path)


def test_a_sound_that_says_two_thousand_million_samples_a_second_is_refused_at_once(tmp_path: Path) -> None:
    path = tmp_path / "memo.wav"
    # 44 bytes of head by the RIFF/WAVE specification (1991): the rate is the four bytes at 24
    raw = SEEDS["sound"]()[0]
    path.write_bytes(raw[:24] + (0x7FFFFFFF).to_bytes(4, "little") + raw[28:])
    began = time.process_time()
    with pytest.raises(RecordingError, match=r"2\.15e\+09 samples a second"):
        read_recording(path)
    assert time.process_time() - began < 5.0


def test_a_small_zip_that_unpacks_to_hundreds_of_megabytes_is_refused_before_it_does(tmp_path: Path) -> None:
    path = tmp_path / "bomb.zip"
    path.write_bytes(zipped({"Accelerometer.csv": b"time,ax,ay,az\n" + b"0,1,2,9.8\n" * 2_000_000}))
    with pytest.raises(RecordingError, match="times its size"):
        read_recording(path)


def test_a_column_name_of_20000_brackets_costs_no_time(tmp_path: Path) -> None:
    path = tmp_path / "drive.csv"
    path.write_text(f"time,ax,ay,az{'(' * 20_000}\n{EVEN}")
    began = time.process_time()
    assert read_recording(path).samples.shape[1] > 50
    assert time.process_time() - began < 5.0  # it took twenty


def test_numbers_beyond_any_sensor_are_said_to_be(tmp_path: Path) -> None:
    drive, car = tmp_path / "drive.csv", tmp_path / "car.toml"
    drive.write_text("time,ax,ay,az\n" + "".join(f"{i / 50},{i % 7},{i % 5}e25,9\n" for i in range(400)))
    with pytest.raises(RecordingError, match=r"reach 4e\+2"):
        read_recording(drive)
    car.write_bytes(ONCE_CRASHED["a ratio of 400 digits"][1])
    with pytest.raises(VehicleError, match=r"axle ratio is 9{40}; write a number from 1\.5 to 12"):
        load_vehicle(car)
    with pytest.raises(UnitError, match="far beyond"):
        parse_length("9" * 400 + " mm")


def test_stamps_of_no_logger_are_named_with_what_to_do(tmp_path: Path) -> None:
    for text, says in ((NO_RATE, "2e-11 s apart"), (MOSTLY_EMPTY, "over 2.8e\\+04 s")):
        path = tmp_path / "drive.csv"
        path.write_text(text)
        with pytest.raises(RecordingError, match=f"{says}.*--time-column"):
            read_recording(path)


def test_a_gpx_in_an_unknown_encoding_says_what_to_do(tmp_path: Path) -> None:
    path = tmp_path / "track.gpx"
    path.write_bytes(ONCE_CRASHED["a GPX in an encoding that does not exist"][1])
    with pytest.raises(SpeedError, match="save it as UTF-8"):
        read_speed_log(path)


def test_a_clock_set_back_an_hour_moves_speed_and_samples_together(tmp_path: Path) -> None:
    path = tmp_path / "drive.csv"
    rng = np.random.default_rng(1)
    fixes = [str(10 + i // 100) if i % 100 == 0 else "" for i in range(1500)]
    rows = [
        f"{90_000 + i / 100 - (3600 if i >= 500 else 0):.2f},{x:.3f},{y:.3f},9.8,{fixes[i]}\n"
        for i, (x, y) in enumerate(rng.normal(0.0, 1.0, (1500, 2)).tolist())
    ]
    path.write_text("time (s),ax (m/s^2),ay (m/s^2),az (m/s^2),gps speed (m/s)\n" + "".join(rows))
    recording = read_recording(path)
    assert recording.duration_s == pytest.approx(15.0, abs=0.1)
    assert recording.rate_hz == pytest.approx(100.0, rel=1e-3)
    assert recording.speed is not None
    np.testing.assert_allclose(recording.speed.times_s - recording.start_s, np.arange(15.0), atol=0.05)
    np.testing.assert_allclose(recording.speed.values, 10.0 + np.arange(15.0))
    assert any("clock was set back" in said for said in recording.history)


def months_apart(rows: str, column: int = 0, by: float = 3e7) -> str:
    """The second half of the rows so much later, as of a logger that was left on: seconds, or what the column is in."""
    head, *lines = rows.splitlines()
    half = len(lines) // 2
    cells = [line.split(",") for line in lines]
    for row in cells[half:]:
        row[column] = f"{float(row[column]) + by:.3f}"
    return "\n".join([head, *(",".join(row) for row in cells), ""])


def test_sittings_months_apart_with_a_speed_without_unit_are_read_at_once(tmp_path: Path) -> None:
    # every second of the months between was weighed for the unit: 10 s, and at some years more memory than there is
    rows = "time,ax,ay,az,speed\n" + "".join(
        f"{i / 50:.2f},{np.sin(i):.3f},{np.cos(i):.3f},9.8{i % 7},{40 + i // 100}\n" for i in range(3000)
    )
    for by in (3e7, 3e9):
        path, began = tmp_path / "a.csv", time.process_time()
        path.write_text(months_apart(rows, by=by))
        recording = read_recording(path)
        assert time.process_time() - began < 5.0
        assert recording.duration_s == pytest.approx(30.0, abs=0.1)


def test_a_speed_log_left_on_for_years_is_aligned_and_smoothed_at_once(tmp_path: Path) -> None:
    parts = SEEDS["speed beside"]()[0].decode().split(BETWEEN)
    path, began = tmp_path / "input.csv", time.process_time()
    path.write_text(parts[0] + BETWEEN + months_apart(parts[1], by=3e9))
    assert tried("speed beside", path).how == "read"
    log = tmp_path / "log.csv"
    log.write_text(months_apart(parts[1], by=3e9))
    signal = judged_signal(read_recording_of(parts[0], tmp_path), TRUCK)
    clock, _ = trace_clock(signal, read_speed_log(log), TRUCK, 0.0)
    whole, _ = trace_clock(signal, read_speed_log_of(parts[1], tmp_path), TRUCK, 0.0)
    assert time.process_time() - began < 20.0
    first = clock.rate_hz.size // 2
    assert clock.rate_hz[:first] == pytest.approx(whole.rate_hz[:first], rel=1e-3)


def read_recording_of(text: str, folder: Path) -> Recording:
    (folder / "recording.csv").write_text(text)
    return read_recording(folder / "recording.csv")


def read_speed_log_of(text: str, folder: Path) -> Trace:
    (folder / "whole.csv").write_text(text)
    return read_speed_log(folder / "whole.csv")
