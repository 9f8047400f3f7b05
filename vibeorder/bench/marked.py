"""Amplitude and phase of the once-a-turn shake from a recording with a once-a-turn mark."""

import itertools
import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from vibeorder.bench.vectors import Vector
from vibeorder.errors import VibeorderError

__all__ = ["first_order_vector", "mark_times_s"]

FloatArray = NDArray[np.float64]

MIN_TURNS = 10
# A turn that differs from its neighbours by more than this is a missed or doubled mark.
MISSED_MARK = 0.3


def first_order_vector(samples: FloatArray, rate_hz: float, marks_s: Sequence[float]) -> Vector:
    """Least squares of samples [shape (n,)] against cos and sin of the shaft's angle between marks.

    s = a cos(p) + b sin(p) + c, p = 2 pi per mark, rising linearly between marks. The vector's angle is how
    far the shaft has turned past the mark at the shake's positive peak. Standard errors: the scatter left,
    counted once per turn, as neighbouring samples are not independent.
    Raises VibeorderError for fewer than ten turns or marks that jump.
    """
    marks = np.asarray(marks_s, float)
    turns = len(marks) - 1
    if turns < MIN_TURNS:
        raise VibeorderError(
            f"{max(turns, 0)} turns between marks are too few for a phase; record at least {MIN_TURNS}"
        )
    steps = np.diff(marks)
    if np.any(np.abs(steps[1:] / steps[:-1] - 1.0) > MISSED_MARK):
        at = float(marks[1:][np.abs(np.diff(steps, prepend=steps[0])) > MISSED_MARK * steps][0])
        raise VibeorderError(
            f"a mark is missing or doubled near {at:.2f} s; clean the reflective tape and record again"
        )
    times = np.arange(len(samples)) / rate_hz
    inside = (times >= marks[0]) & (times < marks[-1])
    turn = np.interp(times[inside], marks, np.arange(len(marks)))
    angle, values = 2.0 * math.pi * turn, np.asarray(samples, float)[inside]
    per_turn = [_one_turn(angle[k], values[k]) for k in _turns(turn, turns)]
    parts = np.array([p for p in per_turn if p is not None])
    if len(parts) < MIN_TURNS:
        raise VibeorderError("the sample rate is too low for this speed: fewer than 8 samples a turn")
    mean, cov = parts.mean(axis=0), np.cov(parts.T) / len(parts)
    return Vector(float(mean[0]), float(mean[1]), float(cov[0, 0]), float(cov[1, 1]), float(cov[0, 1]))


def mark_times_s(pulses: FloatArray, rate_hz: float) -> tuple[float, ...]:
    """Times at which a pulse channel rises through half its height, interpolated between samples.

    A second crossing needs the signal to fall below a quarter first. Raises VibeorderError without pulses.
    """
    low, high = float(np.min(pulses)), float(np.max(pulses))
    if high <= low:
        raise VibeorderError("the mark channel is silent; check the pickup and its tape")
    level = (np.asarray(pulses, float) - low) / (high - low)
    state = np.where(level >= 0.5, 1, np.where(level <= 0.25, 0, -1))
    known = np.flatnonzero(state >= 0)
    rises = known[1:][(state[known[1:]] == 1) & (state[known[:-1]] == 0)]
    before = level[rises - 1]
    return tuple(((rises - 1 + (0.5 - before) / (level[rises] - before)) / rate_hz).tolist())


def _turns(turn: FloatArray, count: int) -> list[slice]:
    edges = np.searchsorted(turn, np.arange(count + 1))
    return [slice(int(a), int(b)) for a, b in itertools.pairwise(edges)]


def _one_turn(angle: FloatArray, values: FloatArray) -> tuple[float, float] | None:
    if len(angle) < 8:
        return None
    x = np.column_stack([np.cos(angle), np.sin(angle), np.ones_like(angle)])
    a, b, _ = np.linalg.lstsq(x, values, rcond=None)[0].tolist()
    return a, b
