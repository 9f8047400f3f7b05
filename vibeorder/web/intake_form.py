"""Two forms of a job's beginning: what the customer said, and what costs nothing first; typed words to plain values."""

import re
from collections.abc import Mapping, Sequence
from typing import Any

from starlette.datastructures import FormData

from vibeorder.casebook import QUESTIONS, intake_body
from vibeorder.errors import VibeorderError
from vibeorder.vehicle import FREE_CHECKS

__all__ = ["answers_of_form", "changed_checks", "checks_view", "open_checks", "unit_told"]

LONGEST_NOTE = 200
_UNIT = re.compile(r"\d\s*(mph|mi/h|km/h|kmh|kph)\b", re.IGNORECASE)
_SAME = {"mi/h": "mph", "kmh": "km/h", "kph": "km/h"}


def answers_of_form(form: FormData) -> dict[str, Any]:
    """The answers given, {} where none was; fields are called "q_" and the question's key. Raises VibeorderError."""
    given = {one.key: [str(v) for v in form.getlist(f"q_{one.key}") if str(v).strip()] for one in QUESTIONS}
    given = {key: values for key, values in given.items() if values}
    if not given:
        return {}
    if "speed" in given:
        from vibeorder.speed.given import parse_speed_given

        parse_speed_given(given["speed"][0])
    answers: dict[str, Any] = intake_body(given)["answers"]
    return answers


def changed_checks(form: FormData, before: Mapping[str, Mapping[str, Any]]) -> dict[str, dict[str, Any]]:
    """The checks whose tick or note differs from what it was. Raises VibeorderError for a note too long."""
    found = {}
    for one in FREE_CHECKS:
        note = " ".join(str(form.get(f"note_{one.key}", "")).split())
        if len(note) > LONGEST_NOTE:
            raise VibeorderError(
                f"the note on “{one.words}” is longer than {LONGEST_NOTE} characters; shorten it"
            )
        now = {"done": bool(form.get(f"check_{one.key}")), "note": note}
        was = before.get(one.key, {"done": False, "note": ""})
        if now != {"done": bool(was.get("done")), "note": str(was.get("note") or "")}:
            found[one.key] = now
    return found


def checks_view(state: Mapping[str, Mapping[str, Any]]) -> list[dict[str, Any]]:
    """Every check with its words and how it stands."""
    return [
        {
            "key": one.key,
            "words": one.words,
            "how": one.how,
            "done": bool(state.get(one.key, {}).get("done")),
            "note": str(state.get(one.key, {}).get("note") or ""),
        }
        for one in FREE_CHECKS
    ]


def open_checks(view: Sequence[Mapping[str, Any]]) -> list[str]:
    """What is still open, in words."""
    return [str(one["words"]) for one in view if not one["done"]]


def unit_told(*words: str) -> str:
    """The unit of speed that a person used first in any of these texts, "mph" or "km/h"; '' where none did.

    >>> unit_told("", "booms at 95 kph"), unit_told("shakes at sixty")
    ('km/h', '')
    """
    for text in words:
        found = _UNIT.search(text)
        if found:
            unit = found[1].lower()
            return _SAME.get(unit, unit)
    return ""
