"""The lines of a sound read along a course that is already there: of a stretch without a speed, or for the report."""

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.analyse import Piece, Setting, tracks_of
from vibeorder.diagnosis.blocks import Course
from vibeorder.diagnosis.candidates import Candidate
from vibeorder.diagnosis.colour import colour_of
from vibeorder.diagnosis.floor import floor_of
from vibeorder.diagnosis.gears import GearCourse
from vibeorder.diagnosis.hearing import (
    heard_candidates,
    heard_evidence,
    heard_lines_of,
    readable_in_sound,
    stretch_of,
)
from vibeorder.diagnosis.judge import Hypothesis
from vibeorder.diagnosis.lines import LineReader
from vibeorder.diagnosis.pursuit import Pursuit
from vibeorder.diagnosis.result import HeardLine
from vibeorder.diagnosis.retold import Weighed, clock_of
from vibeorder.diagnosis.ridge import line_table
from vibeorder.diagnosis.scan import Bands, Clock, Scan
from vibeorder.diagnosis.signal import Signal
from vibeorder.vehicle import Vehicle, firing_order

__all__ = ["HeardPursuit", "heard_on", "with_sound"]

IntArray = NDArray[np.intp]

WORTH_HEARING = 60.0
MOST_HEARD = 10
"""Courses are read in sound that lie within this of the best by motion, in log weight, and at most so many."""


class HeardPursuit(Pursuit):
    """A pursuit of the motion's lines in which those of the sound vote too: bounded, as all that are not the anchor."""

    def hear(self, sound: Signal, vehicle: Vehicle, low_range: bool) -> None:
        """Add the votes of the sound's lines at every rate, slope and gear."""
        heard = [c for c in heard_candidates(vehicle, low_range) if not c.slack]
        table = line_table(sound, colour_of(sound))
        other = Pursuit(table, heard, self.rates_hz, self.per_wheel, np.zeros((1, self.rates_hz.size, 0)))
        for own, votes in zip(self.votes, other.votes, strict=True):
            frames = min(own.shape[0], votes.shape[0])
            own[:frames] += votes[:frames]


def with_sound(
    weighed: Sequence[Weighed],
    part: Signal,
    sound: Signal,
    candidates: Sequence[Candidate],
    setting: Setting,
    numbers: IntArray,
) -> list[Weighed]:
    """Courses found without a speed, each weighed by the sound along it too.

    Those too unlikely to be read are set back as far as the best that was read has gained.
    """
    heard = heard_candidates(setting.vehicle, setting.low_range)
    firing = firing_order(setting.vehicle)
    total = np.array([float(np.logaddexp.reduce(w.log_class)) for w in weighed])
    best_of: dict[int, float] = {}
    for w, t in zip(weighed, total, strict=True):
        key = id(w.explained.naming)
        best_of[key] = max(best_of.get(key, -np.inf), t)
    near = [
        k for k, v in sorted(best_of.items(), key=lambda item: -item[1]) if v > total.max() - WORTH_HEARING
    ]
    scans: dict[int, tuple[Clock, LineReader]] = {}
    gained = np.full(len(weighed), -np.inf)
    found = list(weighed)
    for i, w in enumerate(weighed):
        naming = w.explained.naming
        if id(naming) not in near[:MOST_HEARD]:
            continue
        if id(naming) not in scans:
            clock = clock_of(part, naming)
            scans[id(naming)] = clock, _reader(sound, heard, clock, _still(clock), setting, part.rate_hz)
        clock, reader = scans[id(naming)]
        gears = None
        if w.explained.gear is not None:
            at = np.abs(clock.mid_s[:, None] - naming.frame_s).argmin(axis=1)
            gears = GearCourse(numbers[w.explained.gear[at]], 0.0)
        by_sound = heard_evidence(candidates, heard, reader.lines(gears, {}), firing)
        gained[i] = by_sound[-1]
        found[i] = replace(w, log_class=w.log_class + by_sound)
    most = float(gained.max())
    return [
        w if np.isfinite(g) else replace(w, log_class=w.log_class + min(most, 0.0))
        for w, g in zip(found, gained, strict=True)
    ]


def heard_on(
    sound: Signal, piece: Piece, hypothesis: Hypothesis, setting: Setting, rate_hz: float
) -> tuple[HeardLine, ...]:
    """What is heard along one hypothesis of a stretch. rate_hz: of the samples that its clock counts."""
    heard = heard_candidates(setting.vehicle, setting.low_range)
    clock = hypothesis.scan.clock
    # a drive of hours keeps its turns from the start of the drive
    clock = replace(clock, turns=np.asarray(clock.turns, float) - float(clock.turns[0]))
    part = stretch_of(sound, piece.start_s, piece.start_s + clock.turns.size / rate_hz)
    reader = _reader(part, heard, clock, hypothesis.course, setting, rate_hz)
    return heard_lines_of(heard, reader.lines(hypothesis.gears, _offsets(hypothesis, piece, heard)))


def _offsets(
    hypothesis: Hypothesis, piece: Piece, heard: Sequence[Candidate]
) -> Mapping[tuple[int, int | None], float]:
    """The slips of the hypothesis, told for the lines of the sound."""
    slip = {
        (piece.judgement.candidates[i].part, gear): value for (i, gear), value in hypothesis.offsets.items()
    }
    found: dict[tuple[int, int | None], float] = {}
    for gear in {gear for _, gear in slip}:
        for j, c in enumerate(heard):
            if (value := slip.get((c.part, gear))) is not None:
                found[(j, gear)] = value
    return found


def _still(clock: Clock) -> Course:
    """No correction: the clock is the course."""
    turns_s = np.arange(0.0, clock.mid_s[-1] + 1.0, 0.5)
    return Course(np.zeros(clock.mid_s.size), None, 0.0, np.zeros(turns_s.size), turns_s, locked=True)


def _reader(
    sound: Signal, heard: Sequence[Candidate], clock: Clock, course: Course, setting: Setting, rate_hz: float
) -> LineReader:
    """Reads the sound along a course. rate_hz: of the samples that `clock` counts."""
    instants = np.arange(sound.samples.shape[1]) / sound.rate_hz
    own = replace(clock, turns=np.interp(instants, np.arange(clock.turns.size) / rate_hz, clock.turns))
    tracks = tuple(
        t
        for t in tracks_of(heard, clock, setting.engine_per_wheel(), setting.gear)
        if readable_in_sound(clock.rate_hz * t.multiple, sound.rate_hz)
    )
    scan = Scan(tracks, own, (), Bands(sound, own, tracks))
    return LineReader(scan, heard, course, floor_of(sound))
