"""The next drive, computed: of all that could be driven, the one expected to leave the least doubt.

For each drive the model says what every suspect still standing would show (`drive_model`); the expected entropy
of the ranking afterwards follows (`drive_entropy`). The drive that lowers it most, less what it costs
(`drive_choices.COST_BITS`), is told with its reason. Where what is left turns alike on every drive, no drive is
promised: what would tell is said instead.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.advice import SURE
from vibeorder.diagnosis.drive_choices import FASTEST_MPS, cost_bits, drive_choices
from vibeorder.diagnosis.drive_entropy import WORTH_BITS, entropy_bits, expected_entropy_bits
from vibeorder.diagnosis.drive_model import (
    NOISE_BANDWIDTH_HZ,
    NOTHING,
    Circumstances,
    DriveChoice,
    Standing,
    expected_of,
    line_paths,
)
from vibeorder.diagnosis.drive_words import (
    caution_of,
    how_to_read,
    instead_of_a_drive,
    instruction_of,
    sharper_text,
    what_shows,
)
from vibeorder.diagnosis.posterior import Kind
from vibeorder.diagnosis.prepare import HELD_SD, SENSOR_SPEED_SE
from vibeorder.diagnosis.result import NextDrive
from vibeorder.vehicle import Vehicle, lives_on_torque

__all__ = [
    "ScoredDrive",
    "Standing",
    "bits_after",
    "circumstances_of",
    "never_apart",
    "next_drive_of",
    "rank_drives",
]

FloatArray = NDArray[np.float64]

WEAK_RATIO = 1.5
"""A line below this many times the noise in one block of 4 s is weak."""

SAME_RATIO = 0.001
ALTERNATIVES = 3

RELATIVE_SE: dict[Kind, float] = {"logged": SENSOR_SPEED_SE, "given": HELD_SD, "audio": HELD_SD}
"""How far rates of two drives at one indicated speed differ; the tire and the dash are the same both times."""


@dataclass(frozen=True, slots=True)
class ScoredDrive:
    """One drive with the entropy expected after it, and its score: bits gained less its cost."""

    choice: DriveChoice
    bits_after: float
    score: float


def next_drive_of(
    standing: Sequence[Standing],
    vehicle: Vehicle,
    speed_mps: FloatArray,
    unit: str = "mph",
    *,
    kind: Kind = "logged",
    sample_rate_hz: float | None = None,
    low_range: bool = False,
) -> NextDrive | None:
    """The one drive to make next, or what to do instead, or None where nothing is left that it would settle.

    standing: every suspect and 'nothing', probabilities summing to 1. speed_mps: as recorded [shape (n,)].
    kind: source of the speed; with "inferred" the next drive is scored, and asked for, with its speed logged.
    """
    ranked = sorted(standing, key=lambda one: -one.probability)
    if not ranked or _settled(ranked):
        return None
    known = kind != "inferred"
    setting = circumstances_of(vehicle, speed_mps, kind, sample_rate_hz, low_range)
    before = entropy_bits(np.array([one.probability for one in standing]))
    scored = rank_drives(standing, vehicle, setting, unit)
    twins = _twin_bits(ranked)
    best = scored[0] if scored else None
    if best is None or before - best.bits_after < max(WORTH_BITS, twins):
        if twins >= WORTH_BITS:
            instruction, why = instead_of_a_drive(_leading_twins(ranked))
            return NextDrive(instruction, why, before, before)
        return (
            None if known and best is not None and before < 2.0 * WORTH_BITS else _more(ranked, before, kind)
        )
    return _told(best, scored, standing, vehicle, setting, unit, before, known)


def circumstances_of(
    vehicle: Vehicle,
    speed_mps: FloatArray,
    kind: Kind = "logged",
    sample_rate_hz: float | None = None,
    low_range: bool = False,
) -> Circumstances:
    """How the next drive will be known: as this one was, or logged where this one's speed was not known."""
    moving = speed_mps[speed_mps > 2.0]
    at = float(np.median(moving)) if moving.size else 25.0
    if kind == "inferred":
        tire = float(np.hypot(vehicle.tire.relative_se, SENSOR_SPEED_SE))
        return Circumstances(min(at, FASTEST_MPS), tire, "logged", sample_rate_hz, low_range)  # at: a guess
    return Circumstances(at, RELATIVE_SE[kind], kind, sample_rate_hz, low_range)


def rank_drives(
    standing: Sequence[Standing], vehicle: Vehicle, setting: Circumstances, unit: str = "mph"
) -> list[ScoredDrive]:
    """Every drive that could be made, best first."""
    engine = max(
        (one for one in standing if one.basis == "engine" and one.frequency_hz), key=_weight, default=None
    )
    rpm = (
        None
        if engine is None or engine.frequency_hz is None
        else 60.0 * engine.frequency_hz / engine.multiple
    )
    before = entropy_bits(np.array([one.probability for one in standing]))
    scored = []
    for choice in drive_choices(vehicle, setting.recorded_mps, unit, rpm, setting.low_range):
        after = bits_after(standing, vehicle, choice, setting)
        scored.append(ScoredDrive(choice, after, before - after - cost_bits(choice, setting.recorded_mps)))
    return sorted(scored, key=lambda one: -one.score)


def _weight(one: Standing) -> float:
    return one.probability


def bits_after(
    standing: Sequence[Standing], vehicle: Vehicle, choice: DriveChoice, setting: Circumstances
) -> float:
    """Expected entropy of the ranking after that drive, in bits; the order and names of suspects do not matter."""
    ordered = sorted(standing, key=lambda one: (one.basis, one.multiple * one.scale, one.probability, one.strength_rms,
                                                lives_on_torque(*one.key), one.growth, one.noise))  # fmt: skip
    p = np.array([one.probability for one in ordered])
    expected = expected_of(ordered, vehicle, choice, setting)
    return expected_entropy_bits(p / p.sum(), expected.owner, expected.share, expected.gram)


def never_apart(a: Standing, b: Standing) -> bool:
    """Whether two suspects turn alike on every drive and answer load alike (or the belt tells, better than load)."""
    if NOTHING in (a.key, b.key) or a.basis != b.basis:
        return False
    belt = any(one.key[0].startswith("accessory:") for one in (a, b))
    if lives_on_torque(*a.key) != lives_on_torque(*b.key) and not belt:
        return False
    ratio = a.multiple / b.multiple
    return bool(abs(np.log(ratio)) <= SAME_RATIO + np.hypot(a.slack, b.slack))


def _settled(ranked: Sequence[Standing]) -> bool:
    """Whether what is named with confidence is one thing: one suspect, nothing, or several with one check."""
    total = 0.0
    checks = set()
    for one in ranked:
        total += one.probability
        checks.add(one.check if one.check else one.key)
        if total >= SURE:
            break
    return len(checks) <= 1


def _leading_twins(ranked: Sequence[Standing]) -> list[Standing]:
    """The group of suspects never apart that carries the most doubt among themselves, likeliest first."""
    return max(_families(ranked), key=_inner_bits)


def _twin_bits(ranked: Sequence[Standing]) -> float:
    """Doubt that no drive can lift: the mean entropy within families of suspects never apart."""
    return sum(_inner_bits(family) for family in _families(ranked))


def _families(ranked: Sequence[Standing]) -> list[list[Standing]]:
    families: list[list[Standing]] = []
    for one in ranked:
        mine = next((f for f in families if never_apart(f[0], one)), None)
        if mine is None:
            families.append([one])
        else:
            mine.append(one)
    return families


def _inner_bits(family: Sequence[Standing]) -> float:
    p = np.array([one.probability for one in family])
    return float(p.sum()) * entropy_bits(p / p.sum()) if p.sum() > 0.0 else 0.0


def _more(standing: Sequence[Standing], before: float, kind: Kind) -> NextDrive:
    """Where no drive parts what is left: the lines are too weak, or turn too much alike."""
    loudest = max(standing, key=lambda one: one.strength_rms / one.noise)
    weak = loudest.strength_rms < WEAK_RATIO * loudest.noise * NOISE_BANDWIDTH_HZ**0.5
    again = "Record again for a minute at the speed where it shakes most, phone firmly on the seat rail or the floor."
    if weak:
        why = "the lines stand too little above the road noise in this recording for any drive to part them"
    elif kind in ("given", "audio"):
        again = f"{again[:-1]}, with the speed logged."
        why = "what is left lies too close for a speed read off the dash; a logged one is several times as exact"
    else:
        why = "no drive parts what is left better than more of the same"
    return NextDrive(again, why, before, before)


def _told(
    best: ScoredDrive,
    scored: Sequence[ScoredDrive],
    standing: Sequence[Standing],
    vehicle: Vehicle,
    setting: Circumstances,
    unit: str,
    before: float,
    known: bool,
) -> NextDrive:
    say = "" if known else "With the speed logged, or said aloud: "
    shows = what_shows(standing, line_paths(standing, vehicle, best.choice, setting), best.choice)
    promise = sharper_text(before, best.bits_after)
    others: dict[str, ScoredDrive] = {}
    for one in scored:
        if one.choice.kind != best.choice.kind and before - one.bits_after >= WORTH_BITS:
            others.setdefault(one.choice.kind, one)
    return NextDrive(
        instruction=_lowered(say, instruction_of(best.choice, unit)),
        reason=f"{shows} ({promise}).{how_to_read(best.choice)} {caution_of(best.choice)}",
        bits_before=before,
        bits_after=best.bits_after,
        alternatives=tuple(
            (instruction_of(one.choice, unit), one.bits_after) for one in list(others.values())[:ALTERNATIVES]
        ),
    )


def _lowered(before: str, sentence: str) -> str:
    return before + sentence[0].lower() + sentence[1:] if before else sentence
