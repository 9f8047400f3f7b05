"""A phone's recording is judged by the page and in a batch as by the command: with its sound, stretch by stretch.

The drive is invented, its vehicle too; what is checked is that they agree, no published source.
"""

from pathlib import Path
from typing import Any

import httpx
import numpy as np
import pytest
from batch_examples import batch_here, rows_of
from recorder_pieces import assembled, pieces_of
from test_diagnosis_both import rendered
from test_web_together import said_by_command, same
from web_server import Running, csrf_of, finished

from vibeorder.simulate import Fault
from vibeorder.units import STANDARD_GRAVITY
from vibeorder.web.vehicles import toml_text

MARKS = (20.0, 24.0)
CAR: dict[str, Any] = {
    "vehicle": {"name": "invented car", "layout": "rwd"},
    "tire": {"circumference_mm": 2400.0},
    "axle": {"ratio": 3.38},
    "transmission": {"gears": [1.7, 1.356, 1.0]},
    "engine": {"cylinders": 8},
}
"""As of the drives of test_diagnosis_both.py."""


def recorded(path: Path) -> Path:
    """A drive with a firing order at fault, as the phone writes it: motion, sound, two taps on "it shakes now"."""
    motion, sound = rendered(Fault("engine", 4.0, 0.25), gear=2, long_s=45.0)
    times = np.arange(motion.samples.shape[1]) / motion.rate_hz
    shake = motion.samples + np.array([[0.0], [0.0], [STANDARD_GRAVITY]])
    heard = (20_000 * sound.samples[0] / np.abs(sound.samples[0]).max()).astype(np.int16)
    assert motion.speed is not None
    fixes = list(zip(motion.speed.times_s.tolist(), motion.speed.values.tolist(), strict=True))
    assembled(path, pieces_of(times, shake, fixes=fixes, sound=heard, marks=MARKS))
    return path


@pytest.fixture(scope="module")
def alone(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, Any]]:
    """The recording, its vehicle's profile beside it, and what the command says of it."""
    folder = tmp_path_factory.mktemp("phone")
    path, profile = recorded(folder / "drive.zip"), folder / "vehicle.toml"
    profile.write_text(toml_text(CAR), encoding="utf-8")
    return path, said_by_command(str(path), "--vehicle", str(profile))


def test_a_batch_judges_it_with_its_sound_and_marks_as_alone(
    alone: tuple[Path, dict[str, Any]], tmp_path: Path
) -> None:
    path, command = alone
    run = batch_here(path.parent, "--out", tmp_path / "out.csv")
    assert run.returncode == 0, run.stderr
    (row,) = rows_of(tmp_path / "out.csv")
    assert "stretches together" in row["verdict"]
    assert row["verdict"] == command["verdict"]


def test_the_page_judges_motion_sound_and_marks_of_one_file_as_the_command_does(
    client: httpx.Client, server: Running, alone: tuple[Path, dict[str, Any]]
) -> None:
    path, command = alone
    car = server.house.vehicles.save(CAR)
    data = {"csrf_token": csrf_of(client), "vehicle": car.name, "job": "new", "complaint": "Drones"}
    sent = [("recording", ("drive.zip", path.read_bytes()))]
    name = client.post("/upload", data=data, files=sent).headers["location"].rsplit("/", 1)[1]
    assert finished(client, name)["state"] == "done"
    page = client.get(f"/result/{name}/result.json").json()
    assert page["motion_and_sound"] is not None
    assert "stretches together" in page["verdict"]
    assert any("judged together with the sound" in sentence for sentence in page["history"])
    assert same(page["suspects"]) == same(command["suspects"])
    assert page["verdict"] == command["verdict"]
