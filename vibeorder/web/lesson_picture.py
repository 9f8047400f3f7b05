"""A lesson's levels and tracks, reduced to what a screen can show; plain numbers, ready for JSON."""

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vibeorder.classroom import Lesson, ShakeView, Track
from vibeorder.units import show_speed

__all__ = ["LETTERED", "lesson_picture", "level_pixels", "track_values"]

FloatArray = NDArray[np.float64]

LOW_HZ = 3.0
COLUMNS, ROWS = 720, 240
LETTERED = 26
"""Lines that can be switched on; classroom.css has a rule for each."""
PALE_DB, FULL_DB = 4.5, 21.0
"""Levels over the noise floor that are bare paper and full ink: noise alone stays mostly bare."""
SPEED_POINTS = 60


def lesson_picture(lesson: Lesson, view: ShakeView, unit: str) -> dict[str, Any]:
    """Axis, averaged spectrum and drive; the same whatever is wrong, as a riddle shows it.

    unit: of the road speeds. The axis ends where the vehicle's highest line or half the sample rate does.
    """
    return {
        "low_hz": LOW_HZ,
        "top_hz": round(_top_hz(lesson), 1),
        "times_s": [0.0, lesson.plan.duration_s],
        "spectrum": _spectrum(view, _top_hz(lesson)),
        "speeds": _speeds(lesson, unit),
    }


def track_values(tracks: Sequence[Track]) -> list[dict[str, Any]]:
    """Courses to draw, numbered from 1 as their check boxes are."""
    return [
        {
            "number": i,
            "part": one.part,
            "order": one.order,
            "name": one.name,
            "label": one.label[:1].upper() + one.label[1:],
            "times_s": _plain(one.times_s[::2]),
            "hz": _plain(one.seen_hz[::2]),
            "from_hz": round(float(one.frequency_hz[0]), 1),
            "to_hz": round(float(one.frequency_hz[-1]), 1),
            "folds": one.folds,
        }
        for i, one in enumerate(tracks[:LETTERED], 1)
    ]


def level_pixels(lesson: Lesson, view: ShakeView) -> FloatArray:
    """The map on the picture's own axis: 0 bare paper to 1 full ink [shape (rows, columns)], first time on top.

    Columns follow the logarithm of frequency; each takes the strongest level in it, or interpolates where bins
    are wider. Rows reach from 0 to the end of the recording; the first and last second repeat their neighbours.
    """
    edges = np.geomspace(LOW_HZ, _top_hz(lesson), COLUMNS + 1)
    centres = np.sqrt(edges[:-1] * edges[1:])
    drawn = np.stack([np.interp(centres, view.frequency_hz, row) for row in view.level_db])
    first = np.searchsorted(view.frequency_hz, edges)
    for column in np.flatnonzero(np.diff(first) > 1):
        drawn[:, column] = view.level_db[:, first[column] : first[column + 1]].max(axis=1)
    times = (np.arange(ROWS) + 0.5) / ROWS * lesson.plan.duration_s
    place = np.interp(times, view.times_s, np.arange(view.times_s.size))
    below = np.floor(place).astype(np.intp)
    above = np.minimum(below + 1, view.times_s.size - 1)
    part = (place - below)[:, None]
    rows = (1.0 - part) * drawn[below] + part * drawn[above]
    return np.asarray(np.clip((rows - PALE_DB) / (FULL_DB - PALE_DB), 0.0, 1.0), float)


def _top_hz(lesson: Lesson) -> float:
    highest = max(float(one.seen_hz.max()) for one in lesson.tracks)
    return min(lesson.plan.rate_hz / 2.0, 1.15 * highest)


def _spectrum(view: ShakeView, top_hz: float) -> dict[str, list[float]]:
    """At most COLUMNS points evenly spaced in the logarithm of frequency, each the highest of its bins."""
    use = (view.spectrum_hz >= LOW_HZ) & (view.spectrum_hz <= top_hz)
    hz, amplitude, floor = view.spectrum_hz[use], view.amplitude[use], view.floor[use]
    column = np.floor(np.log(hz / hz[0]) / np.log(top_hz / hz[0]) * COLUMNS).astype(np.intp)
    starts = np.flatnonzero(np.diff(column, prepend=-1))
    ends = np.append(starts[1:], hz.size)
    best = [int(s + np.argmax(amplitude[s:e])) for s, e in zip(starts, ends, strict=True)]
    return {"hz": _plain(hz[best]), "amplitude": _plain(amplitude[best]), "floor": _plain(floor[best])}


def _speeds(lesson: Lesson, unit: str) -> list[list[Any]]:
    """[second, road speed as the dash said it] along the drive."""
    truth = lesson.test.truth
    times = np.linspace(0.0, lesson.plan.duration_s, SPEED_POINTS + 1)
    speeds = np.interp(times, truth.times_s, truth.speed_mps)
    return [[round(float(t), 2), show_speed(float(v), unit)] for t, v in zip(times, speeds, strict=True)]


def _plain(values: FloatArray) -> list[float]:
    return [float(f"{v:.5g}") for v in values.tolist()]
