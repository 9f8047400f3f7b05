"""Without a speed: the strong line may be one of the comb that a concrete road's joints make.

Every axle strikes every joint (`joints`), so there are lines at all multiples of speed over spacing, and with the speed
unknown any of them passes for a wheel's, a shaft's or an engine's, its neighbours for the other orders of that. So the
strong line is also weighed as tooth number k of a comb, for every k, with all other teeth read along it:

    P(joints) = p(nothing) p(slabs) p(place) mean_k L_strong prod_(j != k) L(j / k)

A tooth is there with a probability and of a strength about a share of the strongest's: two axles a wheelbase apart take
some away, and the body lifts others. What makes a comb of a tire's or an engine's few orders is every tooth between and
beyond them that is not there. The strongest is expected somewhat above the next: a line far above all others lies on
the comb by chance. So every name may have the comb beside it too, with its own strong line alone and that chance.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from math import gcd

import numpy as np

from vibeorder.diagnosis.along import TrackReader, likelihoods
from vibeorder.diagnosis.amplitudes import HealthyPrior, line_evidence, one_digit
from vibeorder.diagnosis.candidates import Candidate
from vibeorder.diagnosis.classes import class_evidence
from vibeorder.diagnosis.evidence import Reading
from vibeorder.diagnosis.nameless import SPEEDS, best_whole, more_of_nothing
from vibeorder.diagnosis.retold import Weighed
from vibeorder.diagnosis.signal import Signal

__all__ = ["with_slabs"]

SLABS = 0.2
"""Share of drives on a road of slabs whose joints are felt (a judgement, no source)."""

FIRST_TOOTH_HZ = (1.0, 10.0)
"""From 12 m at 27 mph to 3.9 m at 87 mph: spacings as in `joints`."""

STRONGEST, TEETH = 8, 14
"""Up to which number the strongest tooth is looked for, and the others."""

BAND_HZ = (2.5, 60.0)
OTHERS_SHARE, PRESENCE, LOG_SD = 0.3, 0.7, 1.0
"""The other teeth's strength as a share of the strongest's, how surely each is there, and its spread in ln."""

ABOVE_NEXT, STRONG_PRESENCE, STRONG_LOG_SD = 1.5, 0.9, 0.7
"""How many times the next strongest the strongest tooth is, how surely it is there, and the spread of that in ln."""

CLEAR_FROM, LEAST_CLEAR = 3.0, 3
"""Log evidence from which another tooth is clear, and how many must be: a tire's or an engine's orders make two or
three lines beside the strong one."""

BY_CHANCE = 0.15
"""Share of lines that lie on some tooth of a comb that has nothing to do with them: a width of half a hertz for each of
some three hertz (by hand)."""


def with_slabs(
    weighed: Sequence[Weighed],
    reader: TrackReader,
    part: Signal,
    candidates: Sequence[Candidate],
    log_prior: float,
) -> list[Weighed]:
    """The explanations, each with the joints of a road beside its strong line; and to 'nothing' of the best one that
    these are all there is.

    log_prior: of nothing. Read on the best by a part's name of those whose line neither steps nor folds: joints do
    neither.
    """
    best = None if part.relative else best_whole(weighed, part)
    if best is None:
        return list(weighed)
    combs = _combs(weighed[best], reader)
    if not combs:
        return list(weighed)
    beside = float(np.logaddexp.reduce([c.others for c in combs])) + np.log(SLABS * BY_CHANCE / STRONGEST)
    made = [_beside(w, candidates, part.log_scale, beside) for w in weighed]
    place = np.log(np.log(FIRST_TOOTH_HZ[1] / FIRST_TOOTH_HZ[0]) / SPEEDS)
    own = np.logaddexp.reduce([c.others + c.strong for c in combs]) + np.log(SLABS / STRONGEST) - place
    return more_of_nothing(made, best, log_prior + float(own))


def _beside(one: Weighed, candidates: Sequence[Candidate], log_scale: float | None, comb: float) -> Weighed:
    """An explanation, or its strong line alone with a comb beside it of that log weight, for whom it may be."""
    lines, count = one.explained.lines, one.log_class.size - 1
    whole, alone = (class_evidence(candidates, some, log_scale, count) for some in (lines, lines[:1]))
    log_class = one.log_class.copy()
    for i in {count, *(m for m in lines[0].members if m < count)}:  # what is read beside is never at fault
        if np.isfinite(log_class[i]):
            log_class[i] = np.logaddexp(log_class[i], log_class[i] - whole[i] + alone[i] + comb)
    return replace(one, log_class=log_class)


@dataclass(frozen=True, slots=True)
class _Comb:
    """A comb of which the strong line is a tooth: log evidence of the other teeth, and of it as the strongest."""

    others: float
    strong: float


def _combs(one: Weighed, reader: TrackReader) -> list[_Comb]:
    """The combs on which the strong line may be, for each number that it may have, of which others are clear."""
    naming, rate_hz = one.explained.naming, reader.signal.rate_hz
    strong = one.explained.lines[0].reading_of(naming.pursued.anchor)
    held = naming.seen_at(reader.mid_s)
    usual_hz = float(np.median(naming.line_hz(rate_hz)))
    numbers = [k for k in range(1, STRONGEST + 1) if FIRST_TOOTH_HZ[0] < usual_hz / k < FIRST_TOOTH_HZ[1]]
    places = sorted({Fraction(j, k) for k in numbers for j in _others(usual_hz, k)})
    if not places:
        return []
    rest = reader.without(naming.anchor_turns, held.astype(float))
    alike = np.zeros(reader.mid_s.size)
    tracks = [(rest.read(float(p) * naming.anchor_turns, 0.0), alike) for p in places]
    read = dict(zip(places, likelihoods(tracks, reader.mid_s), strict=True))
    found = [_comb(k, {j: read[Fraction(j, k)] for j in _others(usual_hz, k)}, strong) for k in numbers]
    return [comb for comb in found if comb is not None]


def _comb(number: int, others: Mapping[int, Reading], strong: Reading) -> _Comb | None:
    """One comb by its other teeth; None where too few are clear, or those that are make a comb of wider teeth."""
    clear = [j for j, reading in others.items() if reading.best > CLEAR_FROM]
    if len(clear) < LEAST_CLEAR or gcd(number, *clear) > 1:
        return None
    next_rms = max(others[j].amplitude_rms for j in clear)
    tooth = HealthyPrior(PRESENCE, one_digit(OTHERS_SHARE * strong.amplitude_rms), LOG_SD, strays=False)
    strongest = HealthyPrior(STRONG_PRESENCE, one_digit(ABOVE_NEXT * next_rms), STRONG_LOG_SD, strays=False)
    each = [line_evidence(reading.log_likelihood, [(tooth, "healthy")]) for reading in others.values()]
    return _Comb(sum(each), line_evidence(strong.log_likelihood, [(strongest, "healthy")]))


def _others(usual_hz: float, k: int) -> list[int]:
    """Numbers of the other teeth within the band, the strong line being the k-th."""
    return [j for j in range(1, TEETH + 1) if j != k and BAND_HZ[0] < usual_hz * j / k < BAND_HZ[1]]
