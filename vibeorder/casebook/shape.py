"""What an entry's body must look like where somebody reads it; of any origin, so nothing is taken for granted.

Import refuses a body of another shape and names the place. What an older casebook holds is still told, without
the parts that cannot be read.
"""

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from vibeorder.casebook.model import Job

__all__ = ["misshapen", "readable", "trouble_in"]

TEXT, NUMBER, OBJECT = "text", "a number", "an object"
HALF_A_CHARACTER = "half a character (an emoji cut in two, say), which no text can hold"
DEEPEST = 60
"""Levels of JSON; what vibeorder writes has about ten, and a few hundred exhaust the stack of what reads it."""

Shape = str | Mapping[str, Any] | list[Any]
"""TEXT, NUMBER, OBJECT; an object of such; or a list of one such. What is missing or null is never wrong."""

_SUSPECT: Shape = {"part": TEXT, "order": NUMBER, "probability": NUMBER, "first_check": TEXT}
_JUDGED: Shape = {
    "verdict": TEXT, "suspects": [_SUSPECT], "nothing_found_probability": NUMBER, "runout_check": OBJECT,
}  # fmt: skip
_BIN: Shape = {"speed_mps": NUMBER, "before_rms": NUMBER, "after_rms": NUMBER}
_WORDS: Shape = {"text": TEXT}
SHAPES: Mapping[str, Shape] = {
    "recording": {
        "name": TEXT, "sha256": TEXT, "role": TEXT, "history": [TEXT], "inputs": OBJECT, "diagnosis": _JUDGED,
        "together": _JUDGED,
    },
    "reading": {
        "command": TEXT, "inputs": OBJECT, "result": {"sentence": TEXT, "numbers": OBJECT, "notes": [TEXT]},
    },
    "comparison": {
        "before": {"name": TEXT}, "after": {"name": TEXT}, "inputs": OBJECT,
        "result": {
            "sentence": TEXT, "verdict": TEXT, "reason": TEXT, "warnings": [TEXT], "bins": [_BIN],
            "healthy_rms": NUMBER,
        },
    },
    "intake": {"answers": OBJECT, "text": TEXT},
    "checked": {"checks": OBJECT, "text": TEXT},
    "decision": _WORDS, "cure": _WORDS, "closed": _WORDS, "reopened": _WORDS,
}  # fmt: skip


def misshapen(kind: str, body: Mapping[str, Any]) -> str:
    """The first part of a body that is not what it must be, as words: "diagnosis is a list, not an object"; or ''."""
    return _wrong(body, SHAPES.get(kind, OBJECT), "")


def readable(job: Job) -> Job:
    """The job without the parts that cannot be read, for those who tell it; export and comparison take the whole."""
    return replace(
        job,
        entries=tuple(replace(e, body=_kept(e.body, SHAPES.get(e.kind, OBJECT))) for e in job.entries),
    )


def trouble_in(data: Any) -> str:
    """What no casebook can keep of a JSON value, as words with its place; or ''."""
    left: list[tuple[str, int, Any]] = [("", 0, data)]
    while left:
        place, depth, value = left.pop()
        if depth > DEEPEST:
            return f"{place[:40]}... is nested deeper than {DEEPEST} levels"
        if isinstance(value, str) and not _whole(value):
            return f"{place} holds {HALF_A_CHARACTER}"
        if isinstance(value, Mapping):
            if not all(_whole(key) for key in value):
                return f"{place or 'it'} has a name with {HALF_A_CHARACTER}"
            left += [(f"{place}.{key}".removeprefix("."), depth + 1, item) for key, item in value.items()]
        elif isinstance(value, list):
            left += [(f"{place}[{i}]", depth + 1, item) for i, item in enumerate(value)]
    return ""


def _whole(text: str) -> bool:
    try:
        text.encode()
    except UnicodeEncodeError:
        return False
    return True


def _wrong(value: Any, shape: Shape, place: str) -> str:
    if value is None:
        return ""
    if not _fits(value, shape):
        return f"{place} is {_said(value)}, not {_wanted(shape)}"
    if isinstance(shape, list):
        found = (_wrong(item, shape[0], f"{place}[{i}]") for i, item in enumerate(value))
    elif isinstance(shape, Mapping):
        found = (
            _wrong(value.get(key), part, f"{place}.{key}".removeprefix(".")) for key, part in shape.items()
        )
    else:
        return ""
    return next((words for words in found if words), "")


def _kept(value: Any, shape: Shape) -> Any:
    """A value that fits, without the parts of it that do not; what is null is left out too."""
    if isinstance(shape, list):
        return [_kept(item, shape[0]) for item in value if _fits(item, shape[0])]
    if not isinstance(shape, Mapping):
        return value
    return {
        key: _kept(item, shape[key]) if key in shape else item
        for key, item in value.items()
        if key not in shape or _fits(item, shape[key])
    }


def _fits(value: Any, shape: Shape) -> bool:
    if isinstance(shape, list):
        return isinstance(value, list | tuple)
    if shape == TEXT:
        return isinstance(value, str)
    if shape == NUMBER:
        return _is_number(value)
    return isinstance(value, Mapping)


def _is_number(value: Any) -> bool:
    try:
        return not isinstance(value, bool | str) and abs(float(value)) >= 0.0
    except (TypeError, ValueError, OverflowError):
        return False


def _wanted(shape: Shape) -> str:
    if isinstance(shape, list):
        return "a list"
    return shape if isinstance(shape, str) else OBJECT


def _said(value: Any) -> str:
    kinds = ((bool, "true or false"), (str, TEXT), (int | float, NUMBER), (list | tuple, "a list"))
    return next((words for kind, words in kinds if isinstance(value, kind)), OBJECT)
