"""Vectors on a clock face: parts and their high spots, shakes with and without a weight, weights, bolt positions."""

import cmath
import math
from collections.abc import Sequence
from dataclasses import dataclass

from vibeorder.bench import CircleBalance, Mating, Trial
from vibeorder.units import parse_length, parse_mass, show_length
from vibeorder.web.draw.polar import (
    SMALL,
    TEXT,
    Face,
    arrow,
    circle,
    close,
    label,
    line,
    nice_step,
    opened,
    tag,
)

__all__ = ["Named", "circles_svg", "mating_svg", "vectors_svg"]

WIDTH = 420.0
FACE = Face(WIDTH / 2, 200.0, 160.0)
ROW = 26.0
STYLES = (("v1", ""), ("v2", "9 5"), ("v3", "3 4"), ("v4", "14 4 3 4"), ("v5", "1 5"), ("v6", "18 6"))
EIGHTHS = [(45.0 * k, f"{45 * k}°") for k in range(8)]


@dataclass(frozen=True, slots=True)
class Named:
    """An arrow. start: where it begins, as a vector (the centre unless it shows a change)."""

    name: str
    value: complex
    start: complex = 0j


def vectors_svg(title: str, arrows: Sequence[Named], unit: str, digits: int | None = None) -> str:
    """Arrows with a ringed number at each tip, and the numbers' meaning below; lengths in `unit`.

    digits: decimals of the lengths, three significant figures where None.
    """
    longest = max((max(abs(one.value + one.start), abs(one.start)) for one in arrows), default=1.0) or 1.0
    scale, step = 0.92 * FACE.radius / longest, nice_step(longest, 3)
    said = "; ".join(f"{i} {_row(one, unit, digits)}" for i, one in enumerate(arrows, 1))
    height = 2 * FACE.y + 6.0 + ROW * len(arrows)
    out = [opened(WIDTH, height, "vectors", f"{title}: {said}."), label(2.0, 18.0, title, css="strong")]
    out.append(FACE.ticks(EIGHTHS))
    out += _rings(step, longest, scale, unit)
    tips: list[tuple[float, float]] = []
    for i, one in enumerate(arrows):
        css, dashes = STYLES[i % len(STYLES)]
        start, end = _place(one.start, scale), _place(one.start + one.value, scale)
        out.append(arrow(start, end, css, dashes))
        if one.start:  # a change: its number stands at the middle, for its tip is another arrow's
            x, y = _clear_of(tips, start, ((start[0] + end[0]) / 2, (start[1] + end[1]) / 2))
        else:
            x, y = _clear_of(tips, start, end)
        tips.append((x, y))
        out.append(tag(x, y, str(i + 1), css))
    for i, one in enumerate(arrows):
        css, dashes = STYLES[i % len(STYLES)]
        y = 2 * FACE.y + 14.0 + ROW * i
        out.append(tag(16.0, y - 5.0, str(i + 1), css))
        out.append(arrow((36.0, y - 5.0), (84.0, y - 5.0), css, dashes))
        out.append(label(94.0, y, _row(one, unit, digits)))
    out.append(close())
    return "".join(out)


def mating_svg(result: Mating, unit: str) -> str:
    """Every position as a bar that grows outward from the bolt circle; the limit is a ring."""
    one = parse_length(f"1 {unit}").si
    values = [p.runout.length / one for p in result.positions]
    limit = None if result.limit is None else result.limit.limit_m / one
    longest = max([*values, *([limit] if limit else [])]) or 1.0
    inner, room = 46.0, FACE.radius - 46.0
    names = [(p.index_deg, _position(k, len(values), p.index_deg)) for k, p in enumerate(result.positions)]
    shown = ", ".join(
        f"{p.index_deg:.0f} degrees {show_length(p.runout.length, unit)}" for p in result.positions
    )
    best = f"best at {result.best.index_deg:.0f} degrees"
    out = [opened(WIDTH, 2 * FACE.y + 34.0, "mating", f"Predicted runout turned by {shown}; {best}.")]
    out += [FACE.ticks(names, 18.0), circle(FACE.x, FACE.y, inner, "mean")]
    if limit is not None:
        out.append(circle(FACE.x, FACE.y, inner + room * limit / longest, "limit", "9 5"))
    for p, value in zip(result.positions, values, strict=True):
        chosen = p is result.best
        ends = [FACE.at(inner, p.index_deg), FACE.at(inner + room * value / longest, p.index_deg)]
        css = "bar best" if chosen else "bar"
        out.append(line(ends, css))
        if len(values) <= 6:
            x, y = FACE.at(inner - 17.0, p.index_deg)
            said = show_length(p.runout.length, unit).partition(" ")[0]
            out.append(label(x, y + 5.0, said, "middle", SMALL, "strong" if chosen else ""))
    x, y = FACE.at(inner + room * result.best.runout.length / one / longest, result.best.index_deg)
    out.append(circle(x, y, 13.0, "best-ring"))
    foot = f"ringed: the best, {show_length(result.best.runout.length, unit)}"
    foot += "" if limit is None else f"; dashes: the limit, {limit:.3g} {unit}"
    out.append(label(FACE.x, 2 * FACE.y + 24.0, foot, "middle", TEXT, "strong"))
    out.append(close())
    return "".join(out)


def circles_svg(reference: float, trials: Sequence[Trial], result: CircleBalance, unit: str) -> str:
    """Amplitudes alone: a circle about each trial place with the shake it gave; where they meet is the answer.

    With the reference A0 as radius and the trial places on it, every circle of radius A_i passes through the
    point W at the correction's angle, as far out as the trial weight alone shakes: |A0 e^(i t_i) - W| = A_i,
    the conjugate of |A0 + a w_i| = A_i turned by t_i (trial_circles.py).
    """
    largest = max([reference + t.amplitude for t in trials] + [result.effect]) or 1.0
    scale = 0.97 * FACE.radius / largest
    said = ", ".join(f"{t.amplitude:g} with the weight at {t.angle_deg:.0f} degrees" for t in trials)
    meeting = f"They meet at {result.angle_deg:.0f} degrees, within {100 * result.misfit_share:.0f}%."
    out = [
        opened(
            WIDTH, 2 * FACE.y + 60.0, "circles", f"Circles: {reference:g} without weight, {said}. {meeting}"
        ),
        FACE.ticks(EIGHTHS),
        circle(FACE.x, FACE.y, reference * scale, "mean"),
    ]
    for i, t in enumerate(trials):
        css, dashes = STYLES[i % len(STYLES)]
        x, y = FACE.at(reference * scale, t.angle_deg)
        out += [circle(x, y, t.amplitude * scale, css, dashes), tag(x, y, str(i + 1), css)]
    end = FACE.at(result.effect * scale, result.angle_deg)
    one = parse_mass(f"1 {unit}").si
    what = f"{result.correction / one:.3g} {unit} at {result.angle_deg:.0f}°"
    out += [
        arrow((FACE.x, FACE.y), end, "answer"),
        label(
            FACE.x, 2 * FACE.y + 24.0, f"arrow: where the circles meet, put {what}", "middle", TEXT, "strong"
        ),
        label(FACE.x, 2 * FACE.y + 48.0, "plain ring: the shake without a weight", "middle", SMALL, "soft"),
        close(),
    ]
    return "".join(out)


def _rings(step: float, longest: float, scale: float, unit: str) -> list[str]:
    k = int(longest / step + 1e-6)
    out = [circle(FACE.x, FACE.y, i * step * scale, "ring", "2 5") for i in range(1, k + 1)]
    if k:
        x, y = FACE.at(k * step * scale, 157.5)
        out.append(label(x, y + 5.0, f"{k * step:g} {unit}".strip(), "middle", SMALL, "halo"))
    return out


def _place(value: complex, scale: float) -> tuple[float, float]:
    return FACE.at(abs(value) * scale, math.degrees(cmath.phase(value)))


def _clear_of(
    tips: Sequence[tuple[float, float]], start: tuple[float, float], end: tuple[float, float]
) -> tuple[float, float]:
    """A place beside an arrow's tip for its number, apart from the numbers before it."""
    length = math.dist(start, end) or 1.0
    ux, uy = (end[0] - start[0]) / length, (end[1] - start[1]) / length
    tries = [
        (end[0] + ux * along - uy * side, end[1] + uy * along + ux * side)
        for along, side in ((13, 0), (2, 17), (2, -17), (-18, 17), (-18, -17), (-40, 17), (-40, -17))
    ]
    for x, y in tries:
        if all(math.dist((x, y), other) > 23.0 for other in tips) and 12 < x < WIDTH - 12:
            return x, y
    return tries[0]


def _row(one: Named, unit: str, digits: int | None) -> str:
    angle = round(math.degrees(cmath.phase(one.value))) % 360
    size = f"{abs(one.value):.3g}" if digits is None else f"{abs(one.value):.{digits}f}"
    return f"{one.name}: {size} {unit}".rstrip() + f" at {angle}°"


def _position(k: int, count: int, index_deg: float) -> str:
    if k == 0:
        return "now"
    return f"{index_deg:.0f}°" if count <= 8 or k % 2 == 0 else ""
