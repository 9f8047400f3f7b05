"""A drive that rolls out of gear: the wheels turn as they do, the engine idles at a rate of its own.

Beside the hypotheses in gear stands one in neutral for each idle rate that shows: along a course that the wheels' own
lines led to, the road's lines throughout, the engine's in gear outside the stretch of falling speed, and within it the
engine's lines and its belts' at multiples of its idle. With l_r and l_i the log odds of a part against nothing on the
road and at idle,

    P(c, neutral) = p(neutral) p(gear) p(idle) P_r(nothing) P_i(nothing) p(c) (e^(l_r + l_i) + e^l_r + e^l_i) / 3

since an engine may shake at idle, in gear, or in both. A fan's tone keeps one frequency as well, but in gear too.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.blocks import Blocks, Course, candidate_blocks
from vibeorder.diagnosis.candidates import Candidate
from vibeorder.diagnosis.classes import class_evidence
from vibeorder.diagnosis.coasting import IDLE_HZ, Standstill, Window, falling_window, idle_rates
from vibeorder.diagnosis.floor import Floor, floor_of
from vibeorder.diagnosis.gears import NOT_LOCKED, GearCourse, gear_log_prior
from vibeorder.diagnosis.judge import Hypothesis, Judgement, judge, judgement_of
from vibeorder.diagnosis.lines import COINCIDE_HZ, Line, LineReader, PairLine, lines_of_first
from vibeorder.diagnosis.narrownoise import MOST, PLACES, ShortBlocks, nobodys_log_odds, on_own_axis
from vibeorder.diagnosis.offsets import Offsets
from vibeorder.diagnosis.propose import Effort, RateDoubt
from vibeorder.diagnosis.rolling import OWN_SIZE_SD
from vibeorder.diagnosis.scan import HOP_S, Clock, Track, scan_tracks
from vibeorder.diagnosis.signal import Signal
from vibeorder.diagnosis.unowned import OF_NOBODY, TONES
from vibeorder.recording.store import excerpt

__all__ = ["IdleHypothesis", "with_idling"]

FloatArray = NDArray[np.float64]

OUT_OF_GEAR = 0.1
"""Share of drives with so long a fall of the speed in which it is made out of gear: coasting in neutral is how a shop
takes the engine out of a shake (common practice; the share is a judgement, no source)."""

IDLE_SD, IDLE_WANDER = 0.02, 0.006
"""How far the idle may be off where its comb stands out most, and how far it hunts about its mean, relative."""

PRIOR = float(np.log(OUT_OF_GEAR * np.sqrt(2.0 * np.pi) * IDLE_SD / np.log(IDLE_HZ[1] / IDLE_HZ[0])))
"""Log prior of a drive made out of gear at an idle rate near one that was looked for."""

HARDLY = 10.0
"""So far behind the hypotheses in gear (log weight) it changes no probability in the fourth digit."""

REACH, STEP = 0.06, 0.001
IDLE_EFFORT = Effort(4, 1, 0, 0)
COURSES, GEARS = 3, 3
SAME_COURSE = 0.0015
"""Courses that differ by less (mean, relative) are one."""

BEHIND = 10.0
"""An idle rate, or a gear, this far behind the best (log weight) is not weighed."""

IN_THE_WAY = 10.0
"""Log evidence from which a line of the idle engine is taken out of the road lines that cross it."""

KNOWN = 0.005
"""Sd of ln(idle rate) where other lines of the engine show it."""

ASKED = 2
"""How many parts' lines at idle are weighed as nobody's."""

FREE_HZ = 1.5
"""A frame says nothing of a tone within this of a line of the wheels' or of the engine's in gear."""


@dataclass(frozen=True, slots=True)
class IdleHypothesis(Hypothesis):
    """A drive out of gear: scan, course and lines are the road's; idle: the engine's own, on its own clock.

    at_idle: the candidates whose line is read there. tone_hz: where a line of nobody's stands in its place, if that is
    the likelier way that nothing is at fault.
    """

    idle: Hypothesis | None = None
    at_idle: frozenset[int] = frozenset()
    tone_hz: float | None = None

    def keeps_one_rate(self, index: int) -> bool:
        """As of any hypothesis."""
        return index in self.at_idle


def with_idling(
    found: Judgement, part: Signal, every: Sequence[Candidate], floor: Floor, per_wheel: FloatArray | None
) -> Judgement:
    """The judgement with the hypotheses out of gear, where the speed falls for long enough.

    every: the candidates, and what is read beside them. per_wheel: engine turns per wheel turn in each gear, None
    where they do not tell the engine's rate.
    """
    clock = found.hypotheses[0].scan.clock
    window = None if per_wheel is None or part.relative else falling_window(clock)
    multiples = [c.multiple for c in found.candidates if c.basis == "engine"]
    if window is None or per_wheel is None or not multiples:
        return found
    seen = Standstill(part, floor, clock.mid_s, IDLE_HZ[1] * max(multiples))
    # most idles have no clear line, and leave the road's as they are
    roads: dict[tuple[float, ...], list[_Road]] = {}
    roads[()] = _roads(found, every, floor, window, per_wheel, (), part.log_scale)
    if not roads[()]:  # no line of the wheels' led to a course
        return found
    idles: list[_Idle] = []
    for hz in idle_rates(seen, window, multiples):
        idles.append(_idle(part, window, hz, found.candidates))
        if _hardly(found, roads[()], idles):
            break
    likely = [_said(idle.judged) for idle in idles]
    idles = [one for one, w in zip(idles, likely, strict=True) if w > max(likely) - BEHIND]
    for standing in {idle.in_the_way_hz for idle in idles} - {()}:
        roads[standing] = _roads(found, every, floor, window, per_wheel, standing, part.log_scale)
    made = [_neutral(found, road, idle, seen, window) for idle in idles for road in roads[idle.in_the_way_hz]]
    if not made:
        return found
    return judgement_of(found.candidates, found.log_prior, [*found.hypotheses, *made])


@dataclass(frozen=True, slots=True)
class _Idle:
    """The engine judged at one idle rate, within the window; in_the_way_hz: where its clear lines stand; nobody: of the
    likeliest candidates."""

    judged: Judgement
    in_the_way_hz: tuple[float, ...]
    nobody: Mapping[int, "_Nobody"]


@dataclass(frozen=True, slots=True)
class _Road:
    """One course with the engine out of gear within the window: its lines, their evidence, and its prior."""

    base: Hypothesis
    gears: GearCourse
    course: Course
    lines: tuple[Line | PairLine, ...]
    evidence: FloatArray
    log_prior: float


def _said(judged: Judgement) -> float:
    return float(np.logaddexp.reduce(judged.log_class))


def _hardly(found: Judgement, roads: Sequence[_Road], idles: Sequence[_Idle]) -> bool:
    """Whether the wheels' lines and the best combs speak so much against it that other idle rates need no look."""
    on_road = max(one.log_prior + float(np.logaddexp.reduce(found.log_prior + one.evidence)) for one in roads)
    return PRIOR + on_road + max(_said(one.judged) for one in idles) < _said(found) - HARDLY


def _idle(part: Signal, window: Window, hz: float, candidates: Sequence[Candidate]) -> _Idle:
    """The engine's sources and its belts' on the clock of an engine that idles at `hz`."""
    first, last = (round(at * part.rate_hz) for at in (window.first_s, window.last_s))
    own = part.of(excerpt(part.samples, first, last), part.valid[first:last])
    total = own.samples.shape[1]
    count = int(total / part.rate_hz / HOP_S)
    cells = round(REACH / STEP)
    epsilon = np.asarray(np.arange(-cells, cells + 1) * STEP, float)
    clock = Clock(
        np.asarray(hz * np.arange(total) / part.rate_hz, float),
        np.asarray((np.arange(count) + 0.5) * HOP_S, float),
        np.full(count, hz),
        epsilon,
        epsilon.size,
    )
    tracks = [Track(i, 1, c.multiple) for i, c in enumerate(candidates) if c.basis == "engine"]
    floor = floor_of(own)
    doubt = RateDoubt(0.0, IDLE_SD, IDLE_WANDER, 0.002)
    scan = scan_tracks(own, floor, clock, tracks)
    judged = judge(
        scan, candidates, doubt, floor, np.ones(1), part.log_scale, given_gear=1, effort=IDLE_EFFORT
    )
    clear = {
        line.reading_of(m).frequency_hz
        for line in judged.hypotheses[0].lines
        for m in line.members
        if line.reading_of(m).best > IN_THE_WAY
    }
    said = judged.log_class - judged.log_prior
    asked = [int(i) for i in np.argsort(-judged.log_class[:-1])[:ASKED] if said[i] > said[-1]]
    nobody = {i: one for i in asked if (one := _nobody(judged, i, floor)) is not None}
    return _Idle(judged, tuple(sorted(clear)), nobody)


class _BesideIdle(LineReader):
    """Reads the road's lines without the blocks in which they cross a line of the idle engine."""

    def __init__(
        self,
        base: Hypothesis,
        every: Sequence[Candidate],
        floor: Floor,
        window: Window,
        standing_hz: tuple[float, ...],
    ) -> None:
        super().__init__(base.scan, every, base.course, floor)
        self._window, self._stands_hz = window, np.array(standing_hz)

    def _off_joints(self, blocks: Blocks) -> Blocks:
        blocks = super()._off_joints(blocks)
        if not self._stands_hz.size:
            return blocks
        off_hz = np.abs(blocks.folded_hz[:, None] - self._stands_hz).min(axis=1)
        reach_hz = COINCIDE_HZ + np.abs(np.gradient(blocks.folded_hz))
        crossed = (off_hz < reach_hz) & self._window.holds(blocks.mid_s, 0.5 * blocks.block_s)
        return replace(blocks, weight=blocks.weight * ~crossed)


def _roads(
    found: Judgement,
    every: Sequence[Candidate],
    floor: Floor,
    window: Window,
    per_wheel: FloatArray,
    standing_hz: tuple[float, ...],
    log_scale: float | None,
) -> list[_Road]:
    """The road's lines, and the engine's in gear outside the window, on the likeliest courses of the wheels.

    standing_hz: where the idle engine's clear lines stand, which the road's are read beside.
    """
    own, made = len(found.candidates), []
    for base in _courses(found):
        reader = _BesideIdle(base, every, floor, window, standing_hz)
        offsets: Offsets = {key: off for key, off in base.offsets.items() if key[1] is None}
        rolls = {found.candidates[i].multiple: off for (i, _), off in offsets.items() if i < own}
        rolls_log = -0.5 * sum((off / OWN_SIZE_SD) ** 2 for off in rolls.values())
        for gears in _gears(base, window, per_wheel):
            lines = reader.lines(gears, offsets)
            evidence = class_evidence(every, lines, log_scale, own, reader.blind(gears, offsets))
            log_prior = reader.course.log_prior + rolls_log + gears.log_prior
            made.append(_Road(base, gears, reader.course, lines_of_first(lines, own), evidence, log_prior))
    return made


def _courses(found: Judgement) -> list[Hypothesis]:
    """The likeliest hypotheses whose course a line of the wheels' led to, each course once."""
    wheel = [i for i, c in enumerate(found.candidates) if c.basis == "wheel"]
    kept: list[Hypothesis] = []
    for one in sorted(found.hypotheses, key=lambda h: -np.logaddexp.reduce(h.log_class[[*wheel, -1]])):
        led = one.course.anchor is None or one.course.anchor in wheel
        near = (np.abs(one.course.epsilon - other.course.epsilon).mean() < SAME_COURSE for other in kept)
        if led and not any(near):
            kept.append(one)
        if len(kept) == COURSES:
            break
    return kept


def _gears(base: Hypothesis, window: Window, per_wheel: FloatArray) -> list[GearCourse]:
    """One gear held but within the window, for each that suits the speed before and after."""
    clock = base.scan.clock
    inside = window.holds(clock.mid_s)
    moving = ~inside & (clock.rate_hz > 0.8)
    if not moving.any():
        return [GearCourse(np.full(inside.size, NOT_LOCKED, np.intp), 0.0)]
    suits = gear_log_prior(per_wheel, clock.rate_hz[moving])[:, :-1].mean(axis=0)
    suits = suits - np.logaddexp.reduce(suits)
    return [
        GearCourse(np.where(inside, NOT_LOCKED, g + 1).astype(np.intp), float(suits[g]))
        for g in np.argsort(-suits)[:GEARS]
        if suits[g] > suits.max() - BEHIND
    ]


def _neutral(found: Judgement, road: _Road, idle: _Idle, seen: Standstill, window: Window) -> IdleHypothesis:
    """Road and idle engine together, and the same with the engine's line taken for nobody's."""
    prior, judged = found.log_prior, idle.judged
    on_road = road.evidence - road.evidence[-1]
    at_idle = judged.log_class - judged.log_prior
    silent = float(at_idle[-1])
    at_idle = at_idle - silent
    engine = np.isfinite(at_idle)
    engine[-1] = False
    heard = np.where(np.isfinite(on_road), on_road, 0.0)
    both = np.logaddexp.reduce([heard + at_idle, heard, at_idle], axis=0) - np.log(3.0)
    odds = np.where(engine, both, on_road)
    log_h = PRIOR + road.log_prior + float(road.evidence[-1]) + silent
    log_class = log_h + prior + odds
    rivals = {
        one.hz: float(log_h + prior[-1] + at_idle[i]) + one.log_odds + _in_gear(one, road, seen, window)
        for i, one in idle.nobody.items()
    }
    top_hz = max(rivals, key=lambda hz: rivals[hz], default=None)
    tone_hz = None if top_hz is None or rivals[top_hz] < log_class[-1] else top_hz
    log_class[-1] = np.logaddexp.reduce([log_class[-1], *rivals.values()])
    own = judged.hypotheses[0]
    heard_at = [i for i in range(engine.size) if engine[i]]
    here = frozenset(i for i in heard_at if _best(own.lines, i) >= _best(road.lines, i))
    lines = (*_only(own.lines, here, True), *_only(road.lines, here, False))
    offsets = {key: off for key, off in road.base.offsets.items() if key[1] is None}
    own = replace(own, log_class=log_class)
    return IdleHypothesis(
        road.base.scan, road.course, road.gears, offsets, lines, log_class, own, here, tone_hz
    )


@dataclass(frozen=True, slots=True)
class _Nobody:
    """The line of a part at idle taken for nobody's: where it stands, and its log odds, their priors apart."""

    hz: float
    log_odds: float


def _nobody(judged: Judgement, index: int, floor: Floor) -> _Nobody | None:
    """A tone or a loose thing in the place of an idle engine's line.

    One that stands alone needs no neutral; where other lines of the engine show its rate, it lies on it by chance.
    """
    one, candidate = judged.best_for(index), judged.candidates[index]
    along = ShortBlocks(one.scan, one.course)
    blocks = candidate_blocks(along, index, candidate, one.gears, one.offsets, floor)
    if blocks is None:
        return None
    odds = nobodys_log_odds(on_own_axis(blocks.centre, blocks.noise, blocks.weight), blocks.weight)
    rest = sum(line.reading_of(line.members[0]).best for line in one.lines if index not in line.members)
    alone = np.log(float(np.log(IDLE_HZ[1] / IDLE_HZ[0])) / PLACES / OUT_OF_GEAR) - rest
    place = np.logaddexp(alone, np.log(np.sqrt(2.0 * np.pi) * KNOWN / PLACES))
    log_odds = float(np.log(OF_NOBODY) + place + np.logaddexp(odds, np.log(TONES)))
    return _Nobody(float(np.median(blocks.folded_hz)), log_odds)


def _in_gear(one: _Nobody, road: _Road, seen: Standstill, window: Window) -> float:
    """Log evidence that it goes on in gear, where neither the wheels nor the engine have a line in its place."""
    scan = road.base.scan
    free = seen.beyond(window)
    for track in scan.tracks:
        held = True if track.gear is None else road.gears.gear == track.gear
        free &= ~(held & (np.abs(track.multiple * scan.clock.rate_hz - one.hz) < FREE_HZ))
    return float(np.clip(seen.evidence(np.array([one.hz]), free)[0], -MOST, MOST))


def _best(lines: Sequence[Line | PairLine], index: int) -> float:
    return max((line.reading_of(index).best for line in lines if index in line.members), default=-1.0)


def _only(
    lines: Sequence[Line | PairLine], members: frozenset[int], inside: bool
) -> tuple[Line | PairLine, ...]:
    """The lines with those of their candidates that are, or are not, among `members`."""
    kept: list[Line | PairLine] = []
    for line in lines:
        mine = tuple(m for m in line.members if (m in members) == inside)
        if len(mine) == len(line.members):
            kept.append(line)
        elif mine:
            kept += [Line((m,), line.reading_of(m)) for m in mine]
    return tuple(kept)
