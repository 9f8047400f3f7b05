"""A belt's slip found in scans made by hand: power ratios of a Hann frame about a line, whatever else shows.

The response of a Hann frame off its line is Harris 1978 (Proc. IEEE 66, 51-83); slips about one percent are common
practice, no source.
"""

from dataclasses import replace

import numpy as np
import pytest
from diagnosis_examples import VAN
from numpy.typing import NDArray

from vibeorder.diagnosis.blocks import Course
from vibeorder.diagnosis.candidates import Candidate, candidates_of, upper_orders
from vibeorder.diagnosis.evidence import frame_evidence
from vibeorder.diagnosis.gears import GearCourse
from vibeorder.diagnosis.offsets import fit_offsets
from vibeorder.diagnosis.propose import Proposal
from vibeorder.diagnosis.scan import Clock, Scan, Track
from vibeorder.vehicle import Vehicle, parse_vehicle

FloatArray = NDArray[np.float64]
SECONDS, WHEEL_HZ, FRAME_S, CHANNELS = 60, 15.0, 3.0, 3
EPSILON = np.asarray(np.arange(-50, 51) * 0.001, np.float64)
MID_S = np.asarray(np.arange(SECONDS) + 0.5, np.float64)
PUMP = next(c for c in candidates_of(VAN) if c.part == "accessory:pump")
TRACK = Track(0, 4, 3.5 * PUMP.multiple)


def hann_power(bins: FloatArray) -> FloatArray:
    """Power of a Hann frame so many bins off its line."""
    x = np.where(np.abs(np.abs(bins) - 1.0) < 1e-3, 1.001, bins)
    return np.asarray((np.sinc(x) / (1.0 - x**2)) ** 2)


def scan_with(offset: float, snr: float, silent: NDArray[np.bool_] | None = None) -> Scan:
    """The pump's line alone, so far off its track, noise of mean 1 beside it; silent: cells of the road's joints."""
    clock = Clock(np.zeros(1), MID_S, np.full(SECONDS, WHEEL_HZ), EPSILON, EPSILON.size)
    bins = (EPSILON - offset) * TRACK.multiple * WHEEL_HZ * FRAME_S
    noise = np.random.default_rng(5).gamma(CHANNELS, 1.0, (SECONDS, EPSILON.size))
    ratio = snr * hann_power(bins) + noise
    evidence = frame_evidence(ratio, CHANNELS, 15.0) * 0.67
    voted = () if silent is None else (np.where(silent, np.float32(0.0), evidence).astype(np.float32),)
    return Scan(
        (TRACK,),
        clock,
        (evidence.astype(np.float32),),
        (),
        votes=voted,
        ratio=(ratio.astype(np.float32),),
        channels=CHANNELS,
    )


def slack_of(scan: Scan, candidate: Candidate = PUMP) -> float:
    """The offset that is fitted with the converter locked."""
    still = Course(np.zeros(SECONDS), None, 0.0, np.zeros(2), np.array([0.0, SECONDS]), locked=False)
    gears = GearCourse(np.full(SECONDS, 4, np.intp), 0.0)
    offsets = fit_offsets(scan, [candidate], Proposal(still, (gears,)), gears)[0][0]
    return offsets.get((0, 4), 0.0)


@pytest.mark.parametrize("snr", [30.0, 3e3, 3e5])
@pytest.mark.parametrize("offset", [-0.012, 0.0, 0.007])
def test_a_belts_slip_is_found_at_the_middle_of_its_line_however_strong(offset: float, snr: float) -> None:
    """A tenth of a bin at 63 Hz in 4 s is 0.0004; a frame's bin is 0.005."""
    assert slack_of(scan_with(offset, snr)) == pytest.approx(offset, abs=0.0015)


def test_joints_that_the_line_crosses_do_not_push_its_slip_away() -> None:
    silent = np.zeros((SECONDS, EPSILON.size), bool)
    silent[:15, EPSILON < 0.004] = True
    assert slack_of(scan_with(0.0, 3e3, silent)) == pytest.approx(0.0, abs=0.0015)


def test_a_line_that_runs_on_a_joint_all_along_gives_no_slip() -> None:
    silent = np.abs(EPSILON - 0.01) < 0.006
    found = slack_of(scan_with(0.01, 3e3, np.broadcast_to(silent, (SECONDS, EPSILON.size))))
    assert abs(found - 0.01) > 0.004


def test_a_belt_of_no_slack_has_no_offset() -> None:
    assert slack_of(scan_with(0.007, 3e3), replace(PUMP, slack=0.0)) == 0.0


def front_drive() -> Vehicle:
    """A front-wheel drive of the same gears."""
    return parse_vehicle(
        {
            "vehicle": {"name": "gray van", "layout": "fwd"},
            "tire": {"size": "225/60R16"},
            "axle": {"ratio": 3.5},
            "transmission": {"gears": [3.0, 1.8, 1.2, 1.0]},
            "engine": {"cylinders": 6},
        }
    )


def test_every_part_that_may_be_named_is_read_at_twice_and_three_times_its_fault_without_a_speed() -> None:
    """Else a rival whose catalogued orders lie there wins by them: a joint's 3x with 6x and 9x as half orders."""
    for vehicle, named in ((front_drive(), ("half_shaft", 3.0)), (VAN, ("accessory:pump", 1.0))):
        own = candidates_of(vehicle)
        read = {(c.part, c.order) for c in (*own, *upper_orders(own, vehicle))}
        assert {(named[0], named[1] * times) for times in (1, 2, 3)} <= read
