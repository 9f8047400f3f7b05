"""Which shim makes the joint angles right: degrees at the pinion, or a spacer at the center bearing."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from vibeorder.bench.joints import Driveline, JointCheck, check_joints
from vibeorder.bench.sheet import Sheet
from vibeorder.errors import VibeorderError
from vibeorder.units import parse_length

__all__ = ["Change", "angles_sheet", "center_spacer", "pinion_shim", "yokes_in_line"]

# How far shims and spacers reach in practice: judgement, no source.
MOST_SHIM_DEG = 6.0
MOST_SPACER_M = 0.040
SHIM_STEPS = 240
SPACER_STEPS = 160


@dataclass(frozen=True, slots=True)
class Change:
    """amount: degrees of slope at the pinion (positive: nose up), metres at the center bearing
    (up), 0 for yokes put in line.

    low, high: the range of amounts around it that meet every rule (None where none does). after: the check
    with it. meets: whether every rule is met.
    """

    kind: Literal["pinion", "center bearing", "yokes"]
    amount: float
    low: float | None
    high: float | None
    after: JointCheck
    meets: bool


def pinion_shim(check: JointCheck) -> Change:
    """The smallest change of pinion slope that meets every rule, at its quietest; else the quietest."""
    members = check.driveline.members

    def moved(degrees: float) -> Driveline:
        pinion = replace(members[-1], slope_deg=members[-1].slope_deg + degrees)
        return replace(check.driveline, members=(*members[:-1], pinion))

    amounts = [MOST_SHIM_DEG * k / SHIM_STEPS for k in range(-SHIM_STEPS, SHIM_STEPS + 1)]
    return _choose("pinion", check, amounts, moved)


def yokes_in_line(check: JointCheck) -> Change:
    """The same line with the yokes of every shaft in line."""
    after = check_joints(replace(check.driveline, phase_errors_deg=()), check.rate_hz, check.limits)
    return Change("yokes", 0.0, None, None, after, meets=not after.faults)


def center_spacer(check: JointCheck, lengths_m: Sequence[float]) -> Change:
    """The same for raising (or lowering) the center bearing of a two-piece shaft of these lengths.

    Raising it by h lets the front piece fall h/L1 less and the rear piece h/L2 more.
    """
    members = check.driveline.members
    if len(members) != 4:
        raise VibeorderError(
            "a center-bearing spacer needs a two-piece shaft: give four slopes, front to back"
        )
    if len(lengths_m) != 2 or not all(0.2 <= length <= 3.0 for length in lengths_m):
        raise VibeorderError(
            "give the length of both pieces, joint to joint, each between 0.2 and 3 m (8 to 118 in)"
        )

    def moved(height_m: float) -> Driveline:
        front = replace(members[1], slope_deg=members[1].slope_deg - math.degrees(height_m / lengths_m[0]))
        rear = replace(members[2], slope_deg=members[2].slope_deg + math.degrees(height_m / lengths_m[1]))
        return replace(check.driveline, members=(members[0], front, rear, members[3]))

    amounts = [MOST_SPACER_M * k / SPACER_STEPS for k in range(-SPACER_STEPS, SPACER_STEPS + 1)]
    return _choose("center bearing", check, amounts, moved)


def angles_sheet(check: JointCheck, changes: Sequence[Change], unit: str = "mm") -> Sheet:
    """The check and its cures in words; spacers in `unit`."""
    return Sheet(_sentence(check, changes, unit), _numbers(check, changes, unit), _notes(check))


def _choose(
    kind: Literal["pinion", "center bearing"],
    check: JointCheck,
    amounts: Sequence[float],
    moved: Callable[[float], Driveline],
) -> Change:
    results = [check_joints(moved(a), check.rate_hz, check.limits) for a in amounts]
    good = [i for i, r in enumerate(results) if not r.faults]
    if not good:
        best = min(range(len(amounts)), key=lambda i: (len(results[i].faults), results[i].torsional_rad_s2))
        return Change(kind, amounts[best], None, None, results[best], meets=False)
    nearest = min(good, key=lambda i: abs(amounts[i]))
    low = high = nearest
    while low - 1 in good:
        low -= 1
    while high + 1 in good:
        high += 1
    best = min(range(low, high + 1), key=lambda i: results[i].torsional_rad_s2)
    return Change(kind, amounts[best], amounts[low], amounts[high], results[best], meets=True)


def _sentence(check: JointCheck, changes: Sequence[Change], unit: str) -> str:
    angles = [f"{j.working_deg:.1f}" for j in check.joints]
    text = (
        f"Working angles {', '.join(angles[:-1])} and {angles[-1]} deg leave {check.equivalent_deg:.1f} deg "
        f"uncancelled: {check.torsional_rad_s2:.0f} rad/s² at {60 * check.rate_hz:.0f} rpm"
    )
    if not check.faults:
        return f"{text}. Every rule is met; look elsewhere for the second-order shake."
    cure = next((c for c in changes if c.meets), None)
    if any(c.kind == "yokes" for c in changes):
        then = "" if cure is None or cure.kind == "yokes" else f", then {_change(cure, unit)}"
        return f"{text}. Not right: put the yokes in line{then}."
    if cure is None:
        return (
            f"{text}. Not right, and no shim alone makes it right: check mounts, ride height and the parts."
        )
    return f"{text}. Not right: {_change(cure, unit)}."


def _change(change: Change, unit: str) -> str:
    if change.kind == "yokes":
        return "put the yokes in line"
    if change.kind == "pinion":
        return f"tip the pinion nose {'up' if change.amount > 0 else 'down'} {abs(change.amount):.1f} deg"
    move = "raise" if change.amount > 0 else "lower"
    return f"{move} the center bearing by {_spacer(abs(change.amount), unit)}"


def _spacer(height_m: float, unit: str) -> str:
    """To a millimetre or a hundredth of an inch: spacers come no finer."""
    one = parse_length(f"1 {unit}").si
    return f"{height_m / one:.{0 if one == 1e-3 else 2}f} {unit}"


def _numbers(check: JointCheck, changes: Sequence[Change], unit: str) -> tuple[tuple[str, str], ...]:
    rules = check.limits
    numbers = []
    for joint in check.joints:
        kind = " (constant velocity)" if joint.constant_velocity else ""
        numbers.append((joint.name, f"{joint.working_deg:.2f} ± {joint.working_se_deg:.2f} deg{kind}"))
    numbers += [
        ("left over (equivalent angle)", f"{check.equivalent_deg:.2f} ± {check.equivalent_se_deg:.2f} deg"),
        ("second-order ripple", f"{100 * check.ripple:.3f}% of speed, up and down"),
        (
            "swing behind the last joint",
            f"{check.torsional_rad_s2:.0f} rad/s², limit {rules.torsional_rad_s2:.0f}",
        ),
        (
            "swing of the shaft, pulling",
            f"{check.inertia_drive_rad_s2:.0f} rad/s², limit {rules.inertia_drive_rad_s2:.0f}",
        ),
        (
            "swing of the shaft, coasting",
            f"{check.inertia_coast_rad_s2:.0f} rad/s², limit {rules.inertia_coast_rad_s2:.0f}",
        ),
    ]
    if check.faults:
        numbers += [(f"with a change at the {c.kind}", _after(c, unit)) for c in changes]
    return tuple(numbers)


def _after(change: Change, unit: str) -> str:
    *first, last = (f"{j.working_deg:.1f}" for j in change.after.joints)
    angles = f"{', '.join(first)} and {last}" if first else last
    text = f"{_change(change, unit)}: angles {angles} deg, {change.after.torsional_rad_s2:.0f} rad/s²"
    if not change.meets:
        return f"{text}; not every rule met"
    if change.low is None or change.high is None:
        return f"{text}; every rule met"
    if change.kind == "pinion":
        return f"{text}; right from {change.low:+.1f} to {change.high:+.1f} deg"
    return f"{text}; right from {_spacer(change.low, unit)} to {_spacer(change.high, unit)}"


def _notes(check: JointCheck) -> tuple[str, ...]:
    return (
        *(f"{f.sentence[0].upper()}{f.sentence[1:]}." for f in check.faults),
        "This is the first check for a second-order driveshaft shake.",
        "Measure at ride height, loaded as in the complaint; put the inclinometer on machined faces.",
    )
