"""Without a speed: the joints of a concrete road are taken for no part, whose every tooth is some part's order.

Invented data. That every axle strikes every joint, and spacings about 15 ft, are common practice, no source.
"""

import numpy as np
import pytest
from compare_examples import recording_of
from diagnosis_examples import TRUCK

from vibeorder.diagnosis import diagnose
from vibeorder.recording import Recording

RATE_HZ, SECONDS = 200.0, 60.0
SLABS_HZ = 28.0 / 4.57
"""28 m/s over slabs of 15 ft: 6.13 a second, and the wheels turn at twice that and a bit."""


def held(base_hz: float, amplitudes: dict[int, float], seed: int = 3) -> Recording:
    """A held speed, which wanders by some tenths of a percent: lines at multiples of one rate, in m/s^2 rms."""
    rng = np.random.default_rng(seed)
    t = np.arange(int(RATE_HZ * SECONDS)) / RATE_HZ
    turns = np.cumsum(base_hz * (1.0 + 0.003 * np.sin(2.0 * np.pi * t / 11.0))) / RATE_HZ
    samples = 0.12 * rng.standard_normal((3, t.size))
    for number, rms in amplitudes.items():
        way = rng.standard_normal(3)
        line = np.sqrt(2.0) * rms * np.cos(2.0 * np.pi * (number * turns + rng.random()))
        samples += np.outer(way / np.linalg.norm(way), line)
    return recording_of(samples, RATE_HZ)


def test_a_comb_of_joints_whose_second_tooth_is_strongest_is_nobodys() -> None:
    teeth = {1: 0.03, 2: 0.11, 3: 0.05, 4: 0.02, 5: 0.03, 7: 0.025, 8: 0.02, 9: 0.02}
    found = diagnose(held(SLABS_HZ, teeth), TRUCK)
    assert found.nothing_found_probability > 0.8


@pytest.mark.parametrize("strongest", [1, 2])
def test_a_tires_orders_are_no_comb_for_want_of_the_teeth_between_and_beyond(strongest: int) -> None:
    orders = dict.fromkeys((1, 2, 3), 0.03) | {strongest: 0.2}
    found = diagnose(held(28.0 / TRUCK.tire.circumference_m, orders), TRUCK)
    assert found.nothing_found_probability < 0.2
