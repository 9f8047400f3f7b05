"""Motion and sound of one drive judged as one: one clock, one course of gears, one scale for both.

Lines of either lead to courses, lines of both lock them, and every course is weighed by what both show along it:

    P(c, H) ~ p(H) p(c) p(motion | c, H) p(sound | c, H)

The prior is counted once, and a gear or a scale that only one of the two can tell is told for both.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.analyse import Piece, Setting, Stretch, logged_ratio, tracks_of
from vibeorder.diagnosis.candidates import Candidate
from vibeorder.diagnosis.classes import class_evidence
from vibeorder.diagnosis.clear import clear_lines
from vibeorder.diagnosis.courses import Followed, held_to_source
from vibeorder.diagnosis.floor import floor_of
from vibeorder.diagnosis.folding import anchor_fold_log_odds
from vibeorder.diagnosis.gears import GearCourse
from vibeorder.diagnosis.hearing import (
    heard_candidates,
    heard_evidence,
    heard_lines_of,
    readable_in_sound,
    stretch_of,
)
from vibeorder.diagnosis.judge import (
    Hypothesis,
    anchored_among_first,
    judgement_of,
    log_prior_of_classes,
)
from vibeorder.diagnosis.lines import LineReader
from vibeorder.diagnosis.offsets import Offsets, fit_offsets, wheel_offsets
from vibeorder.diagnosis.propose import THOROUGH, Effort, Proposal, RateDoubt, propose
from vibeorder.diagnosis.result import HeardLine
from vibeorder.diagnosis.scan import Clock, Scan, Track, scan_tracks, usable
from vibeorder.diagnosis.sharpening import LockOn, sharpened
from vibeorder.diagnosis.signal import Signal, folded
from vibeorder.diagnosis.unowned import with_unowned
from vibeorder.diagnosis.votes import ON_ROAD_LINE_HZ
from vibeorder.spectrum.baseband import Baseband
from vibeorder.vehicle import firing_order

__all__ = ["HeardHypothesis", "stretch_with", "without_sound"]

FloatArray = NDArray[np.float64]

MOST_ALSO = 8
"""Courses proposed by both together, beside the motion's own."""

SAME_COURSE = 0.0015
"""Two courses nearer than this (mean, relative) are one."""

VOTES_UP_TO_HZ, LOCKS_UP_TO_HZ = 160.0, 100.0
"""Median frequency up to which a line of the sound proposes courses, and up to which its phase corrects one: above, a
thousandth of the wheel's rate is more than a frame resolves, and half a second of a wobble more than half a turn."""


@dataclass(frozen=True, slots=True)
class HeardHypothesis(Hypothesis):
    """A hypothesis weighed by sound too.

    heard: the lines of the sound along it, as named lines. by_sound: the part of log_class that the sound gave.
    """

    heard: tuple[HeardLine, ...] = ()
    by_sound: FloatArray | None = None


def stretch_with(sound: Signal) -> Stretch:
    """How to judge a stretch of a drive whose sound, on the same time base, is this."""
    return partial(_judge_stretch, sound)


def without_sound(piece: Piece) -> Piece:
    """The piece as its motion alone weighs it, on the same courses."""
    own = [
        replace(h, log_class=h.log_class - h.by_sound)
        if isinstance(h, HeardHypothesis) and h.by_sound is not None
        else h
        for h in piece.judgement.hypotheses
    ]
    judged = piece.judgement
    return replace(piece, judgement=judgement_of(judged.candidates, judged.log_prior, own))


def _judge_stretch(
    sound: Signal,
    part: Signal,
    candidates: Sequence[Candidate],
    clock: Clock,
    doubt: RateDoubt,
    setting: Setting,
    start_s: float,
    engine_hz: FloatArray | None,
    anchor: int | None = None,
    effort: Effort = THOROUGH,
) -> Piece:
    """One stretch, its motion and its sound, on its own clock; `anchor` as for a stretch of motion alone."""
    both = _Both(sound, part, candidates, clock, setting, start_s)
    ratio = None if engine_hz is None else logged_ratio(engine_hz, clock, part.rate_hz)
    hypotheses = both.weighed(doubt, ratio, anchor, effort)
    judged = judgement_of(candidates, log_prior_of_classes(candidates), hypotheses)
    return Piece(start_s, clock, doubt, with_unowned(judged, doubt, both.floor), both.floor)


class _Both:
    """Both signals of one stretch, scanned on one clock."""

    def __init__(
        self,
        sound: Signal,
        part: Signal,
        candidates: Sequence[Candidate],
        clock: Clock,
        setting: Setting,
        start_s: float,
    ) -> None:
        self.candidates, self.clock, self.setting = candidates, clock, setting
        self.log_scale = part.log_scale
        self.per_wheel = setting.engine_per_wheel()
        self.floor = floor_of(part)
        tracks = tracks_of(candidates, clock, self.per_wheel, setting.gear)
        self.motion = scan_tracks(part, self.floor, clock, tracks, setting.vehicle.tire.circumference_m)
        duration_s = part.samples.shape[1] / part.rate_hz
        heard = stretch_of(sound, start_s, start_s + duration_s)
        self.sound_rate_hz = heard.rate_hz
        self.heard = heard_candidates(setting.vehicle, setting.low_range)
        self.firing = firing_order(setting.vehicle)
        self.sound_floor = floor_of(heard)
        self.sound = self._scan_sound(heard, part.rate_hz)
        self.joint = self._joined()

    def _scan_sound(self, heard: Signal, rate_hz: float) -> Scan:
        """The sound on the same clock; only lines that a microphone can hear."""
        instants = np.arange(heard.samples.shape[1]) / heard.rate_hz
        turns = np.interp(instants, np.arange(self.clock.turns.size) / rate_hz, self.clock.turns)
        tracks = [
            t
            for t in tracks_of(self.heard, self.clock, self.per_wheel, self.setting.gear)
            if readable_in_sound(self.clock.rate_hz * t.multiple, heard.rate_hz)
        ]
        return scan_tracks(heard, self.sound_floor, replace(self.clock, turns=turns), tracks)

    def _joined(self) -> Scan:
        """One scan of both for proposing courses: an engine's line on a road line says nothing of the gear."""
        first = len(self.candidates)
        typical_hz = float(np.median(self.clock.rate_hz))
        voting = [
            i
            for i, t in enumerate(self.sound.tracks)
            if t.gear is not None and t.multiple * typical_hz < VOTES_UP_TO_HZ
        ]
        moved = [
            replace(self.sound.tracks[i], candidate=self.sound.tracks[i].candidate + first) for i in voting
        ]
        motion = self.motion
        rate = self.clock.rate_hz
        road = np.array([t.multiple for t in motion.tracks if t.gear is None])
        votes = [
            _less_on_road(motion.vote(i), t, rate, road, self.floor.sample_rate_hz)
            for i, t in enumerate(motion.tracks)
        ]
        also = {t.multiple: self.sound.evidence[i] for i, t in enumerate(self.sound.tracks) if t.gear is None}
        evidence = [
            e + also[t.multiple] if t.gear is None and t.multiple in also else e
            for e, t in zip(motion.evidence, motion.tracks, strict=True)
        ]
        votes = [
            v + also[t.multiple] if t.gear is None and t.multiple in also else v
            for v, t in zip(votes, motion.tracks, strict=True)
        ]
        return replace(
            motion,
            tracks=(*motion.tracks, *moved),
            evidence=(*evidence, *(self.sound.evidence[i] for i in voting)),
            bands=_Bands(motion.bands, self.sound.bands, voting),
            votes=(*votes, *(self.sound.vote(i) for i in voting)),
        )

    def weighed(
        self, doubt: RateDoubt, ratio: FloatArray | None, anchor: int | None, effort: Effort
    ) -> list[Hypothesis]:
        """Every hypothesis with the evidence of both."""
        # the sound's engine lines propose courses too; a shaft's are those of the motion
        every = (*self.candidates, *(c for c in self.heard if c.basis == "engine"))
        prior = log_prior_of_classes(self.candidates)
        found: list[Hypothesis] = []
        for proposal in self._proposals(every, doubt, ratio, anchor, effort):
            readers = _Readers(self, proposal, doubt.followed)
            wheels = wheel_offsets(self.joint, every, proposal, self.floor.sample_rate_hz)
            fold = self._fold(proposal)
            for gears in proposal.gears or (None,):
                for offsets, offsets_log in fit_offsets(self.joint, every, proposal, gears, wheels):
                    moving, hearing = readers.along(gears, offsets)
                    lines = moving.lines(gears, self._own(offsets))
                    heard = hearing.lines(gears, self._others(offsets))
                    log_h = (
                        moving.course.log_prior
                        + offsets_log
                        + (gears.log_prior if gears else 0.0)
                        + prior
                        + fold
                    )
                    blind = moving.blind(gears, self._own(offsets))
                    log_class = log_h + class_evidence(self.candidates, lines, self.log_scale, blind=blind)
                    by_sound = heard_evidence(self.candidates, self.heard, heard, self.firing)
                    course = anchored_among_first(moving.course, lines, len(self.candidates))
                    found.append(
                        HeardHypothesis(
                            self.motion,
                            course,
                            gears,
                            self._own(offsets),
                            lines,
                            log_class + by_sound,
                            heard_lines_of(self.heard, heard),
                            by_sound,
                        )
                    )
        return found

    def _proposals(
        self,
        every: Sequence[Candidate],
        doubt: RateDoubt,
        ratio: FloatArray | None,
        anchor: int | None,
        effort: Effort,
    ) -> list[Proposal]:
        """The courses that the motion proposes, and those beside them that both do.

        The motion's own are kept: a loud engine leads to many courses, and they must not crowd out the one that a
        tire's or an accessory's line leads to.
        """
        known = (doubt, self.per_wheel, self.setting.gear)
        own = propose(self.motion, self.candidates, *known, self.floor.sample_rate_hz, ratio, anchor, effort)
        also = propose(
            self.joint, every, *known, self.sound_rate_hz, ratio, anchor, replace(effort, anchors=MOST_ALSO)
        )
        return [*own, *(p for p in also if not any(_same(p, o) for o in own))]

    def _fold(self, proposal: Proposal) -> float:
        """Log odds that the motion's line which led to a course folds; the sound was filtered, and its lines do not."""
        anchor = proposal.course.anchor
        if anchor is None or anchor >= len(self.candidates):
            return 0.0
        return anchor_fold_log_odds(self.joint, proposal, self.floor.sample_rate_hz)

    def _own(self, offsets: Offsets) -> Offsets:
        return {(j, g): v for (j, g), v in offsets.items() if j < len(self.candidates)}

    def _others(self, offsets: Offsets) -> Offsets:
        first = len(self.candidates)
        return {(j - first, g): v for (j, g), v in offsets.items() if j >= first}

    def lock(self, line: LockOn) -> LockOn:
        """The line, silent where its own signal meets its mirror image."""
        track = self.joint.tracks[line.track]
        if track.candidate >= len(self.candidates):
            return line
        there = usable(self.clock.rate_hz * track.multiple, self.floor.sample_rate_hz)
        return replace(line, held=line.held * there)

    def keeps_step(self, line: LockOn) -> bool:
        """Whether a line's phase may correct the wheel's: not a heard one that turns fast or runs ahead by slip."""
        track = self.joint.tracks[line.track]
        slow = float(np.median(self.clock.rate_hz)) * track.multiple < LOCKS_UP_TO_HZ
        return track.candidate < len(self.candidates) or (slow and not line.offset)


def _same(a: Proposal, b: Proposal) -> bool:
    """Whether two proposals are one course of rate and gears."""
    gears = [p.gears[0].gear.tolist() if p.gears else [] for p in (a, b)]
    return (
        float(np.abs(a.course.epsilon - b.course.epsilon).mean()) < SAME_COURSE
        and a.offset == b.offset
        and a.slips == b.slips
        and gears[0] == gears[1]
    )


class _Readers:
    """Readers of both along one proposal's course, sharpened by the lines that stand out on each hypothesis."""

    def __init__(self, both: _Both, proposal: Proposal, followed: Followed | None) -> None:
        self._both, self._proposal, self._followed = both, proposal, followed
        self._made: dict[object, tuple[LineReader, LineReader]] = {}

    def along(self, gears: GearCourse | None, offsets: Offsets) -> tuple[LineReader, LineReader]:
        """Of the motion and of the sound, along one course."""
        both = self._both
        lines = [x for x in clear_lines(both.joint, self._proposal, gears, offsets) if both.keeps_step(x)]
        key = tuple((line.track, line.offset, line.held.tobytes()) for line in lines)
        if key not in self._made:
            every = [both.lock(line) for line in (*self._proposal.lock_on, *lines)]
            course = sharpened(self._proposal.course, both.joint, every, both.sound_rate_hz)
            course = held_to_source(course, both.motion.clock, self._followed)
            self._made[key] = (
                LineReader(both.motion, both.candidates, course, both.floor),
                LineReader(both.sound, both.heard, course, both.sound_floor),
            )
        return self._made[key]


class _Bands(Sequence[Baseband]):
    """Basebands of the motion's tracks, then of the voting ones of the sound."""

    def __init__(self, motion: Sequence[Baseband], sound: Sequence[Baseband], voting: Sequence[int]) -> None:
        self._motion, self._sound, self._voting = motion, sound, voting

    def __len__(self) -> int:
        return len(self._motion) + len(self._voting)

    def __getitem__(self, index):  # type: ignore[no-untyped-def]
        if isinstance(index, slice):
            return [self[i] for i in range(*index.indices(len(self)))]
        own = len(self._motion)
        return self._motion[index] if index < own else self._sound[self._voting[index - own]]


def _less_on_road(
    vote: NDArray[np.float32], track: Track, rate_hz: FloatArray, road: FloatArray, sample_rate_hz: float
) -> NDArray[np.float32]:
    """What a track says, an engine's line silent where it shows on a road line, folded or not."""
    if track.gear is None or not road.size:
        return vote
    mine = folded(track.multiple * rate_hz, sample_rate_hz)
    near = np.abs(folded(road[:, None] * rate_hz, sample_rate_hz) - mine).min(axis=0) < ON_ROAD_LINE_HZ
    return np.where(near[:, None], np.float32(0.0), vote)
