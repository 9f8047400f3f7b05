"""Universal joints: working angles from slopes, what is left after cancellation, and is it too much.

One joint at working angle b:  w2/w1 = cos b / (1 - sin^2 b cos^2 t), twice a turn (Cardan/Hooke).
A chain, for small angles: relative ripple Re(E exp(2jt))/2 with
    E = sum over joints of b_i^2 exp(2j(o_i - psi_i)),  o_1 = 0,  o_(i+1) = o_i + 90 deg + twist of shaft i,
psi_i the direction in which joint i bends. |E| = b_eq^2, the equivalent angle squared; yokes in line on a
shaft make neighbors subtract. Torsional acceleration w^2 |E|; the shaft's own (inertia) w^2 |partial sum|.
The sign rule is a shaft maker's technical page; within 0.5% of exact up to 10 degrees.
"""

import itertools
import math
from dataclasses import dataclass, replace

from vibeorder.errors import VibeorderError
from vibeorder.units import counted

__all__ = [
    "Driveline",
    "Fault",
    "Joint",
    "JointCheck",
    "JointLimits",
    "Member",
    "check_joints",
    "working_angle_deg",
]

# Repeatability of a digital inclinometer on a machined face: judgement, no source.
SLOPE_SE_DEG = 0.2
# Beyond this a slope is a typing mistake or not a driveline.
STEEPEST_DEG = 45.0
# No inclinometer tells less from a limit.
TOLERANCE_DEG = 0.05
# Yokes of one shaft are meant to be in line unless its maker says otherwise: common practice, no source.
PHASE_TOLERANCE_DEG = 5.0


@dataclass(frozen=True, slots=True)
class JointLimits:
    """Published limits differ (3, 4, 5 or 6 deg; ends equal within 0.5, 1 or 1.5 deg): they are settings.

    least_deg, most_deg, ends_deg: two driveline makers' pages. torsional_rad_s2: 400 is implied by a
    published table of allowable angles citing SAE AE-7, 3.1.1. inertia_drive 1000 is implied by a published
    table of maximum angle by speed; inertia_coast 500: value from memory, not confirmed.
    """

    least_deg: float = 0.5
    most_deg: float = 3.0
    ends_deg: float = 1.0
    torsional_rad_s2: float = 400.0
    inertia_drive_rad_s2: float = 1000.0
    inertia_coast_rad_s2: float = 500.0


@dataclass(frozen=True, slots=True)
class Member:
    """One straight piece. slope_deg > 0 falls toward the rear; side_deg > 0 runs to the right rearward."""

    name: str
    slope_deg: float
    side_deg: float = 0.0


@dataclass(frozen=True, slots=True)
class Driveline:
    """members front to back: transmission, shaft(s), pinion. phase_errors_deg: yoke twist of each shaft (0 in
    line). constant_velocity: numbers (from 1) of joints that are constant-velocity and add nothing.
    """

    members: tuple[Member, ...]
    phase_errors_deg: tuple[float, ...] = ()
    constant_velocity: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Joint:
    """working_deg with its standard error; plane_deg: direction of the bend seen along the shaft."""

    name: str
    working_deg: float
    working_se_deg: float
    plane_deg: float
    constant_velocity: bool


@dataclass(frozen=True, slots=True)
class Fault:
    """One rule that is not met: what it is (short key), and the sentence."""

    key: str
    sentence: str


@dataclass(frozen=True, slots=True)
class JointCheck:
    """equivalent_deg: angle of the one joint that would shake as the whole chain does, with standard error.

    ripple: second-order speed ripple left at the pinion, peak, relative to mean speed.
    Accelerations [rad/s²] at rate_hz: torsional at the pinion, inertia of the shaft driving and coasting.
    """

    driveline: Driveline
    joints: tuple[Joint, ...]
    equivalent_deg: float
    equivalent_se_deg: float
    ripple: float
    rate_hz: float
    torsional_rad_s2: float
    inertia_drive_rad_s2: float
    inertia_coast_rad_s2: float
    limits: JointLimits
    faults: tuple[Fault, ...]


def check_joints(
    driveline: Driveline,
    rate_hz: float,
    limits: JointLimits | None = None,
    slope_se_deg: float = SLOPE_SE_DEG,
) -> JointCheck:
    """Working angles, what they leave over, and every rule that is not met at this shaft rate.

    Raises VibeorderError for slopes or a speed that cannot be.
    """
    _check(driveline, rate_hz)
    rules = limits or JointLimits()
    sums = _partial_sums(driveline)
    w2 = (2.0 * math.pi * rate_hz) ** 2
    left = abs(sums[-1])
    check = JointCheck(
        driveline,
        _joints(driveline, slope_se_deg),
        math.degrees(math.sqrt(left)),
        _equivalent_se_deg(driveline, slope_se_deg),
        left / 2.0,
        rate_hz,
        w2 * left,
        w2 * max((abs(s) for s in sums[:-1]), default=0.0),
        w2 * max((abs(sums[-1] - s) for s in sums[:-1]), default=0.0),
        rules,
        (),
    )
    return replace(check, faults=_faults(check))


def working_angle_deg(front: Member, rear: Member) -> float:
    """Angle between two pieces in space: slopes and side angles together (the compound angle).

    >>> round(working_angle_deg(Member("shaft", 0.0), Member("pinion", 2.15, 2.50)), 3)
    3.296
    """
    a, b = _direction(front), _direction(rear)
    cross = math.hypot(
        a[1] * b[2] - a[2] * b[1],
        a[2] * b[0] - a[0] * b[2],
        a[0] * b[1] - a[1] * b[0],
    )
    return math.degrees(math.atan2(cross, sum(p * q for p, q in zip(a, b, strict=True))))


def _direction(member: Member) -> tuple[float, float, float]:
    return 1.0, math.tan(math.radians(member.side_deg)), math.tan(math.radians(member.slope_deg))


def _bend(front: Member, rear: Member) -> float:
    """Direction of the bend across the driveline [rad]."""
    a, b = _direction(front), _direction(rear)
    return math.atan2(b[2] - a[2], b[1] - a[1])


def _partial_sums(driveline: Driveline) -> list[complex]:
    """E after each joint."""
    members, sums, total, turned = driveline.members, [], 0j, 0.0
    phases = driveline.phase_errors_deg or (0.0,) * (len(members) - 2)
    for i in range(len(members) - 1):
        constant = i + 1 in driveline.constant_velocity
        b = math.radians(working_angle_deg(members[i], members[i + 1]))
        if not constant:
            angle = 2.0 * (turned - _bend(members[i], members[i + 1]))
            total += b * b * complex(math.cos(angle), math.sin(angle))
            turned += math.pi / 2.0
        if i < len(phases):
            turned += math.radians(phases[i])
        sums.append(total)
    return sums


def _joints(driveline: Driveline, slope_se_deg: float) -> tuple[Joint, ...]:
    members = driveline.members
    pairs = itertools.pairwise(members)
    return tuple(
        Joint(
            f"{a.name} to {b.name}",
            working_angle_deg(a, b),
            math.sqrt(2.0) * slope_se_deg,
            math.degrees(_bend(a, b)) % 360.0,
            k in driveline.constant_velocity,
        )
        for k, (a, b) in enumerate(pairs, 1)
    )


def _equivalent_se_deg(driveline: Driveline, slope_se_deg: float) -> float:
    """By moving every slope both ways by its own error; a kink at zero is taken at its full height."""
    base = math.sqrt(abs(_partial_sums(driveline)[-1]))
    variance = 0.0
    for i, member in enumerate(driveline.members):
        shifts = []
        for step in (-slope_se_deg, slope_se_deg):
            moved = replace(member, slope_deg=member.slope_deg + step)
            members = (*driveline.members[:i], moved, *driveline.members[i + 1 :])
            shifts.append(abs(math.sqrt(abs(_partial_sums(replace(driveline, members=members))[-1])) - base))
        variance += (sum(shifts) / 2.0) ** 2
    return math.degrees(math.sqrt(variance))


def _faults(check: JointCheck) -> tuple[Fault, ...]:
    rules, faults = check.limits, []
    for k, twist in enumerate(check.driveline.phase_errors_deg, 1):
        if abs(math.remainder(twist, 180.0)) > PHASE_TOLERANCE_DEG:
            faults.append(Fault("phasing", f"the yokes of shaft {k} are {abs(twist):g} deg out of line"))
    for joint in check.joints:
        if joint.constant_velocity:
            continue
        name, angle = joint.name, joint.working_deg
        if angle < rules.least_deg - TOLERANCE_DEG:
            faults.append(
                Fault(
                    "least", f"{name}: {angle:.1f} deg is below {rules.least_deg:g}, its needles do not roll"
                )
            )
        if angle > rules.most_deg + TOLERANCE_DEG:
            faults.append(
                Fault("most", f"{name}: {angle:.1f} deg is above {rules.most_deg:g}, it shakes by itself")
            )
    plain = [j.working_deg for j in check.joints if not j.constant_velocity]
    apart = abs(plain[0] - plain[1]) if len(plain) == 2 else 0.0
    if apart > rules.ends_deg + TOLERANCE_DEG:
        faults.append(
            Fault("ends", f"the two angles differ by {apart:.1f} deg, more than {rules.ends_deg:g}")
        )
    for key, what, value, limit in (
        ("torsional", "swing behind the last joint", check.torsional_rad_s2, rules.torsional_rad_s2),
        ("drive", "swing of the shaft, pulling", check.inertia_drive_rad_s2, rules.inertia_drive_rad_s2),
        ("coast", "swing of the shaft, coasting", check.inertia_coast_rad_s2, rules.inertia_coast_rad_s2),
    ):
        if value > limit:
            faults.append(Fault(key, f"{what} is {value:.0f} rad/s², above {limit:.0f}"))
    return tuple(faults)


def _check(driveline: Driveline, rate_hz: float) -> None:
    members = driveline.members
    if len(members) < 3:
        raise VibeorderError(
            f"{len(members)} slopes are too few; give transmission, shaft (or both shafts) and pinion, "
            "front to back"
        )
    for m in members:
        for what, angle in (("slope", m.slope_deg), ("side angle", m.side_deg)):
            if not abs(angle) <= STEEPEST_DEG:
                raise VibeorderError(
                    f"{m.name}: a {what} of {angle:g} deg is beyond {STEEPEST_DEG:g}; "
                    "measure from level, not from upright"
                )
    if driveline.phase_errors_deg and len(driveline.phase_errors_deg) != len(members) - 2:
        raise VibeorderError(
            f"{counted(len(driveline.phase_errors_deg), 'phasing angle')} for {counted(len(members) - 2, 'shaft')}; "
            "give one per shaft"
        )
    if any(not 1 <= k < len(members) for k in driveline.constant_velocity):
        raise VibeorderError(f"there are joints 1 to {len(members) - 1}; no other can be constant-velocity")
    if not 0.0 < rate_hz < 500.0:
        raise VibeorderError(
            f"a shaft speed of {60 * rate_hz:g} rpm cannot be; give the speed of the complaint"
        )
