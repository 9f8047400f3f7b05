"""The slip of a strong line told by the others, its own wobble being known. Scans made by hand; slips of a percent are
common practice, no source."""

import numpy as np
import pytest
from diagnosis_examples import VAN
from numpy.typing import NDArray

from vibeorder.diagnosis.candidates import candidates_of
from vibeorder.diagnosis.scan import Clock, Scan, Track
from vibeorder.diagnosis.slips import slip_beside

FloatArray = NDArray[np.float64]
SECONDS, WHEEL_HZ = 60, 15.0
EPSILON = np.asarray(np.arange(-50, 51) * 0.001, np.float64)
CANDIDATES = candidates_of(VAN)
PUMP = next(i for i, c in enumerate(CANDIDATES) if c.part == "accessory:pump")
SHAFT = next(i for i, c in enumerate(CANDIDATES) if c.key == ("driveshaft", 1.0))
FIRING = next(i for i, c in enumerate(CANDIDATES) if c.key == ("engine", 2.0))
SLIPS = np.asarray(np.arange(-20, 21) * 0.001, float)
GEAR = np.full(SECONDS, 4, np.intp)


def scan_of(lines: dict[int, tuple[float, FloatArray]]) -> Scan:
    """Lines of candidates: turns per wheel turn, and correction at which each stands in every frame."""
    clock = Clock(
        np.zeros(1),
        np.asarray(np.arange(SECONDS) + 0.5, float),
        np.full(SECONDS, WHEEL_HZ),
        EPSILON,
        EPSILON.size,
    )
    tracks = tuple(Track(i, None if CANDIDATES[i].basis == "wheel" else 4, m) for i, (m, _) in lines.items())
    evidence = [
        np.where(np.abs(EPSILON - at[:, None]) < 0.0015, np.float32(3.0), np.float32(-0.2))
        for _, at in lines.values()
    ]
    return Scan(tracks, clock, tuple(evidence), ())


def wobble() -> FloatArray:
    return np.asarray(0.006 * np.sin(np.arange(SECONDS) / 5.0), float)


def found(slip: float, others: dict[int, float]) -> float:
    """The pump's slip, told by others of so many turns a wheel turn, which keep to the wheel."""
    wheel = wobble()
    scan = scan_of({PUMP: (5.0, wheel + slip)} | {i: (m, wheel) for i, m in others.items()})
    return slip_beside(scan, CANDIDATES, PUMP, wheel + slip, GEAR, SLIPS, -0.5 * (SLIPS / 0.01) ** 2)


@pytest.mark.parametrize("slip", [-0.012, 0.0, 0.009])
def test_a_belts_slip_is_told_by_the_shaft_through_the_wobble_of_its_own_line(slip: float) -> None:
    assert found(slip, {SHAFT: 3.5}) == pytest.approx(slip, abs=0.0015)


@pytest.mark.parametrize("slip", [-0.012, 0.009])
def test_a_belts_slip_is_told_by_the_engine_too(slip: float) -> None:
    assert found(slip, {FIRING: 7.3}) == pytest.approx(slip, abs=0.0015)


def test_a_line_that_runs_beside_the_belts_own_tells_nothing() -> None:
    """A twentieth of a wheel turn is 0.75 Hz here: its place is on the skirt of the strong line."""
    assert found(0.012, {SHAFT: 5.05}) == 0.0


def test_with_no_other_line_the_prior_decides() -> None:
    assert found(0.012, {}) == 0.0
