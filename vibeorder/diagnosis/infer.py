"""No speed given: every name that the strongest line may bear implies a course of speed and gears; all are weighed.

Where the wheel's rate is known every line's place follows. So the recording is followed once for every source
that may be the strongest (`pursuit`, `namings`), every other line is read along each course (`weighing`), and what
decides is whether the lines that a sound vehicle has too are where a name puts them, and whether the speed and
the gears it implies are such as people drive.
"""

from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.along import TrackReader
from vibeorder.diagnosis.analyse import Piece, Setting
from vibeorder.diagnosis.candidates import Candidate
from vibeorder.diagnosis.classes import class_evidence
from vibeorder.diagnosis.colour import colour_of
from vibeorder.diagnosis.heard_along import HeardPursuit, with_sound
from vibeorder.diagnosis.hearing import stretch_of
from vibeorder.diagnosis.judge import log_prior_of_classes
from vibeorder.diagnosis.lines import Line, PairLine, lines_of_first
from vibeorder.diagnosis.nameless import SWEEP, with_nameless
from vibeorder.diagnosis.namings import Naming, namings
from vibeorder.diagnosis.parallel import shares, side_by_side
from vibeorder.diagnosis.pulls import felt, pull_log_odds
from vibeorder.diagnosis.pursuit import Pursuit
from vibeorder.diagnosis.retold import Weighed, piece_of
from vibeorder.diagnosis.ridge import CELL, LOWEST_HZ, LineTable, line_table
from vibeorder.diagnosis.signal import Signal, folded
from vibeorder.diagnosis.slabs import with_slabs
from vibeorder.diagnosis.weighing import Explained, explain
from vibeorder.recording.decimate import decimated
from vibeorder.recording.store import excerpt
from vibeorder.speed.given import DASH_READS_HIGH, SpeedGiven
from vibeorder.units import MPH_MPS

__all__ = ["infer_pieces"]

FloatArray = NDArray[np.float64]
Progress = Callable[[str, float], None]

SPEED_RANGE_MPS = (19.0 * MPH_MPS, 87.0 * MPH_MPS)
EDGE = 0.02
BEYOND = 0.05
"""Speeds at which a shake is recorded when nothing is said, uniform in speed, how soft the edges are in ln(speed),
and how far beyond them courses are looked for (common practice, no source)."""

SAID_SD, SAID_AT_MOST, SAID_AT_MOST_IN_PART = 0.06, 25.0, 6.0
"""How well the ends of a range that was said are those of the drive, in ln(speed): read off a dial to 5 mph, and passed
for seconds only. What a course may lose that stays away from them: much, as both were driven; no more, as people
misremember; and little where it is of a part of the drive, which may have been driven otherwise."""

SAID_READS_HIGH = 1.0 + 0.5 * sum(DASH_READS_HIGH)

FROM_REST_TIMES, FROM_REST_SD = 3.0, 0.12
"""How many times faster than where a drive from rest begins its slowest 3% may be, one pulls away in seconds; and how
well that is known, in ln(speed)."""

STRETCH_S = 75.0
MOST_STRETCHES = 3

USUAL_RPM, USUAL_RPM_LOG_SD = 1900.0, 0.4
SLOWEST_RPM, FASTEST_RPM, OUT_OF_RANGE = 700.0, 5500.0, -12.0
"""Engine speeds at which people drive, the spread in ln(rpm) (common practice, no source), and log odds outside."""

LOGGED_SD, LOGGED_ELSEWHERE = 0.025, -4.0
"""Spread of a logged engine speed about a gear's, in ln, and the log odds of a gear that it does not fit."""

HIGHEST_RATE_HZ, THINNED_TO_HZ = 1200.0, 600.0


def infer_pieces(
    signal: Signal,
    candidates: Sequence[Candidate],
    given: SpeedGiven | None,
    setting: Setting,
    progress: Progress | None = None,
    sound: Signal | None = None,
) -> list[Piece]:
    """Judge the liveliest stretches on every course that their strongest lines imply.

    given: a range of speeds that was said, or None. What `setting` knows of the gear and of a logged engine speed
    is used. sound: of the same drive on the samples' own time base, or None.
    """
    spans = _stretches(signal)
    pieces: dict[int, Piece] = {}
    for i, piece in side_by_side(partial(_infer, signal, candidates, given, setting, sound), spans):
        if progress is not None:
            progress("trying what speed each name implies", len(pieces) / len(spans))
        if piece is not None:
            pieces[i] = piece
    return [pieces[i] for i in sorted(pieces)]


def _stretches(signal: Signal) -> list[tuple[int, int]]:
    """Up to MOST_STRETCHES stretches with the most power above wheel rate, in order."""
    total = signal.samples.shape[1]
    count = max(1, round(total / signal.rate_hz / STRETCH_S))
    edges = np.linspace(0, total, count + 1).astype(int)
    spans = list(zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True))
    power = [float((np.diff(excerpt(signal.samples, a, b), axis=1) ** 2).mean()) for a, b in spans]
    chosen = sorted(np.argsort(power)[::-1][:MOST_STRETCHES].tolist())
    return [spans[i] for i in chosen]


def _infer(
    signal: Signal,
    candidates: Sequence[Candidate],
    given: SpeedGiven | None,
    setting: Setting,
    sound: Signal | None,
    first: int,
    last: int,
) -> Piece | None:
    """One stretch, judged as if it were all."""
    part = _thinned(signal, first, last)
    whole = last - first == signal.samples.shape[1]
    colour = colour_of(part)
    table = line_table(part, colour)
    circumference = setting.vehicle.tire.circumference_m
    low, high = SPEED_RANGE_MPS if given is None else (0.96 * given.low_mps, given.high_mps)
    first_cell, beyond = np.log(low / circumference) - BEYOND, np.log(high / circumference) + BEYOND
    rates = np.exp(np.arange(first_cell, beyond, CELL))
    per_wheel, numbers = _gears(setting)
    engine_hz = None if setting.engine_hz is None else setting.engine_hz[first:last]
    prior = _gear_prior(per_wheel, rates, table, engine_hz)
    every, own = (*candidates, *setting.beside), len(candidates)
    pursuit = HeardPursuit(table, every, rates, per_wheel, prior, own)
    heard = None if sound is None else stretch_of(sound, first / signal.rate_hz, last / signal.rate_hz)
    if heard is not None:
        pursuit.hear(heard, setting.vehicle, setting.low_range)
    reader, pulls = TrackReader(part, colour), felt(part)
    classes = log_prior_of_classes(candidates)

    def log_speed_of(rate_hz: FloatArray, line_hz: FloatArray) -> float:
        seen_hz = folded(line_hz, part.rate_hz) if part.folds else line_hz
        return _speed_log_prior(rate_hz * circumference, low, high, given, line_hz, seen_hz, whole)

    def odds_of(naming: Naming) -> float:
        moves = naming.restless_log_odds(part) + pull_log_odds(pulls, naming, circumference)
        return log_speed_of(naming.rate_hz, naming.line_hz(part.rate_hz)) + moves

    weighed = _each_along(
        namings(pursuit, part, log_speed_of),
        odds_of,
        lambda naming: explain(pursuit, naming, reader),
        lambda lines: classes + class_evidence(every, lines, part.log_scale, own),
    )
    if not weighed:
        return None
    weighed = with_nameless(weighed, part, every, float(classes[-1]), setting.engine_unplaced)
    weighed = [_of_first(w, own) for w in with_slabs(weighed, reader, part, every, float(classes[-1]))]
    if heard is not None:
        weighed = with_sound(weighed, part, heard, candidates, setting, numbers)
    return piece_of(part, candidates, weighed, numbers, per_wheel, classes, first / signal.rate_hz)


_Lines = tuple[Line | PairLine, ...]
_Said = tuple[NDArray[np.intp] | None, float, _Lines, float, FloatArray]
"""One course of gears on a naming: gear, log prior, lines and slip as of `Explained`, and its log weights."""


def _each_along(
    found: Sequence[Naming],
    odds_of: Callable[[Naming], float],
    explained: Callable[[Naming], list[Explained]],
    log_class: Callable[[_Lines], FloatArray],
) -> list[Weighed]:
    """Every course of gears on every naming weighed, in their order; several namings at once where they may be.

    odds_of: log odds of a naming's speed and course; log_class: log weights by its lines.
    """

    def along(naming: Naming) -> list[_Said]:
        odds, every = odds_of(naming), explained(naming)
        return [
            (one.gear, one.log_prior, one.lines, one.slip, odds + one.log_prior + log_class(one.lines))
            for one in every
        ]

    def of_every(first: int, step: int) -> list[tuple[int, list[_Said]]]:
        return [(i, along(found[i])) for i in range(first, len(found), step)]

    said = dict(pair for _, part in side_by_side(of_every, shares(len(found))) for pair in part)
    return [
        Weighed(Explained(found[i], gear, log_prior, lines, slip), log_weight)
        for i in sorted(said)
        for gear, log_prior, lines, slip, log_weight in said[i]
    ]


def _of_first(weighed: Weighed, count: int) -> Weighed:
    """With the lines of the first `count` candidates only: what was read beside them is never at fault."""
    explained = weighed.explained
    return replace(weighed, explained=replace(explained, lines=lines_of_first(explained.lines, count)))


def _thinned(signal: Signal, first: int, last: int) -> Signal:
    """The stretch; sound, whose lines lie far below its rate, at a lower one."""
    samples, valid = excerpt(signal.samples, first, last), signal.valid[first:last]
    step = int(signal.rate_hz / THINNED_TO_HZ) if signal.rate_hz >= HIGHEST_RATE_HZ else 1
    if step == 1:
        return signal.of(samples, valid)
    thin = decimated(samples, step)
    return signal.of(thin, valid[::step][: thin.shape[1]], signal.rate_hz / step)


def _gears(setting: Setting) -> tuple[FloatArray | None, NDArray[np.intp]]:
    """Engine turns per wheel turn of the gears that may be in use, and their numbers."""
    per_wheel = setting.engine_per_wheel()
    if per_wheel is None:
        return None, np.zeros(0, np.intp)
    numbers = np.arange(1, per_wheel.size + 1)
    if setting.gear is not None:
        numbers = numbers[setting.gear - 1 : setting.gear]
    return per_wheel[numbers - 1], numbers


def _gear_prior(
    per_wheel: FloatArray | None, rates_hz: FloatArray, table: LineTable, engine_hz: FloatArray | None
) -> FloatArray:
    """Log prior of each gear at each rate [shape (frames or 1, cells, gears)], a logged engine speed heeded."""
    if per_wheel is None:
        return np.zeros((1, rates_hz.size, 0))
    rpm = 60.0 * rates_hz[:, None] * per_wheel
    log_p = -0.5 * (np.log(rpm / USUAL_RPM) / USUAL_RPM_LOG_SD) ** 2
    log_p = np.where((rpm < SLOWEST_RPM) | (rpm > FASTEST_RPM), log_p + OUT_OF_RANGE, log_p)
    log_p = (log_p - np.logaddexp.reduce(log_p, axis=1)[:, None])[None]
    if engine_hz is None:
        return np.asarray(log_p)
    times = np.linspace(0.0, table.mid_s[-1] + table.mid_s[0], engine_hz.size)
    logged = np.maximum(np.interp(table.mid_s, times, engine_hz), 0.1)
    off = np.log(rpm[None] / (60.0 * logged[:, None, None])) / LOGGED_SD
    return np.asarray(log_p + Pursuit.memory(table) * np.maximum(-0.5 * off**2, LOGGED_ELSEWHERE))


def _speed_log_prior(
    speed_mps: FloatArray,
    low: float,
    high: float,
    given: SpeedGiven | None,
    line_hz: FloatArray,
    seen_hz: FloatArray,
    whole: bool = True,
) -> float:
    """Log prior of an implied course of speed: soft edges, and uniform in speed rather than in its logarithm.

    line_hz, seen_hz: true frequency of the line that it was made from, and where that shows [shape (frames,) each]. The
    course is as well known as the line: so far up as a folded line lies, what leads to one place of it is a narrower
    range of speeds than what leads to the same place unfolded, by their ratio at every speed that was free.
    """
    slow, fast = np.percentile(speed_mps, [3, 97])
    edges = -np.logaddexp(0.0, -np.log(slow / low) / EDGE) - np.logaddexp(0.0, -np.log(high / fast) / EDGE)
    if given is not None:
        edges = edges - _said_cost(slow, fast, given, whole)
    folds = np.log(np.maximum(line_hz / np.maximum(seen_hz, LOWEST_HZ), 1.0))
    least, most = np.percentile(seen_hz, [3, 97])
    if max(fast / slow, most / least) > SWEEP:
        ends = [0, speed_mps.size // 2, -1]
        thirds = [float(np.median(part)) for part in np.array_split(folds, 3)]
        return float(edges + np.log(speed_mps[ends] / 20.0).sum() - sum(thirds))
    return float(edges + np.log(speed_mps[speed_mps.size // 2] / 20.0) - np.median(folds))


def _said_cost(slow: float, fast: float, given: SpeedGiven, whole: bool) -> float:
    """What a course from slow to fast [m/s] loses against the range that was said: both its ends were driven.

    whole: the course is of all the drive.
    """
    low, high = given.low_mps / SAID_READS_HIGH, given.high_mps / SAID_READS_HIGH
    top = 0.5 * float(np.log(fast / high) / SAID_SD) ** 2
    if given.from_rest:  # where a line is first seen is no end that was read off a dial
        begun = 0.5 * (max(float(np.log(slow / (FROM_REST_TIMES * low))), 0.0) / FROM_REST_SD) ** 2
        begun = min(begun, SAID_AT_MOST_IN_PART)
    else:
        begun = 0.5 * float(np.log(slow / low) / SAID_SD) ** 2
    return min(begun + top, SAID_AT_MOST if whole else SAID_AT_MOST_IN_PART)
