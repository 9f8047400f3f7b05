"""`vibeorder diagnose` with sound, marked drives, a standstill and the customer's words, from files to the report."""

import io
import json
import wave
import zipfile
from pathlib import Path

import numpy as np
import pytest
from test_diagnosis_both import CAR, rendered
from test_diagnosis_steps import SPEED, STEPS, driven, in_two_steps

from vibeorder.cli import main
from vibeorder.recording.model import Recording
from vibeorder.recording.ourfile import FORMAT, JSON_NAME, MOTION_NAME, SOUND_NAME, SPEED_NAME, VERSION
from vibeorder.simulate import Drive, Fault

TRUCK = """
[vehicle]
name = "invented truck"
layout = "rwd"
[tire]
circumference_mm = 2400
[axle]
ratio = {axle}
[transmission]
gears = {gears}
[engine]
cylinders = 8
"""


@pytest.fixture
def truck(tmp_path: Path) -> Path:
    return profile(tmp_path, 3.4, "[2.8, 1.55, 1.0]")


def profile(folder: Path, axle: float, gears: str) -> Path:
    path = folder / "truck.toml"
    path.write_text(TRUCK.format(axle=axle, gears=gears))
    return path


def recorder_zip(
    path: Path, shake: Recording, marks: list[dict[str, object]], sound: Recording | None = None
) -> Path:
    """A recording as the recorder page writes it."""
    times = np.arange(shake.samples.shape[1]) / shake.rate_hz
    rows = "\n".join(
        f"{t:.5f},{x:.4f},{y:.4f},{z:.4f}" for t, (x, y, z) in zip(times, shake.samples.T, strict=True)
    )
    names = ",".join(["time_s", *(f"acceleration_{axis}_mps2" for axis in "xyz")])
    about: dict[str, object] = {
        "format": FORMAT, "version": VERSION, "marks": marks, "speed": {"rows": 1}, "clocks": {}, "motion": {},
    }  # fmt: skip
    assert shake.speed is not None
    fixes = zip(shake.speed.times_s, shake.speed.values, strict=True)
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as bundle:
        bundle.writestr(MOTION_NAME, f"{names}\n{rows}\n")
        bundle.writestr(
            SPEED_NAME, "time_s,speed_mps\n" + "\n".join(f"{t:.3f},{v:.3f}" for t, v in fixes) + "\n"
        )
        if sound is not None:
            about["sound"] = {"start_s": 0.0}
            held = io.BytesIO()
            with wave.open(held, "wb") as out:
                out.setparams((1, 2, round(sound.rate_hz), 0, "NONE", ""))
                out.writeframes((np.clip(sound.samples[0], -1, 1) * 32767).astype("<i2").tobytes())
            bundle.writestr(SOUND_NAME, held.getvalue())
        bundle.writestr(JSON_NAME, json.dumps(about))
    return path


def result(capsys: pytest.CaptureFixture[str], *words: object) -> dict[str, object]:
    assert main(["diagnose", *(str(word) for word in words), "--json", "-"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert isinstance(found, dict)
    return found


def test_the_sound_in_a_recorders_file_is_judged_with_its_motion(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    motion, sound = rendered(Fault("driveshaft", 1.0, 0.3), gear=3)
    car = profile(tmp_path, CAR.axle_ratio or 0.0, str(list(CAR.gears)))
    found = result(capsys, recorder_zip(tmp_path / "drive.zip", motion, [], sound), "--vehicle", car)
    assert "engine" in str(found["motion_and_sound"])
    assert any("judged together with the sound" in str(line) for line in found["history"])  # type: ignore[attr-defined]


def test_the_drives_of_a_card_are_judged_with_what_they_exclude(
    tmp_path: Path, truck: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    shake = in_two_steps(Fault("driveshaft", 1.0, 0.3), 5)
    marks: list[dict[str, object]] = []
    for begin, end, name in STEPS:
        marks += [{"time_s": begin, "what": name}, {"time_s": end, "what": f"{name[:6]} ends"}]
    found = result(capsys, recorder_zip(tmp_path / "card.zip", shake, marks), "--vehicle", truck)
    assert str(found["verdict"]).startswith("From 2 stretches together: It is the driveshaft, first order")
    assert any("in neutral" in str(note) for note in found["notes"])  # type: ignore[attr-defined]


def test_a_standstill_and_the_customers_words_count_beside_the_drive(
    tmp_path: Path, truck: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    fault = Fault("engine", 1.0, 0.3)
    drive = recorder_zip(
        tmp_path / "drive.zip", driven(fault, Drive("steady", (SPEED,), gears=((0.0, 3),)), 11), []
    )
    rpm = 60.0 * SPEED / 2.4 * 3.4
    still = recorder_zip(tmp_path / "still.zip", driven(fault, Drive("stand", engine_rpm=rpm), 12), [])
    said = tmp_path / "said.json"
    said.write_text('{"standing": "shakes", "gear_change": "changes"}')
    found = result(
        capsys, drive, "--vehicle", truck, "--gear", 3, "--standing", still, "--standing-rpm", f"{rpm:.0f} rpm",
        "--said", said,
    )  # fmt: skip
    assert str(found["verdict"]).startswith("From 2 recordings together: It is the engine, first order")
    words = found["customer_said"]
    assert isinstance(words, dict)
    assert words["from_recording_alone"] > 0.9
    assert len(found["results"]) == 2  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["--standing-rpm", "1800 rpm"], "--standing"),
        (["--said", "none.json"], "none.json"),
        (["--sound", "drive.zip"], "--sound"),
    ],
)
def test_a_slip_in_these_options_is_one_sentence(
    tmp_path: Path, truck: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch,
    words: list[str], sentence: str,
) -> None:  # fmt: skip
    monkeypatch.chdir(tmp_path)
    fault = Fault("engine", 1.0, 0.3)
    drive = recorder_zip(tmp_path / "drive.zip", driven(fault, Drive("steady", (SPEED,)), 11, 12.0), [])
    assert main(["diagnose", str(drive), "--vehicle", str(truck), *words]) == 2
    error = capsys.readouterr().err
    assert error.count("\n") == 1
    assert sentence in error
