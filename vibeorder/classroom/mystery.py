"""A round of riddles: a secret fault in each recording, the choices, and what an answer is worth.

Nothing here keeps a secret by itself: `Riddle` holds the truth. Who shows a riddle shows `choices_of` and what
the recording says, and keeps the rest to the reveal.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from vibeorder.classroom.lesson import (
    DRIVES,
    IDLE_HZ,
    REDLINE_HZ,
    STRENGTHS,
    Lesson,
    Plan,
    plan_drive,
    run_lesson,
)
from vibeorder.classroom.shake import shake_view, stands_out_db
from vibeorder.errors import VibeorderError
from vibeorder.simulate import Drive, Fault, truth_group
from vibeorder.units import MPH_MPS
from vibeorder.vehicle import Source, Vehicle, engine_ratio, part_text, rotors, sources_of

__all__ = [
    "HALF",
    "LEVELS",
    "MOST_QUESTIONS",
    "NOTHING",
    "RIGHT",
    "WRONG",
    "Choice",
    "Grade",
    "Riddle",
    "choices_of",
    "grade",
    "make_round",
    "riddle_of",
]

Answer = tuple[str, float]
NOTHING: Answer = ("nothing", 0.0)
"""The answer "nothing that turns": a recording without a fault exists too."""

RIGHT, HALF, WRONG = 1.0, 0.5, 0.0
MOST_QUESTIONS = 10
SOUND_SHARE = 1.0 / 8.0
"""One vehicle in eight is sound; never more than one in a round, so that a class cannot win by giving up."""

LEVELS: dict[str, str] = {
    "first": "first steps: gear changes, strong shakes, smooth road",
    "usual": "usual: all kinds of drives, shakes of a usual complaint",
    "hard": "hard: held speeds, weak shakes, rough roads, twins",
}
DRIVES_OF = {"first": ("shift",), "usual": ("shift", "sweep", "coast"), "hard": ("held", "sweep")}
ROADS_OF = {"first": ("smooth",), "usual": ("smooth", "slabs"), "hard": ("rough", "slabs")}
STRENGTHS_OF = {"first": ("strong",), "usual": ("clear", "strong"), "hard": ("clear",)}

ROUND_RATE_HZ = 400.0
ROUND_DURATION_S = 30.0
LOWEST_MPS, HIGHEST_MPS = 30.0 * MPH_MPS, 70.0 * MPH_MPS
LEAST_RISE, MOST_RISE = 1.3, 1.55
TRIES = 60
LOUDER, LOUDER_STEPS = 1.6, 8
FAIR_DB, FAIR_STEADY_DB = 13.0, 9.0
"""A line this far over the noise is seen by anybody who looks at its place; a few dB less and it is luck."""
EVADES_HZ = 3.0
"""A fault that never leaves the lowest body modes is no fair question."""


@dataclass(frozen=True, slots=True)
class Choice:
    """One part with the orders that it may shake at, in the catalogue's order."""

    part: str
    name: str
    orders: tuple[tuple[float, str], ...]


@dataclass(frozen=True, slots=True)
class Riddle:
    """One question with its truth. group: the fault first, then whatever the recording cannot tell from it."""

    lesson: Lesson
    group: tuple[Answer, ...]

    @property
    def truth(self) -> Answer:
        """What is wrong, or NOTHING."""
        return self.group[0] if self.group else NOTHING


@dataclass(frozen=True, slots=True)
class Grade:
    """What an answer is worth. kind: "right", "twin" (worth as much), "part" (half), "wrong"."""

    points: float
    kind: Literal["right", "twin", "part", "wrong"]


def make_round(vehicles: Sequence[Vehicle], questions: int, level: str, seed: int) -> tuple[Plan, ...]:
    """Plans of a round, the same for the same seed; vehicles take turns, faults do not repeat while others are left.

    Faults come as often as the catalogue says that such complaints come. Raises VibeorderError.
    """
    if not 1 <= questions <= MOST_QUESTIONS:
        raise VibeorderError(f"a round has 1 to {MOST_QUESTIONS} questions, not {questions}")
    if level not in LEVELS:
        raise VibeorderError(f"level {level!r} is unknown; take one of {', '.join(LEVELS)}")
    if not vehicles:
        raise VibeorderError("a round needs at least one vehicle")
    rng = np.random.default_rng(seed)
    sound = int(rng.integers(questions)) if rng.random() < SOUND_SHARE * questions else -1
    turns = [vehicles[int(i)] for i in rng.permutation(len(vehicles))]
    used: set[tuple[str, Answer]] = set()
    plans = []
    for number in range(questions):
        vehicle = turns[number % len(turns)]
        plan = _draw(vehicle, level, rng, used, number == sound)
        if plan.fault is not None:
            used.add((vehicle.name, (plan.fault.part, plan.fault.order)))
        plans.append(plan)
    return tuple(plans)


def riddle_of(plan: Plan) -> Riddle:
    """Drive a plan and work out what its recording cannot tell apart.

    A fault that drowns in the noise of its road is made stronger, step by step, until it can be found.
    """
    for _ in range(LOUDER_STEPS):
        lesson = run_lesson(plan)
        fault = next((one for one in lesson.tracks if one.is_fault), None)
        if plan.fault is None or fault is None:
            break
        steady = plan.drive.kind == "steady"
        if stands_out_db(shake_view(lesson.test), fault, steady) >= (FAIR_STEADY_DB if steady else FAIR_DB):
            break
        plan = replace(plan, fault=replace(plan.fault, rms_mps2=plan.fault.rms_mps2 * LOUDER))
    return Riddle(lesson, truth_group(lesson.test))


def choices_of(vehicle: Vehicle) -> tuple[Choice, ...]:
    """Every part and order of the vehicle's catalogue, to choose from; the same whatever is wrong."""
    orders: dict[str, list[tuple[float, str]]] = {}
    for source in sources_of(vehicle):
        orders.setdefault(source.part, []).append((source.order, source.label.partition(", ")[2]))
    return tuple(Choice(part, part_text(part), tuple(sorted(listed))) for part, listed in orders.items())


def grade(group: Sequence[Answer], answer: Answer) -> Grade:
    """Right: the source itself, or one that the recording cannot tell from it. Half: the part at another order.

    The part of a twin counts as the part too. group: empty for a sound vehicle, whose right answer is NOTHING.
    """
    if not group:
        return Grade(RIGHT, "right") if answer == NOTHING else Grade(WRONG, "wrong")
    if answer == group[0]:
        return Grade(RIGHT, "right")
    if answer in group:
        return Grade(RIGHT, "twin")
    if answer[0] in {part for part, _ in group}:
        return Grade(HALF, "part")
    return Grade(WRONG, "wrong")


def _draw(
    vehicle: Vehicle, level: str, rng: np.random.Generator, used: set[tuple[str, Answer]], sound: bool
) -> Plan:
    sources = [s for s in sources_of(vehicle) if (vehicle.name, (s.part, s.order)) not in used]
    sources = sources or list(sources_of(vehicle))
    weights = np.array([source.prior_weight for source in sources])
    source = sources[int(rng.choice(len(sources), p=weights / weights.sum()))]
    drive = _drive(vehicle, level, source, rng)
    strength = STRENGTHS[str(rng.choice(STRENGTHS_OF[level]))][1] * float(rng.uniform(0.85, 1.2))
    return Plan(
        vehicle=vehicle,
        fault=None if sound else Fault(source.part, source.order, round(strength, 3)),
        drive=drive,
        road=str(rng.choice(ROADS_OF[level])),
        duration_s=ROUND_DURATION_S,
        rate_hz=ROUND_RATE_HZ,
        seed=int(rng.integers(2**31)),
    )


def _drive(vehicle: Vehicle, level: str, source: Source, rng: np.random.Generator) -> Drive:
    """A drive of the level that the vehicle can do and on which the source's line is in sight."""
    kinds = [kind for kind in DRIVES_OF[level] if _can(vehicle, kind)] or ["sweep"]
    for _ in range(TRIES):
        low = float(rng.uniform(LOWEST_MPS, HIGHEST_MPS / LEAST_RISE))
        high = min(low * float(rng.uniform(LEAST_RISE, MOST_RISE)), HIGHEST_MPS)
        kind = str(rng.choice(kinds))
        gears = _gears(vehicle, kind, low, high)
        if not gears:
            continue
        gear, after = gears[int(rng.integers(len(gears)))]
        drive = plan_drive(vehicle, kind, low, high, gear, after, ROUND_DURATION_S)
        if _in_sight(vehicle, drive, source):
            return drive
    raise VibeorderError(f"{vehicle.name} cannot be driven for a round; look at its gears and axle ratio")


def _can(vehicle: Vehicle, kind: str) -> bool:
    if vehicle.has_engine and not vehicle.gears and kind != "coast":
        return False
    return kind in DRIVES and not (kind == "shift" and len(vehicle.gears) < 2)


def _gears(vehicle: Vehicle, kind: str, low: float, high: float) -> list[tuple[int, int]]:
    """(gear, next gear) in which the engine turns between idle and a moderate speed."""
    if not vehicle.has_engine or kind == "coast":
        return [(1, 0)]
    top = high if kind != "held" else low
    middle = 0.5 * (low + high)

    def fits(gear: int, *speeds: float) -> bool:
        rates = [v / vehicle.tire.circumference_m * engine_ratio(vehicle, gear) for v in speeds]
        return all(1.7 * IDLE_HZ <= hz <= 0.6 * REDLINE_HZ for hz in rates)

    numbers = range(1, len(vehicle.gears) + 1)
    if kind != "shift":
        return [(n, 0) for n in numbers if fits(n, low, top)]
    return [(n, n + 1) for n in numbers[:-1] if fits(n, low, middle) and fits(n + 1, middle, high)]


def _in_sight(vehicle: Vehicle, drive: Drive, source: Source) -> bool:
    """Whether the line keeps between the lowest body modes and nine tenths of half the sample rate."""
    wheel = [v / vehicle.tire.circumference_m for v in drive.speeds_mps]
    if source.part == "engine" or source.part.startswith("accessory:"):
        gears = [number for _, number in drive.gears] or [0]
        rates = [IDLE_HZ if g == 0 else hz * engine_ratio(vehicle, g) for g in gears for hz in wheel]
        ratio = next((a.ratio for a in vehicle.accessories if source.part == f"accessory:{a.name}"), 1.0)
    else:
        rates, ratio = wheel, next(r.ratio for r in rotors(vehicle) if r.part == source.part)
    lines = [source.order * ratio * hz for hz in rates]
    return min(lines) > EVADES_HZ and max(lines) < 0.45 * ROUND_RATE_HZ
