"""The blackboard of a lesson as SVG: averaged spectrum above, order map below, on one frequency axis.

Each order is a group of its own (`data-line`), so that a style sheet can switch it on and off.
"""

import math
from collections.abc import Mapping, Sequence
from html import escape
from typing import Any

from vibeorder.web.draw.frequency import (
    DASHES,
    Frame,
    axis_svg,
    image_svg,
    number,
    opening,
    part_class,
    path_of,
    shape,
    style_name,
    text_svg,
)

__all__ = ["lesson_svg"]

STEP_CHOICES_S = (2, 5, 10, 20)
LABEL_ROWS = 7
LEVELS = (1e-4, 1e-3, 1e-2, 1e-1, 1.0, 10.0)
LABEL, LETTER = 16.0, 0.58


def lesson_svg(
    picture: Mapping[str, Any], tracks: Sequence[Mapping[str, Any]], day: str, night: str, *, wide: bool
) -> str:
    """The drawing of a picture as `vibeorder.web.lesson_picture` makes it, with the tracks that may be shown.

    day, night: addresses of the map in dark and in light ink; CSS shows the one that fits.
    """
    frame = Frame(picture["low_hz"], picture["top_hz"], wide)
    spectrum_top, spectrum_bottom = 20.0, 190.0 if wide else 150.0
    top = spectrum_bottom + 14.0
    bottom = top + (400.0 if wide else 330.0)
    edges = (spectrum_top, spectrum_bottom, top, bottom)
    lines = [_line(frame, one, i, picture["times_s"], edges) for i, one in enumerate(tracks)]
    body = [
        opening(frame, bottom + 48, "lesson", "Spectrum and order map", _describe(picture)),
        _spectrum(frame, picture["spectrum"], spectrum_top, spectrum_bottom),
        image_svg(frame, top, bottom, day, "day"),
        image_svg(frame, top, bottom, night, "night"),
        axis_svg(frame, bottom, spectrum_top),
        f'<path class="rule" d="M{number(frame.left)} {number(spectrum_bottom)}H{number(frame.right)}"/>',
        _times(frame, picture, top, bottom),
        f'<path class="cursor" d="M0 {number(spectrum_top)}V{number(bottom)}"/>',
        *(course for course, _ in lines),
        *(name for _, name in lines),
        "</svg>",
    ]
    return "".join(body)


def _spectrum(frame: Frame, spectrum: Mapping[str, Sequence[float]], top: float, bottom: float) -> str:
    """Amplitude and noise floor on a logarithmic axis, with its decades and unit."""
    high = 1.6 * max(spectrum["amplitude"])
    floors = sorted(spectrum["floor"])
    low = max(0.5 * floors[len(floors) // 20], 1e-4 * high)

    def y(value: float) -> float:
        share = math.log(max(value, low) / low) / math.log(high / low)
        return bottom - share * (bottom - top)

    def curve(name: str) -> str:
        return path_of([(frame.x(hz), y(v)) for hz, v in zip(spectrum["hz"], spectrum[name], strict=True)])

    out = [text_svg(frame.left - 6, top - 6, "m/s²", "end")]
    for level in LEVELS:
        if low <= level <= high:
            out.append(
                f'<path class="grid" d="M{number(frame.left)} {number(y(level))}H{number(frame.right)}"/>'
            )
            if y(level) > top + 12:
                out.append(text_svg(frame.left - 6, y(level) + 4.5, f"{level:g}", "end"))
    out.append(f'<path class="curve" fill="none" stroke="currentColor" d="{curve("amplitude")}"/>')
    out.append(f'<path class="floor" fill="none" stroke="currentColor" d="{curve("floor")}"/>')
    return "".join(out)


def _times(frame: Frame, picture: Mapping[str, Any], top: float, bottom: float) -> str:
    """Seconds running down, each with the road speed where there is room."""
    first, last = picture["times_s"]
    step = next((s for s in STEP_CHOICES_S if (last - first) / s <= 7), STEP_CHOICES_S[-1])
    out = []
    tick = 0
    while tick <= last:
        y = top + (tick - first) / (last - first) * (bottom - top)
        speed = min(picture["speeds"], key=lambda pair: abs(pair[0] - tick))[1]
        said = f"{tick} s, {speed}" if frame.wide else f"{tick} s"
        out.append(text_svg(frame.left - 8, min(max(y + 4.5, top + 9), bottom), said, "end"))
        out.append(f'<path class="rule" d="M{number(frame.left - 5)} {number(y)}H{number(frame.left)}"/>')
        tick += step
    return "".join(out)


def _line(
    frame: Frame, one: Mapping[str, Any], index: int, times: Sequence[float],
    edges: tuple[float, float, float, float],
) -> tuple[str, str]:  # fmt: skip
    """One order: its band across the spectrum and its course down the map; and its name, to lie above all courses."""
    spectrum_top, spectrum_bottom, top, bottom = edges
    first, last = times
    shown = [(t, hz) for t, hz in zip(one["times_s"], one["hz"], strict=True) if frame.shows(hz)]
    if not shown:
        return "", ""
    points = [
        (frame.x(hz) if frame.shows(hz) else math.nan, top + (t - first) / (last - first) * (bottom - top))
        for t, hz in zip(one["times_s"], one["hz"], strict=True)
    ]
    low, high = (frame.x(f(hz for _, hz in shown)) for f in (min, max))
    dashes = DASHES[style_name(one["part"])]
    pattern = f' stroke-dasharray="{dashes}"' if dashes else ""
    d = path_of(points)
    group = f'<g class="track {part_class(one["part"])}" data-line="{one["number"]}">'
    course = (
        f"{group}<title>{escape(one['name'])}</title>"
        f'<rect class="band" x="{number(low - 1.5)}" y="{number(spectrum_top)}" '
        f'width="{number(high - low + 3)}" height="{number(spectrum_bottom - spectrum_top)}"/>'
        f'<path class="rim" fill="none" d="{d}"/>'
        f'<path class="dash" fill="none" stroke="currentColor"{pattern} d="{d}"/></g>'
    )
    return course, f"{group}{_name(frame, one, _label_place(points, index))}</g>"


def _label_place(points: Sequence[tuple[float, float]], index: int) -> tuple[float, float]:
    """Where a line's name stands: neighbours on different heights, so that several can be read at once."""
    seen = [point for point in points if math.isfinite(point[0])]
    share = (index % LABEL_ROWS + 0.7) / (LABEL_ROWS + 0.4)
    return seen[min(int(share * len(seen)), len(seen) - 1)]


def _name(frame: Frame, one: Mapping[str, Any], place: tuple[float, float]) -> str:
    x, y = place
    width = 26.0 + LABEL * LETTER * len(one["name"])
    left = x + 10.0 if x + 10.0 + width <= frame.width else max(1.0, x - 10.0 - width)
    return (
        f'<rect class="tag" x="{number(left)}" y="{number(y - 12)}" width="{number(width)}" height="24" rx="3"/>'
        f"{shape(one['part'], left + 12, y, 11)}"
        f"{text_svg(left + 22, y + 5.5, one['name'], 'start', LABEL, 'ink strong')}"
    )


def _describe(picture: Mapping[str, Any]) -> str:
    first, last = picture["times_s"]
    return (
        f"Frequency from {picture['low_hz']:g} to {picture['top_hz']:.0f} Hz on a logarithmic axis. Above, the "
        f"spectrum of the whole recording over its noise floor; below, time from {first:.0f} to {last:.0f} s running "
        "down, dark where it shook. The table of the strongest frequencies says what stands out."
    )
