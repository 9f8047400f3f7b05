"""What the simulator writes, read back by pandas, the wave module and tomllib; samples; the population."""

import runpy
import tomllib
import wave
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vibeorder.errors import RecordingError
from vibeorder.simulate import (
    LAYOUTS,
    Clock,
    Drive,
    Fault,
    Scenario,
    as_recording,
    random_vehicle,
    road_test,
    truth_group,
    write_log,
    write_wav,
)
from vibeorder.simulate.__main__ import main
from vibeorder.simulate.samples import SAMPLES, VEHICLES, make_sample
from vibeorder.units import STANDARD_GRAVITY

ROOT = Path(__file__).resolve().parents[1]
SAMPLE_DATA = ROOT / "sample_data"
TRUCK = random_vehicle(np.random.default_rng(1), "rwd")
LOG = Scenario(Drive("sweep", (15.0, 25.0)), 12.0, clock=Clock(0.05, 1e-4, 0.02))
TEST = road_test(TRUCK, LOG, np.random.default_rng(7))
random_road_test: Any = runpy.run_path(str(ROOT / "tests" / "benchmarks" / "world.py"))["random_road_test"]


def test_a_log_in_seconds_holds_the_samples_and_one_gps_fix_a_second(tmp_path: Path) -> None:
    table = pd.read_csv(write_log(TEST, tmp_path / "a.csv"))
    assert list(table) == ["time (s)", "ax (m/s^2)", "ay (m/s^2)", "az (m/s^2)", "gps speed (m/s)"]
    assert np.allclose(table["time (s)"], TEST.times_s, atol=6e-5)
    assert np.allclose(table.iloc[:, 1:4].to_numpy().T, TEST.samples, atol=1e-9)
    assert TEST.gps is not None
    fixes = table["gps speed (m/s)"].dropna()
    assert np.allclose(fixes, TEST.gps.speed_mps, atol=0.006)
    assert "gps speed (m/s)" not in pd.read_csv(write_log(TEST, tmp_path / "b.csv", gps=False))


def test_logs_in_other_layouts_hold_the_same_numbers(tmp_path: Path) -> None:
    semicolon = pd.read_csv(write_log(TEST, tmp_path / "s.csv", "semicolon"), sep=";", decimal=",")
    assert np.allclose(semicolon.iloc[:, 1:4].to_numpy().T, TEST.samples, atol=1e-9)
    in_g = pd.read_csv(write_log(TEST, tmp_path / "m.csv", "milliseconds"))
    assert np.allclose(in_g.iloc[:, 1:4].to_numpy().T * STANDARD_GRAVITY, TEST.samples, atol=6e-4)
    assert np.allclose(in_g["time_ms"] / 1e3, TEST.times_s, atol=6e-5)
    epoch = pd.read_csv(write_log(TEST, tmp_path / "e.csv", "epoch"))
    assert np.allclose(epoch[["x", "y", "z"]].to_numpy().T, TEST.samples, atol=1e-9)
    assert np.allclose((epoch["time"] - 1_700_000_000_000_000_000) / 1e9, TEST.times_s, atol=1e-8)
    assert set(LAYOUTS) == {"seconds", "semicolon", "milliseconds", "epoch"}


def test_a_voice_memo_is_a_sixteen_bit_mono_wav(tmp_path: Path) -> None:
    memo = road_test(TRUCK, replace(LOG, sensor="audio", rate_hz=8000.0), np.random.default_rng(1))
    with wave.open(str(write_wav(memo, tmp_path / "memo.wav"))) as file:
        assert (file.getnchannels(), file.getsampwidth(), file.getframerate()) == (1, 2, 8000)
        read = np.frombuffer(file.readframes(file.getnframes()), "<i2") / 32768.0
    assert np.allclose(read, memo.samples[0], atol=1 / 32768)
    with pytest.raises(RecordingError, match="write it with write_wav"):
        write_log(memo, tmp_path / "memo.csv")
    with pytest.raises(RecordingError, match="write it with write_log"):
        write_wav(TEST, tmp_path / "a.wav")
    with pytest.raises(RecordingError, match="log layout 'xml' is unknown"):
        write_log(TEST, tmp_path / "a.xml", "xml")


def test_the_recording_without_a_file_is_even_in_time_and_leaves_gaps_empty() -> None:
    clock = Clock(0.07, 0.0, 0.2)
    scenario = replace(LOG, clock=clock, faults=(Fault("tire_wheel", 1.0, 0.5),))
    test = road_test(TRUCK, scenario, np.random.default_rng(2))
    recording = as_recording(test)
    assert recording.samples.shape == (3, recording.valid.size)
    assert recording.rate_hz == pytest.approx(200.0, rel=0.01)
    # Steps are geometric: k long with 0.8 x 0.2^(k-1), 1.25 on average; 1 and 2 are filled: 1.12 / 1.25.
    assert recording.valid.mean() == pytest.approx(1.12 / 1.25, abs=0.03)
    assert np.all(recording.samples[:, ~recording.valid] == 0.0)
    even = road_test(TRUCK, replace(scenario, clock=Clock()), np.random.default_rng(2))
    assert np.array_equal(as_recording(even).samples, even.samples)
    assert as_recording(even, gps=False).speed is None


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 10**6), st.sampled_from(["rwd", "fwd", "4wd", "awd", "ev"]))
def test_every_invented_vehicle_can_be_driven_and_scored(seed: int, layout: Any) -> None:
    rng = np.random.default_rng(seed)
    vehicle = random_vehicle(rng, layout)
    assert vehicle.layout == layout
    assert vehicle.axle_ratio is None or 2.7 <= vehicle.axle_ratio <= 4.3
    assert all(a > b for a, b in zip(vehicle.gears, vehicle.gears[1:], strict=False))
    test = road_test(vehicle, Scenario(Drive("steady", (20.0,)), 2.0), rng)
    assert np.isfinite(test.samples).all()
    assert {part for part, _ in test.truth.sources} == set(test.truth.rates_hz)
    assert ("driveshaft" in test.truth.rates_hz) == (layout in ("rwd", "4wd", "awd"))


def test_the_population_is_the_same_drive_whatever_the_analyzer_is_told() -> None:
    told, untold = random_road_test(5, "gps"), random_road_test(5, "none")
    assert np.array_equal(told.samples, untold.samples)
    assert told.gps is not None and untold.gps is None
    assert truth_group(told) == truth_group(untold) != ()
    assert random_road_test(5, healthy=True).truth.fault is None


def test_the_population_draws_what_its_words_say() -> None:
    kinds, rates = set(), []
    for seed in range(25):
        test = random_road_test(seed)
        kinds.add(test.scenario.drive.kind)
        rates.append(test.scenario.rate_hz)
        assert 0.1 <= test.truth.fault.rms_mps2 <= 0.5
        low, high = (30, 60) if test.scenario.drive.kind == "steady" else (60, 90)
        assert low <= test.scenario.duration_s <= high
        assert (test.truth.fault.part, test.truth.fault.order) in test.truth.sources
    assert kinds == {"steady", "sweep"} and set(rates) == {100.0, 200.0, 400.0}
    assert rates.count(100.0) < rates.count(200.0)
    assert random_road_test(1, fault_mps2=(0.03, 0.1)).truth.fault.rms_mps2 <= 0.1
    assert random_road_test(1, drive="steady", layout="ev").vehicle.layout == "ev"


def test_the_samples_in_the_repository_are_what_the_documented_command_writes(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    main(["--write", str(tmp_path)])
    assert capsys.readouterr().out.split() == [sample.name for sample in SAMPLES]
    names = sorted(path.name for path in tmp_path.iterdir())
    for name in names:
        made, kept = (tmp_path / name).read_bytes(), (SAMPLE_DATA / name).read_bytes()
        if name.endswith((".md", ".toml")):
            assert made == kept, name
            continue
        # Another processor may round the last digit of a sine differently: compare what is written, loosely.
        if name.endswith(".csv"):
            a, b = (np.genfromtxt(f / name, delimiter=",", skip_header=1) for f in (tmp_path, SAMPLE_DATA))
            assert np.allclose(a, b, atol=0.011, equal_nan=True), name
        else:
            one, other = (np.frombuffer(x[44:], "<i2").astype(int) for x in (made, kept))
            assert np.abs(one - other).max() <= 2, name


def test_the_samples_are_small_listed_and_their_vehicles_are_valid() -> None:
    readme = (SAMPLE_DATA / "README.md").read_text(encoding="utf-8")
    assert sum(path.stat().st_size for path in SAMPLE_DATA.iterdir()) < 3_000_000
    assert (SAMPLE_DATA / "voice_memo.wav").stat().st_size < 400_000
    for sample in SAMPLES:
        assert f"`{sample.name}` | `{sample.vehicle}`" in readme
        test = make_sample(sample, SAMPLE_DATA)
        fault = test.truth.fault
        assert (fault is None) == (sample.name == "healthy.csv")
        if sample.name.endswith(".wav"):
            assert test.dash_text in readme
        if fault is not None:
            strongest = max(test.truth.lines, key=lambda line: line.rms_mps2)
            assert strongest is fault, sample.name
    layouts = {tomllib.loads(text)["vehicle"]["layout"] for text in VEHICLES.values()}
    assert layouts == {"rwd", "4wd", "fwd", "ev"}
