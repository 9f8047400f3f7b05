"""What the customer's words weigh: small named leanings among the suspects, bounded, never on whether anything turns.

With S the suspects, w_c the leanings of all that was said for c, and P the probabilities by the recording alone,

    P(c | said) = (1 - P(nothing)) P(c) f_c / sum_S P f,   ln f_c = t m tanh(sum ln w_c / m),   m = ln MOST_IN_ALL

P(nothing) stays as it was. t is 1, or as much less as keeps every group of suspects that was below SURE there: words
may turn the order of two, they never make doubt certainty. Every leaning is common practice, no source.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.advice import SURE
from vibeorder.diagnosis.candidates import Candidate
from vibeorder.diagnosis.intake import QUESTIONS, Intake
from vibeorder.diagnosis.posterior import Posterior
from vibeorder.diagnosis.result import Leaning, Said
from vibeorder.units import MPH_MPS, show_percent
from vibeorder.vehicle import part_text

__all__ = ["LEANINGS", "MOST_IN_ALL", "Rule", "leanings_of", "said_of", "with_said"]

FloatArray = NDArray[np.float64]

A_LITTLE, SOME, MUCH = 1.2, 1.4, 1.8
"""What one answer does to the odds of one suspect, as a factor; none reaches 2."""

MOST_IN_ALL = 2.0
"""All answers together, either way: customers' words are chosen loosely, and the same cause is told in many ways."""

SLOW_MPS, FAST_MPS = 35.0 * MPH_MPS, 45.0 * MPH_MPS
"""Shakes that are gone above the one, or come only above the other: an unbalance grows with speed squared."""

WHEELS, SHAFTS = ("tire_wheel",), ("driveshaft", "front_driveshaft")
HALF = ("half_shaft",)
ROAD = (*WHEELS, *SHAFTS, *HALF)
TURNS_WITH_ENGINE = ("engine", "accessory")
FIRST: tuple[float, ...] = (1.0,)
SECOND: tuple[float, ...] = (2.0,)
ANY: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class Rule:
    """One answer leans towards (factor above 1) or away from these parts at these orders (() for all)."""

    key: str
    answer: str
    parts: tuple[str, ...]
    orders: tuple[float, ...]
    factor: float


def _rules(key: str, answer: str, *leans: tuple[tuple[str, ...], tuple[float, ...], float]) -> list[Rule]:
    return [Rule(key, answer, parts, orders, factor) for parts, orders, factor in leans]


LEANINGS: tuple[Rule, ...] = (
    # joints and mounts answer to torque, a tire does not
    *_rules(
        "load", "worse_pulling", (HALF, (3.0,), MUCH), (SHAFTS, SECOND, SOME), (("engine", "motor"), ANY, SOME),
        (WHEELS, ANY, 1 / SOME), (SHAFTS, FIRST, 1 / A_LITTLE),
    ),
    *_rules(
        "load", "worse_coasting", (SHAFTS, SECOND, A_LITTLE), (HALF, (3.0,), 1 / SOME), (("engine",), ANY, 1 / SOME)
    ),
    *_rules(
        "load", "same", (WHEELS, ANY, SOME), (SHAFTS, FIRST, A_LITTLE), (HALF, (3.0,), 1 / MUCH),
        (("engine",), ANY, 1 / SOME),
    ),
    # what braking brings turns with the wheels
    *_rules("braking", "only_braking", (WHEELS, ANY, SOME), ((*SHAFTS, *TURNS_WITH_ENGINE), ANY, 1 / SOME)),
    *_rules("braking", "worse", (WHEELS, ANY, A_LITTLE)),
    *_rules("turning", "worse", (HALF, ANY, SOME), (WHEELS, ANY, A_LITTLE), (("engine",), ANY, 1 / A_LITTLE)),
    # tires stand flat overnight and round themselves while driven
    *_rules("temperature", "cold_only", (WHEELS, ANY, SOME)),
    *_rules("temperature", "warm_only", (WHEELS, ANY, 1 / A_LITTLE)),
    # at one road speed a gear moves the engine alone
    *_rules("gear_change", "changes", (TURNS_WITH_ENGINE, ANY, MUCH), (ROAD, ANY, 1 / SOME)),
    *_rules("gear_change", "same", (TURNS_WITH_ENGINE, ANY, 1 / MUCH), (ROAD, ANY, A_LITTLE)),
    *_rules("standing", "shakes", (TURNS_WITH_ENGINE, ANY, MUCH), (ROAD, ANY, 1 / MUCH)),
    *_rules("standing", "still", (TURNS_WITH_ENGINE, ANY, 1 / SOME)),
    # front wheels steer, the shaft lies under the seats
    *_rules("felt", "steering_wheel", (WHEELS, ANY, SOME), (HALF, ANY, A_LITTLE), (("driveshaft",), ANY, 1 / A_LITTLE)),
    *_rules("felt", "seat", (("driveshaft",), ANY, A_LITTLE)),
    *_rules("felt", "floor", (SHAFTS, ANY, A_LITTLE)),
    # what is heard lies above what a wheel's first order can be
    *_rules("heard", "boom", (SHAFTS, ANY, A_LITTLE), (("engine",), ANY, A_LITTLE), (WHEELS, FIRST, 1 / A_LITTLE)),
    *_rules("heard", "moan", (("engine",), ANY, A_LITTLE), (WHEELS, ANY, 1 / A_LITTLE)),
    *_rules("heard", "whine", (("accessory", "motor"), ANY, SOME), (WHEELS, ANY, 1 / SOME)),
    *_rules("heard", "hum", (WHEELS, (3.0, 4.0), A_LITTLE)),
    *_rules("since", "suddenly", (WHEELS, FIRST, A_LITTLE)),
    *_rules("since", "gradually", (HALF, (3.0,), A_LITTLE), (SHAFTS, SECOND, A_LITTLE)),
    # what was touched last
    *_rules("after_work", "tires", (WHEELS, ANY, MUCH)),
    *_rules("after_work", "brakes", (WHEELS, ANY, A_LITTLE)),
    *_rules("after_work", "suspension", (SHAFTS, SECOND, MUCH), (HALF, (3.0,), SOME)),
    *_rules("after_work", "driveshaft", (SHAFTS, ANY, MUCH)),
    *_rules("after_work", "axle", (SHAFTS, ANY, SOME)),
    *_rules("after_work", "half_shaft", (HALF, ANY, MUCH)),
    *_rules("after_work", "transmission", (("engine",), ANY, SOME), (SHAFTS, ANY, A_LITTLE)),
    *_rules("after_work", "engine", (("engine",), ANY, MUCH)),
    *_rules("after_work", "belt", (("accessory",), ANY, MUCH)),
    *_rules("after_work", "exhaust", (("engine",), ANY, SOME)),
    *_rules("after_work", "hit", (WHEELS, ANY, SOME), (HALF, FIRST, A_LITTLE)),
    *_rules(
        "speed", "slow", (HALF, (3.0,), A_LITTLE), (("engine",), ANY, A_LITTLE), ((*WHEELS, *SHAFTS), FIRST, 1 / SOME)
    ),
    *_rules("speed", "fast", ((*WHEELS, *SHAFTS), FIRST, A_LITTLE)),
)  # fmt: skip

_SPEED_WORDS = {"slow": "only when slow", "fast": "only when fast"}


def leanings_of(intake: Intake) -> tuple[Rule, ...]:
    """The rules that the answers call up."""
    answers = set(intake.answers())
    given = intake.speed_given
    if given is not None and given.high_mps < SLOW_MPS:
        answers.add(("speed", "slow"))
    elif given is not None and given.low_mps > FAST_MPS:
        answers.add(("speed", "fast"))
    return tuple(rule for rule in LEANINGS if (rule.key, rule.answer) in answers)


def with_said(
    alone: Posterior,
    candidates: Sequence[Candidate],
    pairs: set[tuple[int, int]],
    intake: Intake | None,
) -> Posterior:
    """The probabilities with what was said; `pairs` of candidates that are not to be told apart count as one."""
    if intake is None or not leanings_of(intake):
        return alone
    lean = _log_factor(candidates, leanings_of(intake))
    groups = [
        np.array([j == i or (min(i, j), max(i, j)) in pairs for j in range(len(candidates))])
        for i in range(len(candidates))
    ]
    share = 1.0
    while share > 1e-3 and _too_sure(alone, _leaned(alone, share * lean), groups):
        share *= 0.8
    return _leaned(alone, share * lean)


def said_of(
    alone: Posterior, weighed: Posterior, candidates: Sequence[Candidate], intake: Intake | None
) -> Said | None:
    """What the words did, for the report: the first suspect with and without them, and every leaning."""
    if intake is None or intake.empty:
        return None
    keys = list(dict.fromkeys(c.key for c in candidates))
    by_key = [_of(weighed, candidates, key) for key in keys]
    top = keys[int(np.argmax(by_key))]
    after, before = max(by_key), _of(alone, candidates, top)
    rules = leanings_of(intake)
    words = f"with what the customer said: {show_percent(after)}; from the recording alone: {show_percent(before)}"
    if not rules:
        words = "what the customer said leans to no part"
    name = f"{part_text(top[0])} {top[1]:g}x"
    return Said(
        top[0], top[1], after, before, f"{name}, {words}", tuple(_told(rule) for rule in rules), intake.note
    )


def _told(rule: Rule) -> Leaning:
    parts = ", ".join(dict.fromkeys(part_text(p) if p != "accessory" else "accessories" for p in rule.parts))
    orders = f" {' and '.join(f'{o:g}x' for o in rule.orders)}" if rule.orders else ""
    return Leaning(_words(rule.key, rule.answer), f"{parts}{orders}", rule.factor)


def _words(key: str, answer: str) -> str:
    if key == "speed":
        return _SPEED_WORDS[answer]
    question = next(q for q in QUESTIONS if q.key == key)
    return f"{question.words} {dict(question.answers)[answer]}"


def _of(posterior: Posterior, candidates: Sequence[Candidate], key: tuple[str, float]) -> float:
    return float(sum(p for p, c in zip(posterior.candidate, candidates, strict=True) if c.key == key))


def _log_factor(candidates: Sequence[Candidate], rules: Sequence[Rule]) -> FloatArray:
    most = float(np.log(MOST_IN_ALL))
    total = np.array(
        [sum(float(np.log(r.factor)) for r in rules if _leans(r, c)) for c in candidates], dtype=float
    )
    return np.asarray(most * np.tanh(total / most))


def _leans(rule: Rule, candidate: Candidate) -> bool:
    return candidate.part.partition(":")[0] in rule.parts and (
        not rule.orders or candidate.order in rule.orders
    )


def _leaned(alone: Posterior, lean: FloatArray) -> Posterior:
    weight = alone.candidate * np.exp(lean)
    return Posterior((1.0 - alone.nothing) * weight / weight.sum(), alone.nothing)


def _too_sure(alone: Posterior, weighed: Posterior, groups: Sequence[NDArray[np.bool_]]) -> bool:
    return any(alone.candidate[g].sum() < SURE <= weighed.candidate[g].sum() for g in groups)
