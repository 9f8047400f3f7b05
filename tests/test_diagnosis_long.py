"""A long drive is judged in stretches of which little is kept, from samples on disk: nothing in the answer changes.

The program is its own measure: the same drive held in memory, with all that was read in it.
"""

import json
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile
from diagnosis_examples import TRUCK, made

from vibeorder.diagnosis import Diagnosis, analyse, diagnose
from vibeorder.recording import Recording, store
from vibeorder.report import as_json
from vibeorder.simulate import Drive, as_recording
from vibeorder.speed.given import parse_speed_given

DRIVE = Drive("sweep", (18.0, 29.0, 20.0), ((0.0, 8),))
READ = """
import resource, sys
from pathlib import Path
from vibeorder.recording import read_recording
print(read_recording(Path(sys.argv[1])).samples.shape[1])
print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024)
"""


def on_disk(recording: Recording, monkeypatch: pytest.MonkeyPatch) -> Recording:
    """The recording as a reader would leave a long one, on disk."""
    monkeypatch.setattr(store, "IN_MEMORY_VALUES", 1000)
    samples = store.stored(iter([recording.samples]), recording.samples.shape[0])
    assert store._mapped(samples) is not None
    return replace(recording, samples=samples)


def numbers(found: Diagnosis) -> list[float]:
    """Every number of the JSON, in order."""
    kept: list[float] = []

    def walk(value: object) -> None:
        if isinstance(value, dict):
            for one in value.values():
                walk(one)
        elif isinstance(value, list):
            for one in value:
                walk(one)
        elif isinstance(value, int | float) and not isinstance(value, bool):
            kept.append(float(value))

    walk(json.loads(as_json(found)))
    return kept


@pytest.mark.parametrize("told", [None, "54 mph", "40-65 mph"], ids=["logged", "said", "range"])
def test_a_drive_on_disk_is_judged_as_one_in_memory(
    monkeypatch: pytest.MonkeyPatch, told: str | None
) -> None:
    monkeypatch.setattr(analyse, "PIECE_S", 15.0)
    recording = as_recording(made(TRUCK, DRIVE, "driveshaft", duration_s=45.0), gps=told is None)
    speed = None if told is None else parse_speed_given(told)
    whole = diagnose(recording, TRUCK, speed=speed, explain=True)
    lean = diagnose(on_disk(recording, monkeypatch), TRUCK, speed=speed, explain=True)
    assert lean.verdict == whole.verdict
    # the worth of a next drive, in bits, amplifies what single precision leaves
    assert numbers(lean) == pytest.approx(numbers(whole), rel=1e-2, abs=1e-3)


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="peak memory in kilobytes is Linux's")
def test_forty_minutes_of_sound_take_no_more_memory_than_four(tmp_path: Path) -> None:
    rng = np.random.default_rng(1)
    minute = (0.1 * rng.standard_normal(60 * 8000)).astype(np.float32)
    peak_mb = []
    for minutes in (4, 40):
        path = tmp_path / f"{minutes}.wav"
        with soundfile.SoundFile(path, "w", 8000, 1) as file:
            for _ in range(minutes):
                file.write(minute)
        done = subprocess.run(
            [sys.executable, "-c", READ, str(path)], capture_output=True, text=True, check=True
        )
        samples, peak = done.stdout.split()
        assert int(samples) == minutes * 60 * 2000
        peak_mb.append(int(peak))
    assert peak_mb[1] < 1.3 * peak_mb[0]  # four million samples in memory are 16 MB
