"""Logs of phones and data loggers: every layout that real loggers write is understood, or asked about."""

import json
import zipfile
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from vibeorder.errors import RecordingError
from vibeorder.recording import ReadOptions, read_recording
from vibeorder.units import STANDARD_GRAVITY

FloatArray = NDArray[np.float64]
RATE = 100.0


def shake(rows: int = 400, seed: int = 1) -> FloatArray:
    """Three axes in m/s^2, gravity along a slanted direction, rounded as a log would be [shape (rows, 3)]."""
    rng = np.random.default_rng(seed)
    rest = STANDARD_GRAVITY * np.array([0.2, -0.4, np.sqrt(1 - 0.2**2 - 0.4**2)])
    return np.asarray(np.round(rest + rng.normal(0, 0.6, (rows, 3)), 5))


def write(path: Path, rows: list[list[str]], separator: str = ",", head: str = "") -> Path:
    path.write_text(head + "".join(separator.join(row) + "\n" for row in rows), encoding="utf-8")
    return path


def plain(path: Path, names: str = "time,ax,ay,az", rows: int = 400, factor: float = 1.0) -> Path:
    values = shake(rows) * factor
    body = [[f"{i / RATE:.4f}", *(f"{v:.6g}" for v in row)] for i, row in enumerate(values)]
    return write(path, body, head=names + "\n" if names else "")


SCALES = {"s": 1.0, "ms": 1e3, "us": 1e6, "ns": 1e9, "min": 1 / 60}
UNITS = {"m/s^2": 1.0, "g": 1 / STANDARD_GRAVITY, "mg": 1000 / STANDARD_GRAVITY, "m/s²": 1.0, "": 1.0}


@settings(max_examples=80, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    separator=st.sampled_from([",", ";", "\t", " ", "|", ", "]),
    comma=st.booleans(),
    time_unit=st.sampled_from(sorted(SCALES)),
    epoch=st.booleans(),
    unit=st.sampled_from(sorted(UNITS)),
    order=st.permutations(["x", "y", "z"]),
    metadata=st.sampled_from(["", "# logged on a drive\n", "Device: phone\nStart: now\n\n", "sep=?\n"]),
    trailing=st.booleans(),
    quoted=st.booleans(),
    line_end=st.sampled_from(["\n", "\r\n"]),
    encoding=st.sampled_from(["utf-8", "utf-8-sig", "utf-16"]),
    seed=st.integers(0, 9),
)
def test_a_log_written_in_any_layout_is_read_back_to_the_same_samples(
    tmp_path: Path, separator: str, comma: bool, time_unit: str, epoch: bool, unit: str, order: list[str],
    metadata: str, trailing: bool, quoted: bool, line_end: str, encoding: str, seed: int,
) -> None:  # fmt: skip
    """Property: round trip through any separator, decimal mark, time unit, axis unit and order of axes."""
    comma = comma and separator.strip() != ","
    epoch = epoch and time_unit != "min"
    quoted = quoted and separator.strip() != ""
    trailing = trailing and separator.strip() != ""
    values = shake(200, seed)
    start = 1_700_000_000 if epoch else 0
    lines = []
    for i, row in enumerate(values):
        stamp = (start * 100 + i) * SCALES[time_unit] / 100
        text = f"{round(stamp)}" if time_unit in ("ms", "us", "ns") else f"{stamp:.8f}"
        if time_unit == "ns":
            text = str((start * 100 + i) * 10_000_000)
        by_name = {letter: f"{row['xyz'.index(letter)] * UNITS[unit]:.9f}" for letter in "xyz"}
        cells = [text, *(by_name[letter] for letter in order)]
        lines.append([cell.replace(".", ",") if comma else cell for cell in cells])
    blanks = separator == " "
    label = "" if not unit else f"_({unit})" if blanks else f" ({unit})"
    header = [f"time_{time_unit}" if blanks else f"time ({time_unit})", *(f"acc_{a}{label}" for a in order)]
    if quoted:
        header = [f'"{cell}"' for cell in header]
    end = separator.strip() if trailing else ""
    metadata = metadata.replace("?", separator[0]) if not blanks else metadata.replace("sep=?\n", "")
    text = metadata.replace("\n", line_end) + "".join(
        separator.join(cells) + end + line_end for cells in [header, *lines]
    )
    path = tmp_path / "log.txt"
    path.write_bytes(text.encode(encoding))
    recording = read_recording(path)
    assert recording.unit == "m/s^2"
    assert recording.rate_hz == pytest.approx(RATE, rel=1e-5)
    channels = [next(i for i, c in enumerate(recording.channels) if f"acc_{a}" in c) for a in "xyz"]
    # 1e-4 m/s^2 allows for the 8 decimals of minutes; a sensor's own step is 100 times that.
    np.testing.assert_allclose(
        recording.samples[channels], values.T, atol=2e-3 if time_unit == "min" else 1e-4
    )
    assert recording.epoch_s == (pytest.approx(start, abs=0.01) if epoch else None)


@pytest.mark.parametrize(
    ("name", "factor", "word"),
    [("m/s^2", 1.0, "told by gravity"), ("g", 1 / 9.80665, "unit g"), ("mg", 1000 / 9.80665, "unit mg")],
)
def test_gravity_tells_the_unit_where_no_name_does(
    tmp_path: Path, name: str, factor: float, word: str
) -> None:
    recording = read_recording(plain(tmp_path / "a.csv", factor=factor))
    assert recording.unit == "m/s^2"
    assert float(np.linalg.norm(np.median(recording.samples, axis=1))) == pytest.approx(9.80665, rel=0.02)
    assert any(word in sentence for sentence in recording.history)


def test_raw_counts_take_their_scale_from_gravity(tmp_path: Path) -> None:
    rows = [[str(10 * i), *(str(round(v * 1700)) for v in row)] for i, row in enumerate(shake())]
    recording = read_recording(write(tmp_path / "raw.csv", rows, head="ms,x,y,z\n"))
    assert recording.unit == "m/s^2"
    assert float(np.linalg.norm(np.median(recording.samples, axis=1))) == pytest.approx(9.80665, rel=1e-6)


def test_without_gravity_and_unit_amplitudes_are_relative_and_the_option_is_named(tmp_path: Path) -> None:
    rows = [
        [f"{i / RATE}", *(f"{v:.5f}" for v in row)] for i, row in enumerate(shake() - shake().mean(axis=0))
    ]
    path = write(tmp_path / "linear.csv", rows, head="t,x,y,z\n")
    assert read_recording(path).unit == "relative"
    assert any("--unit" in sentence for sentence in read_recording(path).history)
    assert read_recording(path, ReadOptions(unit="m/s^2")).unit == "m/s^2"


def test_iso_stamps_with_a_zone_give_the_absolute_time(tmp_path: Path) -> None:
    stamps = np.datetime64("2024-05-01T08:00:00.000") + (np.arange(400) * 10).astype("timedelta64[ms]")
    rows = [[f"{s}+02:00", *(f"{v:.5f}" for v in row)] for s, row in zip(stamps, shake(), strict=True)]
    recording = read_recording(write(tmp_path / "iso.csv", rows, head="time,x,y,z\n"))
    assert recording.rate_hz == pytest.approx(100.0)
    assert recording.epoch_s == pytest.approx(1714543200.0)  # 06:00 UTC of that day


def test_a_clock_without_date_runs_past_midnight(tmp_path: Path) -> None:
    seconds = 86398.0 + np.arange(400) / RATE
    rows = []
    for s, row in zip(seconds % 86400, shake(), strict=True):
        clock = (int(s // 3600), int(s % 3600 // 60), int(s % 60), round(s % 1 * 1e4) % 10000)
        stamp = "{:02d}:{:02d}:{:02d}:{:04d}".format(*clock)
        rows.append([stamp, *(f"{v:.4f}".replace(".", ",") for v in row)])
    recording = read_recording(write(tmp_path / "clock.csv", rows, ";", "time;gFx;gFy;gFz\n"))
    assert recording.duration_s == pytest.approx(4.0, abs=0.02)
    assert recording.quality.gaps == ()


@pytest.mark.parametrize(("step", "unit"), [("10", "milliseconds"), ("10000", "microseconds")])
def test_time_since_the_last_row_is_added_up(tmp_path: Path, step: str, unit: str) -> None:
    rows = [[("0" if i == 0 else step), *(f"{v:.4f}" for v in row)] for i, row in enumerate(shake())]
    recording = read_recording(write(tmp_path / "since.txt", rows, " "))
    assert recording.rate_hz == pytest.approx(100.0)
    assert any(f"{unit} since the last row" in sentence for sentence in recording.history)


def test_whole_rows_in_quotes_are_unwrapped(tmp_path: Path) -> None:
    text = "time,ax,ay,az\n" + "".join(
        f'"{i / RATE:.2f},{r[0]},{r[1]},{r[2]}"\n' for i, r in enumerate(shake())
    )
    (tmp_path / "q.csv").write_text(text)
    np.testing.assert_allclose(read_recording(tmp_path / "q.csv").samples, shake().T)


def test_ragged_rows_and_text_in_numbers_are_left_out_and_said(tmp_path: Path) -> None:
    path = plain(tmp_path / "ragged.csv")
    lines = path.read_text().splitlines()
    lines[50] = lines[50].rsplit(",", 1)[0]
    lines[60] = lines[60].replace(lines[60].split(",")[1], "error")
    path.write_text("\n".join(lines))
    recording = read_recording(path)
    assert any("2 of 400 rows" in sentence for sentence in recording.history)
    assert recording.quality.repaired >= 2


def test_wild_values_are_left_out_and_said(tmp_path: Path) -> None:
    path = plain(tmp_path / "wild.csv")
    lines = path.read_text().splitlines()
    for i in (50, 150, 250):
        cells = lines[i].split(",")
        lines[i] = ",".join([cells[0], "1.2e31", *cells[2:]])
    path.write_text("\n".join(lines))
    recording = read_recording(path)
    assert float(np.abs(recording.samples).max()) < 20
    assert any("3 rows held wild values" in sentence for sentence in recording.history)


def test_json_columns_are_read_with_a_rate(tmp_path: Path) -> None:
    values = shake()
    columns = {"acc_z": values[:, 2].tolist(), "acc_x": values[:, 0].tolist(), "acc_y": values[:, 1].tolist(),
               "note": ["a"], "speed": [{"start": 0, "end": 399, "speed": 12.5}]}  # fmt: skip
    (tmp_path / "c.json").write_text(json.dumps(columns))
    with pytest.raises(RecordingError, match="--rate"):
        read_recording(tmp_path / "c.json")
    recording = read_recording(tmp_path / "c.json", ReadOptions(rate_hz=100.0))
    np.testing.assert_allclose(recording.samples, values.T)
    assert recording.speed is not None
    assert float(recording.speed.values[0]) == 12.5


def test_a_zip_takes_the_sensor_with_gravity_and_the_speed_beside_it(tmp_path: Path) -> None:
    epoch = 1_700_000_000
    values = shake(3000)
    total = "time,z,y,x\n" + "".join(
        f"{epoch * 10**9 + i * 10**7},{r[2]},{r[1]},{r[0]}\n" for i, r in enumerate(values)
    )
    free = "time,z,y,x\n" + "".join(
        f"{epoch * 10**9 + i * 10**7},{r[2] - 9.8},{r[1]},{r[0]}\n" for i, r in enumerate(values)
    )
    where = "time,speed (m/s)\n" + "".join(f"{(epoch + 2 + i) * 10**9},{10 + i / 10}\n" for i in range(25))
    with zipfile.ZipFile(tmp_path / "drive.zip", "w") as bundle:
        for name, text in (("LinearAcceleration.csv", free), ("TotalAcceleration.csv", total),
                           ("Location.csv", where), ("Annotation.csv", "")):  # fmt: skip
            bundle.writestr(name, text)
    recording = read_recording(tmp_path / "drive.zip")
    np.testing.assert_allclose(recording.samples, values.T, atol=1e-9)
    assert recording.channels == ("x", "y", "z")
    assert recording.speed is not None
    assert float(recording.speed.times_s[0]) == pytest.approx(2.0)
    assert any("TotalAcceleration.csv" in s for s in recording.history)
    assert any("Annotation.csv is empty" in s for s in recording.history)


@pytest.mark.parametrize("unit", ["m/s", "km/h", "mph"])
def test_the_acceleration_tells_the_unit_of_a_nameless_speed(tmp_path: Path, unit: str) -> None:
    factor = {"m/s": 1.0, "km/h": 3.6, "mph": 2.236936}[unit]
    t = np.arange(0, 200, 0.02)
    speed = 9 + 5 * np.sin(2 * np.pi * t / 40) + 2 * np.sin(2 * np.pi * t / 17)
    forward = np.gradient(speed, t)
    rng = np.random.default_rng(3)
    ax, ay, az = 0.6 * forward, -0.8 * forward, np.full(t.size, 9.81)
    noise = rng.normal(0, 0.5, (3, t.size))
    held = np.interp(np.floor(t), t, speed) * factor
    rows = [[f"{a:.2f}", *(f"{v:.4f}" for v in b), f"{c:.3f}"]
            for a, b, c in zip(t, (np.stack([ax, ay, az]) + noise).T, held, strict=True)]  # fmt: skip
    recording = read_recording(write(tmp_path / "s.csv", rows, head="time,ax,ay,az,speed\n"))
    assert recording.speed is not None
    assert recording.speed.unit == unit
    assert float(recording.speed.values.mean()) == pytest.approx(float(speed.mean()), rel=0.03)


def test_missing_speeds_are_left_out(tmp_path: Path) -> None:
    rows = []
    for i, row in enumerate(shake(1000)):
        speed = "-1" if i < 200 else "" if i % 100 else f"{10 + i / 1000:.2f}"
        rows.append([f"{i / RATE}", *(f"{v:.4f}" for v in row), speed])
    recording = read_recording(write(tmp_path / "m.csv", rows, head="time,ax,ay,az,speed_kmh\n"))
    assert recording.speed is not None
    assert recording.speed.values.size == 8
    assert float(recording.speed.values.min()) == pytest.approx(10.2 / 3.6)


def test_rpm_and_a_once_a_turn_mark_are_found(tmp_path: Path) -> None:
    rows = []
    for i, row in enumerate(shake(2000)):
        mark = "0" if (i % 20) < 3 else "1"
        rows.append([f"{i / RATE}", *(f"{v:.4f}" for v in row), "300", mark])
    recording = read_recording(write(tmp_path / "r.csv", rows, head="time,ax,ay,az,Engine RPM,mark\n"))
    assert recording.rpm is not None
    assert float(recording.rpm.values[0]) == 5.0
    assert recording.mark_times_s is not None
    np.testing.assert_allclose(np.diff(recording.mark_times_s), 0.2, atol=1e-9)


def test_options_name_columns_by_name_or_number(tmp_path: Path) -> None:
    path = plain(tmp_path / "odd.csv", names="u,v,w,q")
    by_number = read_recording(path, ReadOptions(time_column="1", axes=("2", "w", "4"), unit="m/s^2"))
    np.testing.assert_allclose(by_number.samples, shake().T, rtol=1e-5)
    with pytest.raises(RecordingError, match=r"--axes 'nothing'.*1 'u', 2 'v', 3 'w', 4 'q'"):
        read_recording(path, ReadOptions(time_column="u", axes=("nothing",)))


def test_a_log_without_time_is_asked_for_its_rate_with_the_columns_listed(tmp_path: Path) -> None:
    rows = [[f"{v:.4f}" for v in row] for row in shake()]
    path = write(tmp_path / "bare.txt", rows, ";")
    with pytest.raises(RecordingError, match=r'its columns are 1, 2, 3.*--rate "500 Hz"'):
        read_recording(path)
    assert read_recording(path, ReadOptions(rate_hz=500.0)).rate_hz == 500.0


def test_a_rate_stated_in_the_first_lines_is_used(tmp_path: Path) -> None:
    rows = [[f"{v:.4f}" for v in row] for row in shake()]
    path = write(tmp_path / "m.csv", rows, head="# sample rate: 250 Hz\nx,y,z\n")
    assert read_recording(path).rate_hz == 250.0


def test_a_20_hz_log_is_read_and_says_what_it_can_still_see(tmp_path: Path) -> None:
    rows = [[f"{i / 20}", *(f"{v:.4f}" for v in row)] for i, row in enumerate(shake())]
    recording = read_recording(write(tmp_path / "slow.csv", rows, head="time,ax,ay,az\n"))
    assert any("nothing above 10 Hz can be seen" in sentence for sentence in recording.history)


def test_nested_messages_keep_each_x_with_the_y_and_z_that_follow_it(tmp_path: Path) -> None:
    head = "timestamp,rate_body,x,y,z,acc_body,x,y,z,magnetic,x,y,z\n"
    rows = [[f"{i / RATE}", "", *("0.5" if i % 2 else "0.4" for _ in range(3)),
             "", *(f"{v:.5f}" for v in row), "",
             "31", f"{20 + i % 7}", "40"] for i, row in enumerate(shake())]  # fmt: skip
    recording = read_recording(write(tmp_path / "bag.csv", rows, head=head))
    np.testing.assert_allclose(recording.samples, shake().T, atol=1e-5)


def test_ten_minutes_at_400_hz_are_read_in_well_under_two_seconds(tmp_path: Path) -> None:
    """Time of the processor, so that a busy machine does not fail it; about 0.3 s were measured."""
    import time

    values = np.tile(shake(6000), (40, 1))
    body = np.column_stack((np.arange(len(values)) / 400.0, values))
    np.savetxt(tmp_path / "long.csv", body, delimiter=",", fmt="%.5f", header="time,ax,ay,az", comments="")
    start = time.process_time()
    recording = read_recording(tmp_path / "long.csv")
    assert time.process_time() - start < 2.0
    assert recording.samples.shape == (3, 240_000)
