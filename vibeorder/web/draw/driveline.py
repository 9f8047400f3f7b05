"""The driveline seen from its left side, its slopes drawn many times steeper than they are."""

import math
from collections.abc import Sequence

from vibeorder.bench import JointCheck
from vibeorder.web.draw.polar import SMALL, TEXT, circle, close, label, line, opened

__all__ = ["angles_svg"]

WIDTH, LEFT, RIGHT = 440.0, 10.0, 430.0
DEEPEST = 80.0
"""How far the drawing may reach up or down from the transmission."""
MOST_TIMES = 8.0
ENDS_SHARE = 0.6
"""Transmission and pinion are drawn shorter than a shaft."""


def angles_svg(check: JointCheck) -> str:
    """Front at the left. Working angles stand at the joints, slopes at the pieces; a fault is ringed."""
    members = check.driveline.members
    shares = [ENDS_SHARE, *([1.0] * (len(members) - 2)), ENDS_SHARE]
    lengths = [(RIGHT - LEFT) * share / sum(shares) for share in shares]
    slopes = [m.slope_deg for m in members]
    times = _times(slopes, lengths)
    points = [(LEFT, 0.0)]
    for slope, length in zip(slopes, lengths, strict=True):
        x, y = points[-1]
        points.append((x + length, y + length * math.tan(math.radians(slope)) * times))
    top, bottom = min(y for _, y in points), max(y for _, y in points)
    down = 70.0 - top
    points = [(x, y + down) for x, y in points]
    height = bottom - top + 150.0
    out = [opened(WIDTH, height, "driveline", _described(check))]
    out.append(line([(LEFT, points[0][1]), (RIGHT, points[0][1])], "level", "2 6"))
    for i, member in enumerate(members):
        ends = points[i : i + 2]
        css = "shaft" if 0 < i < len(members) - 1 else "housing"
        out.append(line(ends, css))
        out += _piece_words(ends, member.name, member.slope_deg)
    bad = _bad_joints(check)
    for joint, (x, y) in zip(check.joints, points[1:-1], strict=True):
        out.append(circle(x, y, 9.0, "joint"))
        if joint.name in bad:
            out.append(circle(x, y, 19.0, "fault"))
        said = "CV" if joint.constant_velocity else f"{joint.working_deg:.1f}°"
        out.append(label(x, y - 26.0, said, "middle", 20.0, "strong halo"))
    drawn = (
        f"front at the left; slopes drawn {times:.0f} times steeper" if times > 1.5 else "front at the left"
    )
    out.append(label(LEFT, height - 10.0, drawn, "start", SMALL, "soft"))
    out.append(close())
    return "".join(out)


def _times(slopes: Sequence[float], lengths: Sequence[float]) -> float:
    """How many times steeper the slopes may be drawn."""
    y, reach = 0.0, 1e-9
    for slope, length in zip(slopes, lengths, strict=True):
        y += length * math.tan(math.radians(slope))
        reach = max(reach, abs(y))
    return max(1.0, min(MOST_TIMES, DEEPEST / reach))


def _piece_words(ends: Sequence[tuple[float, float]], name: str, slope_deg: float) -> list[str]:
    x, y = (ends[0][0] + ends[1][0]) / 2, (ends[0][1] + ends[1][1]) / 2
    way = "level" if slope_deg == 0.0 else f"{abs(slope_deg):g}° {'down' if slope_deg > 0 else 'up'}"
    return [
        label(x, y + 30.0, name, "middle", TEXT, "halo"),
        label(x, y + 49.0, way, "middle", SMALL, "halo soft"),
    ]


def _bad_joints(check: JointCheck) -> set[str]:
    """Names of the joints whose own angle breaks a rule."""
    named = [fault.sentence.partition(":")[0] for fault in check.faults if fault.key in ("least", "most")]
    return {joint.name for joint in check.joints if joint.name in named}


def _described(check: JointCheck) -> str:
    joints = ", ".join(f"{j.name} {j.working_deg:.1f} degrees" for j in check.joints)
    pieces = ", ".join(
        f"{m.name} {abs(m.slope_deg):g} degrees {'down' if m.slope_deg >= 0 else 'up'}"
        for m in check.driveline.members
    )
    return f"Side view of the driveline: {pieces}. Working angles: {joints}."
