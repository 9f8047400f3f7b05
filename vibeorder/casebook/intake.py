"""What the customer said, asked in a technician's terms, and what costs nothing first, ticked with a note.

Both are entries of a job. The answers are one plain JSON object: key of a question -> key of an answer, a list of
them, or text; what was not asked or not known is left out. Questions and answers are common practice, no source.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from vibeorder.casebook.model import Job
from vibeorder.casebook.plain import clean
from vibeorder.casebook.trouble import CasebookError
from vibeorder.vehicle import FREE_CHECKS

__all__ = [
    "LONGEST_ANSWER",
    "QUESTIONS",
    "Question",
    "answers_rows",
    "answers_text",
    "checks_body",
    "checks_of",
    "checks_rows",
    "intake_body",
    "intake_of",
]

LONGEST_ANSWER = 200


@dataclass(frozen=True, slots=True)
class Question:
    """One question. key: in the JSON. answers: (key, words) to choose from, () for free text.

    several: whether more than one answer may be given. hint: what helps to answer it.
    """

    key: str
    words: str
    answers: tuple[tuple[str, str], ...] = ()
    several: bool = False
    hint: str = ""


QUESTIONS: tuple[Question, ...] = (
    Question("speed", "At what speed does it shake?", hint="60 mph, 55-65 mph, about 95 km/h"),
    Question(
        "gear",
        "At the same road speed in another gear",
        (("same", "it stays the same"), ("changes", "it changes, or goes with the engine's speed")),
    ),
    Question(
        "load",
        "Pulling and letting off",
        (
            ("pulling", "worse when it pulls"),
            ("coasting", "worse when it coasts"),
            ("same", "makes no difference"),
        ),
    ),
    Question(
        "neutral",
        "Coasting in neutral at that speed",
        (("stays", "it stays"), ("goes", "it goes")),
        hint="only what was tried already; do not ask for it to be tried",
    ),
    Question(
        "standing",
        "Standing still at the same engine speed",
        (("shakes", "it is there too"), ("quiet", "it is not there")),
    ),
    Question(
        "braking",
        "Braking",
        (
            ("only", "only when braking"),
            ("worse", "worse when braking"),
            ("better", "better when braking"),
            ("same", "makes no difference"),
        ),
    ),
    Question(
        "turning",
        "Turning",
        (
            ("left", "worse in left turns"),
            ("right", "worse in right turns"),
            ("both", "worse in any turn"),
            ("same", "makes no difference"),
        ),
    ),
    Question(
        "temperature",
        "Cold and warm",
        (
            ("cold", "worse cold, better after some miles"),
            ("warm", "comes when warm"),
            ("same", "makes no difference"),
        ),
    ),
    Question(
        "felt",
        "Felt where?",
        (
            ("steering_wheel", "steering wheel"),
            ("seat", "seat"),
            ("floor", "floor or pedals"),
            ("dash", "dash or mirrors"),
            ("shifter", "gear lever or tunnel"),
            ("whole", "the whole vehicle"),
        ),
        several=True,
    ),
    Question(
        "heard",
        "Heard how?",
        (
            ("nothing", "not heard"),
            ("boom", "boom, like pressure in the ears"),
            ("moan", "moan or hum"),
            ("howl", "howl"),
            ("whine", "whine"),
            ("growl", "growl or grinding"),
            ("knock", "knock or clunk"),
        ),
        several=True,
    ),
    Question(
        "since",
        "Since when?",
        (
            ("always", "since it was bought"),
            ("suddenly", "suddenly, from one day to the next"),
            ("slowly", "slowly getting worse"),
        ),
    ),
    Question(
        "after_work",
        "After which work or event?",
        (
            ("tires", "tires changed or rotated"),
            ("wheels", "wheels off, or balanced"),
            ("brakes", "brakes"),
            ("driveshaft", "driveshaft or joints"),
            ("axle", "axle or hubs"),
            ("suspension", "springs, ride height or lift kit"),
            ("engine", "engine, clutch or gearbox"),
            ("impact", "pothole, curb or getting stuck"),
            ("load", "tow bar, load or body work"),
            ("none", "none that is known"),
        ),
        several=True,
    ),
    Question("words", "Anything else that was said", hint="no name, plate or VIN is needed"),
)


def intake_body(answers: Mapping[str, Any]) -> dict[str, Any]:
    """The entry for a set of answers. Raises CasebookError for what no question asks, or no answer offers."""
    known = {one.key: one for one in QUESTIONS}
    kept: dict[str, Any] = {}
    for key, given in answers.items():
        if key not in known:
            raise CasebookError(f"nothing is asked under {key!r}; the questions are {', '.join(known)}")
        value = _answer(known[key], given)
        if value:
            kept[key] = value
    if not kept:
        raise CasebookError("nothing is answered yet; one answer is enough")
    kept = {one.key: kept[one.key] for one in QUESTIONS if one.key in kept}
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
    said = [f"{question}: {answer}" for question, answer in answers_rows(answers)]
    return "; ".join(said) + "." if said else ""


def answers_rows(answers: Mapping[str, Any]) -> tuple[tuple[str, str], ...]:
    """(question, answer) in words, in the order of the questions."""
    rows = []
    for one in QUESTIONS:
        value = answers.get(one.key)
        if value:
            words = dict(one.answers)
            listed = value if isinstance(value, list) else [value]
            rows.append(
                (one.words.rstrip("?"), ", ".join(words.get(str(item), str(item)) for item in listed))
            )
    return tuple(rows)


def checks_body(checks: Mapping[str, Mapping[str, Any]]) -> dict[str, Any]:
    """The entry for ticks of what costs nothing: key -> {"done": bool, "note": text}. Raises CasebookError."""
    known = [one.key for one in FREE_CHECKS]
    kept = {}
    for key, one in checks.items():
        if key not in known:
            raise CasebookError(f"{key!r} is none of the checks; they are {', '.join(known)}")
        note = clean(str(one.get("note") or "")).strip()[:LONGEST_ANSWER]
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


def _answer(question: Question, given: Any) -> str | list[str]:
    listed = given if isinstance(given, Sequence) and not isinstance(given, str) else [given]
    values = list(dict.fromkeys(clean(str(one)).strip() for one in listed if str(one).strip()))
    if not question.answers:
        text = " ".join(values)
        if len(text) > LONGEST_ANSWER * (5 if question.key == "words" else 1):
            raise CasebookError(f"the answer to “{question.words}” is too long; shorten it")
        return " ".join(text.split())
    offered = [key for key, _ in question.answers]
    for one in values:
        if one not in offered:
            raise CasebookError(
                f"{one[:40]!r} is no answer to “{question.words}”; choose one of those offered"
            )
    if not question.several:
        if len(values) > 1:
            raise CasebookError(f"“{question.words}” takes one answer, not {len(values)}")
        return values[0] if values else ""
    return [one for one in offered if one in values]
