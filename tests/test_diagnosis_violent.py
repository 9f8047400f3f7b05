"""A shake beyond what vehicles do: a loose phone, a log in the wrong unit. It is still a shake."""

import numpy as np
import pytest
from diagnosis_examples import PICKUP, recording_of

from vibeorder.diagnosis import diagnose
from vibeorder.speed.given import parse_speed_given


@pytest.mark.parametrize("peak_mps2", [0.4, 3.0, 10.0])
def test_a_line_of_up_to_a_g_is_not_called_nothing(peak_mps2: float) -> None:
    rate_hz, rng = 200.0, np.random.default_rng(3)
    t = np.arange(int(40 * rate_hz)) / rate_hz
    hz = 3.73 * 60 * 0.44704 / PICKUP.tire.circumference_m
    shake = peak_mps2 * np.array([[0.3], [0.5], [0.8]]) * np.cos(2 * np.pi * hz * t)
    recording = recording_of(shake + 0.3 * rng.standard_normal((3, t.size)), rate_hz)
    found = diagnose(recording, PICKUP, speed=parse_speed_given("60 mph"), gear=5)
    assert (found.suspects[0].part, found.suspects[0].order) == ("driveshaft", 1.0)
    assert found.suspects[0].probability > 0.9
    assert found.nothing_found_probability < 0.1
