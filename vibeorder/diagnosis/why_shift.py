"""A change of gear: engine lines jump with the ratio, road lines do not. What did this line do?"""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from vibeorder.diagnosis.explanation import Finding, Said
from vibeorder.diagnosis.gears import NOT_LOCKED
from vibeorder.diagnosis.why_case import Case
from vibeorder.diagnosis.why_track import Followed, Strength, follow
from vibeorder.diagnosis.why_words import hz, plus_minus, size

__all__ = ["shift_said"]


AROUND_S = 8.0
LEAST_S = 3.0
CLEAR_OF_IT_S = 0.5
TOO_NEAR_HZ = 1.2
"""Tracks that part by less than this at a shift cannot be told from each other."""

TWICE = 2.0
STANDS_OUT = 3.0


@dataclass(frozen=True, slots=True)
class _Shift:
    """A change of gear: when, gears before and after, and the clean seconds on either side."""

    at_s: float
    before: int
    after: int
    seconds: float


@dataclass(frozen=True, slots=True)
class _Beheld:
    """Strength before and after the shift on the line's own track, and after it on the other kind's."""

    before: Strength
    here: Strength
    there: Strength
    here_hz: float
    there_hz: float


def shift_said(case: Case) -> Said:
    """Whether the line jumped where the engine's lines do."""
    shifts = _shifts(case)
    if not shifts:
        known = case.hypothesis.gears is not None
        why = "on this reading of the drive one gear was held" if known else "no gear is known"
        return 0, Finding("shift", f"No change of gear to judge by: {why}.")
    shift = max(shifts, key=lambda s: s.seconds)
    jump = _ratio(case, shift)
    if jump is None or shift.seconds < LEAST_S:
        return 0, Finding("shift", "No change of gear with three clean seconds on both sides.")
    seen = _beheld(case, shift, jump)
    if isinstance(seen, str):
        return 0, Finding("shift", f"At the shift {_when(case, shift)} {seen}.")
    return _told(case, shift, jump, seen)


def _beheld(case: Case, shift: _Shift, jump: float) -> _Beheld | str:
    """The line around a shift, or why it cannot be judged there."""
    own, other = _both_tracks(case, shift, jump)
    if own is None or other is None:
        return "the line has no rate long enough"
    rate = np.interp(own.times_s, case.times_s, case.wheel_hz * case.per_wheel * case.candidate.order)
    after = own.held & (own.times_s > shift.at_s + CLEAR_OF_IT_S)
    before = own.held & (own.times_s < shift.at_s - CLEAR_OF_IT_S)
    strengths = (own.over(before), own.over(after), other.over(after))
    if strengths[0] is None or strengths[1] is None or strengths[2] is None:
        return "the line has no rate long enough"
    here_hz = float(np.median(rate[after]))
    there_hz = here_hz / jump if case.candidate.basis == "engine" else here_hz * jump
    if abs(there_hz - here_hz) < TOO_NEAR_HZ:
        return "its own and the other track lie too near to tell"
    if strengths[0].amplitude < STANDS_OUT * strengths[0].standard_error:
        return "no line stood on its track before, so none can have jumped"
    return _Beheld(strengths[0], strengths[1], strengths[2], here_hz, there_hz)


def _told(case: Case, shift: _Shift, jump: float, seen: _Beheld) -> Said:
    here, there, unit = seen.here, seen.there, case.suspect.unit
    own, other = ("jumped", "stayed") if case.candidate.basis == "engine" else ("stayed", "jumped")
    stays = here.amplitude > max(STANDS_OUT * here.standard_error, TWICE * there.amplitude)
    leaves = there.amplitude > max(STANDS_OUT * there.standard_error, TWICE * here.amplitude)
    verdict = f"it {own}" if stays else f"it {other}" if leaves else "not clear enough to say"
    fall_or_rise = f"{'fall' if jump < 1.0 else 'rise'} by {100 * abs(jump - 1):.0f}%"
    sentence = (
        f"At the shift {_when(case, shift)} engine lines {fall_or_rise}, road lines do not. "
        f"Before it the line is {_amount(seen.before, unit)}; after it {_amount(here, unit)} at {hz(seen.here_hz)}, "
        f"where it is if it {own}, and {_amount(there, unit)} at {hz(seen.there_hz)}, where it would be had it "
        f"{other}: {verdict}."
    )
    values = (
        ("at_s", shift.at_s + case.stretch_s),
        ("jump", jump),
        ("before", seen.before.amplitude),
        ("own", here.amplitude),
        ("own_se", here.standard_error),
        ("other", there.amplitude),
        ("other_se", there.standard_error),
    )
    return (1 if stays else -1 if leaves else 0), Finding("shift", sentence, values=values)


def _when(case: Case, shift: _Shift) -> str:
    return f"at {shift.at_s + case.stretch_s:.0f} s (gear {shift.before} to {shift.after})"


def _shifts(case: Case) -> list[_Shift]:
    """Every change from one locked gear to another, with the clean seconds on the poorer side."""
    gears = case.hypothesis.gears
    if gears is None:
        return []
    times, number = case.hypothesis.scan.clock.mid_s, gears.gear
    edges = [0, *(np.flatnonzero(np.diff(number)) + 1).tolist(), number.size]
    runs = [(int(number[a]), a, b) for a, b in pairwise(edges) if number[a] != NOT_LOCKED]
    found = []
    for (g1, a1, b1), (g2, a2, b2) in pairwise(runs):
        if g1 != g2:
            seconds = float(min(times[b1 - 1] - times[a1], times[b2 - 1] - times[a2]))
            found.append(_Shift(0.5 * float(times[b1 - 1] + times[a2]), g1, g2, seconds))
    return found


def _ratio(case: Case, shift: _Shift) -> float | None:
    """Engine turns a road turn after over before the shift, from any engine source's tracks."""
    scan = case.hypothesis.scan
    by = {(t.candidate, t.gear): t.multiple for t in scan.tracks if t.gear is not None}
    for (candidate, gear), multiple in by.items():
        if gear == shift.before and (candidate, shift.after) in by:
            return by[(candidate, shift.after)] / multiple
    return None


def _both_tracks(case: Case, shift: _Shift, jump: float) -> tuple[Followed | None, Followed | None]:
    """The line followed around the shift on its own track and on the one of the other kind of part."""
    times, order = case.times_s, case.candidate.order
    close = np.abs(times - shift.at_s) < AROUND_S
    held = case.held(order) & close
    turning = case.candidate.basis == "engine"
    after = times > shift.at_s
    factor = np.where(after, 1.0 / jump if turning else jump, 1.0)
    steps = np.diff(case.turns_of(order), prepend=0.0)
    other = np.cumsum(steps * factor)
    return (
        follow(case.samples, case.rate_hz, case.turns_of(order), held),
        follow(case.samples, case.rate_hz, other, held),
    )


def _amount(found: Strength, unit: str) -> str:
    if found.amplitude < found.standard_error:
        return f"under {size(2.0 * found.standard_error, unit)}"
    return plus_minus(found.amplitude, found.standard_error) + (" m/s²" if unit == "m/s^2" else "")
