"""The unit of a logged speed told by what turns; simulated drives of invented vehicles."""

from dataclasses import replace

import numpy as np
from diagnosis_examples import DIRECT_GEAR, ELECTRIC, ELECTRIC_SWEEP, STEADY, TRUCK, made

from vibeorder.diagnosis import diagnose
from vibeorder.diagnosis.unit_told import unit_told
from vibeorder.recording import Recording, Trace, speed_factor
from vibeorder.recording.besides import ASSUMED
from vibeorder.simulate import Drive, as_recording
from vibeorder.vehicle import Vehicle, engine_ratio

OPEN = (("km/h", 0.0), ("mph", -0.5), ("m/s", -2.3))


def misread(vehicle: Vehicle, drive: Drive, part: str | None) -> Recording:
    """A drive whose speed was written in mph and read as km/h, for want of a unit."""
    recording = as_recording(made(vehicle, drive, part))
    assert recording.speed is not None
    values = recording.speed.values * (speed_factor("km/h") / speed_factor("mph"))
    speed = replace(recording.speed, values=values, unit="km/h", open_units=OPEN)
    said = f'speed column "speed" in km/h{ASSUMED}: {values.size} readings, up to 67 km/h'
    return replace(recording, speed=speed, history=(said,))


def test_the_lines_tell_the_unit_and_the_part_is_named() -> None:
    recording = misread(ELECTRIC, ELECTRIC_SWEEP, "tire_wheel")
    found = diagnose(recording, ELECTRIC)
    assert found.speed.unit == "mph"
    assert 28.0 < float(np.nanmax(found.speed.speed_mps)) < 31.0
    assert found.suspects[0].part == "tire_wheel" and found.suspects[0].probability > 0.5
    assert any("in mph, told by the lines of what turns" in one for one in found.history)
    assert not any("assumed" in one for one in found.history)


def test_an_engine_speed_in_a_told_gear_tells_the_unit() -> None:
    recording = misread(TRUCK, DIRECT_GEAR, None)
    speed = recording.speed
    assert speed is not None
    true_mps = speed.values * (speed_factor("mph") / speed_factor("km/h"))
    engine_hz = true_mps / TRUCK.tire.circumference_m * engine_ratio(TRUCK, 7)
    silent = replace(
        recording,
        samples=np.zeros_like(recording.samples),
        rpm=Trace(speed.times_s, engine_hz, "rpm", "rpm"),
    )
    told = unit_told(silent, TRUCK, 7, low_range=False)
    assert told.speed is not None and told.speed.unit == "mph"
    assert np.allclose(told.speed.values, true_mps)
    assert "told by the engine speed in gear 7" in told.history[0]


def test_at_one_speed_in_an_unknown_gear_the_unit_stays_assumed() -> None:
    """Some gear puts an engine order on any line."""
    recording = misread(TRUCK, STEADY, "driveshaft")
    assert unit_told(recording, TRUCK, None, low_range=False) is recording
