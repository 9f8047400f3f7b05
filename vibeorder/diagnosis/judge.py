"""Evidence -> probabilities: every course of the wheel rate, every course of gears, every source, weighed together.

For a hypothesis H (a course e(t), gears g(t)) all sources' lines have known tracks. With c the source at fault:

    P(c, H) ~ p(H) p(c) prod_lines integral p(strengths | roles under c) L(strengths)

and P(nothing, H) the same with every source healthy. Sums over H give the probability of each suspect; what
the rate or the gear leaves open is spread over the suspects, never hidden.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from heapq import heapify, heappop, heappush

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.blocks import Course
from vibeorder.diagnosis.candidates import Candidate
from vibeorder.diagnosis.classes import class_evidence
from vibeorder.diagnosis.clear import clear_lines
from vibeorder.diagnosis.courses import Followed, bound_to_source, held_to_source
from vibeorder.diagnosis.floor import Floor
from vibeorder.diagnosis.folding import anchor_fold_log_odds
from vibeorder.diagnosis.gears import NOT_LOCKED, GearCourse
from vibeorder.diagnosis.lines import Line, LineReader, PairLine, lines_of_first
from vibeorder.diagnosis.offsets import Offsets, fit_offsets, wheel_offsets
from vibeorder.diagnosis.parallel import shares, side_by_side
from vibeorder.diagnosis.propose import THOROUGH, Effort, Proposal, RateDoubt, propose
from vibeorder.diagnosis.scan import Scan
from vibeorder.diagnosis.screening import Hope, Screen
from vibeorder.diagnosis.sharpening import sharpened

__all__ = [
    "Hypothesis",
    "Judgement",
    "RateDoubt",
    "Unowned",
    "anchored_among_first",
    "held_gear",
    "judge",
    "judgement_of",
    "log_prior_of_classes",
]

FloatArray = NDArray[np.float64]

NOTHING_PRIOR = 0.4
"""Share of recordings in which nothing that turns is at fault: a drive to check a repair, another noise, the road."""

PRIOR_FLATTENING = 0.8
"""Catalogue weights enter by this power: how often a complaint comes is known roughly only."""


ANCHOR_CLEAR = 6.0
"""Log evidence from which a line may stand for one that a course was locked on and that is nobody's at fault."""


@dataclass(frozen=True, slots=True)
class Hypothesis:
    """One weighed explanation. log_class: log weight of each candidate at fault, then of nothing."""

    scan: Scan
    course: Course
    gears: GearCourse | None
    offsets: Offsets
    lines: tuple[Line | PairLine, ...]
    log_class: FloatArray

    @property
    def constant(self) -> float:
        """Mean relative correction of the wheel's rate."""
        return float(self.course.turns[-1] / max(float(self.scan.nominal()[1][-1]), 1.0))

    def keeps_one_rate(self, index: int) -> bool:
        """Whether a candidate's line was read at a rate of its own, whatever the wheels do (an engine out of gear)."""
        return False


@dataclass(frozen=True, slots=True)
class Unowned:
    """A line taken for no part's: its log weight as in `Judgement.log_class`, where it lies, whether it comes and goes
    as narrow noise does, and, where it is taken for a tooth of the comb of a road's joints, their spacing (else 0)."""

    log_weight: float
    frequency_hz: float
    comes_and_goes: bool
    spacing_m: float = 0.0


@dataclass(frozen=True, slots=True)
class Judgement:
    """log_class: total log weight per candidate and nothing (last), not normalised; log_prior: its prior part.

    hypotheses: best first. unowned: what of 'nothing' is a line of no part (`unowned`), beside the hypotheses, or None.
    """

    candidates: tuple[Candidate, ...]
    log_prior: FloatArray
    log_class: FloatArray
    hypotheses: tuple[Hypothesis, ...]
    unowned: Unowned | None = None

    def best_for(self, index: int) -> Hypothesis:
        """The hypothesis that speaks most for one candidate (or, with the last index, for nothing)."""
        return max(self.hypotheses, key=lambda h: float(h.log_class[index]))


def judge(
    scan: Scan,
    candidates: Sequence[Candidate],
    doubt: RateDoubt,
    floor: Floor,
    engine_per_wheel: FloatArray | None,
    log_scale: float | None,
    given_gear: int | None = None,
    engine_ratio: FloatArray | None = None,
    anchor: int | None = None,
    effort: Effort = THOROUGH,
    beside: Sequence[Candidate] = (),
) -> Judgement:
    """Weigh every source of the vehicle against one scanned recording.

    engine_per_wheel: engine turns per wheel turn in each gear, or None where the engine's rate is unknown.
    log_scale: of the recording, as for `class_evidence`. engine_ratio: engine_per_wheel as logged, frame by frame,
    where it was. anchor: the one candidate whose line the clock was made from, where there is no speed source;
    None lets every line anchor. beside: what is read along with them, leads to courses and explains lines, but is never
    at fault.
    """
    every, own = (*candidates, *beside), len(candidates)
    prior = log_prior_of_classes(candidates)
    proposals = propose(
        scan,
        every,
        doubt,
        engine_per_wheel,
        given_gear,
        floor.sample_rate_hz,
        engine_ratio,
        anchor,
        effort,
    )
    weighing = _Weighing(scan, every, own, prior, log_scale, floor, doubt.followed)
    found: dict[_Place, _Weighed] = {}
    for _, part in side_by_side(
        lambda i, step: weighing.of_every(proposals, i, step), shares(len(proposals))
    ):
        found.update(part)
    return judgement_of(candidates, prior, [Hypothesis(scan, *found[k]) for k in sorted(found)])


_Place = tuple[int, int]
"""Number of a proposal, and of a hypothesis on it."""

_Weighed = tuple[Course, GearCourse | None, Offsets, tuple[Line | PairLine, ...], FloatArray]
"""A hypothesis but for the scan, which need not go from process to process."""


@dataclass(frozen=True, slots=True)
class _Weighing:
    """What all hypotheses are weighed with. count: only so many of the candidates, the first, can be at fault."""

    scan: Scan
    candidates: Sequence[Candidate]
    count: int
    log_prior: FloatArray
    log_scale: float | None
    floor: Floor
    followed: Followed | None

    def of_every(self, proposals: Sequence[Proposal], first: int, step: int) -> dict[_Place, _Weighed]:
        """The hypotheses on every step-th proposal that are not given up against each other."""
        screen = Screen(self.scan, len(self.candidates), self.log_prior)
        posed = {
            (p, i): one
            for p in range(first, len(proposals), step)
            for i, one in enumerate(
                _posed(self.scan, self.candidates, proposals[p], self.floor, self.followed, screen)
            )
        }
        found: dict[_Place, _Weighed] = {}
        queue = [(-one.at_most, k) for k, one in posed.items()]
        heapify(queue)
        while queue:
            k = heappop(queue)[1]
            one = posed[k]
            if screen.gives_up(one.at_most, one.hopes):
                continue
            reader = one.read_on(screen)
            if reader is None:
                heappush(queue, (-one.at_most, k))
                continue
            found[k] = self._of(one, reader)
            screen.heed(found[k][-1])
        return found

    def _of(self, one: "_Posed", reader: LineReader) -> _Weighed:
        """One hypothesis, all of whose lines may be read."""
        gears, offsets, own = one.gears, one.offsets, self.count
        course, lines = reader.course, reader.lines(gears, offsets)
        blind = reader.blind(gears, offsets)
        evidence = class_evidence(self.candidates, lines, self.log_scale, own, blind)
        log_class = course.log_prior + one.log_weight + self.log_prior + evidence
        lines = lines_of_first(lines, own) if len(self.candidates) > own else lines
        course = anchored_among_first(course, lines, own)
        return course, gears, _of_first(offsets, own), lines, log_class


class _Posed:
    """A hypothesis while its lines are read, the most telling first.

    at_most: its log weight, the prior of whoever is at fault apart, by what was read of it and what may be expected of
    the rest.
    """

    def __init__(
        self,
        readers: "_Readers",
        gears: GearCourse | None,
        offsets: Offsets,
        log_weight: float,
        hopes: tuple[Hope, ...],
    ) -> None:
        """log_weight: its own, beside its course's. hopes: what its lines may say."""
        self.gears, self.offsets, self.log_weight = gears, offsets, log_weight
        self._readers = readers
        self._reader: LineReader | None = None
        self._shifts = gears is not None and bool((gears.gear != gears.gear[0]).any())
        self._hope(readers.proposed, hopes)

    def read_on(self, screen: Screen) -> LineReader | None:
        """Sharpens its course, then reads a line more; its reader once there is none left that would tell."""
        if self._reader is None:
            self._reader = self._readers.along(self.gears, self.offsets)
            self._hope(self._reader.course, screen.hopes(self._reader.course, self.gears, self.offsets))
        elif self._left:
            hope = self._left.pop()
            said = max(self._reader.best(self.gears, self.offsets, j) for j in hope.candidates)
            self.at_most += hope.once_read(said, self._shifts) - hope.at_most
        return None if self._left else self._reader

    def _hope(self, course: Course, hopes: tuple[Hope, ...]) -> None:
        self.hopes, self._left = hopes, list(reversed(hopes))
        self.at_most = course.log_prior + self.log_weight + sum(hope.at_most for hope in hopes)


def _posed(
    scan: Scan,
    candidates: Sequence[Candidate],
    proposal: Proposal,
    floor: Floor,
    followed: Followed | None,
    screen: Screen,
) -> Iterator[_Posed]:
    """The hypotheses on one proposal's course: in each of its gears, with each choice of offsets."""
    bound = None if followed is None else bound_to_source(proposal.course, scan.clock, followed)
    courses = [_Readers(scan, candidates, proposal, floor, followed)]
    if bound is not None:
        courses.append(_Bound(scan, candidates, replace(proposal, course=bound), floor, followed))
    wheels = wheel_offsets(scan, candidates, proposal, floor.sample_rate_hz)
    fold = anchor_fold_log_odds(scan, proposal, floor.sample_rate_hz)
    for gears in proposal.gears or (None,):
        for offsets, offsets_log in fit_offsets(
            scan, candidates, proposal, gears, wheels, floor.sample_rate_hz
        ):
            log_weight = offsets_log + (gears.log_prior if gears else 0.0) + fold
            for readers in courses:
                hopes = screen.hopes(readers.proposed, gears, offsets)
                yield _Posed(readers, gears, offsets, log_weight, hopes)


def _of_first(offsets: Offsets, count: int) -> Offsets:
    return {(i, gear): value for (i, gear), value in offsets.items() if i < count}


def anchored_among_first(course: Course, lines: Sequence[Line | PairLine], count: int) -> Course:
    """The course, an anchor not among the first `count` candidates replaced by the clearest of them, or none."""
    if course.anchor is None or course.anchor < count:
        return course
    best = {i: line.reading_of(i).best for line in lines for i in line.members if i < count}
    top = max(best, key=lambda i: best[i], default=None)
    return replace(course, anchor=top if top is not None and best[top] > ANCHOR_CLEAR else None)


def judgement_of(
    candidates: Sequence[Candidate], log_prior: FloatArray, hypotheses: Iterable[Hypothesis]
) -> Judgement:
    """The hypotheses put together, best first; log_prior as in `Judgement`."""
    best_first = sorted(hypotheses, key=lambda h: -float(np.logaddexp.reduce(h.log_class)))
    total = np.logaddexp.reduce(np.stack([h.log_class for h in best_first]), axis=0)
    return Judgement(tuple(candidates), log_prior, total, tuple(best_first))


class _Readers:
    """Readers along one proposal's course, sharpened by the lines that stand out along it on each hypothesis."""

    def __init__(
        self,
        scan: Scan,
        candidates: Sequence[Candidate],
        proposal: Proposal,
        floor: Floor,
        followed: Followed | None,
    ) -> None:
        self._scan, self._candidates, self._proposal, self._floor = scan, candidates, proposal, floor
        self._followed = followed
        self._made: dict[object, LineReader] = {}

    @property
    def proposed(self) -> Course:
        """The course before it is sharpened, which makes it no likelier."""
        return self._proposal.course

    def along(self, gears: GearCourse | None, offsets: Offsets) -> LineReader:
        """The reader whose course is locked on the anchor and on all that stands out in these gears."""
        lines = clear_lines(self._scan, self._proposal, gears, offsets)
        key = tuple((line.track, line.offset, line.held.tobytes()) for line in lines)
        if key not in self._made:
            every = (*self._proposal.lock_on, *lines)
            course = sharpened(self._proposal.course, self._scan, every, self._floor.sample_rate_hz)
            course = held_to_source(course, self._scan.clock, self._followed)
            self._made[key] = LineReader(self._scan, self._candidates, course, self._floor)
        return self._made[key]


class _Bound(_Readers):
    """Readers along a course that is bound to its source: no line's phase leads it off."""

    def along(self, gears: GearCourse | None, offsets: Offsets) -> LineReader:
        """The one reader there is, whatever the gears."""
        if not self._made:
            course = held_to_source(self._proposal.course, self._scan.clock, self._followed)
            self._made[None] = LineReader(self._scan, self._candidates, course, self._floor)
        return self._made[None]


def log_prior_of_classes(candidates: Sequence[Candidate]) -> FloatArray:
    """Log prior of each candidate at fault, and of nothing (last)."""
    weight = np.array([c.source.prior_weight for c in candidates]) ** PRIOR_FLATTENING
    return np.concatenate([np.log(weight / weight.sum() * (1.0 - NOTHING_PRIOR)), [np.log(NOTHING_PRIOR)]])


def held_gear(gears: GearCourse | None) -> int | None:
    """The one gear that was held all through, if so."""
    if gears is None:
        return None
    used = {int(g) for g in np.unique(gears.gear)} - {NOT_LOCKED}
    return used.pop() if len(used) == 1 else None
