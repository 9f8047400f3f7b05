"""A clock face to draw on: 0 degrees on top, counted clockwise, as one looks at the part; arrows and labels.

Drawings are SVG text with presentation attributes and classes only (the page forbids inline style); colours come
from bench.css. Every shape is told from the others by its form or its label, not by its colour.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from html import escape

from vibeorder.web.draw.frequency import number, path_of

__all__ = ["Face", "arrow", "circle", "close", "label", "line", "nice_step", "opened", "plain_number", "tag"]

TEXT = 16.0
SMALL = 14.0
HEAD = 13.0


@dataclass(frozen=True, slots=True)
class Face:
    """A clock face centred on (x, y); radius in drawing units."""

    x: float
    y: float
    radius: float

    def at(self, distance: float, angle_deg: float) -> tuple[float, float]:
        """The point `distance` drawing units from the centre at a clock angle."""
        turn = math.radians(angle_deg)
        return self.x + distance * math.sin(turn), self.y - distance * math.cos(turn)

    def ticks(self, names: Sequence[tuple[float, str]], outside: float = 15.0) -> str:
        """The rim with a tick and a name at each angle."""
        out = [circle(self.x, self.y, self.radius, "rim")]
        for angle, name in names:
            (x1, y1), (x2, y2) = self.at(self.radius, angle), self.at(self.radius - 6.0, angle)
            out.append(f'<path class="rim" fill="none" d="{path_of([(x1, y1), (x2, y2)])}"/>')
            x, y = self.at(self.radius + outside, angle)
            out.append(label(x, y + 5.0, name, "middle", SMALL, "soft"))
        return "".join(out)


def opened(width: float, height: float, name: str, said: str) -> str:
    """The opening tag of a drawing; `said` is what a screen reader says of it."""
    return (
        f'<svg class="drawing drawing-{name}" role="img" viewBox="0 0 {number(width)} {number(height)}" '
        f'aria-label="{escape(said)}" fill="none" stroke="none">'
    )


def close() -> str:
    """The closing tag."""
    return "</svg>"


def line(points: Sequence[tuple[float, float]], css: str, dashes: str = "") -> str:
    """A line through the points."""
    dashed = f' stroke-dasharray="{dashes}"' if dashes else ""
    return f'<path class="{css}" fill="none" stroke="currentColor"{dashed} d="{path_of(points)}"/>'


def circle(x: float, y: float, radius: float, css: str, dashes: str = "") -> str:
    """A circle line."""
    dashed = f' stroke-dasharray="{dashes}"' if dashes else ""
    return (
        f'<circle class="{css}" cx="{number(x)}" cy="{number(y)}" r="{number(max(radius, 0.0))}" '
        f'fill="none" stroke="currentColor"{dashed}/>'
    )


def arrow(start: tuple[float, float], end: tuple[float, float], css: str, dashes: str = "") -> str:
    """A shaft and a filled head; only the head's point where the arrow is shorter than its head."""
    length = math.dist(start, end)
    if length < 0.5:
        return f'<circle class="{css} arrow-head" cx="{number(end[0])}" cy="{number(end[1])}" r="4"/>'
    ux, uy = (end[0] - start[0]) / length, (end[1] - start[1]) / length
    head = min(HEAD, length)
    neck = (end[0] - ux * head, end[1] - uy * head)
    sides = [(neck[0] - uy * s * head * 0.45, neck[1] + ux * s * head * 0.45) for s in (1.0, -1.0)]
    dashed = f' stroke-dasharray="{dashes}"' if dashes else ""
    return (
        f'<path class="{css} arrow" fill="none" stroke="currentColor"{dashed} d="{path_of([start, neck])}"/>'
        f'<path class="{css} arrow-head" d="{path_of([end, *sides])}Z"/>'
    )


def label(
    x: float, y: float, text: str, anchor: str = "start", size: float = TEXT, css: str = ""
) -> str:  # fmt: skip
    """A line of text."""
    return (
        f'<text class="said {css}" x="{number(x)}" y="{number(y)}" font-size="{number(size)}" '
        f'text-anchor="{anchor}">{escape(text)}</text>'
    )


def tag(x: float, y: float, text: str, css: str = "") -> str:
    """A ringed letter."""
    return (
        f'<g class="tag {css}"><circle cx="{number(x)}" cy="{number(y)}" r="11" stroke="currentColor"/>'
        f"{label(x, y + 5.5, text, 'middle', TEXT, 'strong')}</g>"
    )


def nice_step(span: float, most: int = 4) -> float:
    """The smallest of 1, 2, 5 times a power of ten that fits at most `most` times into `span`.

    >>> nice_step(7.0)
    2.0
    """
    if not (span > 0.0 and math.isfinite(span)):
        return 1.0
    power = 10.0 ** math.floor(math.log10(span / most))
    return float(next((k * power for k in _steps() if k * power * most >= span * (1.0 - 1e-9)), 10.0 * power))


def plain_number(value: float, sign: str = "") -> str:
    """A round number without an exponent and with a true minus.

    >>> plain_number(-0.00005), plain_number(5.0, "+")
    ('−0.00005', '+5')
    """
    return f"{value:{sign}.7f}".rstrip("0").rstrip(".").replace("-", "−")


def _steps() -> Iterable[float]:
    return (1.0, 2.0, 5.0, 10.0)
