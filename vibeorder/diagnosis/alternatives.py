"""What else a recording without a speed may be: each part that explains it about as well, with its speed and gear.

Every order is some other order at another speed; so where the lines do not settle it, the names are given with the
speeds they imply, and a driver's "nearer 41 than 58" settles it at once.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.advice import LIKELY, top_group
from vibeorder.diagnosis.analyse import Piece
from vibeorder.diagnosis.gears import NOT_LOCKED, GearCourse
from vibeorder.diagnosis.judge import Hypothesis
from vibeorder.diagnosis.measured import wheel_rate_hz
from vibeorder.diagnosis.result import SpeedFit, Suspect
from vibeorder.diagnosis.twins import AS_GOOD_UNTOLD
from vibeorder.units import show_speeds
from vibeorder.vehicle import Vehicle

__all__ = ["alternatives", "band_sentence", "inferred_notes", "speed_band"]

FloatArray = NDArray[np.float64]

HELD = 1.08
"""Fastest over slowest speed up to which one speed is said, not a range."""

SAME_SPEED = 0.02
SETTLED = 0.1
"""A band narrower than this share of the speed, both ways together, settles the speed."""

OPEN_FROM = 0.2
"""Share of 'nothing' from which it is said what that may be."""

LIKELY_BAND = (0.025, 0.975)


def alternatives(
    pieces: Sequence[Piece], scaled: FloatArray, circumference_m: float, unit: str = "mph"
) -> tuple[str, ...]:
    """A sentence that names every part that stands beside the likeliest, with the speed and gear it implies.

    pieces: as infer_pieces gives them. scaled: tempered log weight of every candidate, then of nothing, over all
    pieces. unit: for the speeds. Nothing is said where one part is all that stands, or all at one speed.
    """
    candidates = pieces[0].judgement.candidates
    top = float(scaled[:-1].max())
    near = [i for i in np.argsort(-scaled[:-1]) if scaled[i] > top - AS_GOOD_UNTOLD]
    piece = max(pieces, key=lambda p: float(p.judgement.log_class[near[0]] - p.judgement.log_class[-1]))
    said: list[str] = []
    speeds: list[float] = []
    for i in near:
        hypothesis = piece.judgement.best_for(int(i))
        speed = wheel_rate_hz(hypothesis) * circumference_m
        speeds.append(float(np.median(speed)))
        name = f"{candidates[i].source.label} at {_speed_words(speed, unit)}{_gear_words(hypothesis)}"
        if name not in said:
            said.append(name)
    if len(said) < 2 or max(speeds) / min(speeds) - 1.0 < SAME_SPEED:
        return ()
    listed = f"{', '.join(said[:-1])}, or {said[-1]}" if len(said) > 2 else " or ".join(said)
    return (
        f"The speed is not known, and the recording rules out none of these, the likeliest first: {listed}.",
    )


def _speed_words(speed_mps: FloatArray, unit: str) -> str:
    slow, fast = np.percentile(speed_mps, [3, 97])
    if fast < HELD * slow:
        return show_speeds((float(np.median(speed_mps)),), unit)
    return show_speeds((float(slow), float(fast)), unit)


def _gear_words(hypothesis: Hypothesis) -> str:
    """The gears, where the engine's rate decides which part it is."""
    anchor = hypothesis.course.anchor
    tracks = hypothesis.scan.tracks
    engine = anchor is not None and any(t.candidate == anchor and t.gear is not None for t in tracks)
    if not engine or hypothesis.gears is None:
        return ""
    numbers = _runs(hypothesis.gears)
    if not numbers:
        return ""
    return f" in gear {numbers[0]}" if len(numbers) == 1 else f" in gears {' then '.join(map(str, numbers))}"


def _runs(gears: GearCourse) -> list[int]:
    """The gears one after another."""
    held = gears.gear[gears.gear != NOT_LOCKED]
    return [int(g) for k, g in enumerate(held) if k == 0 or g != held[k - 1]]


def speed_band(
    piece: Piece, temperature: float, circumference_m: float, tire_se: float
) -> tuple[FloatArray, FloatArray]:
    """Speeds between which the vehicle went with 95%, frame by frame [shape (frames,) each], m/s.

    Over every hypothesis of the piece by its tempered weight, the tire's doubt (relative) added.
    """
    hypotheses = piece.judgement.hypotheses
    weight = np.array([np.logaddexp.reduce(h.log_class) for h in hypotheses]) / temperature
    weight = np.exp(weight - weight.max())
    speed = np.stack([wheel_rate_hz(h) for h in hypotheses]) * circumference_m
    order = np.argsort(speed, axis=0)
    share = np.cumsum(weight[order], axis=0) / weight.sum()
    ranked = np.take_along_axis(speed, order, axis=0)
    low, high = (
        np.take_along_axis(ranked, (share < edge).sum(axis=0, keepdims=True), axis=0)[0]
        for edge in LIKELY_BAND
    )
    return np.asarray(low * (1.0 - 2.0 * tire_se)), np.asarray(high * (1.0 + 2.0 * tire_se))


def band_sentence(
    path_mps: FloatArray,
    low_mps: FloatArray,
    high_mps: FloatArray,
    unit: str,
    said: str = "",
    named: bool = False,
) -> str:
    """How far the inferred speed is settled, in words.

    path_mps: the likeliest course; low_mps, high_mps: as `speed_band` gives them [shape (frames,) each].
    said: what was told of the speed, "" where nothing was. named: the verdict names a part with confidence.
    """
    middle = int(np.argsort(path_mps)[path_mps.size // 2])
    low, high = float(low_mps[middle]), float(high_mps[middle])
    words = f"{show_speeds((low, high), unit)} (95%) where {show_speeds((float(path_mps[middle]),), unit)} is likeliest"
    known = f'the speed was given as "{said}" only' if said else "no speed was known"
    if (high_mps - low_mps)[middle] < SETTLED * path_mps[middle]:
        return f"{known}; the recording settles it: {words}"
    names = "" if named else ", as it does the names of the lines"
    return f"{known}, and the recording leaves it open{names}: {words}"


def inferred_notes(
    pieces: Sequence[Piece],
    scaled: FloatArray,
    vehicle: Vehicle,
    speed: SpeedFit,
    suspects: Sequence[Suspect],
    nothing: float,
) -> tuple[str, ...]:
    """What is said beside the ranking where no speed was given. scaled: as for `alternatives`.

    Other parts at other speeds are not named beside a verdict that nothing is at fault.
    """
    silent = nothing >= max(LIKELY, top_group(suspects)[1])
    others = () if silent else alternatives(pieces, scaled, vehicle.tire.circumference_m, speed.unit)
    return (*others, *nameless_notes(suspects, nothing))


def nameless_notes(suspects: Sequence[Suspect], nothing: float) -> tuple[str, ...]:
    """What 'nothing' may be where no speed was given, where it has a share beside somebody else's."""
    if nothing < OPEN_FROM or not suspects or suspects[0].probability < OPEN_FROM * (1.0 - OPEN_FROM):
        return ()
    return (
        "Without a speed a strong line that brings no other lines with it may be of a part that the profile does not "
        "list, or a resonance that the road excites: that is in the figure of nothing. A logged speed, or one that "
        "is said (--speed), settles it.",
    )
