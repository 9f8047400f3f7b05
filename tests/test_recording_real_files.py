"""Real recordings of phones and loggers, read in place: rate, unit and layout as their provenance states.

The facts come from PROVENANCE.md beside the files (sources and licences there). The files are not part of
this project; where the folder is missing these tests skip.
"""

from pathlib import Path

import numpy as np
import pytest

from vibeorder.errors import RecordingError
from vibeorder.recording import ReadOptions, Recording, read_recording

DATA = Path(__file__).resolve().parents[1].parent / "shared" / "data"
pytestmark = pytest.mark.skipif(
    not DATA.is_dir(), reason="the shared real recordings are not on this machine"
)

# file: true rate in Hz, unit, channels
READ = {
    "redistributable/road_drive_accel.csv": (104.3, "m/s^2", 3),
    "redistributable/phone_zip_zyx": (49.36, "m/s^2", 3),
    "measuring-only/bus/phone_said_200hz.txt": (51.1, "m/s^2", 3),
    "measuring-only/small_car/sparse_speed.csv": (199.1, "m/s^2", 3),
    "measuring-only/small_car/screen_off_gap.csv": (198.7, "m/s^2", 3),
    "measuring-only/car_wheel_sensors/trial06_CAR.csv": (120.005, "m/s^2", 3),
    "measuring-only/car_wheel_sensors/trial06_IMU3.csv": (120.005, "relative", 3),
    "measuring-only/car_wheel_sensors/trial06_IMU4.csv": (120.005, "relative", 3),
    "measuring-only/car_wheel_sensors/wild_values.csv": (120.005, "relative", 3),
    "measuring-only/car_50hz/drive_216s.csv": (50.0, "m/s^2", 3),
    "measuring-only/car_50hz/motorbike.csv": (51.0, "m/s^2", 3),
    "measuring-only/rig_1800rpm_balanced_1khz.csv": (1000.0, "m/s^2", 3),
    "measuring-only/rig_1800rpm_heavy_unbalance_1khz.csv": (1000.0, "m/s^2", 3),
    "measuring-only/rig_2400rpm_bent_shaft_1khz.csv": (1000.0, "m/s^2", 3),
    "measuring-only/rig_3000rpm_heavy_unbalance_1khz.csv": (1000.0, "m/s^2", 3),
    "measuring-only/rig_raw_semicolon_no_header.csv": (2000.0, "relative", 3),
    "measuring-only/phone_ns_epoch_zyx.csv": (100.1, "relative", 3),
    "measuring-only/phone_quoted_exponent.zip": (10.03, "m/s^2", 3),
    "measuring-only/phone_datetime_uptime_ns.csv": (50.9, "m/s^2", 3),
    "measuring-only/layouts/unit_in_header_2hz.csv": (2.0, "m/s^2", 3),
    "measuring-only/layouts/us_since_last_row_raw_counts.txt": (500.0, "m/s^2", 3),
    "measuring-only/layouts/milliseconds_steps_back.csv": (197.0, "m/s^2", 3),
    "measuring-only/layouts/datetime_no_header_text_column.txt": (200.0, "m/s^2", 3),
    "measuring-only/layouts/hash_header_epoch_ms_10hz.csv": (9.95, "relative", 3),
    "measuring-only/layouts/iso_zone_wide_30hz.csv": (29.7, "m/s^2", 3),
    "measuring-only/layouts/quoted_rows_three_columns_named_x.csv": (100.0, "m/s^2", 3),
    **{f"measuring-only/rotor_with_mark/{state}_weight_{i}.csv": (952.0, "relative", 1)
       for state in ("with", "without") for i in range(5)},
}  # fmt: skip

# file: the rate that the user must give, since there is no time column
ASK = {
    "measuring-only/bus/idle_six_cylinder_500hz.csv": 500.0,
    "measuring-only/bus/stop_and_go_500hz.csv": 500.0,
    "measuring-only/bus/electric_500hz.csv": 500.0,
    "measuring-only/layouts/semicolon_no_header_no_time.txt": 100.0,
    "measuring-only/layouts/json_columns.json": 50.0,
    "measuring-only/short_pieces_five_vehicles_50hz.csv": 50.0,
    "redistributable/fan_with_weights/layout1.csv": 50.0,
    "redistributable/fan_with_weights/layout2.csv": 50.0,
    "redistributable/fan_with_weights/layout3.csv": 50.0,
}

# file: what the sentence must say, since it holds no shake at all
REFUSE = {
    "measuring-only/bus/phone_said_200hz_speed.gpx": "--speed-log",
    "measuring-only/small_car/sparse_speed_log.csv": "--axes",
    "measuring-only/layouts/milliseconds_steps_back_gps.csv": "--axes",
    "redistributable/road_drive_wheel_speed.csv": "--axes",
    "redistributable/phone_zip_zyx/Location.csv": "--axes",
    "redistributable/phone_zip_zyx/Annotation.csv": "empty",
}
ELSEWHERE = {"trial06_GNSS_local.csv", "Accelerometer.csv", "TotalAcceleration.csv", "Gravity.csv"}


def read(name: str, options: ReadOptions | None = None) -> Recording:
    path = DATA / name
    if not path.exists():
        pytest.skip(f"{name} is not on this machine")
    return read_recording(path, options or ReadOptions())


@pytest.mark.parametrize("name", sorted(READ))
def test_a_real_log_is_read_with_no_option_at_its_true_rate(name: str) -> None:
    rate, unit, channels = READ[name]
    recording = read(name)
    assert recording.rate_hz == pytest.approx(rate, rel=2e-3)
    assert recording.unit == unit
    assert recording.samples.shape[0] == channels
    assert np.isfinite(recording.samples).all()
    assert float(np.abs(recording.samples[:, ~recording.valid]).max(initial=0.0)) == 0.0
    if unit == "m/s^2":
        length = np.linalg.norm(np.median(recording.samples[:, recording.valid], axis=1))
        assert 8.5 < float(length) < 10.8 or name.startswith("measuring-only/rig_")


@pytest.mark.parametrize("name", sorted(ASK))
def test_a_real_log_without_time_names_the_option_and_is_read_with_it(name: str) -> None:
    with pytest.raises(RecordingError, match='--rate "500 Hz"'):
        read(name)
    recording = read(name, ReadOptions(rate_hz=ASK[name]))
    assert recording.rate_hz == pytest.approx(ASK[name])
    assert recording.unit == "m/s^2"


@pytest.mark.parametrize("name", sorted(REFUSE))
def test_a_real_file_without_a_shake_is_refused_with_a_sentence(name: str) -> None:
    with pytest.raises(RecordingError, match=REFUSE[name]):
        read(name)


def test_every_listed_real_file_is_in_one_of_the_tables() -> None:
    listed = set(READ) | set(ASK) | set(REFUSE)
    there = [path for path in DATA.rglob("*") if path.is_file() and path.suffix != ".md"]
    missing = [
        path.name
        for path in there
        if str(path.relative_to(DATA)) not in listed
        and "LICENSE" not in path.name
        and path.name not in ELSEWHERE
    ]
    assert missing == []


def test_the_bus_that_said_200_hz_has_three_quarters_of_its_rows_repeated() -> None:
    recording = read("measuring-only/bus/phone_said_200hz.txt")
    assert recording.quality.repeated / 139_607 == pytest.approx(0.74, abs=0.01)
    assert recording.quality.nominal_rate_hz == pytest.approx(200, rel=0.03)


def test_the_screen_that_went_off_left_a_gap_of_1530_seconds() -> None:
    recording = read("measuring-only/small_car/screen_off_gap.csv")
    assert max(length for _, length in recording.quality.gaps) == pytest.approx(1530, abs=2)


def test_the_car_at_50_hz_wrote_late_for_seconds_and_lost_nothing() -> None:
    recording = read("measuring-only/car_50hz/drive_216s.csv")
    assert recording.samples.shape[1] == pytest.approx(10_800, abs=2)
    assert recording.speed is not None
    assert recording.speed.unit == "km/h"  # told by the acceleration, as its provenance states
    assert float(recording.speed.values.max()) == pytest.approx(57.8 / 3.6, abs=0.1)


def test_the_rotor_marks_give_its_turning_rate() -> None:
    """1x against the mark at 50 to 59.5 Hz (PROVENANCE.md)."""
    recording = read("measuring-only/rotor_with_mark/without_weight_0.csv")
    assert recording.mark_times_s is not None
    assert 1 / float(np.median(np.diff(recording.mark_times_s))) == pytest.approx(50, abs=1.5)


def test_the_rotor_1x_against_its_mark_has_the_amplitude_and_phase_of_its_provenance() -> None:
    """0.0083 to 0.0112 g at -21 to -28 degrees at 50 to 53 Hz, at 0.061 mg a count (PROVENANCE.md)."""
    recording = read("measuring-only/rotor_with_mark/without_weight_0.csv")
    marks = recording.mark_times_s
    assert marks is not None
    times = recording.start_s + np.arange(recording.valid.size) / recording.rate_hz
    inside = (times >= marks[0]) & (times < marks[-1])
    turns = np.interp(times[inside], marks, np.arange(marks.size))
    shake = recording.samples[0, inside]
    phasor = 2 * np.mean((shake - shake.mean()) * np.exp(-2j * np.pi * turns))
    assert 0.0075 < abs(phasor) * 0.061e-3 < 0.0120
    assert -35 < float(np.degrees(np.angle(phasor))) < -10


def test_the_idling_bus_shows_its_third_order_at_32_5_hz() -> None:
    """32.47 Hz, 0.32 m/s^2 (PROVENANCE.md, recomputed there)."""
    recording = read("measuring-only/bus/idle_six_cylinder_500hz.csv", ReadOptions(rate_hz=500.0))
    size = recording.samples.shape[1]
    spectrum = np.abs(
        np.fft.rfft((recording.samples - recording.samples.mean(axis=1, keepdims=True)) * np.hanning(size))
    )
    strength = np.sqrt((spectrum**2).sum(axis=0)) * 4 / size
    hz = np.fft.rfftfreq(size, 1 / 500.0)
    band = (hz > 20) & (hz < 45)
    assert float(hz[band][np.argmax(strength[band])]) == pytest.approx(32.47, abs=0.1)
    assert float(strength[band].max()) == pytest.approx(0.32, rel=0.15)


def test_the_zip_of_ten_hertz_says_what_it_can_still_see_and_brings_its_speed() -> None:
    recording = read("measuring-only/phone_quoted_exponent.zip")
    assert any("nothing above 5.01 Hz" in sentence for sentence in recording.history)
    assert recording.speed is not None
    assert 25 < float(recording.speed.values.max()) < 30


def test_absolute_stamps_keep_their_date() -> None:
    recording = read("measuring-only/phone_datetime_uptime_ns.csv")
    assert recording.epoch_s == pytest.approx(1463224629, abs=1.0)  # 14 May 2016 11:17:09, zone unknown
    assert read("measuring-only/layouts/iso_zone_wide_30hz.csv").epoch_s == pytest.approx(
        1686966604.3, abs=0.1
    )
