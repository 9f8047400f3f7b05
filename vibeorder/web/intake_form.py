"""Two forms of a job's beginning: what the customer said, and what costs nothing first; typed words to plain values."""

import re
from collections.abc import Mapping, Sequence
from typing import Any

from starlette.datastructures import FormData

from vibeorder.casebook import checks_body, intake_body
from vibeorder.diagnosis.intake import QUESTIONS
from vibeorder.vehicle import FREE_CHECKS

__all__ = [
    "answers_of_form",
    "changed_checks",
    "checks_view",
    "listed_answers",
    "open_checks",
    "typed_answers",
    "unit_told",
]

MANY = tuple(one.key for one in QUESTIONS if one.many)
_UNIT = re.compile(r"\d\s*(mph|mi/h|km/h|kmh|kph)\b", re.IGNORECASE)
_SAME = {"mi/h": "mph", "kmh": "km/h", "kph": "km/h"}


def answers_of_form(form: FormData) -> dict[str, Any]:
    """The answers given, {} where none was; fields are called "q_" and the question's key. Raises VibeorderError."""
    given: dict[str, Any] = {
        key: values if key in MANY else values[0] if len(values) == 1 else values
        for key, values in typed_answers(form).items()
        if values
    }
    if not given:
        return {}
    answers: dict[str, Any] = intake_body(given)["answers"]
    return answers


def typed_answers(form: FormData) -> dict[str, list[str]]:
    """What was typed and ticked, by the questions' keys."""
    keys = ("speed", *(one.key for one in QUESTIONS), "note")
    return {
        key: [v.strip() for v in form.getlist(f"q_{key}") if isinstance(v, str) and v.strip()] for key in keys
    }


def listed_answers(answers: Mapping[str, Any]) -> dict[str, list[str]]:
    """Answers as the form's fields take them: a list for each key."""
    return {
        key: [str(one) for one in value] if isinstance(value, list | tuple) else [str(value)]
        for key, value in answers.items()
        if value
    }


def changed_checks(form: FormData, before: Mapping[str, Mapping[str, Any]]) -> dict[str, dict[str, Any]]:
    """The checks whose tick or note differs from what it was. Raises VibeorderError for a note too long."""
    found = {}
    for one in FREE_CHECKS:
        note = " ".join(str(form.get(f"note_{one.key}", "")).split())
        now = {"done": bool(form.get(f"check_{one.key}")), "note": note}
        was = before.get(one.key, {"done": False, "note": ""})
        if now != {"done": bool(was.get("done")), "note": str(was.get("note") or "")}:
            found[one.key] = now
    if found:
        checks_body(found)  # refused here, before a job is opened
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
