"""The trainer's two forms, a lesson and a round: what was typed to the arguments of the lesson task."""

import secrets
import tomllib
from collections.abc import Mapping
from functools import cache
from typing import Any

from starlette.datastructures import FormData, QueryParams

from vibeorder.classroom import (
    DRIVES,
    DURATIONS_S,
    LEVELS,
    MOST_QUESTIONS,
    RATES_HZ,
    ROADS,
    STRENGTHS,
    choices_of,
)
from vibeorder.errors import VibeorderError
from vibeorder.units import parse_speed
from vibeorder.vehicle import Vehicle, parse_vehicle
from vibeorder.web.pages_common import form_text
from vibeorder.web.tasks.lesson import plan_of
from vibeorder.web.vehicles import Vehicles

__all__ = [
    "ANY",
    "CHOICES",
    "UNITS",
    "lesson_arguments",
    "offered",
    "round_arguments",
    "source_of",
    "vehicle_of",
]

ANY = "any"
"""In the round's form: a different invented vehicle for each question."""
INVENTED = "invented-"
UNITS = ("mph", "km/h")
CHOICES: dict[str, Any] = {
    "drives": DRIVES,
    "strengths": {key: words for key, (words, _) in STRENGTHS.items()},
    "roads": {key: words for key, (words, _) in ROADS.items()},
    "durations": [f"{s:g}" for s in DURATIONS_S],
    "rates": [f"{hz:g}" for hz in reversed(RATES_HZ)],
    "levels": LEVELS,
    "most_questions": MOST_QUESTIONS,
    "units": UNITS,
}
"""What the forms offer."""


def offered(vehicles: Vehicles) -> list[tuple[str, str]]:
    """(key, name) of every vehicle to choose from: the invented ones, then the saved ones."""
    invented = [(key, str(one["vehicle"]["name"])) for key, one in _invented().items()]
    return [*invented, *((one.name, one.vehicle.name) for one in vehicles.all())]


def vehicle_of(vehicles: Vehicles, key: str) -> tuple[dict[str, Any], Vehicle]:
    """The sections of a vehicle's profile and the vehicle; the first invented one for ''. Raises VehicleError."""
    invented = _invented()
    sections = invented[key or next(iter(invented))] if not key or key in invented else None
    if sections is None:
        sections = tomllib.loads(vehicles.get(key).text)
    return sections, parse_vehicle(sections, "vehicle")


def lesson_arguments(form: FormData | QueryParams, vehicles: Vehicles) -> dict[str, Any]:
    """Arguments of a lesson, driven on paper already, so that what cannot be is said at once. Raises VibeorderError."""
    sections, vehicle = vehicle_of(vehicles, form_text(form, "vehicle", 40))
    low = parse_speed(form_text(form, "low", 20))
    high = parse_speed(form_text(form, "high", 20) or str(low))
    strength = _one_of(form, "strength", STRENGTHS)
    source = source_of(form_text(form, "fault", 80)) if form_text(form, "fault", 80) else None
    if source is not None and source not in _sources(vehicle):
        raise VibeorderError(f"{vehicle.name} has no such part and order; choose from the list")
    arguments = {
        "mode": "lesson",
        "vehicle": sections,
        "fault": None if source is None else [*source, STRENGTHS[strength][1]],
        "kind": _one_of(form, "kind", DRIVES),
        "low_mps": low.si,
        "high_mps": high.si,
        "gear": _whole(form, "gear", 1),
        "next_gear": _whole(form, "next_gear", 0),
        "road": _one_of(form, "road", ROADS),
        "duration_s": float(_one_of(form, "duration", CHOICES["durations"])),
        "rate_hz": float(_one_of(form, "rate", CHOICES["rates"])),
        "seed": secrets.randbits(31),
        "unit": low.unit.lower(),
    }
    plan_of(arguments)
    return arguments


def round_arguments(form: FormData | QueryParams, vehicles: Vehicles) -> dict[str, Any]:
    """Arguments of a round, its seed drawn here and told nobody. Raises VibeorderError."""
    key = form_text(form, "vehicle", 40)
    sections = list(_invented().values()) if key == ANY else [vehicle_of(vehicles, key)[0]]
    questions = _whole(form, "questions", 5)
    if not 1 <= questions <= MOST_QUESTIONS:
        raise VibeorderError(f"a round has 1 to {MOST_QUESTIONS} questions, not {questions}")
    return {
        "mode": "round",
        "vehicles": sections,
        "questions": questions,
        "level": _one_of(form, "level", LEVELS),
        "seed": secrets.randbits(63),
        "unit": _one_of(form, "unit", UNITS),
    }


def source_of(text: str) -> tuple[str, float]:
    """Part and order out of "driveshaft@1". Raises VibeorderError."""
    part, _, order = text.rpartition("@")
    try:
        return part, float(order)
    except ValueError:
        raise VibeorderError("choose a part and an order from the list") from None


@cache
def _invented() -> Mapping[str, dict[str, Any]]:
    from vibeorder.simulate.samples import VEHICLES

    return {INVENTED + name.removesuffix(".toml"): tomllib.loads(text) for name, text in VEHICLES.items()}


def _sources(vehicle: Vehicle) -> list[tuple[str, float]]:
    return [(one.part, order) for one in choices_of(vehicle) for order, _ in one.orders]


def _one_of(form: FormData | QueryParams, name: str, known: Any) -> str:
    text = form_text(form, name, 40) or next(iter(known))
    if text not in known:
        raise VibeorderError(f"{name} {text!r} is not on the list; choose from it")
    return str(text)


def _whole(form: FormData | QueryParams, name: str, otherwise: int) -> int:
    text = form_text(form, name, 4)
    if text and not (text.isascii() and text.isdigit()):
        raise VibeorderError(f"{name.replace('_', ' ')} {text!r} is not a whole number")
    return int(text) if text else otherwise
