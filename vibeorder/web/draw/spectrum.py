"""The peg board over the spectrum as SVG: which rates the parts have, and what shook there.

Each part has a row with a peg at each of its orders; below, on the same frequency axis, the averaged spectrum
over its noise floor, with a lettered line at each part's rate that is worth a word.
"""

import math
from collections.abc import Mapping, Sequence
from html import escape
from typing import Any

from vibeorder.units import show_unit
from vibeorder.web.draw.frequency import (
    DASHES,
    SMALL,
    TAG_HEIGHT,
    TEXT,
    Frame,
    axis_svg,
    number,
    opening,
    part_class,
    path_of,
    shape,
    stagger,
    style_name,
    tag,
    text_svg,
)

__all__ = ["spectrum_svg"]

TAG_WIDTH = 40.0
LEVELS = (1e-5, 1e-4, 1e-3, 1e-2, 1e-1, 1.0, 10.0, 100.0)


def spectrum_svg(picture: Mapping[str, Any], *, wide: bool, key: str = "") -> str:
    """The drawing of a picture as `vibeorder.web.picture.picture_of` makes it.

    key: tells its ids from those of other drawings on the page.
    """
    frame = Frame(picture["low_hz"], picture["top_hz"], wide, key)
    marks = [one for one in picture["marks"] if frame.shows(one["hz"])]
    tags = stagger([frame.x(one["hz"]) for one in marks], TAG_WIDTH, frame)
    storeys = 1 + max((storey for _, storey in tags), default=-1)
    board, board_end = _pegs(frame, picture["parts"], picture["pegs"])
    top = board_end + storeys * (TAG_HEIGHT + 4) + 8
    bottom = top + (330.0 if wide else 250.0)
    scale = _Scale(picture["spectrum"], top, bottom)
    body = [
        opening(frame, bottom + 48, "spectrum", "Spectrum with the parts' rates", _describe(picture)),
        board,
        _levels(frame, scale, picture["unit"]),
        *(_band(frame, one, top, bottom) for one in marks),
        axis_svg(frame, bottom, top),
        *(_lines(frame, one, place, board_end, bottom) for one, place in zip(marks, tags, strict=True)),
        _curves(frame, scale, picture["spectrum"]),
        *(_other(frame, scale, one) for one in picture["others"]),
        *(_tag(one, place, board_end) for one, place in zip(marks, tags, strict=True)),
        f'<path class="cursor" d="M0 {number(board_end)}V{number(bottom)}"/></svg>',
    ]
    return "".join(body)


class _Scale:
    """Amplitudes on a logarithmic axis from `bottom` up to `top`."""

    def __init__(self, spectrum: Mapping[str, Sequence[float]], top: float, bottom: float) -> None:
        self.top, self.bottom = top, bottom
        lows = sorted(v for v in spectrum["floor"] if v and v > 0.0)
        highs = [v for v in spectrum["amplitude"] if v and v > 0.0]
        self.high = 1.6 * max(highs, default=1.0)
        low = lows[len(lows) // 20] if lows else self.high * 1e-3
        self.low = max(0.6 * low, self.high * 1e-5)

    def y(self, value: float | None) -> float:
        if not value or value <= 0.0:
            return math.nan
        share = math.log(max(value, self.low) / self.low) / math.log(self.high / self.low)
        return self.bottom - min(share, 1.0) * (self.bottom - self.top)


def _pegs(frame: Frame, parts: Sequence[str], pegs: Sequence[Mapping[str, Any]]) -> tuple[str, float]:
    """The board and where it ends."""
    height = 28.0 if frame.wide else 38.0
    out = []
    for row, part in enumerate(parts):
        y = 20.0 + row * height + (0.0 if frame.wide else 14.0)
        name = next(one["name"] for one in pegs if one["part"] == part)
        beside = (frame.left - 12, y + 5, name, "end", TEXT)
        label = text_svg(*beside) if frame.wide else text_svg(2, y - 13, name)
        rule = f'<path class="grid" d="M{number(frame.left)} {number(y)}H{number(frame.right)}"/>'
        own = [one for one in pegs if one["part"] == part and frame.shows(one["hz"])]
        out.append(f'<g class="{part_class(part)}">{rule}{label}{_row(frame, own, y)}</g>')
    return "".join(out), 20.0 + len(parts) * height - (6.0 if frame.wide else 0.0)


def _row(frame: Frame, pegs: Sequence[Mapping[str, Any]], y: float) -> str:
    out = []
    ordered = sorted(pegs, key=lambda one: one["hz"])
    for i, one in enumerate(ordered):
        x = frame.x(one["hz"])
        after = frame.x(ordered[i + 1]["hz"]) - 8 if i + 1 < len(ordered) else frame.width
        width = 0.58 * SMALL * len(one["order"])
        label = ""
        if x + 11 + width <= after:
            label = text_svg(x + 10, y + 4.5, one["order"], css="ink halo")
        said = f"<title>{escape(one['text'])}</title>"
        letter = f' data-letter="{escape(one["letter"])}"' if one["letter"] else ""
        out.append(
            f'<g class="peg" data-hz="{one["hz"]:.3f}"{letter}>{said}'
            f'<rect class="hit" x="{number(x - 9)}" y="{number(y - 13)}" width="{number(20 + width)}" height="26"/>'
            f"{shape(one['part'], x, y, 13, filled=one['seen'])}{label}</g>"
        )
    return "".join(out)


def _levels(frame: Frame, scale: _Scale, unit: str) -> str:
    """Decades of the amplitude, and its unit on top."""
    shown = show_unit(unit)
    out = [text_svg(frame.left - 6, scale.top - 2, shown, "end")]
    for level in LEVELS:
        if scale.low <= level <= scale.high:
            y = scale.y(level)
            out.append(f'<path class="grid" d="M{number(frame.left)} {number(y)}H{number(frame.right)}"/>')
            if y > scale.top + 14:
                out.append(text_svg(frame.left - 6, y + 4.5, f"{level:g}", "end"))
    return "".join(out)


def _curves(frame: Frame, scale: _Scale, spectrum: Mapping[str, Sequence[float]]) -> str:
    def curve(values: Sequence[float]) -> str:
        return path_of([(frame.x(hz), scale.y(v)) for hz, v in zip(spectrum["hz"], values, strict=True)])

    return (
        f'<path class="curve" fill="none" stroke="currentColor" d="{curve(spectrum["amplitude"])}"/>'
        f'<path class="floor" fill="none" stroke="currentColor" d="{curve(spectrum["floor"])}"/>'
    )


def _band(frame: Frame, one: Mapping[str, Any], top: float, bottom: float) -> str:
    """How far a likely suspect's rate moved in this drive."""
    if not one["band"] or not one["likely"]:
        return ""
    left, right = (frame.x(hz) for hz in one["band"])
    return (
        f'<rect class="band {part_class(one["part"])}" data-letter="{escape(one["letter"])}" x="{number(left)}" '
        f'y="{number(top)}" width="{number(right - left)}" height="{number(bottom - top)}" fill="currentColor"/>'
    )


def _lines(
    frame: Frame, one: Mapping[str, Any], place: tuple[float, int], start: float, bottom: float
) -> str:
    """A mark's dashed line down to the axis, beneath the curves."""
    x = frame.x(one["hz"])
    y = start + place[1] * (TAG_HEIGHT + 4) + TAG_HEIGHT
    dashes = DASHES[style_name(one["part"])]
    css = f"line{'' if one['likely'] else ' faint'} {part_class(one['part'])}"
    d = f"M{number(place[0])} {number(y)}L{number(x)} {number(y + 5)}V{number(bottom)}"
    return (
        f'<path class="{css}" data-letter="{escape(one["letter"])}" fill="none" stroke="currentColor" '
        f'stroke-dasharray="{dashes}" d="{d}"/>'
    )


def _tag(one: Mapping[str, Any], place: tuple[float, int], start: float) -> str:
    """A mark's tag, above everything."""
    y = start + place[1] * (TAG_HEIGHT + 4) + TAG_HEIGHT / 2
    moved = f' data-from="{one["band"][0]:g}" data-to="{one["band"][1]:g}"' if one["band"] else ""
    return (
        f'<g class="lettered {part_class(one["part"])}" data-letter="{escape(one["letter"])}" '
        f'data-hz="{one["hz"]:.3f}"{moved}><title>{escape(one["text"])}</title>'
        f"{tag(one['part'], one['letter'], place[0], y, filled=one['seen'])}</g>"
    )


def _other(frame: Frame, scale: _Scale, one: Mapping[str, Any]) -> str:
    """A number over a strong line that is no lettered part's."""
    if not frame.shows(one["hz"]):
        return ""
    y = max(scale.y(one["amplitude"]) - 10, scale.top + 12)
    return (
        f'<g class="other" data-hz="{one["hz"]:.3f}" data-number="{one["number"]}">'
        f"<title>{escape(one['text'])}</title>"
        f"{text_svg(frame.x(one['hz']), y, str(one['number']), 'middle', TEXT, 'ink halo strong')}</g>"
    )


def _describe(picture: Mapping[str, Any]) -> str:
    said = [f"{one['letter']}: {one['text']}" for one in picture["marks"]]
    said += [f"{one['number']}: {one['text']}" for one in picture["others"]]
    axis = f"Frequency from {picture['low_hz']:g} to {picture['top_hz']:.0f} Hz on a logarithmic axis."
    return " ".join((axis, *said, "The list below says the same."))
