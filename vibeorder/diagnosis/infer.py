"""No speed given: every name that the strongest line may bear implies a speed; all are weighed.

If the line is source k, the wheel turns at its rate over k's multiple, and every other line's place follows.
The names share the line itself; what decides is whether the others are where that name puts them, and whether
the implied speed is one that people drive.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.analyse import Piece, Setting, judge_stretch
from vibeorder.diagnosis.candidates import Candidate
from vibeorder.diagnosis.floor import floor_of
from vibeorder.diagnosis.judge import Judgement
from vibeorder.diagnosis.propose import BRISK, RateDoubt
from vibeorder.diagnosis.ridge import Ridge, find_ridges
from vibeorder.diagnosis.scan import HOP_S, Clock
from vibeorder.diagnosis.signal import Signal
from vibeorder.speed.given import SpeedGiven
from vibeorder.units import MPH_MPS

__all__ = ["infer_pieces"]

FloatArray = NDArray[np.float64]
Progress = Callable[[str, float], None]

SPEED_RANGE_MPS = (15.0 * MPH_MPS, 90.0 * MPH_MPS)
EDGE = 0.03
"""Speeds at which a shake is recorded when nothing is said, uniform in speed, and how soft the edges are in
ln(speed) (common practice, no source)."""

STRETCH_S = 75.0
MOST_STRETCHES = 2
TOO_UNLIKELY = -14.0
MOST_NAMINGS, AT_LEAST = 40, 5
SECOND_RIDGE = 0.6
"""A weaker line is followed too only where it has this share of the strongest line's evidence."""

REACH, STEP = 0.012, 0.001


@dataclass(frozen=True, slots=True)
class _Naming:
    """A ridge called one candidate's line; gear of an engine line before and after the ridge's jump, or None."""

    candidate: int
    gears: tuple[int, int] | None
    rate_at_samples: FloatArray
    turns: FloatArray
    log_prior: float


def infer_pieces(
    signal: Signal,
    candidates: Sequence[Candidate],
    given: SpeedGiven | None,
    setting: Setting,
    progress: Progress | None = None,
) -> list[Piece]:
    """Judge the liveliest stretches on every clock that their strongest lines imply.

    given: a range of speeds that was said, or None.
    """
    pieces = []
    for i, (first, last) in enumerate(_stretches(signal)):
        part = Signal(
            signal.samples[:, first:last], signal.valid[first:last], signal.rate_hz, signal.relative
        )
        piece = _infer(part, candidates, given, setting, first / signal.rate_hz, progress, i)
        if piece is not None:
            pieces.append(piece)
    return pieces


def _stretches(signal: Signal) -> list[tuple[int, int]]:
    """Up to MOST_STRETCHES stretches with the most power above wheel rate, in order."""
    total = signal.samples.shape[1]
    count = max(1, round(total / signal.rate_hz / STRETCH_S))
    edges = np.linspace(0, total, count + 1).astype(int)
    spans = list(zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True))
    power = [float((np.diff(signal.samples[:, a:b], axis=1) ** 2).mean()) for a, b in spans]
    chosen = sorted(np.argsort(power)[::-1][:MOST_STRETCHES].tolist())
    return [spans[i] for i in chosen]


def _infer(
    part: Signal,
    candidates: Sequence[Candidate],
    given: SpeedGiven | None,
    setting: Setting,
    start_s: float,
    progress: Progress | None,
    stretch: int,
) -> Piece | None:
    floor = floor_of(part)
    per_wheel = setting.engine_per_wheel()
    ridges = find_ridges(part, floor, _jump_factors(per_wheel))
    ridges = [r for r in ridges if r.total > SECOND_RIDGE * ridges[0].total]
    namings = [n for ridge in ridges for n in _namings(ridge, part, candidates, per_wheel, given, setting)]
    namings.sort(key=lambda n: -n.log_prior)
    likely = [n for n in namings if n.log_prior > TOO_UNLIKELY][:MOST_NAMINGS]
    namings = likely or [n for n in namings if np.isfinite(n.log_prior)][:AT_LEAST]
    found: list[Piece] = []
    logs: list[float] = []
    for i, naming in enumerate(namings):
        if progress is not None:
            progress("trying what speed each name implies", (stretch + i / len(namings)) / MOST_STRETCHES)
        clock = _clock(part, naming)
        own = Setting(setting.vehicle, setting.gear, setting.low_range, None)
        found.append(
            judge_stretch(
                part,
                candidates,
                clock,
                RateDoubt(0.0, 0.004, 0.002, 0.001),
                own,
                start_s,
                None,
                naming.candidate,
                BRISK,
            )
        )
        logs.append(naming.log_prior)
    return _merged(found, logs) if found else None


def _jump_factors(per_wheel: FloatArray | None) -> list[float]:
    if per_wheel is None or per_wheel.size < 2:
        return []
    steps = per_wheel[1:] / per_wheel[:-1]
    return [*steps.tolist(), *(1.0 / steps).tolist()]


def _namings(
    ridge: Ridge,
    part: Signal,
    candidates: Sequence[Candidate],
    per_wheel: FloatArray | None,
    given: SpeedGiven | None,
    setting: Setting,
) -> list[_Naming]:
    found = []
    circumference = setting.vehicle.tire.circumference_m
    rate = np.gradient(ridge.turns) * part.rate_hz
    times = np.arange(rate.size) / part.rate_hz
    for k, candidate in enumerate(candidates):
        if candidate.basis == "wheel":
            if ridge.jump_s is None:
                wheel = rate / candidate.multiple
                log_p = _speed_log_prior(wheel * circumference, given)
                found.append(_Naming(k, None, wheel, ridge.turns / candidate.multiple, log_p))
            continue
        for g1, g2 in _gear_pairs(ridge, per_wheel, setting.gear):
            assert per_wheel is not None
            at = np.where(times < (ridge.jump_s or np.inf), per_wheel[g1 - 1], per_wheel[g2 - 1])
            wheel = rate / (candidate.multiple * at)
            turns = np.concatenate([[0.0], np.cumsum(0.5 * (wheel[1:] + wheel[:-1])) / part.rate_hz])
            log_p = _speed_log_prior(wheel * circumference, given) - float(np.log(per_wheel.size))
            found.append(_Naming(k, (g1, g2), wheel, turns, log_p))
    return found


def _gear_pairs(ridge: Ridge, per_wheel: FloatArray | None, gear: int | None) -> list[tuple[int, int]]:
    """Gears before and after the ridge's jump that its factor allows."""
    if per_wheel is None:
        return []
    numbers = range(1, per_wheel.size + 1) if gear is None else [gear]
    if ridge.jump_s is None:
        return [(g, g) for g in numbers]
    return [
        (a, b)
        for a in numbers
        for b in (a - 1, a + 1)
        if b in numbers and abs(np.log(per_wheel[b - 1] / per_wheel[a - 1] / ridge.jump)) < 0.03
    ]


def _speed_log_prior(speed_mps: FloatArray, given: SpeedGiven | None) -> float:
    """Log prior of an implied course of speed: soft edges, and uniform in speed rather than in its logarithm."""
    low, high = SPEED_RANGE_MPS if given is None else (0.96 * given.low_mps, 1.0 * given.high_mps)
    slow, fast = np.percentile(speed_mps, [5, 95])
    if slow <= 0.0:
        return -np.inf
    edges = -np.logaddexp(0.0, -np.log(slow / low) / EDGE) - np.logaddexp(0.0, -np.log(high / fast) / EDGE)
    knots = np.log(np.percentile(speed_mps, [10, 90]) / 20.0)
    return float(edges + (knots.sum() if fast > 1.15 * slow else knots.mean()))


def _clock(part: Signal, naming: _Naming) -> Clock:
    count = max(2, int(part.samples.shape[1] / part.rate_hz / HOP_S))
    mid_s = np.asarray((np.arange(count) + 0.5) * HOP_S, float)
    at = np.arange(naming.turns.size) / part.rate_hz
    knots = np.interp(np.arange(count + 1) * HOP_S, at, naming.turns)
    cells = round(REACH / STEP)
    epsilon = np.asarray(np.arange(-cells, cells + 1) * STEP, float)
    return Clock(
        naming.turns,
        mid_s,
        np.maximum(np.diff(knots) / HOP_S, 1e-3),
        epsilon,
        epsilon.size + round(0.065 / STEP),
    )


def _merged(pieces: Sequence[Piece], logs: Sequence[float]) -> Piece:
    """One piece whose hypotheses are those of every naming, weighed with its prior."""
    from dataclasses import replace

    hypotheses = [
        replace(h, log_class=h.log_class + log)
        for piece, log in zip(pieces, logs, strict=True)
        for h in piece.judgement.hypotheses
    ]
    hypotheses.sort(key=lambda h: -float(np.logaddexp.reduce(h.log_class)))
    total = np.logaddexp.reduce(np.stack([h.log_class for h in hypotheses]), axis=0)
    first = pieces[0]
    judged = Judgement(first.judgement.candidates, first.judgement.log_prior, total, tuple(hypotheses))
    best = next(p for p in pieces if any(h.scan is hypotheses[0].scan for h in p.judgement.hypotheses))
    return Piece(first.start_s, best.clock, best.doubt, judged, best.floor)
