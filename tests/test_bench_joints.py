"""Universal joints, chains of them, and shims. Sources beside each check."""

import itertools
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vibeorder.bench.joints import (
    Driveline,
    JointLimits,
    Member,
    check_joints,
    working_angle_deg,
)
from vibeorder.bench.shims import angles_sheet, center_spacer, pinion_shim
from vibeorder.errors import VibeorderError

ANY = JointLimits(0.0, 40.0, 40.0, 1e9, 1e9, 1e9)


def _flat(angles_deg: tuple[float, ...], signs: str = "") -> Driveline:
    """A planar chain with these working angles, bending to and fro; a repeated sign turns a fork by 90."""
    slopes = [0.0]
    for k, a in enumerate(angles_deg):
        slopes.append(slopes[-1] + a * (-1) ** k)
    phases = [0.0 if a != b else 90.0 for a, b in itertools.pairwise(signs)]
    return Driveline(tuple(Member(f"piece {k}", s) for k, s in enumerate(slopes)), tuple(phases))


@pytest.mark.parametrize(
    ("angle", "plus", "minus"),
    [(1, 0.015, 0.015), (5, 0.382, 0.381), (10, 1.543, 1.519)],
)
def test_one_joint_runs_fast_and_slow_twice_a_turn(angle: float, plus: float, minus: float) -> None:
    """Range cos b to 1/cos b in percent: a shaft maker's technical page; the table is computed from it."""
    shaft = Driveline((Member("a", 0.0), Member("b", angle), Member("c", 0.0)), constant_velocity=(2,))
    assert 100 * check_joints(shaft, 50.0, ANY).ripple == pytest.approx((plus + minus) / 2, abs=9e-3)


@pytest.mark.parametrize(
    ("angles", "signs", "equivalent", "exact"),
    [
        ((3, 1.5), "+-", 2.5981, 0.002057),
        ((3, 3), "+-", 0.0, 0.0),
        ((2, 3, 2.5), "+-+", 1.1180, 0.000380),
        ((2, 3, 2.5), "+--", 3.3541, 0.003429),
        ((1, 4, 3), "+-+", 2.4495, 0.001830),
        ((3, 4, 2), "+-+", 1.7321, 0.000916),
    ],
)
def test_chains_leave_over_what_the_exact_chain_does(
    angles: tuple[float, ...], signs: str, equivalent: float, exact: float
) -> None:
    """Exact planar chains computed twice; the sign rule is a shaft maker's technical page."""
    check = check_joints(_flat(angles, signs), 50.0, ANY)
    assert check.equivalent_deg == pytest.approx(equivalent, abs=1e-4)
    assert 2 * check.ripple == pytest.approx(exact, abs=3e-6)


def _exact_ripple(driveline: Driveline) -> float:
    """Half the peak-to-peak of pinion speed over transmission speed, from trunnions as vectors in space.

    Each joint's two trunnion axes are square to each other and to their own shafts: the driven one is
    the cross product of the driven shaft's axis and the driving trunnion.
    """
    axes = []
    for m in driveline.members:
        d = np.array([1.0, math.tan(math.radians(m.side_deg)), math.tan(math.radians(m.slope_deg))])
        axes.append(d / np.linalg.norm(d))

    def frame(axis: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        y = np.array([0.0, 1.0, 0.0]) - axis * axis[1]
        y /= np.linalg.norm(y)
        return y, np.cross(axis, y)

    def turned_out(turned: float) -> float:
        phases = (*(driveline.phase_errors_deg or (0.0,) * (len(axes) - 2)), 0.0)
        angle = turned
        for front, rear, phase in zip(axes[:-1], axes[1:], phases, strict=True):
            y, z = frame(front)
            trunnion = math.cos(angle) * y + math.sin(angle) * z
            driven = np.cross(rear, trunnion)
            y, z = frame(rear)
            angle = math.atan2(float(driven @ z), float(driven @ y)) + math.radians(phase)
        return angle

    turned = np.linspace(0.0, math.pi + 0.02, 363)  # a joint's half turns are alike
    out = np.unwrap([turned_out(t) for t in turned])
    speed = np.gradient(out, turned)[1:-1]
    return float(speed.max() - speed.min()) / 2.0


@given(
    st.lists(st.tuples(st.floats(-5, 5), st.floats(-4, 4)), min_size=3, max_size=4),
    st.lists(st.floats(-90, 90), min_size=2, max_size=2),
)
@settings(max_examples=25, deadline=None)
def test_compound_angles_and_twisted_yokes_match_trunnions_in_space(
    pieces: list[tuple[float, float]], twist: list[float]
) -> None:
    """Numerical check in three dimensions, no formula shared with the code under test."""
    members = tuple(Member(f"piece {k}", s, a) for k, (s, a) in enumerate(pieces))
    driveline = Driveline(members, tuple(twist[: len(members) - 2]))
    check = check_joints(driveline, 50.0, ANY)
    biggest = max(math.radians(j.working_deg) for j in check.joints)
    assert check.ripple == pytest.approx(_exact_ripple(driveline), abs=2e-5 + 0.6 * biggest**4)


def test_a_compound_angle_from_an_installation_manual() -> None:
    """A driveline maker's manual, p. 10: sqrt(2.15^2 + 2.50^2) = 3.3 deg."""
    assert working_angle_deg(Member("a", 0), Member("b", 2.15, 2.50)) == pytest.approx(3.3, abs=0.05)


def test_working_angles_from_three_slopes() -> None:
    """A calculator's page: 3, 1, -1 deg gives 2 and 2, difference 0."""
    check = check_joints(Driveline((Member("a", 3), Member("b", 1), Member("c", -1))), 50.0)
    assert [j.working_deg for j in check.joints] == pytest.approx([2.0, 2.0], abs=0.005)
    assert check.equivalent_deg == pytest.approx(0.0, abs=0.02)


def test_three_degrees_at_3000_rpm() -> None:
    """Computed: w^2 b^2 = 270.6 rad/s^2; with 1.5 deg at the other end 202.9."""
    check = check_joints(_flat((3.0, 1.5)), 50.0, ANY)
    assert check.torsional_rad_s2 == pytest.approx(202.9, abs=0.1)
    assert check.inertia_drive_rad_s2 == pytest.approx(270.6, abs=0.1)


@pytest.mark.parametrize(
    ("rpm", "row"),
    [
        (1500, (7.3, 7.4, 7.6, 7.9, 8.3, 8.9, 9.5, 10.1, 10.8, 11.6)),
        (1600, (6.9, 6.9, 7.1, 7.5, 7.9, 8.5, 9.1, 9.8, 10.5)),
        (1700, (6.5, 6.5, 6.8, 7.1, 7.6, 8.2, 8.8)),
    ],
)
def test_allowable_second_angles_of_a_published_table_sit_at_the_torsional_limit(
    rpm: float, row: tuple[float, ...]
) -> None:
    """A drive line design page citing SAE AE-7, 3.1.1: joint 2 beside joint 1 = 0, 1, 2 ... deg (0.07)."""
    for first, second in enumerate(row):
        low, high = (
            check_joints(_flat((float(first), second + d)), rpm / 60, ANY).torsional_rad_s2
            for d in (-0.07, 0.07)
        )
        assert low <= JointLimits().torsional_rad_s2 <= high


@pytest.mark.parametrize(("rpm", "angle"), [(5000, 3.2), (4500, 3.7), (4000, 4.2), (3500, 5.0)])
def test_maximum_angles_by_speed_sit_near_the_inertia_limit(rpm: float, angle: float) -> None:
    """Two driveline makers' pages: they imply 855 to 1023 rad/s^2."""
    check = check_joints(_flat((angle, angle)), rpm / 60, ANY)
    assert check.inertia_drive_rad_s2 == pytest.approx(1000.0, rel=0.15)


def test_a_constant_velocity_joint_adds_nothing() -> None:
    members = (Member("transfer case", 0), Member("front shaft", 12), Member("pinion", 12.5))
    check = check_joints(Driveline(members, constant_velocity=(1,)), 50.0, ANY)
    assert check.equivalent_deg == pytest.approx(0.5, abs=1e-3)


def test_the_equivalent_angles_error_is_the_real_scatter() -> None:
    rng = np.random.default_rng(2)
    driveline = _flat((3.0, 1.5))
    found = []
    for _ in range(500):
        members = tuple(Member(m.name, m.slope_deg + rng.normal(0, 0.1)) for m in driveline.members)
        found.append(check_joints(Driveline(members), 50.0, ANY).equivalent_deg)
    assert check_joints(driveline, 50.0, ANY, 0.1).equivalent_se_deg == pytest.approx(np.std(found), rel=0.12)


def test_a_pinion_that_points_too_low_is_tipped_up_until_it_cancels() -> None:
    check = check_joints(
        Driveline((Member("transmission", 4), Member("shaft", 6), Member("pinion", 2))), 50.0
    )
    assert {f.key for f in check.faults} >= {"most", "ends"}
    change = pinion_shim(check)
    assert change.meets
    assert change.after.driveline.members[2].slope_deg == pytest.approx(4.0, abs=0.03)
    assert change.low is not None and change.high is not None
    assert change.low < change.amount < change.high
    assert "tip the pinion nose up 2.0 deg" in angles_sheet(check, [change]).sentence


def test_a_spacer_at_the_center_bearing_that_makes_it_right_really_does() -> None:
    members = (
        Member("transmission", 3),
        Member("front shaft", 2),
        Member("rear shaft", 6),
        Member("pinion", 3.5),
    )
    check = check_joints(Driveline(members), 50.0)
    change = center_spacer(check, (0.8, 1.2))
    assert change.meets and not change.after.faults
    assert change.amount < 0, "the bearing sits too high: the middle joint bends too much"
    moved = change.after.driveline.members
    fell = 0.8 * math.radians(moved[1].slope_deg - 2) + 1.2 * math.radians(moved[2].slope_deg - 6)
    assert fell == pytest.approx(0.0, abs=1e-12), "both ends of the line stay where they are"


def test_angles_that_are_right_send_the_technician_elsewhere() -> None:
    check = check_joints(
        Driveline((Member("transmission", 3), Member("shaft", 5), Member("pinion", 3))), 50.0
    )
    assert not check.faults
    assert "look elsewhere" in angles_sheet(check, []).sentence


def test_straight_joints_are_too_straight() -> None:
    """Each working angle at least 0.5 deg: two driveline makers' pages."""
    check = check_joints(Driveline((Member("a", 3), Member("b", 3.1), Member("c", 3))), 50.0)
    assert {f.key for f in check.faults} == {"least"}


@pytest.mark.parametrize(
    ("driveline", "rate", "message"),
    [
        (Driveline((Member("a", 1), Member("b", 2))), 50.0, "2 slopes are too few"),
        (Driveline((Member("a", 1), Member("b", 87), Member("c", 1))), 50.0, "measure from level"),
        (
            Driveline((Member("a", 1), Member("b", 2), Member("c", 1)), (0.0, 90.0)),
            50.0,
            "give one per shaft",
        ),
        (Driveline((Member("a", 1), Member("b", 2), Member("c", 1)), (), (3,)), 50.0, "joints 1 to 2"),
        (Driveline((Member("a", 1), Member("b", 2), Member("c", 1))), 0.0, "speed of the complaint"),
    ],
)
def test_slopes_that_cannot_be_get_one_sentence(driveline: Driveline, rate: float, message: str) -> None:
    with pytest.raises(VibeorderError, match=message):
        check_joints(driveline, rate)
