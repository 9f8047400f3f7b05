"""Without a speed: the strong line may be one of the comb that a concrete road's joints make.

Every axle strikes every joint (`joints`), so there are lines at all multiples of speed over spacing, and with the speed
unknown any of them passes for a wheel's, a shaft's or an engine's, its neighbours for the other orders of that. So the
strong line is also weighed as tooth number k of a comb, for every k, with all other teeth read along it:

    P(joints) = p(nothing) p(slabs) p(place) mean_k L_strong prod_(j != k) L(j / k)

A tooth is there with a probability and of a strength about a share of the strongest's: two axles a wheelbase apart take
some away, and the body lifts others. What makes a comb of a tire's or an engine's few orders is every tooth between and
beyond them that is not there.
"""

from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.along import Tracked, TrackReader, likelihoods
from vibeorder.diagnosis.amplitudes import HealthyPrior, line_evidence
from vibeorder.diagnosis.evidence import Reading
from vibeorder.diagnosis.nameless import SPEEDS, stays_whole
from vibeorder.diagnosis.retold import Weighed
from vibeorder.diagnosis.signal import Signal

__all__ = ["with_slabs"]

FloatArray = NDArray[np.float64]

SLABS = 0.2
"""Share of drives on a road of slabs whose joints are felt (a judgement, no source)."""

FIRST_TOOTH_HZ = (1.0, 10.0)
"""From 12 m at 27 mph to 3.9 m at 87 mph: spacings as in `joints`."""

STRONGEST, TEETH = 8, 14
"""Up to which number the strongest tooth is looked for, and the others."""

BAND_HZ = (2.5, 60.0)
STRONG, OTHERS_SHARE = HealthyPrior(0.8, 0.08, 0.8, strays=False), 0.3
"""The strongest tooth's strength, and the others' as a share of what it is found to be."""

PRESENCE, LOG_SD = 0.7, 1.0
"""How surely another tooth is there, and the spread of its strength, in ln."""


def with_slabs(
    weighed: Sequence[Weighed], reader: TrackReader, part: Signal, log_prior: float
) -> list[Weighed]:
    """The explanations; to 'nothing' of the best one the joints of a road are added.

    log_prior: of nothing. On the best by a part's name of those whose line neither steps nor folds: joints do neither.
    """
    names = [float(w.log_class[:-1].max()) for w in weighed]
    plain = [i for i, w in enumerate(weighed) if stays_whole(w.explained.naming, part)]
    if part.relative or not plain:
        return list(weighed)
    best = max(plain, key=lambda i: names[i])
    own = _log_weight(weighed[best], reader)
    log_class = weighed[best].log_class.copy()
    log_class[-1] = np.logaddexp(log_class[-1], log_prior + own)
    return [*weighed[:best], replace(weighed[best], log_class=log_class), *weighed[best + 1 :]]


def _log_weight(one: Weighed, reader: TrackReader) -> float:
    """Log weight of the course's strong line as a tooth of a comb, without the prior of 'nothing'."""
    naming, rate_hz = one.explained.naming, reader.signal.rate_hz
    strong = one.explained.lines[0].reading_of(naming.pursued.anchor)
    held = np.interp(reader.mid_s, naming.frame_s, naming.visible.astype(float)) > 0.5
    rest = reader.without(naming.anchor_turns, held.astype(float))
    usual_hz = float(np.median(naming.line_hz(rate_hz)))
    numbers = [k for k in range(1, STRONGEST + 1) if FIRST_TOOTH_HZ[0] < usual_hz / k < FIRST_TOOTH_HZ[1]]
    if not numbers:
        return -np.inf
    places = sorted({Fraction(j, k) for k in numbers for j in _others(usual_hz, k)})
    tracks = [rest.read(float(p) * naming.anchor_turns, 0.0) for p in places]
    found = dict(zip(places, _evidence(tracks, reader.mid_s, strong), strict=True))
    alone = line_evidence(strong.log_likelihood, [(STRONG, "healthy")])
    combs = [sum(found[Fraction(j, k)] for j in _others(usual_hz, k)) for k in numbers]
    place = np.log(np.log(FIRST_TOOTH_HZ[1] / FIRST_TOOTH_HZ[0]) / SPEEDS)
    return float(np.log(SLABS) + alone + np.logaddexp.reduce(combs) - np.log(STRONGEST) - place)


def _others(usual_hz: float, k: int) -> list[int]:
    """Numbers of the other teeth within the band, the strong line being the k-th."""
    return [j for j in range(1, TEETH + 1) if j != k and BAND_HZ[0] < usual_hz * j / k < BAND_HZ[1]]


def _evidence(tracks: Sequence[Tracked], mid_s: FloatArray, strong: Reading) -> list[float]:
    """Log evidence of each track holding a tooth, there or not."""
    tooth = HealthyPrior(PRESENCE, float(f"{OTHERS_SHARE * strong.amplitude_rms:.1g}"), LOG_SD, strays=False)
    alike = np.zeros(mid_s.size)
    return [
        line_evidence(reading.log_likelihood, [(tooth, "healthy")])
        for reading in likelihoods([(track, alike) for track in tracks], mid_s)
    ]
