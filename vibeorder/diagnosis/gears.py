"""Which gear when: the engine's rate jumps at a shift, the road's does not.

Gears and 'not locked' (neutral, clutch, converter far open) are the states of a chain; what a shift costs and
which engine speed a driver or an automatic picks are its priors.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "NOT_LOCKED",
    "GearCourse",
    "course_log_prior",
    "gear_log_prior",
    "logged_gear_votes",
    "scheduled_log_prior",
    "schedules",
    "shift_log_prior",
]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]

NOT_LOCKED = -1
USUAL_RPM = 1900.0
USUAL_RPM_LOG_SD = 0.5
"""Engine speed that a driver or an automatic picks, and its spread in ln(rpm) (common practice, no source)."""

SLOWEST_RPM, FASTEST_RPM = 600.0, 6500.0
OUT_OF_RANGE = -25.0
CHOSEN_ANEW_PER_S = 0.12
"""How often a driver or an automatic chooses the gear anew, a second: then the better gears are the likelier ones."""

FAR_SHIFT_COST = 1.5
"""Further cost of a shift by more than one gear."""

OUT_OF_RANGE_PER_S = 0.3
"""What it costs a second to stay in a gear in which the engine could not run."""

NOT_LOCKED_LOG_PRIOR = -5.0
"""Log prior of an engine that turns at no gear's rate."""

SCHEDULED = 0.5
"""Share of drives whose gears follow the speed by one habit, a schedule: up where the next gear still turns fast
enough, down where this one turns too slowly."""

LANDS_RPM = tuple(float(r) for r in np.geomspace(800.0, 3200.0, 15))
DROPS_SHARES = (0.65, 0.8, 0.95)
"""Engine speeds at which an upward shift lands, and shares of them below which a gear is left (common practice, no
source): every pair is as likely."""

SHIFTS_A_SECOND = 2
OFF_SCHEDULE_PER_S = 0.7
SHIFT_INSTANT = float(np.log(1.0 + 2.0 / np.expm1(OFF_SCHEDULE_PER_S)))
"""What it costs to be in another gear than the schedule's, a second; and, for it, what is lost over the instant of each
shift: the sum of exp(-0.7 |t|) over whole seconds t."""

LOGGED_RATIO_SD = 0.025
LOGGED_ELSEWHERE = -4.0
"""Spread of logged engine over wheel speed about a gear's ratio (slip, tire, lag), and the vote where none fits."""

LOGGED_OFFSET_MOST = 0.03
"""How far tire and speed sensor (sd 1%, cut at 3%) may have all logged ratios off together, in ln."""


@dataclass(frozen=True)
class GearCourse:
    """Gear number per frame, 1 = first, NOT_LOCKED where none [shape (frames,)], and its log prior."""

    gear: IntArray
    log_prior: float

    @cached_property
    def used(self) -> frozenset[int]:
        """The gears in it."""
        return frozenset(self.gear.tolist())


def gear_log_prior(engine_per_wheel: FloatArray, wheel_rate_hz: FloatArray) -> FloatArray:
    """Log prior of each gear at each wheel rate, and of 'not locked' last [shape (frames, gears + 1)].

    engine_per_wheel: engine turns per wheel turn, first gear first [shape (gears,)].
    """
    rpm = 60.0 * wheel_rate_hz[:, None] * engine_per_wheel
    log_prior = -0.5 * (np.log(np.maximum(rpm, 1.0) / USUAL_RPM) / USUAL_RPM_LOG_SD) ** 2
    log_prior = np.where((rpm < SLOWEST_RPM) | (rpm > FASTEST_RPM), OUT_OF_RANGE, log_prior)
    log_prior = log_prior - np.logaddexp.reduce(log_prior, axis=1)[:, None]
    return np.concatenate([log_prior, np.full((wheel_rate_hz.size, 1), NOT_LOCKED_LOG_PRIOR)], axis=1)


def shift_log_prior(log_prior: FloatArray) -> FloatArray:
    """Log prior of going from state to state at each frame, a second after the last [shape (frames, states, states)].

    The gear is chosen anew at a rate r, and then by how well it suits the speed: (1 - r) + r p_i to stay in i, r p_j
    to change to j; so a gear that no longer suits costs by the second. log_prior: of each state at each frame, 'not
    locked' last [shape (frames, states)].
    """
    states = log_prior.shape[1]
    number = np.arange(states)
    locked = number < states - 1
    far = (np.abs(number[:, None] - number) > 1) & locked[:, None] & locked
    choice = log_prior[:, None, :] - FAR_SHIFT_COST * far
    choice = choice - np.logaddexp.reduce(choice, axis=2, keepdims=True)
    out = np.log(CHOSEN_ANEW_PER_S) + choice
    suits = np.exp(choice[:, number, number])
    stays = np.log1p(-CHOSEN_ANEW_PER_S * (1.0 - suits))
    stays = stays - OUT_OF_RANGE_PER_S * (log_prior < 0.5 * OUT_OF_RANGE)
    out[:, number, number] = stays if states > 1 else 0.0
    return np.asarray(out)


def schedules(engine_per_wheel: FloatArray, wheel_rate_hz: FloatArray) -> IntArray:
    """Courses of gears (index, first gear 0) that habits of shifting make of a course of speed, each once.

    engine_per_wheel: [shape (gears,)]; wheel_rate_hz: [shape (frames,)]. Returns [shape (courses, frames)].
    """
    lands, drops = (
        x.ravel() for x in np.meshgrid(np.asarray(LANDS_RPM), np.asarray(DROPS_SHARES), indexing="ij")
    )
    rpm = 60.0 * wheel_rate_hz[:, None] * engine_per_wheel
    last = engine_per_wheel.size - 1
    # the highest gear that turns fast enough, the first where none does
    at = np.maximum((rpm[0] >= lands[:, None]).sum(axis=1) - 1, 0)
    out = np.empty((lands.size, wheel_rate_hz.size), np.intp)
    for t, turns in enumerate(rpm):
        for _ in range(SHIFTS_A_SECOND):
            up = (at < last) & (turns[np.minimum(at + 1, last)] > lands)
            down = (at > 0) & (turns[at] < drops * lands)
            at = at + up - (down & ~up)
        out[:, t] = at
    return np.unique(out, axis=0)


def scheduled_log_prior(state: IntArray, chain: float, scheduled: IntArray) -> float:
    """Log prior of a course of states: it follows a schedule, or the chain, whose log prior is given.

    scheduled: all schedules [shape (courses, frames)].
    """
    if not scheduled.shape[0]:
        return chain
    off = np.count_nonzero(scheduled != state, axis=1)
    shifts = np.count_nonzero(np.diff(scheduled, axis=1), axis=1)
    best = float((-OFF_SCHEDULE_PER_S * off - SHIFT_INSTANT * shifts).max()) - np.log(scheduled.shape[0])
    return float(np.logaddexp(np.log1p(-SCHEDULED) + chain, np.log(SCHEDULED) + best))


def course_log_prior(state: IntArray, log_prior: FloatArray, switch: FloatArray) -> GearCourse:
    """A course of states (index, 'not locked' last) with its log prior: the first state, then each second's step.

    log_prior: of each state at each frame; switch: as `shift_log_prior` makes it.
    """
    steps = switch[np.arange(1, state.size), state[:-1], state[1:]]
    gears = log_prior.shape[1] - 1
    total = float(log_prior[0, state[0]] + steps.sum())
    return GearCourse(np.where(state == gears, NOT_LOCKED, state + 1), total)


def logged_gear_votes(
    ratio: FloatArray, engine_per_wheel: FloatArray, states: Sequence[int | None]
) -> NDArray[np.float32]:
    """What a logged engine speed says of each state at each frame [shape (frames, states)].

    ratio: engine turns per wheel turn as logged [shape (frames,)]. How far tire and sensor have the wheel off is one
    number for the drive and is taken out first.
    """
    ratio = ratio / np.exp(_common_offset(ratio, engine_per_wheel))
    out = np.full((ratio.size, len(states)), LOGGED_ELSEWHERE, np.float32)
    for i, gear in enumerate(states):
        if gear is not None:
            off = np.log(np.maximum(ratio, 1e-3) / engine_per_wheel[gear - 1])
            out[:, i] = np.maximum(-0.5 * (off / LOGGED_RATIO_SD) ** 2, 2.0 * LOGGED_ELSEWHERE)
    return out


def _common_offset(ratio: FloatArray, engine_per_wheel: FloatArray) -> float:
    """How far logged ratios lie off the gears' in common, in ln, within what tire and sensor may be off."""
    off = np.log(np.maximum(ratio, 1e-3))[:, None] - np.log(engine_per_wheel)
    nearest = off[np.arange(ratio.size), np.abs(off).argmin(axis=1)]
    near = nearest[np.abs(nearest) < 2.0 * LOGGED_OFFSET_MOST]
    if not near.size:
        return 0.0
    return float(np.clip(np.median(near), -LOGGED_OFFSET_MOST, LOGGED_OFFSET_MOST))
