"""What else is said of a recording: beats, road joints, what costs nothing, which wheel, folding, missing scale."""

from collections.abc import Sequence

import numpy as np

from vibeorder.diagnosis.amplitudes import COMPLAINT_FROM_MPS2
from vibeorder.diagnosis.analyse import Piece
from vibeorder.diagnosis.beats import find_beat
from vibeorder.diagnosis.result import LineSeen, Suspect
from vibeorder.diagnosis.scan import usable
from vibeorder.diagnosis.signal import Signal
from vibeorder.vehicle import COSTS_NOTHING_FIRST, WHICH_WHEEL, Vehicle

__all__ = ["beat_notes", "joint_notes", "plain_notes"]

BEAT_LOOKED_FOR = 0.2
"""Probability from which a suspect's line is looked at for being two."""


def beat_notes(suspects: Sequence[Suspect], piece: Piece, steady: bool) -> tuple[str, ...]:
    """What a coming and going of the likeliest suspect's line says, at a held speed."""
    top = suspects[0] if suspects else None
    if top is None or not steady or top.probability < BEAT_LOOKED_FOR or top.frequency_hz is None:
        return ()
    index = next(i for i, c in enumerate(piece.judgement.candidates) if c.key == (top.part, top.order))
    hypothesis = piece.judgement.best_for(index)
    for t, track in enumerate(hypothesis.scan.tracks):
        held = track.gear is None or (
            hypothesis.gears is not None and (hypothesis.gears.gear == track.gear).all()
        )
        if track.candidate != index or not held:
            continue
        band = hypothesis.scan.bands[t]
        turns = track.multiple * hypothesis.course.correction(band.times_s)
        beat = find_beat(band, turns, top.frequency_hz)
        if beat is None:
            return ()
        share = 100.0 * beat.apart_hz / beat.rate_hz
        what = (
            f"two tires whose rolling sizes differ by {share:.1f}%"
            if top.part == "tire_wheel"
            else f"two parts whose rates differ by {share:.1f}%"
        )
        return (
            f"The {top.label} line is two, {beat.apart_hz:.2f} Hz apart: the shake comes and goes every "
            f"{beat.period_s:.0f} s, as {what} make it.",
        )
    return ()


def joint_notes(piece: Piece, vehicle: Vehicle) -> tuple[str, ...]:
    """What the road's joints do, where they were found."""
    joints = piece.judgement.hypotheses[0].scan.joints
    if not joints.sure:
        return ()
    rate_hz = float(np.median(piece.clock.rate_hz))
    spacing_m = vehicle.tire.circumference_m / joints.base
    seen = ", ".join(f"{order * rate_hz:.1f}" for order in joints.orders[joints.shows])
    return (
        f"The road's joints, every {spacing_m:.1f} m, shake in step with the wheels, at {seen} Hz when the wheels turn "
        f"{rate_hz:.1f} times a second: not a part of the vehicle.",
    )


SOUND_IS_MEASURED = (
    " The sound was measured by its own noise, which was evened over the frequencies: a line of size 0.1 is about the "
    "weakest that an ear can just make out in it."
)


def plain_notes(
    suspects: Sequence[Suspect],
    nothing: float,
    steady: bool,
    vehicle: Vehicle,
    signal: Signal,
    lines: Sequence[LineSeen] = (),
    sound: bool = False,
) -> tuple[str, ...]:
    """What is said beside the ranking. lines: the dominant lines of the recording, strongest anywhere in it.

    sound: whether it was a microphone that recorded.
    """
    notes = [COSTS_NOTHING_FIRST]
    top = suspects[0] if suspects else None
    if top is not None and top.probability > 0.2 and top.part == "tire_wheel":
        notes.append(WHICH_WHEEL)
    if steady and top is not None and nothing < 0.5:
        notes.append(
            f"At one steady speed the {top.label} line may be a fixed frequency, a resonance of the body: drive "
            "a range of speeds."
        )
    if steady and not signal.relative:
        notes.extend(_unnamed(lines, COMPLAINT_FROM_MPS2 * signal.ride))
    if signal.ride != 1.0 and not signal.relative:
        notes.append(
            f"A bus or heavy truck shakes more than a car where all is sound: here a line counts as a complaint from "
            f"{signal.ride * COMPLAINT_FROM_MPS2:.2f} m/s² up (on a car from {COMPLAINT_FROM_MPS2:.2f})."
        )
    if signal.relative:
        notes.append(
            "Amplitudes are relative: this recording has no scale, so how strong the shake is cannot be said."
            + (SOUND_IS_MEASURED if sound else "")
        )
    top_hz = 0.5 * signal.rate_hz
    above = [s for s in suspects if s.expected_hz is not None and s.expected_hz > top_hz]
    if above:
        notes.append(
            f"Above {top_hz:.0f} Hz, half the sample rate, lines show folded, mirrored to a lower frequency; here: "
            + ", ".join(sorted({s.label for s in above}))
            + "."
        )
    if steady:
        notes.extend(_unreadable(suspects, signal.rate_hz))
    notes.extend(vehicle.notes)
    return tuple(notes)


def _unreadable(suspects: Sequence[Suspect], rate_hz: float) -> tuple[str, ...]:
    """Which parts' lines a held speed puts where this sample rate shows none."""
    blind = {
        f"{s.label} at {s.expected_hz:.0f} Hz"
        for s in suspects
        if s.frequency_hz is None and s.expected_hz and not usable(np.array([s.expected_hz]), rate_hz)[0]
    }
    if not blind:
        return ()
    return (
        f"Not readable at this speed and {rate_hz:.0f} samples a second, so not ruled out: {', '.join(sorted(blind))}; "
        "drive a little faster or slower, or set the sensor to a higher rate.",
    )


def _unnamed(lines: Sequence[LineSeen], from_mps2: float) -> tuple[str, ...]:
    """What is said of the strongest line at a held speed, where it is strong and at no part's rate."""
    loudest = max(lines, key=lambda line: line.amplitude, default=None)
    if loudest is None or loudest.name or loudest.amplitude < np.sqrt(2.0) * from_mps2:
        return ()
    return (
        f"The strongest line, {loudest.amplitude:.2g} m/s² at {loudest.frequency_hz:.1f} Hz, is at no part's "
        "rate. At one steady speed it may be a fixed frequency, or the vehicle is typed in wrong: drive a range "
        "of speeds.",
    )
