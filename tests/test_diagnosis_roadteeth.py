"""A strong line with the teeth of a road's joints beside it is the road's; with a tire's orders beside it, a tire's.

Invented data. Plain concrete is cut every 15 ft, 5 m or 20 ft (common practice, no source); that equal spacing makes
lines at all multiples of speed over spacing is Fourier's series.
"""

import numpy as np
import pytest
from compare_examples import recording_of
from numpy.typing import NDArray

from vibeorder.diagnosis import Diagnosis, diagnose
from vibeorder.recording import Recording
from vibeorder.speed.given import parse_speed_given
from vibeorder.vehicle import parse_vehicle

FloatArray = NDArray[np.float64]
RATE_HZ, SECONDS = 100.0, 60.0
CAR = parse_vehicle(
    {"vehicle": {"name": "Northwind wagon", "layout": "fwd"}, "tire": {"circumference_mm": 2000}}
)
SPEED = parse_speed_given("81.6 km/h")
WHEEL_HZ = 80.0 / 3.6 / 2.0
"""The dash reads 2% high, as most do."""

STRONG, WEAK = 0.3, 0.05
SLABS_M, TOOTH = 5.0, 5
"""The fifth tooth of joints every 5 m lies on the second order of a wheel that rolls 2 m a turn."""

TIRES_OWN = (0.5, 1.5, 2.0)
"""Orders of a tire as a share of its second."""


def shaking(beside: tuple[float, ...], speed_drift: float = 0.0, seed: int = 3) -> Recording:
    """Second order of the wheels, STRONG, with WEAK lines at these shares of its rate, all in step, over noise."""
    rng = np.random.default_rng(seed)
    times = np.arange(int(RATE_HZ * SECONDS)) / RATE_HZ
    # a held speed wanders by tenths of a percent
    wander = 1.0 + 0.003 * np.sin(2 * np.pi * times / 23.0) + speed_drift * (times / SECONDS - 0.5)
    turns = np.cumsum(2.0 * WHEEL_HZ * wander) / RATE_HZ
    samples = 0.12 * rng.standard_normal((3, times.size))
    for share, rms in ((1.0, STRONG), *((s, WEAK) for s in beside)):
        way = np.array([0.3, 0.4, np.sqrt(1.0 - 0.25)])
        phase = rng.uniform(0.0, 2.0 * np.pi)
        samples += np.sqrt(2.0) * rms * way[:, None] * np.sin(2.0 * np.pi * share * turns + phase)
    return recording_of(samples, RATE_HZ)


def of(beside: tuple[float, ...]) -> Diagnosis:
    return diagnose(shaking(beside), CAR, speed=SPEED)


def teeth(*numbers: int) -> tuple[float, ...]:
    return tuple(j / TOOTH for j in numbers)


def tire(found: Diagnosis) -> float:
    return next(s.probability for s in found.suspects if (s.part, s.order) == ("tire_wheel", 2.0))


def test_a_line_with_other_teeth_of_a_comb_beside_it_is_the_roads() -> None:
    found = of(teeth(1, 2, 3, 4, 6, 7))
    assert found.nothing_found_probability > 0.5
    assert not found.runout_check.warranted


def test_the_verdict_names_the_joints_and_how_far_they_are_apart() -> None:
    said = of(teeth(1, 2, 3, 4, 6, 7)).verdict
    assert f"{2.0 * WHEEL_HZ:.1f} Hz" in said
    assert f"every {SLABS_M:.1f} m" in said or "every 4.9 m" in said or "every 5.1 m" in said
    assert "joints of a concrete road" in said


@pytest.mark.parametrize("beside", [(), TIRES_OWN], ids=["alone", "with a tire's other orders"])
def test_a_line_without_other_teeth_is_the_tires(beside: tuple[float, ...]) -> None:
    assert tire(of(beside)) > 0.8
