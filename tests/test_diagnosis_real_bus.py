"""A city bus in service, phone on board, its position from another device (open data; see the data's PROVENANCE.md).

The provenance: no stated fault; a real wheel line, 1x at 0.03 to 0.09 m/s^2 rms; 2.96 m a turn; the track 2 s late.
"""

import pytest
from diagnosis_examples import SHARED

from vibeorder.diagnosis import diagnose
from vibeorder.recording import read_recording
from vibeorder.speed.clocks import speed_beside
from vibeorder.speed.logged import read_speed_log
from vibeorder.vehicle import parse_vehicle

BUS = SHARED / "measuring-only" / "bus"
pytestmark = pytest.mark.skipif(not BUS.is_dir(), reason="the bus lies beside the checkout and is not here")


def test_the_buss_wheel_line_is_found_at_its_rate_and_called_that_of_a_healthy_vehicle() -> None:
    vehicle = parse_vehicle(
        {"vehicle": {"name": "city bus", "layout": "rwd"}, "tire": {"size": "275/70R22.5"}}
    )
    recording = read_recording(BUS / "phone_said_200hz.txt")
    trace, said = speed_beside(read_speed_log(BUS / "phone_said_200hz_speed.gpx"), recording, vehicle)
    assert trace is not None and "well determined" in said
    found = diagnose(recording, vehicle, speed=trace)
    assert found.nothing_found_probability > 0.5
    assert all(s.probability < 0.2 for s in found.suspects)
    assert not found.runout_check.warranted
    wheel = next(s for s in found.suspects if (s.part, s.order) == ("tire_wheel", 1.0))
    assert wheel.healthy
    assert 0.03 < wheel.amplitude_rms < 0.09
    assert found.speed.lag_s is not None and 1.5 < found.speed.lag_s < 2.5
    assert vehicle.tire.circumference_m / found.speed.scale == pytest.approx(2.96, rel=0.015)
