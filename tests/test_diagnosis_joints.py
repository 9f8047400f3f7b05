"""The joints of a concrete road are found, told of, and blame no part.

Rates by hand: a joint every L metres strikes speed / L times a second, so circumference / L times a wheel turn, and
makes lines at the multiples of that (Fourier series of a train of strikes). 15 ft, 5 m and 20 ft as usual spacings:
common practice, no source.
"""

from functools import lru_cache

import numpy as np
import pytest
from diagnosis_examples import CAR, CAR_SHIFTING, FEW_GEARS, IN_SECOND, SHIFTING, TRUCK, key

from vibeorder.diagnosis import Diagnosis, Weighed, told, weigh
from vibeorder.diagnosis.joints import NO_JOINTS, Joints
from vibeorder.simulate import Drive, Fault, Road, Scenario, as_recording, road_test
from vibeorder.vehicle import Vehicle

CLEAR_MPS2 = 0.8
BLAMED = 0.5
NOTE = "road's joints"

ROADS: list[tuple[Vehicle, Drive, float]] = [
    (FEW_GEARS, IN_SECOND, 4.6),
    (TRUCK, SHIFTING, 5.0),
    (CAR, CAR_SHIFTING, 6.1),
    (FEW_GEARS, IN_SECOND, 7.6),
]
ROAD_NAMES = [f"{v.layout}-every-{m:g}-m" for v, _, m in ROADS]


@lru_cache(maxsize=16)
def weighed(vehicle: Vehicle, drive: Drive, spacing_m: float, fault: Fault | None, seed: int) -> Weighed:
    """A drive of 40 s over clear joints of that spacing, 0 m for none, weighed."""
    scenario = Scenario(
        drive,
        duration_s=40.0,
        rate_hz=150.0,
        faults=() if fault is None else (fault,),
        road=Road(joint_spacing_m=spacing_m, joint_mps2=CLEAR_MPS2, wheelbase_m=2.7),
    )
    return weigh(as_recording(road_test(vehicle, scenario, np.random.default_rng(seed))), vehicle)


def comb(vehicle: Vehicle, drive: Drive, spacing_m: float, seed: int = 3) -> Joints:
    """What was found of the joints on that road."""
    found = weighed(vehicle, drive, spacing_m, None, seed)
    return found.pieces[0].judgement.hypotheses[0].scan.joints


def told_of(vehicle: Vehicle, drive: Drive, spacing_m: float, fault: Fault | None = None) -> Diagnosis:
    return told(weighed(vehicle, drive, spacing_m, fault, 3))


@pytest.mark.parametrize(("vehicle", "drive", "spacing_m"), ROADS, ids=ROAD_NAMES, scope="module")
def test_the_spacing_of_the_joints_is_found_within_two_percent(
    vehicle: Vehicle, drive: Drive, spacing_m: float
) -> None:
    found = comb(vehicle, drive, spacing_m)
    assert found.found
    assert vehicle.tire.circumference_m / found.base == pytest.approx(spacing_m, rel=0.02)


@pytest.mark.parametrize("seed", range(4, 8))
def test_a_road_without_joints_has_none(seed: int) -> None:
    assert not comb(FEW_GEARS, IN_SECOND, 0.0, seed).found


@pytest.mark.parametrize(("vehicle", "drive", "spacing_m"), ROADS[:3], ids=ROAD_NAMES[:3], scope="module")
def test_a_sound_vehicle_on_a_joint_road_is_not_blamed(
    vehicle: Vehicle, drive: Drive, spacing_m: float
) -> None:
    result = told_of(vehicle, drive, spacing_m)
    assert result.nothing_found_probability > BLAMED
    assert not result.runout_check.warranted


@pytest.mark.parametrize(
    ("part", "order"), [("driveshaft", 1.0), ("tire_wheel", 1.0), ("driveshaft", 2.0), ("engine", 4.0)]
)
def test_a_fault_on_a_joint_road_is_still_named(part: str, order: float) -> None:
    result = told_of(FEW_GEARS, IN_SECOND, 4.6, Fault(part, order, 0.3))
    top = result.suspects[0]
    assert result.nothing_found_probability < 1.0 - BLAMED
    assert (part, order) in {key(top), *top.indistinct_from}


def test_the_joints_are_told_of_with_their_spacing_and_frequencies() -> None:
    result = told_of(FEW_GEARS, IN_SECOND, 4.6)
    note = next(n for n in result.notes if NOTE in n)
    assert "every 4.6 m" in note or "every 4.5 m" in note
    assert "not a part of the vehicle" in note


def test_a_road_without_joints_is_told_nothing_of_them() -> None:
    assert not any(NOTE in n for n in told_of(FEW_GEARS, IN_SECOND, 0.0).notes)


def test_a_line_on_a_member_is_given_what_the_joints_are_expected_to_make_of_it() -> None:
    found = Joints(0.5, np.array([0.5, 1.0, 1.5]), np.array([0.02, 0.05, 0.04]), np.ones(3, bool))
    rate, weight = np.full(10, 10.0), np.ones(10)
    on = found.beside(np.full(10, 15.0), rate, weight, 4.0)
    assert on is not None
    assert on.median_mps2 == pytest.approx(0.04, rel=0.06)  # rounded to a tenth of a neper
    assert found.beside(np.full(10, 17.0), rate, weight, 4.0) is None
    assert NO_JOINTS.beside(np.full(10, 15.0), rate, weight, 4.0) is None


def test_no_votes_are_cast_on_a_member_that_is_seen() -> None:
    found = Joints(0.5, np.array([0.5, 1.0]), np.array([0.02, 0.05]), np.array([True, False]))
    silent = found.silent(np.array([0.5, 0.52, 0.6, 1.0]), np.full(4, 10.0))
    assert silent.tolist() == [True, True, False, False]
    assert not NO_JOINTS.silent(np.array([0.5]), np.array([10.0])).any()


@pytest.mark.parametrize(
    ("shows", "said"),
    [
        ((1, 1, 1, 1, 0, 0, 0, 0), True),
        ((0, 1, 1, 0, 1, 1, 0, 0), True),
        ((0, 0, 0, 1, 1, 1, 0, 0), False),  # three lines of an engine may lie so
        ((0, 1, 0, 1, 0, 1, 0, 1), False),  # the wheels' own, a tooth of half their rate made up
        ((0, 0, 0, 1, 1, 1, 1, 0), False),  # none below the wheels' rate
    ],
)
def test_joints_are_spoken_of_where_enough_of_them_is_seen(shows: tuple[int, ...], said: bool) -> None:
    seen = np.array(shows, bool)
    assert Joints(0.45, np.linspace(0.45, 3.6, 8), np.full(8, 0.05), seen).sure is said


def test_a_line_is_not_read_where_it_crosses_the_joints_but_is_where_it_runs_along_them() -> None:
    joints = Joints(0.45, np.linspace(0.45, 3.6, 8), np.full(8, 0.05), np.ones(8, bool))
    rate_hz, weight = np.linspace(8.0, 12.0, 41), np.ones(41)
    # folded: it falls while the wheels turn faster, and meets the third tooth (1.35 a turn) once
    falling = 25.0 - 1.35 * (rate_hz - 1.0)
    crossed = joints.crossed(falling, rate_hz, weight)
    met = np.abs(falling - 1.35 * rate_hz) < 0.4
    assert met.any() and crossed[met].all() and not crossed.all()
    assert not joints.crossed(1.35 * rate_hz, rate_hz, weight).any()
