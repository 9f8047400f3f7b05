"""Beside half the sample rate, and beside zero, a line cannot be read: what is said of one that may lie there."""

import numpy as np
from diagnosis_examples import TRUCK, recording_of

from vibeorder.diagnosis import diagnose
from vibeorder.diagnosis.candidates import candidates_of
from vibeorder.diagnosis.classes import class_evidence
from vibeorder.recording import Recording
from vibeorder.speed.given import parse_speed_given
from vibeorder.vehicle import Vehicle

RATE_HZ = 200.0
GEAR = 8
FIRING = 4.0


def firing_hz(vehicle: Vehicle, mph: float) -> float:
    """Where the firing of this truck lies at the speed that a dash of `mph` stands for (it reads 0 to 4% high)."""
    wheel_hz = mph * 0.44704 / 1.02 / vehicle.tire.circumference_m
    return FIRING * vehicle.gears[GEAR - 1] * 3.55 * wheel_hz


def recorded(line_hz: float | None, seed: int = 5) -> Recording:
    """Forty seconds of noise with one line or none; it wanders as a speed held by eye does."""
    rng = np.random.default_rng(seed)
    t = np.arange(int(40 * RATE_HZ)) / RATE_HZ
    turns = (line_hz or 0.0) * (t + 0.02 * np.sin(2 * np.pi * t / 23.0))
    shake = (0.0 if line_hz is None else 0.45) * np.array([[0.3], [0.5], [0.8]]) * np.cos(2 * np.pi * turns)
    return recording_of(shake + 0.3 * rng.standard_normal((3, t.size)), RATE_HZ)


def test_a_line_beside_half_the_rate_is_read_where_it_runs_not_where_it_should() -> None:
    # at 56 mph the firing of this truck should lie within the hertz below 100 Hz that is blind; with tires 1.3% larger
    # it lies beyond
    mph = 99.5 / firing_hz(TRUCK, 1.0)
    found = diagnose(recorded(98.2), TRUCK, speed=parse_speed_given(f"{mph:.3f} mph"), gear=GEAR)
    assert (found.suspects[0].part, found.suspects[0].order) == ("engine", FIRING)
    assert found.suspects[0].probability > 0.8


def test_nothing_is_said_against_a_part_whose_line_cannot_be_read() -> None:
    candidates = candidates_of(TRUCK)
    firing = next(i for i, c in enumerate(candidates) if c.key == ("engine", FIRING))
    evidence = class_evidence(candidates, (), 0.0, blind={firing})
    assert evidence[firing] == evidence[-1]
    assert np.isinf(evidence[:firing]).all()


def test_the_report_names_the_parts_whose_lines_the_sample_rate_hides() -> None:
    mph = 200.0 / firing_hz(TRUCK, 1.0)  # the firing folds to zero, its half stands at half the rate
    found = diagnose(recorded(None), TRUCK, speed=parse_speed_given(f"{mph:.3f} mph"), gear=GEAR)
    (note,) = [n for n in found.notes if n.startswith("Not readable")]
    assert "engine, cylinder firing (4x) at 200 Hz" in note
    assert "engine, second order (2x) at 100 Hz" in note
    assert "driveshaft" not in note
    elsewhere = diagnose(recorded(None), TRUCK, speed=parse_speed_given(f"{0.9 * mph:.3f} mph"), gear=GEAR)
    assert not any(n.startswith("Not readable") for n in elsewhere.notes)
