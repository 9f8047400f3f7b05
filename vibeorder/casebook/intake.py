"""What the customer said, and what costs nothing first, ticked with a note: both are entries of a job.

The answers are the plain JSON object that `vibeorder.diagnosis.intake` describes and checks.
"""

from collections.abc import Mapping
from typing import Any

from vibeorder.casebook.model import Job
from vibeorder.casebook.plain import clean
from vibeorder.casebook.trouble import CasebookError
from vibeorder.vehicle import FREE_CHECKS

__all__ = [
    "answers_rows",
    "answers_text",
    "checks_body",
    "checks_of",
    "checks_rows",
    "intake_body",
    "intake_of",
]

LONGEST_NOTE = 200
SPEED, NOTE = "At what speed it shakes", "What else was said"


def intake_body(answers: Mapping[str, Any]) -> dict[str, Any]:
    """The entry for a set of answers. Raises VibeorderError for what no question asks, or no answer offers."""
    from vibeorder.diagnosis.intake import Intake  # here, since `vibeorder job` needs nothing of that room

    kept = Intake.from_json(dict(answers)).as_json()
    if not kept:
        raise CasebookError("nothing is answered yet; one answer is enough")
    return {"answers": kept, "text": answers_text(kept)}


def intake_of(job: Job) -> dict[str, Any]:
    """The answers as last taken down; empty where none were."""
    for entry in reversed(job.of_kind("intake")):
        answers = entry.body.get("answers")
        if isinstance(answers, Mapping):
            return dict(answers)
    return {}


def answers_text(answers: Mapping[str, Any]) -> str:
    """The answers in words, one sentence."""
    said = "; ".join(f"{question.rstrip('?')}: {answer}" for question, answer in answers_rows(answers))
    return said + "." if said and not said.endswith(".") else said


def answers_rows(answers: Mapping[str, Any]) -> tuple[tuple[str, str], ...]:
    """(question, answer) in words, in the order of the questions; of any origin, so nothing is taken for granted."""
    from vibeorder.diagnosis.intake import QUESTIONS

    rows = [(SPEED, str(answers.get("speed") or ""))]
    for one in QUESTIONS:
        value, words = answers.get(one.key), dict(one.answers)
        listed = value if isinstance(value, list | tuple) else [value] if value else []
        rows.append((one.words, ", ".join(words.get(str(item), str(item)) for item in listed)))
    rows.append((NOTE, str(answers.get("note") or "")))
    return tuple((question, answer) for question, answer in rows if answer)


def checks_body(checks: Mapping[str, Mapping[str, Any]]) -> dict[str, Any]:
    """The entry for ticks of what costs nothing: key -> {"done": bool, "note": text}. Raises CasebookError."""
    words_of = {one.key: one.words for one in FREE_CHECKS}
    kept = {}
    for key, one in checks.items():
        if key not in words_of:
            raise CasebookError(f"{key!r} is none of the checks; they are {', '.join(words_of)}")
        note = clean(str(one.get("note") or "")).strip()
        if len(note) > LONGEST_NOTE:
            raise CasebookError(
                f"the note on “{words_of[key]}” is longer than {LONGEST_NOTE} characters; shorten it"
            )
        kept[key] = {"done": bool(one.get("done")), "note": note}
    if not kept:
        raise CasebookError("nothing is ticked; tick what was checked")
    said = [f"{words}: {state}" for words, state in checks_rows(kept)]
    return {"checks": kept, "text": "; ".join(said) + "."}


def checks_rows(checks: Mapping[str, Any]) -> tuple[tuple[str, str], ...]:
    """(check, how it stands) in words, of those that are in `checks`."""
    rows = []
    for one in FREE_CHECKS:
        found = checks.get(one.key)
        if isinstance(found, Mapping):
            state, note = "checked" if found.get("done") else "open", str(found.get("note") or "")
            rows.append((one.words, f"{state}, {note}" if note else state))
    return tuple(rows)


def checks_of(job: Job) -> dict[str, dict[str, Any]]:
    """What was ticked last of each check: key -> {"done", "note"}; a check never ticked is not in it."""
    found: dict[str, dict[str, Any]] = {}
    for entry in job.of_kind("checked"):
        checks = entry.body.get("checks")
        for key, one in checks.items() if isinstance(checks, Mapping) else ():
            if isinstance(one, Mapping):
                found[str(key)] = {"done": bool(one.get("done")), "note": str(one.get("note") or "")}
    return found
