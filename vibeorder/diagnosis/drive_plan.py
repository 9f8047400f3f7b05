"""Drives planned before any recording: from the vehicle, the speed of the complaint, and its words.

Suspects are the catalogue's with their priors; strengths are those of a complaint. Steps are chosen greedily,
each for what it is expected to add to those before it.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from vibeorder.diagnosis.candidates import Candidate, candidates_of
from vibeorder.diagnosis.drive_choices import cost_bits, drive_choices, usual_gear
from vibeorder.diagnosis.drive_entropy import WORTH_BITS, entropy_bits, expected_entropy_bits
from vibeorder.diagnosis.drive_model import (
    NOTHING,
    USUAL_NOISE,
    Circumstances,
    DriveChoice,
    Expected,
    Standing,
    expected_of,
    joined,
)
from vibeorder.diagnosis.drive_words import caution_of, how_to_read, instruction_of, name_of
from vibeorder.diagnosis.judge import NOTHING_PRIOR, PRIOR_FLATTENING
from vibeorder.diagnosis.twins import AS_GOOD
from vibeorder.errors import SpeedError
from vibeorder.speed.given import FASTEST_MPS, SLOWEST_MPS
from vibeorder.units import show_speed
from vibeorder.vehicle import Vehicle, engine_ratio, feel_of, gear_ratio, lives_on_torque

__all__ = ["PlannedStep", "plan_drive", "prior_standing"]


COMPLAINT_RMS = 0.2
"""Strength of a usual complaint, vector rms in m/s^2: between the least that is one and a rattling cab."""

RESONANCE_SHARE, RESONANCES = 0.25, 4
"""Share of 'nothing that turns' that is a fixed resonance which looks, at the speed of the complaint, like one of
so many of the likeliest sources (common practice, no source)."""

SAME_KIND = 3
"""Drives of one kind that are weighed for the later steps: the best by themselves."""

NEIGHBOURS = 0.1
"""Two lines this near in ln(frequency) are what a technician wants told apart first."""

MOST_STEPS = 4
"""A test drive of more parts is not driven to the end; a step that adds less than WORTH_BITS is left out."""

WORD_TIMES = 3.0
"""How much likelier a source is that answers to a word of the complaint; words are chosen loosely."""

FEEL_SPREAD = (0.85, 1.0, 1.18)
"""A felt rate is named within this factor: a neighbouring band counts where its edge is that near."""

LOAD_WORDS = ("accelerat", "throttle", "pulling", "load", "uphill", "towing")
FEEL_WORDS = ("wobble", "shake", "shak", "rough", "buzz", "tingl", "boom", "moan", "howl", "whine")

MOST_PAIRS = 3
MIDDLE = ((0.0, 1.0),)
"""One strength for all: whether the shake is felt at all weighs more, and is followed through every step."""


@dataclass(frozen=True, slots=True)
class PlannedStep:
    """One drive of the card.

    gears: as driven, in order; empty for neutral, standing, or a vehicle without gears. from_mps, to_mps: 0 while
    standing. tells_apart: pairs in words, most wanted first; empty where the step only asks again under other
    conditions, for a shake that was not felt before. bits: what it is expected to add to the steps before;
    bits_left: doubt expected after it. caution: what to mind. reading: what reads that drive, where it is not
    the usual command; else ''.
    """

    instruction: str
    kind: str
    gears: tuple[int, ...]
    from_mps: float
    to_mps: float
    engine_rpm: float
    tells_apart: tuple[str, ...]
    bits: float
    bits_left: float
    caution: str
    reading: str = ""


def plan_drive(
    vehicle: Vehicle,
    around_mps: float,
    gear: int | None = None,
    unit: str = "mph",
    complaint: str = "",
    *,
    low_range: bool = False,
    most_steps: int = MOST_STEPS,
) -> tuple[PlannedStep, ...]:
    """Drives in the order in which to make them, best first, each conditional on those before.

    around_mps: speed at which it shakes. gear: in which it does, where known. complaint: its words, free text;
    what is said of how it feels and of throttle shifts the prior.
    Raises SpeedError for a speed that nobody drives, VehicleError for a gear that does not exist.
    """
    if not SLOWEST_MPS <= around_mps <= FASTEST_MPS:
        low, high = show_speed(SLOWEST_MPS, unit), show_speed(FASTEST_MPS, unit)
        raise SpeedError(
            f"a shake at {show_speed(around_mps, unit)} is outside {low} to {high}; check the speed"
        )
    if gear is not None:
        gear_ratio(vehicle, gear)
    standing = prior_standing(vehicle, around_mps, gear, complaint, low_range)
    setting = Circumstances(around_mps, vehicle.tire.relative_se, low_range=low_range)
    return tuple(_steps(standing, vehicle, setting, gear, unit, most_steps))


def prior_standing(
    vehicle: Vehicle, around_mps: float, gear: int | None, complaint: str = "", low_range: bool = False
) -> tuple[Standing, ...]:
    """Every source of the vehicle before anything was recorded, and 'nothing' last; probabilities sum to 1."""
    number = gear or usual_gear(vehicle, around_mps, low_range)
    wheel_hz = around_mps / vehicle.tire.circumference_m
    engine_hz = wheel_hz * engine_ratio(vehicle, number, low_range) if number else None
    leads: dict[tuple[str, float], Candidate] = {}
    for candidate in candidates_of(vehicle, low_range):
        leads.setdefault(candidate.key, candidate)
    rate = {"wheel": wheel_hz, "engine": engine_hz}
    found = []
    for candidate in leads.values():
        basis = rate[candidate.basis]
        hz = None if basis is None else candidate.multiple * basis
        weight = candidate.source.prior_weight**PRIOR_FLATTENING * _answers(candidate, hz, complaint)
        found.append(
            Standing(
                candidate.key, candidate.source.label, weight, candidate.basis, candidate.multiple,
                candidate.source.growth, COMPLAINT_RMS, USUAL_NOISE, hz, slack=candidate.slack,
                check=candidate.source.first_check,
            )
        )  # fmt: skip
    total = sum(one.probability for one in found) / (1.0 - NOTHING_PRIOR)
    scaled = [replace(one, probability=one.probability / total) for one in found]
    return (*scaled, *_nothing(scaled))


def _nothing(found: Sequence[Standing]) -> list[Standing]:
    """'Nothing that turns': no line at all, or a fixed one where a likely source has its own."""
    lead = sorted((one for one in found if one.frequency_hz), key=lambda one: -one.probability)[:RESONANCES]
    each = NOTHING_PRIOR * RESONANCE_SHARE / max(len(lead), 1)
    none = Standing(
        NOTHING, "nothing that turns", NOTHING_PRIOR - each * len(lead), "fixed", 1.0, 0.0, 0.0, USUAL_NOISE
    )
    return [
        *(
            Standing(
                NOTHING,
                "a fixed resonance",
                each,
                "fixed",
                1.0,
                0.0,
                COMPLAINT_RMS,
                USUAL_NOISE,
                one.frequency_hz,
            )
            for one in lead
        ),
        none,
    ]


def _answers(candidate: Candidate, hz: float | None, complaint: str) -> float:
    """Factor on a source's prior for each word of the complaint that it answers to."""
    said = complaint.lower()
    feels = [word for word in FEEL_WORDS if word in said]
    factor = 1.0
    if feels and hz is not None:
        felt = " ".join(feel_of(hz * by) for by in FEEL_SPREAD)
        factor *= WORD_TIMES if any(word in felt for word in feels) else 1.0
    if any(word in said for word in LOAD_WORDS) and lives_on_torque(*candidate.key):
        factor *= WORD_TIMES
    return factor


def _steps(
    standing: Sequence[Standing],
    vehicle: Vehicle,
    setting: Circumstances,
    gear: int | None,
    unit: str,
    most_steps: int,
) -> list[PlannedStep]:
    p = np.array([one.probability for one in standing])
    rpm = _rpm(vehicle, setting, gear)
    choices = drive_choices(vehicle, setting.recorded_mps, unit, rpm, setting.low_range)
    expected = [expected_of(standing, vehicle, choice, setting, MIDDLE) for choice in choices]
    open_ones = list(range(len(choices)))
    so_far: Expected | None = None
    left = entropy_bits(p)
    steps: list[PlannedStep] = []
    for _ in range(most_steps):
        scored = []
        for i in open_ones:
            both = expected[i] if so_far is None else joined(so_far, expected[i])
            after = expected_entropy_bits(p, both.owner, both.share, both.gram)
            scored.append((left - after - cost_bits(choices[i], setting.recorded_mps), after, i, both))
        scored.sort(key=lambda one: -one[0])
        if not scored or scored[0][0] < WORTH_BITS:
            break
        _, after, i, both = scored[0]
        open_ones = _left_open([one[2] for one in scored], choices)
        apart = _newly_apart(standing, so_far, both)
        steps.append(_step(choices[i], unit, apart, left - after, after))
        so_far, left = both, after
    return steps


def _left_open(ranked: Sequence[int], choices: Sequence[DriveChoice]) -> list[int]:
    """What the next step may be: another kind of drive than the first of these, a few of each kind.

    The same kind again would say what it said: a shake not felt there is not felt there the second time.
    """
    found: dict[str, list[int]] = {}
    for i in ranked:
        if choices[i].kind != choices[ranked[0]].kind:
            found.setdefault(choices[i].kind, []).append(i)
    return [i for ones in found.values() for i in ones[:SAME_KIND]]


def _rpm(vehicle: Vehicle, setting: Circumstances, gear: int | None) -> float | None:
    number = gear or usual_gear(vehicle, setting.recorded_mps, setting.low_range)
    if not number:
        return None
    ratio = engine_ratio(vehicle, number, setting.low_range)
    return 60.0 * setting.recorded_mps / vehicle.tire.circumference_m * ratio


def _newly_apart(standing: Sequence[Standing], before: Expected | None, after: Expected) -> tuple[str, ...]:
    """The likeliest pairs that this step parts and those before did not, 'nothing' left out."""
    now = after.between()
    was = np.zeros_like(now) if before is None else before.between()
    pairs = [
        (_wanted(standing[i], standing[j]), f"{name_of(standing[i])} from {name_of(standing[j])}")
        for i in range(len(standing))
        for j in range(i)
        if now[i, j] >= AS_GOOD > was[i, j] and NOTHING not in (standing[i].key, standing[j].key)
    ]
    return tuple(text for _, text in sorted(pairs, reverse=True)[:MOST_PAIRS])


def _wanted(a: Standing, b: Standing) -> float:
    """How much one wants two suspects told apart: both likely, and of nearly one frequency where it shakes."""
    if a.frequency_hz is None or b.frequency_hz is None:
        return 0.0
    away = abs(float(np.log(a.frequency_hz / b.frequency_hz))) / NEIGHBOURS
    return a.probability * b.probability / (1.0 + away**2)


def _step(choice: DriveChoice, unit: str, apart: tuple[str, ...], bits: float, left: float) -> PlannedStep:
    return PlannedStep(
        instruction=instruction_of(choice, unit),
        kind=choice.kind,
        gears=choice.gears,
        from_mps=choice.from_mps,
        to_mps=choice.to_mps,
        engine_rpm=choice.engine_rpm,
        tells_apart=apart,
        bits=bits,
        bits_left=left,
        caution=caution_of(choice),
        reading=how_to_read(choice).strip(),
    )
