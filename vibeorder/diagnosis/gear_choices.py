"""Courses of gears worth weighing along a course of the wheel: its own, usual ones, those that the engine's lines ask
for."""

from collections.abc import Sequence
from dataclasses import replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.converter import MOST_SLIP, SLIP_LOG_PRIOR
from vibeorder.diagnosis.gears import (
    OFF_SCHEDULE_PER_S,
    GearCourse,
    course_log_prior,
    gear_log_prior,
    logged_gear_votes,
    scheduled_log_prior,
    schedules,
    shift_log_prior,
)
from vibeorder.diagnosis.scan import Scan

__all__ = ["GearChoices"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]
F32 = NDArray[np.float32]

WORST_CONSTANT = -12.0
"""Log prior, against the likeliest constant gear's, below which a course of gears is not weighed."""

HOPELESS = 40.0
"""A course of gears this far behind the best, in votes and log prior, is not weighed."""

SAME_GEARS_S = 3
"""Courses of gears that differ for no longer are one."""


TIMED = 3
"""Courses of gears whose shifts are timed by the engine's lines, for each that is weighed."""

SHIFT_OFF_S = 5
"""How far a shift may lie from where the habit has it."""


class GearChoices:
    """The states that the engine may be in, what is known of them, and the courses to weigh.

    states: gear numbers, None for 'not locked' or for no engine at all. log_prior: of each at each frame
    [shape (frames, states)]; switch: as `shift_log_prior` makes it; logged: what a logged engine speed says
    [shape (frames, states)].
    """

    def __init__(
        self,
        scan: Scan,
        engine_per_wheel: FloatArray | None,
        given_gear: int | None,
        engine_ratio: FloatArray | None,
        constants: int,
    ) -> None:
        frames = scan.clock.mid_s.size
        self._scan, self._per_wheel, self._constants = scan, engine_per_wheel, constants
        self.states = _states(scan, engine_per_wheel, given_gear)
        self.log_prior = np.zeros((frames, 1))
        if len(self.states) > 1 and engine_per_wheel is not None:
            self.log_prior = gear_log_prior(engine_per_wheel, scan.clock.rate_hz)
        self.switch = shift_log_prior(self.log_prior)
        self.logged = np.zeros((frames, len(self.states)), np.float32)
        if engine_ratio is not None and engine_per_wheel is not None:
            self.logged = logged_gear_votes(engine_ratio, engine_per_wheel, self.states)

    def own(self, state: IntArray) -> GearCourse:
        """A course of states [shape (frames,)] with its log prior, and with what a logged engine speed says of it."""
        course = course_log_prior(state, self.log_prior, self.switch)
        log_prior = scheduled_log_prior(state, course.log_prior, self._scheduled)
        return replace(course, log_prior=log_prior + float(self.logged[np.arange(state.size), state].sum()))

    def along(self, state: IntArray, epsilon: FloatArray, engine_votes: F32) -> tuple[GearCourse, ...]:
        """The course's own gears first, then others to weigh along it; none where there is no engine.

        state: the gears that led to it; epsilon: corrections of the wheel's rate [both shape (frames,)]; engine_votes:
        of the engine's lines [shape (frames, states, cells)].
        """
        if self.states == [None]:
            return ()
        if len(self.states) == 1 and self.states[0] is not None:
            return (GearCourse(np.full(state.size, self.states[0], np.intp), 0.0),)
        own = self.own(state)
        votes = self._votes_along(epsilon, engine_votes)
        others = [one for one in self._others if (one[0].gear != own.gear).any()]
        if not others:
            return (own,)
        supports = [gears.log_prior + _support(votes, course) for gears, course in others]
        best = max(supports)
        good = [i for i in np.argsort(supports)[::-1] if supports[i] > best - HOPELESS]
        # a road line says nothing of the gear: beside what the engine's lines ask for, what people drive in
        usual = max(range(len(others)), key=lambda i: others[i][0].log_prior)
        timed = [self.own(_timed(others[i][1], votes)) for i in (usual, *good[: TIMED * self._constants])]
        return (own, *_apart(timed, self._constants))

    @cached_property
    def _scheduled(self) -> IntArray:
        if len(self.states) == 1 or self._per_wheel is None:
            return np.zeros((0, self._scan.clock.mid_s.size), np.intp)
        return schedules(self._per_wheel, self._scan.clock.rate_hz)

    @cached_property
    def _others(self) -> list[tuple[GearCourse, IntArray]]:
        """Each gear held throughout, and each schedule, that is likely enough, with its states."""
        frames, locked = self._scan.clock.mid_s.size, len(self.states) - 1
        held = [np.full(frames, n, np.intp) for n in range(locked)]
        weighed = [(self.own(course), course) for course in (*held, *self._scheduled)]
        least = max(gears.log_prior for gears, _ in weighed[:locked]) + WORST_CONSTANT
        return [(gears, course) for gears, course in weighed if gears.log_prior > least]

    def _votes_along(self, epsilon: FloatArray, engine_votes: F32) -> F32:
        """Votes of the engine's lines along a course, for each slip of a converter [shape (slips, frames, states)]."""
        clock = self._scan.clock
        slips = np.round(np.arange(0.0, MOST_SLIP, 2.0 * clock.step) / clock.step).astype(int)
        first = np.round((epsilon - clock.epsilon[0]) / clock.step).astype(int)
        cells = np.clip(first + slips[:, None], 0, engine_votes.shape[2] - 1)
        return engine_votes[np.arange(epsilon.size), :, cells]


def _support(votes: F32, state: IntArray) -> float:
    """Votes for a course of gears, slip left open."""
    each = votes[:, np.arange(state.size), state].sum(axis=1)
    return float(max(each[0], each.max() + SLIP_LOG_PRIOR))


def _timed(state: IntArray, votes: F32) -> IntArray:
    """A course with each of its shifts where the engine's lines have it, a few seconds sooner or later."""
    score = votes[int(votes[:, np.arange(state.size), state].sum(axis=1).argmax())]
    out = state.copy()
    shifts = [0, *(np.flatnonzero(np.diff(state)) + 1).tolist(), state.size]
    for i in range(1, len(shifts) - 1):
        at, before, after = shifts[i], state[shifts[i] - 1], state[shifts[i]]
        first = max(shifts[i - 1] + 1, at - SHIFT_OFF_S)
        last = min(shifts[i + 1] - 1, at + SHIFT_OFF_S)
        gain = score[first:last, before] - score[first:last, after]
        total = np.concatenate([[0.0], np.cumsum(gain)]) - OFF_SCHEDULE_PER_S * np.abs(
            np.arange(first, last + 1) - at
        )
        shifts[i] = first + int(total.argmax())
        out[shifts[i - 1] : shifts[i]] = before
        out[shifts[i] : shifts[i + 1]] = after
    return out


def _apart(courses: Sequence[GearCourse], count: int) -> list[GearCourse]:
    """The first of them, each in other gears than those before for some seconds at least."""
    kept: list[GearCourse] = []
    for one in courses:
        if len(kept) == count:
            break
        if all(np.count_nonzero(one.gear != other.gear) > SAME_GEARS_S for other in kept):
            kept.append(one)
    return kept


def _states(scan: Scan, engine_per_wheel: FloatArray | None, given_gear: int | None) -> list[int | None]:
    """Gear number of each state; None stands for 'not locked' or for no engine at all."""
    if engine_per_wheel is None or not any(t.gear is not None for t in scan.tracks):
        return [None]
    if given_gear is not None:
        return [given_gear]
    return [*range(1, engine_per_wheel.size + 1), None]
