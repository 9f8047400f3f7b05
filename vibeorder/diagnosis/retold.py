"""Courses found without a speed, told as what the report renders: a clock, tracks, hypotheses, one judgement."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.analyse import Piece
from vibeorder.diagnosis.blocks import Course
from vibeorder.diagnosis.candidates import Candidate
from vibeorder.diagnosis.floor import floor_of
from vibeorder.diagnosis.gears import GearCourse
from vibeorder.diagnosis.judge import Hypothesis, Judgement
from vibeorder.diagnosis.namings import Naming
from vibeorder.diagnosis.offsets import Offsets
from vibeorder.diagnosis.propose import RateDoubt
from vibeorder.diagnosis.scan import HOP_S, Bands, Clock, Scan, Track
from vibeorder.diagnosis.signal import Signal
from vibeorder.diagnosis.weighing import Explained

__all__ = ["Weighed", "clock_of", "piece_of"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]

TOLD_FROM = -6.0
"""Log share of some class's weight from which a hypothesis is kept; the best of every class always is."""

REACH, STEP = 0.002, 0.001
DOUBT = RateDoubt(0.0, 0.004, 0.002, 0.001)


@dataclass(frozen=True, slots=True)
class Weighed:
    """One explanation and its log weight for every candidate at fault, then for nothing."""

    explained: Explained
    log_class: FloatArray


def piece_of(
    part: Signal,
    candidates: Sequence[Candidate],
    weighed: Sequence[Weighed],
    numbers: IntArray,
    per_wheel: FloatArray | None,
    log_prior: FloatArray,
    start_s: float,
) -> Piece:
    """One stretch's piece. numbers, per_wheel: of the gears that explanations index; log_prior: of the classes."""
    weights = np.stack([w.log_class for w in weighed])
    total = np.asarray(np.logaddexp.reduce(weights, axis=0))
    with np.errstate(invalid="ignore"):
        share = np.nan_to_num(weights - total, nan=-np.inf)
    kept = np.flatnonzero(share.max(axis=1) > TOLD_FROM)
    wanted = sorted({*kept.tolist(), *weights.argmax(axis=0).tolist()})
    groups: dict[int, list[Weighed]] = {}
    for i in wanted:
        groups.setdefault(id(weighed[i].explained.naming), []).append(weighed[i])
    hypotheses = [
        h for group in groups.values() for h in _hypotheses(part, candidates, group, numbers, per_wheel)
    ]
    hypotheses.sort(key=lambda h: -float(np.logaddexp.reduce(h.log_class)))
    judged = Judgement(tuple(candidates), log_prior, total, tuple(hypotheses))
    return Piece(start_s, hypotheses[0].scan.clock, DOUBT, judged, floor_of(part))


def _hypotheses(
    part: Signal,
    candidates: Sequence[Candidate],
    group: Sequence[Weighed],
    numbers: IntArray,
    per_wheel: FloatArray | None,
) -> list[Hypothesis]:
    """The explanations of one naming; they share its clock and tracks."""
    naming = group[0].explained.naming
    used = sorted(
        {int(g) for w in group if w.explained.gear is not None for g in np.unique(w.explained.gear)}
    )
    clock = clock_of(part, naming)
    tracks: list[Track] = []
    for j, candidate in enumerate(candidates):
        ratios: list[tuple[int | None, float]] = [(None, 1.0)]
        if candidate.basis == "engine":
            ratios = [] if per_wheel is None else [(int(numbers[g]), float(per_wheel[g])) for g in used]
        tracks += [Track(j, number, candidate.multiple * ratio) for number, ratio in ratios]
    empty = np.zeros((clock.mid_s.size, clock.engine_cells), np.float32)
    scan = Scan(tuple(tracks), clock, tuple(empty for _ in tracks), Bands(part, clock, tracks))
    turns_s = np.arange(0.0, clock.mid_s[-1] + 1.0, 0.5)
    course = Course(
        np.zeros(clock.mid_s.size), naming.pursued.anchor, 0.0, np.zeros(turns_s.size), turns_s, locked=True
    )
    found = []
    for w in group:
        gears = None
        if w.explained.gear is not None:
            at = np.abs(clock.mid_s[:, None] - naming.frame_s).argmin(axis=1)
            gears = GearCourse(numbers[w.explained.gear[at]], w.explained.log_prior)
        offsets = _slipped(candidates, [int(numbers[g]) for g in used], w.explained.slip)
        found.append(Hypothesis(scan, course, gears, offsets, w.explained.lines, w.log_class))
    return found


def _slipped(candidates: Sequence[Candidate], gears: Sequence[int], slip: float) -> Offsets:
    """How far the engine's lines run off their gears' ratios."""
    engine = [j for j, candidate in enumerate(candidates) if candidate.basis == "engine"]
    return {(j, gear): slip for j in engine for gear in gears} if slip else {}


def clock_of(part: Signal, naming: Naming) -> Clock:
    """The wheel as the naming has it, for a clock: nothing is left to correct."""
    count = max(2, int(part.samples.shape[1] / part.rate_hz / HOP_S))
    mid_s = np.asarray((np.arange(count) + 0.5) * HOP_S, float)
    at = np.arange(naming.turns.size) / part.rate_hz
    knots = np.interp(np.arange(count + 1) * HOP_S, at, naming.turns)
    cells = round(REACH / STEP)
    epsilon = np.asarray(np.arange(-cells, cells + 1) * STEP, float)
    return Clock(naming.turns, mid_s, np.maximum(np.diff(knots) / HOP_S, 1e-3), epsilon, epsilon.size)
