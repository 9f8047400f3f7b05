"""Dial readings on a clock face: what was read, the fitted curve, its off-center part and the high spot.

The radius is the reading: the mean reading is a circle, and how far above or below it a place was read is drawn
many times larger than it is; the rings say by how much.
"""

import math
from collections.abc import Sequence

import numpy as np

from vibeorder.bench import Readings, Runout, name_angle
from vibeorder.bench.harmonics import fitted_curve
from vibeorder.units import counted, parse_length, show_length
from vibeorder.web.draw.frequency import number, path_of
from vibeorder.web.draw.polar import SMALL, Face, circle, close, label, line, nice_step, opened, plain_number

__all__ = ["place_names", "readings_svg", "runout_svg"]

SIZE, HEIGHT = 420.0, 450.0
FACE = Face(SIZE / 2, SIZE / 2, 172.0)
MEAN_SHARE, DEEP_SHARE = 0.60, 0.30
"""The mean circle's radius, and how far the largest deviation reaches from it, as shares of the face."""
VAGUE_DEG = 60.0
"""Standard error beyond which a high spot's direction is not worth drawing, as in bench/runout_words.py."""


def runout_svg(result: Runout, unit: str, readings: Readings | None = None) -> str:
    """The answer's picture; of the short form only its high spot."""
    if result.fit is None:
        return _short_form(result, unit)
    one = parse_length(f"1 {unit}").si
    turn = np.linspace(0.0, 2.0 * math.pi, 181)
    mean = result.fit.coefficients[0]
    curve = (fitted_curve(result.fit, turn) - mean) / one
    shown = [(r - mean) / one for r in result.readings_m]
    scale = _Scale(max(float(np.abs(curve).max()), *(abs(v) for v in shown)))
    offset = result.offset.length / one
    wobble = offset * np.cos(turn - math.radians(result.offset.angle_deg))
    degrees = np.degrees(turn).tolist()
    body = [
        opened(SIZE, HEIGHT, "dial", _described(result, unit, readings)),
        FACE.ticks(place_names(result.angles_deg, readings)),
        scale.rings(),
        _curve(scale, degrees, wobble.tolist(), "off-center", "7 6"),
        _curve(scale, degrees, curve.tolist(), "fitted"),
        *(_stick(scale, angle, value) for angle, value in zip(result.angles_deg, shown, strict=True)),
        *(
            _dot(scale, angle, value, doubted=i == result.suspect)
            for i, (angle, value) in enumerate(zip(result.angles_deg, shown, strict=True))
        ),
        scale.names(unit),
        _high_spot(result, readings),
        close(),
    ]
    return "".join(body)


def readings_svg(
    angles_deg: Sequence[float], shown: Sequence[float], unit: str, names: Sequence[tuple[float, str]]
) -> str:
    """Readings so far, too few to fit: dots about their own mean. shown: in `unit`."""
    mean = sum(shown) / len(shown) if shown else 0.0
    scale = _Scale(max((abs(v - mean) for v in shown), default=1.0) or 1.0)
    said = f"{counted(len(shown), 'reading')} so far." if shown else "A clock face without readings yet."
    pairs = list(zip(angles_deg, shown, strict=True))
    return "".join(
        [
            opened(SIZE, HEIGHT, "dial", said),
            FACE.ticks(names),
            scale.rings() if len(shown) > 1 else circle(FACE.x, FACE.y, scale.mean, "mean"),
            *(_stick(scale, angle, value - mean) for angle, value in pairs),
            *(_dot(scale, angle, value - mean) for angle, value in pairs),
            scale.names(unit) if len(shown) > 1 else "",
            close(),
        ]
    )


def place_names(angles_deg: Sequence[float], readings: Readings | None) -> list[tuple[float, str]]:
    """What stands round the rim: degrees, hours or bolts, as the places were named."""
    if readings is not None and readings.counting == "clock":
        return [(30.0 * hour, str(hour or 12)) for hour in range(12)]
    if readings is not None and readings.counting == "bolts":
        step = 360.0 / readings.bolts
        return [(k * step, f"b{k + 1}") for k in range(readings.bolts)]
    every = [angle % 360.0 for angle in angles_deg]
    if len(every) > 12 or not every:
        every = [45.0 * k for k in range(8)]
    return [(angle, f"{angle:.0f}°") for angle in every]


class _Scale:
    """Deviations from the mean to distances from the centre."""

    def __init__(self, deepest: float) -> None:
        self.step = nice_step(max(deepest, 1e-9), 2)
        self.reach = max(deepest, self.step)
        self.count = int(self.reach / self.step + 1e-6)
        self.mean = MEAN_SHARE * FACE.radius

    def distance(self, value: float) -> float:
        return self.mean + DEEP_SHARE * FACE.radius * value / self.reach

    def rings(self) -> str:
        """The mean circle and a ring at each step."""
        steps = [k * self.step for k in range(-self.count, self.count + 1) if k]
        out = [circle(FACE.x, FACE.y, self.mean, "mean")]
        return "".join(out + [circle(FACE.x, FACE.y, self.distance(v), "ring", "2 5") for v in steps])

    def names(self, unit: str) -> str:
        """What the rings stand for, on one spoke; drawn last, so that no curve runs through it."""
        out = []
        for k, name in ((-self.count, ""), (0, "mean"), (self.count, unit)):
            x, y = FACE.at(self.distance(k * self.step), 202.5)
            said = name if k == 0 else f"{plain_number(k * self.step, '+')} {name}".strip()
            out.append(label(x, y + 5.0, said, "middle", SMALL, "halo"))
        if self.count > 1:
            said = f"rings {plain_number(self.step)} {unit}"
            out.append(label(FACE.x, FACE.y + 5.0, said, "middle", SMALL, "soft"))
        return "".join(out)


def _curve(
    scale: _Scale, degrees: Sequence[float], values: Sequence[float], css: str, dashes: str = ""
) -> str:
    points = [FACE.at(scale.distance(v), a) for a, v in zip(degrees, values, strict=True)]
    return line(points, css, dashes)


def _stick(scale: _Scale, angle_deg: float, value: float) -> str:
    """From the mean circle to a reading."""
    ends = [FACE.at(scale.mean, angle_deg), FACE.at(scale.distance(value), angle_deg)]
    return line(ends, "stick")


def _dot(scale: _Scale, angle_deg: float, value: float, *, doubted: bool = False) -> str:
    x, y = FACE.at(scale.distance(value), angle_deg)
    if not doubted:
        return f'<circle class="read" cx="{number(x)}" cy="{number(y)}" r="5.5"/>'
    arms = "".join(
        path_of([(x - 9 * s, y - 9.0), (x + 9 * s, y + 9.0)]) for s in (1.0, -1.0)
    )  # fmt: skip
    return f'<path class="doubted" fill="none" stroke="currentColor" d="{arms}"/>'


def _high_spot(result: Runout, readings: Readings | None) -> str:
    """A pencilled wedge at the rim, and how sure its place is as an arc."""
    if result.angle_se_deg > VAGUE_DEG or result.offset.length <= 0.0:
        return ""
    angle = result.offset.angle_deg
    tip, left, right = (
        FACE.at(FACE.radius - 26.0, angle), FACE.at(FACE.radius - 1.0, angle - 5.0),
        FACE.at(FACE.radius - 1.0, angle + 5.0),
    )  # fmt: skip
    doubt = min(2.0 * result.angle_se_deg, 90.0)
    arc = [FACE.at(FACE.radius, angle + doubt * k / 12.0) for k in range(-12, 13)]
    x, y = FACE.at(52.0, angle)
    return (
        line(arc, "high-doubt")
        + f'<path class="high" d="{path_of([tip, left, right])}Z"/>'
        + line([(x, y), tip], "high-line")
        + label(FACE.x, HEIGHT - 8.0, f"▾ high spot: {name_angle(angle, readings)}", "middle", css="strong")
    )


def _short_form(result: Runout, unit: str) -> str:
    said = f"Highest minus lowest {show_length(result.tir_m, unit)}; the places between were not read."
    return "".join(
        [
            opened(SIZE, HEIGHT, "dial", said),
            FACE.ticks([(45.0 * k, f"{45 * k}°") for k in range(8)]),
            circle(FACE.x, FACE.y, MEAN_SHARE * FACE.radius, "mean"),
            label(FACE.x, FACE.y + 5.0, show_length(result.tir_m, unit), "middle", css="strong"),
            _high_spot(result, None),
            close(),
        ]
    )


def _described(result: Runout, unit: str, readings: Readings | None) -> str:
    one = parse_length(f"1 {unit}").si
    read = ", ".join(
        f"{name_angle(angle, readings)} {value / one:.3g}"
        for angle, value in zip(result.angles_deg, result.readings_m, strict=True)
    )
    high = "no clear high spot"
    if result.angle_se_deg <= VAGUE_DEG:
        high = f"high spot at {name_angle(result.offset.angle_deg, readings)}"
    off = show_length(result.offset.length, unit)
    return f"Clock face of the readings in {unit}: {read}. Off center by {off}, {high}."
