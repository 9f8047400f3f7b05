"""What the sound of a drive says along a course of wheel rate and gears: which parts' lines are heard there.

A microphone hears the engine's firing and the shafts' higher orders far above half the rate of a motion sensor, where
nothing folds; it loses the bottom octaves, in which tires shake, and rides a gain. So a line's *place* in the sound
counts in full for or against a course, and its loudness hardly at all for or against a fault.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.candidates import Candidate
from vibeorder.diagnosis.evidence import Reading
from vibeorder.diagnosis.lines import Line, PairLine
from vibeorder.diagnosis.result import HeardLine
from vibeorder.diagnosis.signal import READABLE_SHARE, Signal
from vibeorder.recording.decimate import decimated, decimation_factor
from vibeorder.recording.model import Recording
from vibeorder.recording.store import excerpt
from vibeorder.vehicle import Source, Vehicle, order_words, part_text, rotors, sources_of

__all__ = [
    "READ_AT_HZ",
    "heard_candidates",
    "heard_evidence",
    "heard_lines_of",
    "heard_signal",
    "readable_in_sound",
    "stretch_of",
]

FloatArray = NDArray[np.float64]

HARMONICS = (1.0, 2.0, 3.0, 4.0)
"""Multiples of every line of the catalogue that are looked for in sound: whatever shakes sounds with its harmonics. The
same for every part, or a comb would be the engine's only because nothing else is asked for its upper lines."""

FIRING_HEARD, ENGINE_HEARD, OTHER_HEARD = 0.85, 0.4, 0.25
"""How often the line of a sound vehicle stands out in its sound: firing and its double, another order of the engine,
anything else (common practice, no source)."""

FAULT_HEARD = 0.4
"""How often a fault makes a line of its part heard that else would not be (common practice, no source)."""

MOST_BY_LOUDNESS = float(np.log(2.0))
"""Most that lines heard or not heard say for or against a part's being at fault: sound has no scale, rides a gain, and
an engine is always heard."""

PLACE_SHARE = 0.2
"""Share of the log evidence of lines' places that counts: the lines of one engine come and go together, so they say
less than as many lines apart would. Of 0, 0.1, 0.2, 0.35, 0.5 and 1 those about 0.1 and 0.2 gave the least log loss on
33 simulated drives (seeds 331 to 377)."""

MOST_BY_ONE_LINE = 40.0
"""Most log evidence of one line's place: a tone that happens to run there must not outweigh all that shakes."""

LOWEST_HEARD_HZ = 25.0
"""Below this a phone's microphone hears nothing of use."""

READ_AT_HZ = 1000.0
"""Sound is read at about this rate."""

LOUD_RMS = 0.3
"""Sound is brought to this rms, as every recording of unknown scale."""

HEARD_FROM = 6.0
"""Log evidence from which a line is said to be heard."""


def heard_candidates(vehicle: Vehicle, low_range: bool = False) -> tuple[Candidate, ...]:
    """Every line to look for in the sound of this vehicle, as candidates: the part's source at another order.

    Those that turn with the engine come first.
    """
    orders: dict[str, dict[float, Source]] = {}
    for source in sources_of(vehicle):
        for times in HARMONICS:
            orders.setdefault(source.part, {}).setdefault(source.order * times, source)
    found = []
    for rotor in rotors(vehicle, low_range):
        for order, source in orders.get(rotor.part, {}).items():
            named = replace(source, order=order, label=f"{part_text(rotor.part)}, {order_words(order)}")
            found.append(Candidate(named, rotor.basis, order * rotor.ratio, rotor.relative_se, rotor.label))
    return tuple(sorted(found, key=lambda c: c.basis != "engine"))


def heard_signal(sound: Recording, recording: Recording) -> Signal:
    """The sound on the samples' own time base: its first sample at the recording's first, its length the same.

    Thinned to about READ_AT_HZ, one channel, of rms LOUD_RMS; what the sound does not cover is not valid.
    """
    step = decimation_factor(sound.rate_hz, READ_AT_HZ)
    samples = np.asarray(sound.samples, np.float32).mean(axis=0)
    thin = decimated(samples[None], step)[0]
    good = np.asarray(sound.valid, bool)[::step][: thin.size]
    rate = sound.rate_hz / step
    count = round(recording.duration_s * rate)
    first = round((recording.start_s - sound.start_s) * rate)
    out, valid = np.zeros(count, np.float32), np.zeros(count, bool)
    low, high = max(0, -first), min(count, thin.size - first)
    if high > low:
        out[low:high] = thin[first + low : first + high]
        valid[low:high] = good[first + low : first + high]
    out[~valid] = 0.0
    mean = float(out[valid].mean()) if valid.any() else 0.0
    out[valid] -= mean
    rms = float(np.sqrt(np.mean(out[valid] ** 2))) if valid.any() else 0.0
    return Signal(out[None] * np.float32(LOUD_RMS / (rms + 1e-30)), valid, rate, relative=True, folds=False)


def stretch_of(sound: Signal, first_s: float, last_s: float) -> Signal:
    """The sound from first_s to last_s of its own time."""
    a, b = round(first_s * sound.rate_hz), round(last_s * sound.rate_hz)
    return sound.of(excerpt(sound.samples, a, b), sound.valid[a:b])


def readable_in_sound(frequency_hz: FloatArray, rate_hz: float) -> bool:
    """Whether a line of these frequencies against time can be read in sound for most of it."""
    inside = (frequency_hz > LOWEST_HEARD_HZ) & (frequency_hz < READABLE_SHARE * rate_hz)
    return bool(inside.mean() > 0.5)


def heard_evidence(
    candidates: Sequence[Candidate],
    heard: Sequence[Candidate],
    lines: Sequence[Line | PairLine],
    firing: float | None,
) -> FloatArray:
    """Log evidence of the sound along one course, for each candidate at fault, then for nothing.

    lines: of the sound, their members being indices of `heard`. Each line is there with the chance that its parts
    give it, as loud as it likes:

        log p(sound | course, c) = s sum_lines min(log(1 - p + p M), m) + w_c,   M the mean of L(a) over all a

    with p of a sound vehicle for all of it but w_c, which is what changes where the lines of part c are likelier there,
    bounded either way. s, m: PLACE_SHARE, MOST_BY_ONE_LINE.
    """
    usual = np.array([_presence(c, firing) for c in heard])
    place = sum(min(_line_evidence(line, usual), MOST_BY_ONE_LINE) for line in lines)
    out = np.full(len(candidates) + 1, PLACE_SHARE * place)
    for i, candidate in enumerate(candidates):
        comes = np.array([_comes_with(candidate, other) for other in heard])
        if not comes.any():
            continue
        more = np.where(comes, 1.0 - (1.0 - usual) * (1.0 - FAULT_HEARD), usual)
        touched = [line for line in lines if comes[list(line.members)].any()]
        loud = sum(_line_evidence(line, more) - _line_evidence(line, usual) for line in touched)
        out[i] += float(np.clip(loud, -MOST_BY_LOUDNESS, MOST_BY_LOUDNESS))
    return out


def heard_lines_of(heard: Sequence[Candidate], lines: Sequence[Line | PairLine]) -> tuple[HeardLine, ...]:
    """What is heard on a course, clearest first; lines that run together under the name of the likeliest part."""
    found = []
    for line in lines:
        sides = line.sides if isinstance(line, PairLine) else (line.members,)
        readings = line.readings if isinstance(line, PairLine) else (line.reading,)
        for side, reading in zip(sides, readings, strict=True):
            if reading.best > HEARD_FROM:
                c = heard[min(side, key=lambda m: heard[m].part != "engine")]
                found.append(HeardLine(c.part, c.order, reading.frequency_hz, reading.best))
    return tuple(sorted(found, key=lambda h: -h.log_evidence))


def _presence(candidate: Candidate, firing: float | None) -> float:
    if candidate.part != "engine":
        return OTHER_HEARD
    return FIRING_HEARD if firing is not None and candidate.order in (firing, 2.0 * firing) else ENGINE_HEARD


def _comes_with(fault: Candidate, other: Candidate) -> bool:
    """Whether a line of the sound is that of a fault, or a multiple of it in the same part."""
    times = other.multiple / fault.multiple
    return fault.part == other.part and times > 0.99 and abs(times - round(times)) < 0.01


def _line_evidence(line: Line | PairLine, presence: FloatArray) -> float:
    """log(1 - p + p M) of one line; of a pair, over which of the two are there."""
    if isinstance(line, Line):
        p = 1.0 - float(np.prod(1.0 - presence[list(line.members)]))
        return float(np.logaddexp(np.log1p(-p), np.log(p) + _mean(line.reading)))
    a, b = (1.0 - float(np.prod(1.0 - presence[list(side)])) for side in line.sides)
    own, shared = [_mean(r) for r in line.own], _mean(line.shared)
    return float(
        np.logaddexp.reduce(
            [
                np.log1p(-a) + np.log1p(-b),
                np.log(a) + np.log1p(-b) + own[0] + shared,
                np.log1p(-a) + np.log(b) + own[1] + shared,
                np.log(a) + np.log(b) + own[0] + own[1] + shared,
            ]
        )
    )


def _mean(reading: Reading) -> float:
    """Log of the likelihood ratio averaged over all strengths."""
    found = reading.log_likelihood
    return float(np.logaddexp.reduce(found) - np.log(found.size))
