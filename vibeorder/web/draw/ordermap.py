"""The order map as SVG: frequency across, time running down, ink where it shook, the parts' rates as lines."""

import math
from collections.abc import Mapping, Sequence
from html import escape
from typing import Any

from vibeorder.web.draw.frequency import (
    DASHES,
    TAG_HEIGHT,
    Frame,
    axis_svg,
    image_svg,
    number,
    opening,
    part_class,
    path_of,
    stagger,
    style_name,
    tag,
    text_svg,
)

__all__ = ["ordermap_svg"]

TAG_WIDTH = 40.0
STEPS_S = (1, 2, 5, 10, 20, 30, 60, 120, 300, 600, 1200)


def ordermap_svg(picture: Mapping[str, Any], day: str, night: str, *, wide: bool, key: str = "") -> str:
    """The drawing of a picture as `vibeorder.web.picture.picture_of` makes it.

    day, night: addresses of the map's image in dark and in light ink; CSS shows the one that fits.
    key: tells its ids from those of other drawings on the page.
    """
    frame = Frame(picture["low_hz"], picture["top_hz"], wide, key)
    times = picture["map"]["times_s"]
    tracks = [one for one in picture["map"]["tracks"] if _first_on_axis(frame, one) is not None]
    places = [frame.x(_first_on_axis(frame, one) or 0.0) for one in tracks]
    tags = stagger(places, TAG_WIDTH, frame)
    storeys = 1 + max((storey for _, storey in tags), default=-1)
    top = storeys * (TAG_HEIGHT + 4) + 10
    bottom = top + (330.0 if wide else 300.0)
    body = [
        opening(
            frame, bottom + 48, "ordermap", "Order map: how the shake moved with time", _describe(picture)
        ),
        image_svg(frame, top, bottom, day, "day"),
        image_svg(frame, top, bottom, night, "night"),
        axis_svg(frame, bottom, top),
        _times(frame, times, top, bottom),
        *(_track(frame, one, times, top, bottom) for one in tracks),
        *(_tag(one, x, place, top) for one, x, place in zip(tracks, places, tags, strict=True)),
        f'<path class="cursor" d="M0 {number(top)}V{number(bottom)}"/></svg>',
    ]
    return "".join(body)


def _first_on_axis(frame: Frame, track: Mapping[str, Any]) -> float | None:
    return next((hz for hz in track["hz"] if frame.shows(hz)), None)


def _times(frame: Frame, times: Sequence[float], top: float, bottom: float) -> str:
    first, last = times
    length = max(last - first, 1e-9)
    step = next((s for s in STEPS_S if length / s <= 6), STEPS_S[-1])
    out = [text_svg(frame.left - 6, top - 6, "time, s" if frame.wide else "s", "end")]
    tick = math.ceil(first / step) * step
    while tick <= last:
        y = top + (tick - first) / length * (bottom - top)
        out.append(text_svg(frame.left - 6, y + 4.5, f"{tick:g}", "end"))
        out.append(f'<path class="rule" d="M{number(frame.left - 4)} {number(y)}H{number(frame.left)}"/>')
        tick += step
    return "".join(out)


def _track(frame: Frame, one: Mapping[str, Any], times: Sequence[float], top: float, bottom: float) -> str:
    """One part's rate down the map: its dashes on a rim of paper, so that they hold on bare and on full ink."""
    first, last = times
    length = max(last - first, 1e-9)
    points = [
        (frame.x(hz) if frame.shows(hz) else math.nan, top + (t - first) / length * (bottom - top))
        for t, hz in zip(one["times_s"], one["hz"], strict=True)
    ]
    dashes = DASHES[style_name(one["part"])]
    d = path_of(points)
    return (
        f'<g class="track {part_class(one["part"])}" data-letter="{escape(one["letter"])}">'
        f"<title>{escape(one['name'])}</title>"
        f'<path class="hit" fill="none" d="{d}"/>'
        f'<path class="rim" fill="none" stroke-dasharray="{dashes}" d="{d}"/>'
        f'<path class="dash" fill="none" stroke="currentColor" stroke-dasharray="{dashes}" d="{d}"/></g>'
    )


def _tag(one: Mapping[str, Any], x: float, place: tuple[float, int], top: float) -> str:
    y = 4 + place[1] * (TAG_HEIGHT + 4) + TAG_HEIGHT / 2
    return (
        f'<g class="lettered {part_class(one["part"])}" data-letter="{escape(one["letter"])}">'
        f"<title>{escape(one['name'])}</title>"
        f'<path class="lead" fill="none" stroke="currentColor" d="M{number(place[0])} '
        f'{number(y + TAG_HEIGHT / 2)}L{number(x)} {number(top)}"/>'
        f"{tag(one['part'], one['letter'], place[0], y)}</g>"
    )


def _describe(picture: Mapping[str, Any]) -> str:
    first, last = picture["map"]["times_s"]
    said = []
    for one in picture["map"]["tracks"]:
        seen = [hz for hz in one["hz"] if hz is not None]
        if seen:
            said.append(f"{one['letter']}: {one['name']}, {min(seen):.1f} to {max(seen):.1f} Hz.")
    return " ".join((f"Time from {first:.0f} to {last:.0f} s, running down. Rates of the parts.", *said))
