"""What all pictures over frequency share: the axis, the parts' shapes and dashes, tags that do not overlap.

Pictures are SVG text with presentation attributes and classes only (the page forbids inline style). A part is
told by shape, dash pattern and letter; its colour (class `part-...`, in figures.css) only helps.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

__all__ = [
    "DASHES",
    "LOWEST_HZ",
    "Frame",
    "axis_svg",
    "image_svg",
    "number",
    "opening",
    "part_class",
    "path_of",
    "shape",
    "stagger",
    "style_name",
    "tag",
]

LOWEST_HZ = 3.0
"""Below this no part of a moving vehicle turns fast enough to be felt as a vibration."""

DASHES = {
    "tire_wheel": "2 5",
    "half_shaft": "12 5 2 5",
    "driveshaft": "20 12",
    "front_driveshaft": "16 5 3 5 3 5",
    "engine": "8 6",
    "motor": "8 6",
    "accessory": "4 4",
}
"""Dash pattern of each part's line, in the drawing's units; through the gaps the shake itself is seen."""

TICKS_HZ = (3, 5, 7, 10, 15, 20, 30, 40, 50, 70, 100, 150, 200, 300, 500, 1000)
TEXT, SMALL = 15.0, 13.0
LETTER_WIDTH = 0.56  # of the text height: what a letter of a plain face takes on average
TAG_HEIGHT = 24.0


@dataclass(frozen=True, slots=True)
class Frame:
    """Where frequencies lie in a drawing: `low_hz` at x = left, `top_hz` at x = right, logarithmic.

    wide: drawn for a tablet, a desk or a projector (1000 units), else for a phone held upright (400 units).
    key: of the drawing among others on one page.
    """

    low_hz: float
    top_hz: float
    wide: bool
    key: str = ""

    @property
    def width(self) -> float:
        """Of the whole drawing."""
        return 1000.0 if self.wide else 400.0

    @property
    def left(self) -> float:
        """Where the axis begins."""
        return 132.0 if self.wide else 44.0

    @property
    def right(self) -> float:
        """Where the axis ends."""
        return self.width - 22.0

    def x(self, hz: float) -> float:
        """Where a frequency lies; at an end of the axis where it lies beyond."""
        share = math.log(max(hz, self.low_hz) / self.low_hz) / math.log(self.top_hz / self.low_hz)
        return self.left + min(share, 1.0) * (self.right - self.left)

    def shows(self, hz: float | None) -> bool:
        """Whether a frequency is on the axis."""
        return hz is not None and self.low_hz <= hz <= self.top_hz


def opening(frame: Frame, height: float, name: str, title: str, description: str) -> str:
    """The opening tag of a drawing with what a screen reader says of it; scripts find the axis in data-*."""
    kind = "wide" if frame.wide else "narrow"
    own = f"{name}{frame.key}-{kind}"
    return (
        f'<svg class="figure figure-{kind} figure-{name}" role="img" '
        f'viewBox="0 0 {number(frame.width)} {number(height)}" aria-labelledby="{own}-t" '
        f'aria-describedby="{own}-d" data-low="{frame.low_hz:g}" data-top="{frame.top_hz:g}" '
        f'data-left="{number(frame.left)}" data-right="{number(frame.right)}">'
        f'<title id="{own}-t">{escape(title)}</title>'
        f'<desc id="{own}-d">{escape(description)}</desc>'
    )


def axis_svg(frame: Frame, y: float, top: float) -> str:
    """The frequency axis at height `y`, with faint lines up to `top`."""
    room = 40.0 if frame.wide else 30.0
    out, last = [], -math.inf
    for hz in TICKS_HZ:
        if not frame.shows(hz):
            continue
        x = frame.x(hz)
        out.append(f'<path class="grid" d="M{number(x)} {number(top)}V{number(y)}"/>')
        if x - last >= room:
            out.append(_text(x, y + 18, f"{hz}", "middle"))
            last = x
    out.append(f'<path class="rule" d="M{number(frame.left)} {number(y)}H{number(frame.right)}"/>')
    out.append(_text((frame.left + frame.right) / 2, y + 38, "frequency, Hz", "middle"))
    return "".join(out)


def image_svg(frame: Frame, top: float, bottom: float, address: str, css: str) -> str:
    """A raster picture across the whole axis: a map in one of its two inks."""
    return (
        f'<image class="{css}" href="{escape(address)}" x="{number(frame.left)}" y="{number(top)}" '
        f'width="{number(frame.right - frame.left)}" height="{number(bottom - top)}" '
        'preserveAspectRatio="none"/>'
    )


def style_name(part: str) -> str:
    """The kind of part that decides shape, dashes and colour; every accessory is one kind."""
    kind = part.split(":")[0]
    return kind if kind in DASHES else "accessory"


def part_class(part: str) -> str:
    """The class that colours a part."""
    return f"part-{style_name(part).replace('_', '-')}"


def shape(part: str, x: float, y: float, size: float, *, filled: bool = True) -> str:
    """A part's own sign centred on (x, y), `size` across; hollow where the part was not seen."""
    r = size / 2
    kind = style_name(part)
    css = "sign" if filled else "sign hollow"
    if kind == "tire_wheel":
        return f'<circle class="{css}" cx="{number(x)}" cy="{number(y)}" r="{number(r)}"/>'
    third = r * 0.36
    points = {
        "half_shaft": ((0, -1.2), (1.2, 0), (0, 1.2), (-1.2, 0)),
        "driveshaft": ((-0.9, -0.9), (0.9, -0.9), (0.9, 0.9), (-0.9, 0.9)),
        "engine": ((0, -1.1), (1.1, 0.9), (-1.1, 0.9)),
        "motor": ((0, 1.1), (1.1, -0.9), (-1.1, -0.9)),
        "front_driveshaft": _plus(third / r),
        "accessory": _turned(_plus(third / r)),
    }[kind]
    return f'<path class="{css}" d="{path_of([(x + r * px, y + r * py) for px, py in points])}Z"/>'


def tag(part: str, label: str, x: float, y: float, filled: bool = True) -> str:
    """A part's sign and its letter in a small box centred on (x, y)."""
    width = _tag_width(label)
    left = x - width / 2
    return (
        f'<rect class="tag" x="{number(left)}" y="{number(y - TAG_HEIGHT / 2)}" width="{number(width)}" '
        f'height="{number(TAG_HEIGHT)}" rx="3"/>'
        + (shape(part, left + 12, y, 11, filled=filled) if part else "")
        + _text(x + (9 if part else 0), y + 5.5, label, "middle", TEXT, "ink strong")
    )


def stagger(places: Sequence[float], width: float, frame: Frame) -> list[tuple[float, int]]:
    """For each x: where its tag is centred, inside the drawing, and on which storey, so that none overlap."""
    ends: list[float] = []
    found: dict[int, tuple[float, int]] = {}
    for i in sorted(range(len(places)), key=lambda i: places[i]):
        centre = min(max(places[i], width / 2 + 1), frame.width - width / 2 - 1)
        storey = next((n for n, end in enumerate(ends) if centre - width / 2 >= end), len(ends))
        if storey == len(ends):
            ends.append(0.0)
        ends[storey] = centre + width / 2 + 3
        found[i] = (centre, storey)
    return [found[i] for i in range(len(places))]


def path_of(points: Sequence[tuple[float, float]]) -> str:
    """Path data through the points; nan lifts the pen."""
    out, pen = [], "M"
    for x, y in points:
        if math.isfinite(x) and math.isfinite(y):
            out.append(f"{pen}{number(x)} {number(y)}")
            pen = "L"
        else:
            pen = "M"
    return "".join(out)


def number(value: float) -> str:
    """A coordinate to a tenth of a unit."""
    text = f"{value:.1f}"
    return text.removesuffix(".0")


def _tag_width(label: str) -> float:
    return 26.0 + TEXT * LETTER_WIDTH * len(label)


def _plus(arm: float) -> tuple[tuple[float, float], ...]:
    a, b = arm, 1.1
    return (
        (-a, -b), (a, -b), (a, -a), (b, -a), (b, a), (a, a), (a, b), (-a, b), (-a, a), (-b, a), (-b, -a), (-a, -a)
    )  # fmt: skip


def _turned(points: tuple[tuple[float, float], ...]) -> tuple[tuple[float, float], ...]:
    c = math.sqrt(0.5)
    return tuple((c * (x - y), c * (x + y)) for x, y in points)


def _text(x: float, y: float, text: str, anchor: str = "start", size: float = SMALL, css: str = "ink") -> str:
    return (
        f'<text class="{css}" x="{number(x)}" y="{number(y)}" font-size="{number(size)}" '
        f'text-anchor="{anchor}" fill="currentColor">{escape(text)}</text>'
    )


text_svg = _text
