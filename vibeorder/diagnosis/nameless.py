"""Without a speed: the strong line may be of nothing that the profile lists, or of nothing that turns.

A resonance that the road excites wanders as a line does, an engine that the profile does not describe has orders too,
and every one of them is some part's order at some speed. What tells them apart is what a part's line brings with it:
other lines where the name puts them, a step at a change of gear, a speed that people drive. So each course is also
weighed as a line of its own, on which nothing else depends, and that counts for 'no listed part explains this'.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.candidates import Candidate
from vibeorder.diagnosis.classes import class_evidence
from vibeorder.diagnosis.namings import Naming
from vibeorder.diagnosis.narrownoise import PLACES, PLACES_HZ, noise_log_odds_along
from vibeorder.diagnosis.retold import Weighed
from vibeorder.diagnosis.ridge import FRAME_CAP
from vibeorder.diagnosis.signal import Signal, folded
from vibeorder.diagnosis.weighing import Explained

__all__ = ["SPEEDS", "SWEEP", "best_whole", "more_of_nothing", "with_nameless"]

FloatArray = NDArray[np.float64]

NAMELESS, ENGINE_UNPLACED = 0.03, 0.7
"""How often, of the drives with a strong line and no listed part at fault, the line is of no listed part; and how often
where the profile has an engine but not what its rate follows from (judgements, no source)."""

SPEEDS = 1.5
"""Width in ln of the speeds, as PLACES is of a line of no part, at those that are usual: they lie between 19 and 87
mph, uniform in speed."""

COURSES = 12.0
"""Log number of courses among which the best is taken: in noise alone the clearest gains about this much (sound
vehicles' drives, simulated and real: 5 to 15). A recording in which no line stands out is worth that of any course."""

STEP_COST = 8.0
"""Log odds against a line of no part that steps, just once, by the ratio of two of the gears; or that turns back just
where a part's line would fold."""

STRONG_FROM = 0.6
"""Share of the line's fastest rate from which it is asked whether it is seen: lines grow with rate, and of a drive from
rest nobody expects to see the beginning."""

SWEEP = 1.15
"""Fastest over slowest from which a course has three speeds of its own, not one (`infer`), and a line of no part three
places: one fact, since the one is weighed against the other."""

STEADY_SHARE, STEADY_POWER, FAINT_POWER = 0.95, 20.0, 8.0
"""A part's line is there whenever the part turns: the share v of frames in which it is seen has the density
k v**(k - 1) for most drives, and any value for the rest; a resonance comes and goes, any value alike. k is STEADY_POWER
for a line that is as clear as can be where it is seen, and falls with the square of its evidence there: one that is
barely seen drowns at times, whatever it is of."""


def with_nameless(
    weighed: Sequence[Weighed],
    part: Signal,
    candidates: Sequence[Candidate],
    log_prior: float,
    engine_unplaced: bool,
) -> list[Weighed]:
    """The explanations; to 'nothing' of the best one a line of no part is added, and no line at all.

    On the best by a part's name, and on the best whose line neither steps nor folds, whichever says more: elsewhere a
    line of no part would be followed with a freedom that names have not. log_prior: of nothing. engine_unplaced:
    the vehicle has an engine whose rate the profile does not place: its orders keep the ratios of a wheel's, and would
    bring the same other lines with them.
    """
    best = int(np.argmax([_by_name(w) for w in weighed]))
    whole = best_whole(weighed, part)
    tried = {best, best if whole is None else whole}
    own = max(_log_weight(weighed[i].explained, part, candidates, engine_unplaced) for i in tried)
    return more_of_nothing(weighed, best, log_prior + float(np.logaddexp(own, COURSES)))


def best_whole(weighed: Sequence[Weighed], part: Signal) -> int | None:
    """Number of the best explanation by a part's name of those whose line neither steps nor folds, None without any."""
    plain = [i for i, w in enumerate(weighed) if _stays_whole(w.explained.naming, part)]
    return max(plain, key=lambda i: _by_name(weighed[i]), default=None)


def more_of_nothing(weighed: Sequence[Weighed], number: int, log_weight: float) -> list[Weighed]:
    """The explanations, so much more (log weight) of 'nothing' in one of them."""
    log_class = weighed[number].log_class.copy()
    log_class[-1] = np.logaddexp(log_class[-1], log_weight)
    return [*weighed[:number], replace(weighed[number], log_class=log_class), *weighed[number + 1 :]]


def _by_name(one: Weighed) -> float:
    return float(one.log_class[:-1].max())


def _stays_whole(naming: Naming, part: Signal) -> bool:
    """Whether the strong line runs on through one gear and below half the sample rate."""
    if np.count_nonzero(np.diff(naming.gear)):
        return False
    return not part.folds or bool((naming.line_hz(part.rate_hz) < 0.5 * part.rate_hz).all())


def _log_weight(
    explained: Explained, part: Signal, candidates: Sequence[Candidate], engine_unplaced: bool
) -> float:
    """Log weight of the course's strong line as a line of its own, without the prior of 'nothing'.

    Other lines speak for the name alone; but where a sound vehicle's lines are missing, they are missing whatever the
    strong one is called. A line of no part is where it is seen: not folded. It comes and goes as any share of the
    frames, or as the strength of narrow noise does, alike likely.
    """
    naming, rate_hz = explained.naming, part.rate_hz
    if not naming.visible.any():
        return -np.inf
    line_hz = naming.line_hz(rate_hz)
    slow, middle, fast = np.percentile(folded(line_hz, rate_hz)[naming.visible], [3, 50, 97])
    if not PLACES_HZ[0] < middle < PLACES_HZ[1]:
        return -np.inf
    anchor = naming.pursued.anchor
    share, line = ENGINE_UNPLACED, float(class_evidence(candidates, explained.lines, part.log_scale)[anchor])
    if not engine_unplaced:
        alone = float(class_evidence(candidates, explained.lines[:1], part.log_scale)[anchor])
        share, line = NAMELESS, min(line, alone)
    knots = 3.0 if fast > SWEEP * slow else 1.0
    steps = int(np.count_nonzero(np.diff(naming.gear))) + (_turns_back(naming, rate_hz) if part.folds else 0)
    free = np.log(share) - knots * np.log(PLACES / SPEEDS) - STEP_COST * steps
    kind = -_steadiness(*_share_seen(naming, line_hz))
    if knots == 1.0:  # a band of noise lies at one frequency
        kind = np.logaddexp(kind, noise_log_odds_along(part, naming.anchor_turns)) - np.log(2.0)
    return float(free + line + kind)


def _turns_back(naming: Naming, rate_hz: float) -> int:
    """How often the line is seen to turn back where it folds."""
    zone = np.floor(2.0 * naming.line_hz(rate_hz) / rate_hz)
    seen = naming.visible[1:] & naming.visible[:-1]
    return int(np.count_nonzero((np.diff(zone) != 0) & seen))


def _share_seen(naming: Naming, line_hz: FloatArray) -> tuple[float, float]:
    """Share of frames in which the line is seen, and how clear it is there, 1 at most."""
    strong = line_hz > STRONG_FROM * np.percentile(line_hz, 95.0)
    clear = naming.anchored[strong & naming.visible]
    clearness = float(np.clip(np.median(clear) / FRAME_CAP, 0.0, 1.0)) if clear.size else 0.0
    return float(naming.visible[strong].mean()), clearness


def _steadiness(seen: float, clearness: float = 1.0) -> float:
    """Log odds of a part's line against a line of its own, by `_share_seen`."""
    power = FAINT_POWER + (STEADY_POWER - FAINT_POWER) * clearness**2
    return float(np.log(1.0 - STEADY_SHARE + STEADY_SHARE * power * seen ** (power - 1.0)))
