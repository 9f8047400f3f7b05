"""A speed log that runs later than was thought: courses that sway with the acceleration are searched as well.

Invented data; the sway itself is calculus: rate(t + tau) = rate(t) (1 + tau d ln(rate)/dt), to first order.
"""

from dataclasses import replace

import numpy as np
import pytest
from diagnosis_examples import VAN
from numpy.typing import NDArray

from vibeorder.diagnosis.candidates import candidates_of
from vibeorder.diagnosis.courses import Followed
from vibeorder.diagnosis.propose import RateDoubt, propose
from vibeorder.diagnosis.scan import Bands, Clock, Scan, Track
from vibeorder.diagnosis.signal import Signal
from vibeorder.diagnosis.sway import NO_SWAY, swayed, sways

FloatArray = NDArray[np.float64]
RATE_HZ, SECONDS = 100.0, 45
EPSILON = np.asarray(np.arange(-60, 61) * 0.001, np.float64)
TIRE = next(c for c in candidates_of(VAN) if c.key == ("tire_wheel", 1.0))
LATE_S = 0.5


def pull() -> FloatArray:
    """Turns a second at the frames: from a walking pace up, as hard as half a meter a second in every second."""
    return np.asarray(2.5 + 0.25 * np.arange(SECONDS), np.float64)


def scan_of(rate_hz: FloatArray, epsilon: FloatArray) -> Scan:
    """A tire's line that stands at these corrections."""
    mid_s = np.asarray(np.arange(SECONDS) + 0.5, np.float64)
    at = np.arange(int(SECONDS * RATE_HZ)) / RATE_HZ
    turns = np.cumsum(np.interp(at, mid_s, rate_hz)) / RATE_HZ
    clock = Clock(np.asarray(turns, np.float64), mid_s, rate_hz, EPSILON, EPSILON.size)
    cell = np.round((epsilon - EPSILON[0]) / clock.step).astype(int)
    seen = np.full((SECONDS, EPSILON.size), np.float32(-0.4))
    seen[np.arange(SECONDS), cell] = np.float32(9.0)
    tracks = (Track(0, None, TIRE.multiple),)
    silence = np.random.default_rng(1).standard_normal((3, turns.size)).astype(np.float32)
    signal = Signal(silence, np.ones(turns.size, bool), RATE_HZ, False)
    return Scan(tracks, clock, (seen,), Bands(signal, clock, tracks))


def sway_of_the_log(rate_hz: FloatArray) -> FloatArray:
    return np.asarray(LATE_S * np.gradient(np.log(rate_hz)), np.float64)


def test_at_a_speed_that_hardly_changes_no_other_lag_is_tried() -> None:
    slow = np.asarray(12.0 + 0.02 * np.arange(SECONDS), np.float64)
    assert list(sways(scan_of(slow, np.zeros(SECONDS)).clock)) == [NO_SWAY]


def test_in_a_pull_the_courses_of_a_log_later_and_less_late_are_tried_the_likelier_the_nearer() -> None:
    found = list(sways(scan_of(pull(), np.zeros(SECONDS)).clock))
    assert found[0] is NO_SWAY
    late = next(s for s in found if np.allclose(s.course, sway_of_the_log(pull()), atol=2e-3))
    assert late.course[0] > 3.0 * late.course[-1] > 0.0
    assert all(s.log_prior < 0.0 for s in found[1:])
    sizes = [float(np.abs(s.course).max()) for s in found]
    assert [found[i].log_prior for i in np.argsort(sizes)] == sorted(
        (s.log_prior for s in found), reverse=True
    )


def test_along_its_own_sway_a_line_stands_at_one_constant_correction() -> None:
    course = sway_of_the_log(pull())
    scan = scan_of(pull(), course)
    sway = min(sways(scan.clock), key=lambda s: float(np.abs(s.course - course).max()))
    straight = swayed(scan, sway).evidence[0]
    best = EPSILON[straight.argmax(axis=1)]
    assert np.abs(best).max() <= 0.002
    assert np.abs(EPSILON[scan.evidence[0].argmax(axis=1)]).max() > 0.03


@pytest.mark.parametrize("followed", [True, False])
def test_a_line_of_a_log_half_a_second_later_than_thought_leads_to_its_course_in_a_pull(
    followed: bool,
) -> None:
    course = sway_of_the_log(pull())
    scan = scan_of(pull(), course)
    doubt = RateDoubt(0.0, 0.01, 0.0045, 0.002)
    if followed:
        doubt = replace(doubt, followed=Followed(0.025, 0.2, 0.001))
    found = propose(scan, [TIRE], doubt, None, None, RATE_HZ)
    off = min(float(np.abs(p.course.epsilon - course).max()) for p in found)
    assert (off < 0.006) is followed
