"""Courses worth weighing: for each line that may anchor one, the best courses of wheel rate and gears."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.blocks import Course
from vibeorder.diagnosis.candidates import Candidate
from vibeorder.diagnosis.converter import EXACT, MOST_SLIP, SLIP_LOG_PRIOR, slips_by_gear
from vibeorder.diagnosis.courses import Followed, locked_course
from vibeorder.diagnosis.gear_choices import GearChoices
from vibeorder.diagnosis.gears import GearCourse
from vibeorder.diagnosis.paths import gear_totals, spread, trace_gears, wobble_course
from vibeorder.diagnosis.scan import Scan
from vibeorder.diagnosis.sharpening import LockOn
from vibeorder.diagnosis.slips import slip_beside
from vibeorder.diagnosis.sway import NO_SWAY, Sway, swayed, sways
from vibeorder.diagnosis.votes import ASSIST_CAP, engine_votes, road_total, road_votes
from vibeorder.spectrum.middle import within

__all__ = [
    "BRISK",
    "THOROUGH",
    "Effort",
    "Followed",
    "Proposal",
    "RateDoubt",
    "along",
    "offset_log_prior",
    "propose",
]

FloatArray = NDArray[np.float64]
F32 = NDArray[np.float32]

ANCHOR_FROM = 7.0
"""Log evidence from which a line may anchor a course."""

HOPELESS, HOPELESS_SHARE = 40.0, 0.5
"""An anchor this far behind the best (log evidence, or as a share of the best) is not weighed."""

OF_EACH_KIND = 4
"""One in so many courses goes to the best of the road's lines, and of the engine's, at least: a strong engine line
under many names, each in many gears, would else crowd out the course that a weak healthy shaft's leads to."""

NEAR_CELLS = 10
"""How far (in cells) the offset that votes along no course in particular ask for may be off."""

MODES = 2
MODES_APART = 3.0
"""Courses kept per anchor line (it may fit at two scales, in two gears), and how far apart in wobble sd."""

SAME_COURSE = 0.0015
"""Two courses that differ by less than this (mean, relative) are one."""


@dataclass(frozen=True, slots=True)
class Effort:
    """How much is weighed: courses anchored on a line, courses of gears beside a course's own, and courses along which
    the converter may slip from gear to gear; held: courses beyond, on lines in a gear that is held all through, which
    those that change gear wherever a line votes for it would crowd out."""

    anchors: int
    constants: int
    converters: int
    held: int


THOROUGH, BRISK = Effort(12, 4, 6, 4), Effort(4, 1, 1, 1)
"""For one stretch, and for each of the several of a long recording, whose evidence adds up."""


@dataclass(frozen=True, slots=True)
class RateDoubt:
    """Prior of e(t): mean and sd of the constant part, sd of the wobble about it, sd of its change in a second.

    followed: how closely the speed source is known to follow the wheel, or None where that is not weighed.
    """

    mean: float
    sd: float
    wander: float
    step_sd: float
    followed: Followed | None = None


@dataclass(frozen=True, slots=True)
class Proposal:
    """A course of the wheel rate, the courses of gears to weigh with it, and the anchor's own offset.

    lock_on: the anchor's tracks, whose phase the course follows. slips: of the converter by gear, where each gear has
    its own, else None.
    """

    course: Course
    gears: tuple[GearCourse, ...]
    offset: float = 0.0
    lock_on: tuple[LockOn, ...] = ()
    slips: Mapping[int, float] | None = None


def offset_log_prior(candidate: Candidate, offset: FloatArray) -> FloatArray:
    """Log prior of a line running off its nominal ratio: converter slip, belt slip."""
    if candidate.basis == "wheel":
        return np.where(np.abs(offset) < EXACT, 0.0, -np.inf)
    slipping = np.where((offset > 0.0) & (offset < MOST_SLIP), SLIP_LOG_PRIOR, -np.inf)
    if candidate.slack:
        slipping = np.maximum(slipping, -0.5 * (offset / candidate.slack) ** 2)
    return np.where(np.abs(offset) < EXACT, 0.0, slipping)


def propose(
    scan: Scan,
    candidates: Sequence[Candidate],
    doubt: RateDoubt,
    engine_per_wheel: FloatArray | None,
    given_gear: int | None,
    sample_rate_hz: float,
    engine_ratio: FloatArray | None = None,
    anchor: int | None = None,
    effort: Effort = THOROUGH,
) -> list[Proposal]:
    """Courses of the wheel rate with the courses of gears to weigh with each, best first; at least one.

    An anchor line enters in full, all others with bounded votes, so that a course follows one physical line
    closely and is kept on the vehicle's ratios by the rest.
    """
    gears = GearChoices(scan, engine_per_wheel, given_gear, engine_ratio, effort.constants)
    searches = [
        _Search(scan, candidates, doubt, gears, sample_rate_hz, sway)
        for sway in (sways(scan.clock) if doubt.followed is not None else (NO_SWAY,))
    ]
    found: list[Proposal] = []
    kept: list[tuple[FloatArray, NDArray[np.intp]]] = []
    for mode in _ranked(searches, anchor, effort.anchors // OF_EACH_KIND):
        search, k, cell, held = mode.search, mode.candidate, mode.cell, mode.state
        if len(kept) >= effort.anchors + effort.held:
            break
        if len(kept) >= effort.anchors and held is None:
            continue
        line, state, strength = search.course(k, cell, held)
        if strength < ANCHOR_FROM:
            continue
        for offset in search.offsets(k, cell, line, state):
            epsilon = line - offset
            course = epsilon + search.sway.course
            if any(np.abs(course - e).mean() < SAME_COURSE and (state == s).all() for e, s in kept):
                continue
            kept.append((course, state))
            found.append(search.proposal(k, epsilon, state, offset))
            if held is None and len(kept) <= effort.converters:
                found += search.slipping(k, line, state, offset)
    return found or [searches[0].unanchored()]


@dataclass(frozen=True, slots=True)
class _Mode:
    """One of the best courses of one anchor: log weight, the constant's cell, state held throughout or None."""

    total: float
    search: "_Search"
    candidate: int
    cell: int
    state: int | None


def _ranked(searches: "Sequence[_Search]", only: int | None, of_each: int) -> list[_Mode]:
    """Every anchor's best modes, the best few of either kind and then the best first, the hopeless ones left out.

    A road line and an engine line are hopeless beside their own kind only: a strong healthy tire must not keep the
    engine's line from leading to its own course.
    """
    found = [mode for search in searches for mode in search.modes(only)]
    kinds = searches[0].candidates
    best = {
        basis: max((m.total for m in found if kinds[m.candidate].basis == basis), default=0.0)
        for basis in ("wheel", "engine")
    }
    ranked = [
        mode
        for mode in sorted(found, key=lambda mode: -mode.total)
        if mode.total >= (top := best[kinds[mode.candidate].basis]) - max(HOPELESS, HOPELESS_SHARE * top)
    ]
    leads = [
        mode
        for basis in best
        for mode in [m for m in ranked if kinds[m.candidate].basis == basis and m.state is None][:of_each]
    ]
    return [
        *sorted(leads, key=lambda m: -m.total),
        *(m for m in ranked if not any(m is one for one in leads)),
    ]


def along(scan: Scan, track: int, epsilon: FloatArray, shifts: FloatArray) -> FloatArray:
    """Votes of a track along a course of corrections, shifted by each of `shifts` [shape (shifts, frames)]."""
    evidence = scan.vote(track)
    wanted = epsilon + shifts[:, None]
    index = np.round((wanted - scan.clock.epsilon[0]) / scan.clock.step).astype(int)
    inside = (index >= 0) & (index < evidence.shape[1])
    found = evidence[np.arange(epsilon.size), within(index, 0, evidence.shape[1] - 1)]
    return np.where(inside, found, 0.0)


class _Search:
    """The votes of all lines, arranged once for every anchor."""

    def __init__(
        self,
        scan: Scan,
        candidates: Sequence[Candidate],
        doubt: RateDoubt,
        gears: GearChoices,
        sample_rate_hz: float,
        sway: Sway,
    ) -> None:
        self.sway, self._read_scan = sway, scan
        scan = swayed(scan, sway)
        self.scan, self.candidates, self.doubt = scan, candidates, doubt
        self.wander = doubt.wander / scan.clock.step
        self.gears, self.states = gears, gears.states
        self.road_votes = road_votes(scan, candidates)
        votes = engine_votes(scan, candidates, self.states, sample_rate_hz)
        self.engine_votes = votes + self.gears.logged[:, :, None]
        epsilon = scan.clock.epsilon
        prior = -0.5 * ((epsilon - doubt.mean) / doubt.sd) ** 2
        self.road_total = road_total(scan, candidates, self.wander) + prior
        self.prior = prior
        self._best: dict[int, F32] = {}
        self._held: dict[int, list[tuple[float, int, int]]] = {}

    def modes(self, only: int | None) -> list[_Mode]:
        """The best modes of every anchor that may lead."""
        found: list[_Mode] = []
        leading = [k for k, c in enumerate(self.candidates) if c.leads]
        for k in leading if only is None else (only,):
            totals = self._totals(k)
            found += [_Mode(total, self, k, cell, state) for total, cell, state in self._held.get(k, ())]
            left = totals.copy()
            for _ in range(MODES):
                cell = int(left.argmax())
                if np.isfinite(left[cell]):
                    found.append(_Mode(float(left[cell]), self, k, cell, None))
                apart = round(MODES_APART * self.wander)
                left[max(0, cell - apart) : cell + apart + 1] = -np.inf
        return [replace(mode, total=mode.total + self.sway.log_prior) for mode in found]

    def _evidence(self, k: int) -> tuple[F32, F32]:
        """Anchor k in full with the others' votes, and in full alone [shape (frames, states, cells)]."""
        scan = self.scan
        mine = [(t, track) for t, track in enumerate(scan.tracks) if track.candidate == k]
        if self.candidates[k].basis == "wheel":
            own = scan.evidence[mine[0][0]][:, None, :]
            cells = own.shape[2]
            others = (self.road_votes - np.minimum(scan.vote(mine[0][0]), ASSIST_CAP))[
                :, None, :
            ] + self.engine_votes[:, :, :cells]
            return own + others, np.broadcast_to(own, others.shape)
        own = np.zeros_like(self.engine_votes)
        voted = np.zeros_like(own)
        for t, track in mine:
            if track.gear in self.states:
                own[:, self.states.index(track.gear)] = scan.evidence[t]
                voted[:, self.states.index(track.gear)] = scan.vote(t)
        return own + np.maximum(self.engine_votes - np.minimum(voted, ASSIST_CAP), 0.0), own

    def _totals(self, k: int) -> FloatArray:
        if not any(track.candidate == k for track in self.scan.tracks):
            return np.full(self.scan.clock.epsilon.size, -np.inf)
        evidence, own = self._evidence(k)
        if not own.any():
            return np.full(evidence.shape[2], -np.inf)
        near = spread(evidence, self.wander)
        totals, self._best[k] = gear_totals(near, self.gears.switch, self.gears.log_prior[0])
        if self.candidates[k].basis == "wheel":
            return totals + self.prior
        split = self._split(k)[0]
        if len(self.states) > 1:
            # one line in two gears makes two courses, and the better votes of one must not hide the other
            alone = near.sum(axis=0) + self.gears.log_prior[0][:, None] + split
            best = alone.argmax(axis=1)
            self._held[k] = [(float(alone[s, best[s]]), int(best[s]), s) for s in range(len(self.states) - 1)]
        return totals + split

    def _split(self, k: int) -> tuple[FloatArray, FloatArray]:
        """For each cell of an engine line: the best log weight of a road correction, and that correction."""
        epsilon = self.scan.clock.epsilon
        cells = epsilon[0] + np.arange(self.engine_votes.shape[2]) * self.scan.clock.step
        offset = cells[:, None] - epsilon
        weight = self.road_total + offset_log_prior(self.candidates[k], offset)
        best = weight.argmax(axis=1)
        return weight[np.arange(cells.size), best], epsilon[best]

    def course(self, k: int, cell: int, held: int | None) -> tuple[FloatArray, NDArray[np.intp], float]:
        """Course of the anchor's own line against its nominal ratio, states, and its evidence along it.

        held: the state throughout, or None for the best course of states.
        """
        evidence, own = self._evidence(k)
        if held is None:
            state = trace_gears(self._best[k], self.gears.switch, cell)
        else:
            state = np.full(self.scan.clock.mid_s.size, held, np.intp)
        rows = np.arange(state.size)
        step = max(1.0, self.doubt.step_sd / self.scan.clock.step)
        course = wobble_course(evidence[rows, state], cell, self.wander, step)
        strength = float(own[rows, state, np.round(course).astype(int)].sum())
        return _smooth(self.scan.clock.epsilon[0] + course * self.scan.clock.step), state, strength

    def offsets(self, k: int, cell: int, line: FloatArray, state: NDArray[np.intp]) -> list[float]:
        """How far the anchor may run off its nominal ratio: not at all, and as the road lines would have it.

        line, state: course of its own line and of its gears, beside which the road's are sought once it is known.
        """
        if self.candidates[k].basis == "wheel":
            return [0.0]
        epsilon = self.scan.clock.epsilon
        here = float(epsilon[0] + cell * self.scan.clock.step)
        split = self._slip(k, line, state, here - float(self._split(k)[1][cell]))
        exact = [0.0] if here <= epsilon[-1] else []
        return exact if abs(split) < EXACT and exact else [*exact, split]

    def _slip(self, k: int, line: FloatArray, state: NDArray[np.intp], split: float) -> float:
        near = np.asarray(split + self.scan.clock.step * np.arange(-NEAR_CELLS, NEAR_CELLS + 1), float)
        mean = float(line.mean()) - near
        prior = offset_log_prior(self.candidates[k], near)
        prior = prior - 0.5 * ((mean - self.doubt.mean) / self.doubt.sd) ** 2
        gear = np.array([0 if g is None else g for g in self.states], np.intp)[state]
        return slip_beside(self.scan, self.candidates, k, line, gear, near, np.asarray(prior, float))

    def proposal(self, k: int, epsilon: FloatArray, state: NDArray[np.intp], offset: float) -> Proposal:
        """The course locked on its anchor's phase, and the gears to weigh with it."""
        lock_on = tuple(self._lock_tracks(k, state, offset))
        return Proposal(
            self._locked(k, epsilon, lock_on),
            self.gears.along(state, epsilon, self.engine_votes),
            offset,
            lock_on,
        )

    def _locked(self, k: int | None, epsilon: FloatArray, lock_on: Sequence[LockOn]) -> Course:
        prior = (self.doubt.mean, self.doubt.sd)
        course = locked_course(self._read_scan, prior, epsilon + self.sway.course, k, lock_on)
        return replace(course, loose=k is not None and bool(self.candidates[k].slack))

    def slipping(self, k: int, line: FloatArray, state: NDArray[np.intp], offset: float) -> list[Proposal]:
        """The course along an engine line whose converter slips by gear, where its steps at shifts ask for it."""
        if self.candidates[k].basis == "wheel" or self.candidates[k].slack or len(self.states) < 3:
            return []
        made = []
        for road in (None,) if offset == 0.0 else (None, float(np.median(line)) - offset):
            found = slips_by_gear(line, state, road)
            if found is None:
                continue
            slips = {s + 1: slip for s, slip in found[0].items() if self.states[s] is not None}
            lock_on = tuple(self._lock_tracks(k, state, slips))
            course = self._locked(k, found[1], lock_on)
            made.append(Proposal(course, (self.gears.own(state),), 0.0, lock_on, slips))
        return made

    def _lock_tracks(
        self, k: int, state: NDArray[np.intp], offset: float | Mapping[int, float]
    ) -> list[LockOn]:
        """Tracks whose phase corrects the course: the anchor's own, each while it holds."""
        found = []
        for t, track in enumerate(self.scan.tracks):
            if track.candidate != k or (track.gear not in self.states and track.gear is not None):
                continue
            held = (
                np.ones(state.size)
                if track.gear is None
                else (state == self.states.index(track.gear)).astype(float)
            )
            if held.any():
                own = offset if isinstance(offset, float) else offset.get(track.gear or 0, 0.0)
                found.append(LockOn(t, own, held))
        return found

    def unanchored(self) -> Proposal:
        """The course that all road lines together suggest, for a recording in which none stands out."""
        cell = int(self.road_total.argmax())
        step = max(1.0, self.doubt.step_sd / self.scan.clock.step)
        course = wobble_course(self.road_votes, cell, self.wander, step)
        epsilon = _smooth(self.scan.clock.epsilon[0] + course * self.scan.clock.step)
        _, best = gear_totals(
            self.engine_votes[:, :, : self.scan.clock.epsilon.size],
            self.gears.switch,
            self.gears.log_prior[0],
        )
        return Proposal(
            self._locked(None, epsilon, ()),
            self.gears.along(trace_gears(best, self.gears.switch, cell), epsilon, self.engine_votes),
        )


def _smooth(course: FloatArray) -> FloatArray:
    return np.convolve(np.pad(course, 1, mode="edge"), [0.25, 0.5, 0.25], mode="valid")
