"""A real healthy minute: nothing in it may be blamed, and a shake added to it must come first.

Source: comma2k19 data set (one minute of a compact utility vehicle in traffic, MIT licence), with the vehicle's own
wheel speed; read in place beside the checkout. Its tire's outside diameter, about 0.72 m, is not stated by the source.
"""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from vibeorder.diagnosis import diagnose
from vibeorder.recording import Recording, Trace, read_recording
from vibeorder.speed.logged import read_speed_log
from vibeorder.vehicle import Vehicle, parse_vehicle

DATA = Path(__file__).resolve().parents[1].parent / "shared" / "data" / "redistributable"
DIAMETER_M = 0.72
ROLLING = 3.05
"""Rolling circumference over outside diameter (JRC CO2MPAS defaults; ETRTO rule)."""

pytestmark = pytest.mark.skipif(not DATA.is_dir(), reason=f"the real recordings are not at {DATA}")


@pytest.fixture(scope="module")
def drive() -> tuple[Recording, Trace]:
    recording = read_recording(DATA / "road_drive_accel.csv")
    log = read_speed_log(DATA / "road_drive_wheel_speed.csv")
    # both files carry seconds of one clock; the log's first stamp, 0.00947 s, is its zero
    return recording, replace(log, times_s=log.times_s + 0.00947, lag_s=0.0)


def _vehicle(**more: object) -> Vehicle:
    words: dict[str, object] = {
        "vehicle": {"name": "compact utility vehicle", "layout": "fwd"},
        "tire": {"diameter_mm": 1000.0 * DIAMETER_M},
        "transmission": {"final_drive": 3.6, "gears": [3.5, 2.0, 1.3, 1.0, 0.75]},
        "engine": {"cylinders": 4},
    }
    return parse_vehicle(words | more)


def _with_order(recording: Recording, log: Trace, per_wheel: float, rms_mps2: float) -> Recording:
    times = np.arange(recording.samples.shape[1]) / recording.rate_hz
    speed = np.interp(times, log.times_s, log.values)
    turns = np.concatenate([[0.0], np.cumsum(speed[:-1]) / recording.rate_hz]) / (DIAMETER_M * ROLLING)
    direction = np.array([0.5, -0.3, 0.81])
    direction /= np.linalg.norm(direction)
    shake = rms_mps2 * np.sqrt(2.0) * np.cos(2.0 * np.pi * per_wheel * turns)
    return replace(recording, samples=recording.samples + direction[:, None] * shake)


def test_nothing_is_blamed_in_a_healthy_minute_of_traffic(drive: tuple[Recording, Trace]) -> None:
    recording, log = drive
    found = diagnose(recording, _vehicle(), speed=log)
    assert found.nothing_found_probability > 0.5
    assert not found.runout_check.warranted
    assert max(s.probability for s in found.suspects) < 0.2


@pytest.mark.parametrize(("part", "order", "per_wheel"), [("tire_wheel", 1.0, 1.0), ("tire_wheel", 2.0, 2.0)])
def test_a_wheel_order_added_to_it_comes_first(
    drive: tuple[Recording, Trace], part: str, order: float, per_wheel: float
) -> None:
    recording, log = drive
    found = diagnose(_with_order(recording, log, per_wheel, 0.3), _vehicle(), speed=log)
    assert (found.suspects[0].part, found.suspects[0].order) == (part, order)
    assert found.nothing_found_probability < 0.1


def test_a_half_shaft_order_added_to_it_comes_first_with_the_wheels_twin(
    drive: tuple[Recording, Trace],
) -> None:
    recording, log = drive
    found = diagnose(_with_order(recording, log, 3.0, 0.3), _vehicle(), speed=log)
    first = found.suspects[0]
    assert {(first.part, first.order), *first.indistinct_from} >= {("half_shaft", 3.0), ("tire_wheel", 3.0)}


def test_an_engine_order_added_to_it_comes_first(drive: tuple[Recording, Trace]) -> None:
    recording, log = drive
    vehicle = _vehicle(engine={"cylinders": 6})
    found = diagnose(_with_order(recording, log, 3.0 * 3.6 * 0.75, 0.3), vehicle, speed=log)
    assert (found.suspects[0].part, found.suspects[0].order) == ("engine", 3.0)
