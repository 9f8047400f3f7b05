"""What the customer said, before anything was recorded: answers, as a plain JSON object.

Every key may be missing, `null`, "" or "not_known": then nothing was said. The keys and what each may hold:

    speed         text     where it shakes: "55-65 mph", "60 mph", "about 100 km/h"
    load          one of   worse_pulling, worse_coasting, same
    braking       one of   only_braking, worse, same
    turning       one of   worse, same
    temperature   one of   cold_only, warm_only, same
    gear_change   one of   changes, same                 (another gear at the same road speed)
    standing      one of   shakes, still                 (standing, in neutral, at the same engine speed)
    felt          list of  steering_wheel, seat, floor
    heard         list of  boom, moan, whine, hum
    since         one of   suddenly, gradually, always
    after_work    list of  tires, brakes, suspension, driveshaft, axle, half_shaft, transmission, engine, belt,
                           exhaust, hit                  (hit: a curb, a pothole, an accident)
    note          text     anything else, as it was said; kept and shown, never weighed

`QUESTIONS` holds the same as data, with the words of a form. What an answer weighs is in `intake_weights.py`.
"""

import json
from collections.abc import Mapping
from dataclasses import dataclass, fields
from difflib import get_close_matches
from pathlib import Path
from typing import Any

from vibeorder.errors import VibeorderError
from vibeorder.speed.given import SpeedGiven, parse_speed_given

__all__ = ["QUESTIONS", "Intake", "Question", "read_intake"]

NOT_SAID = ("", "not_known")
LONGEST_TEXT = 2000
MAX_BYTES = 1 << 18


@dataclass(frozen=True, slots=True)
class Question:
    """One question of a form. key: of the JSON. answers: (value, words) of each. many: several may be ticked."""

    key: str
    words: str
    answers: tuple[tuple[str, str], ...]
    many: bool = False


_SAME = ("same", "no difference")

QUESTIONS: tuple[Question, ...] = (
    Question(
        "load",
        "Does load change it?",
        (
            ("worse_pulling", "worse pulling, uphill or on throttle"),
            ("worse_coasting", "worse coasting"),
            _SAME,
        ),
    ),
    Question(
        "braking",
        "Does braking change it?",
        (("only_braking", "it comes only when braking"), ("worse", "worse when braking"), _SAME),
    ),
    Question("turning", "Do turns change it?", (("worse", "worse in turns"), _SAME)),
    Question(
        "temperature",
        "Does temperature change it?",
        (
            ("cold_only", "only on the first miles, cold or after standing"),
            ("warm_only", "only once it is warm"),
            _SAME,
        ),
    ),
    Question(
        "gear_change",
        "Another gear at the same road speed?",
        (("changes", "another gear changes it"), ("same", "another gear does not change it")),
    ),
    Question(
        "standing",
        "Standing in neutral at the same engine speed?",
        (("shakes", "it shakes standing too"), ("still", "standing it is gone")),
    ),
    Question(
        "felt",
        "Where is it felt?",
        (("steering_wheel", "in the steering wheel"), ("seat", "in the seat"), ("floor", "in the floor")),
        many=True,
    ),
    Question(
        "heard",
        "How does it sound?",
        (("boom", "a boom"), ("moan", "a moan"), ("whine", "a whine"), ("hum", "a hum")),
        many=True,
    ),
    Question(
        "since",
        "How did it come?",
        (("suddenly", "suddenly"), ("gradually", "little by little"), ("always", "it was always there")),
    ),
    Question(
        "after_work",
        "After which work or event?",
        (
            ("tires", "tires or wheels changed or balanced"),
            ("brakes", "brakes"),
            ("suspension", "suspension, ride height or a lift kit"),
            ("driveshaft", "driveshaft or its joints"),
            ("axle", "axle, pinion or its gears"),
            ("half_shaft", "half-shafts or their joints"),
            ("transmission", "transmission, clutch or converter"),
            ("engine", "engine or its mounts"),
            ("belt", "belt or what it drives"),
            ("exhaust", "exhaust"),
            ("hit", "a curb, a pothole, an accident"),
        ),
        many=True,
    ),
)
"""Every question with a choice, in the order of a form; `speed` and `note` are text."""


@dataclass(frozen=True, slots=True)
class Intake:
    """What was said; None, "" or () where nothing was. Keys and values as in the module's own text."""

    speed: str = ""
    load: str | None = None
    braking: str | None = None
    turning: str | None = None
    temperature: str | None = None
    gear_change: str | None = None
    standing: str | None = None
    felt: tuple[str, ...] = ()
    heard: tuple[str, ...] = ()
    since: str | None = None
    after_work: tuple[str, ...] = ()
    note: str = ""

    @classmethod
    def from_json(cls, said: object) -> "Intake":
        """The answers out of a JSON object (or its text). Raises VibeorderError naming the key that is wrong."""
        if isinstance(said, str | bytes):
            said = _parsed(said)
        if not isinstance(said, Mapping):
            raise VibeorderError(f"what the customer said is no JSON object but {str(said)[:40]!r}")
        known = [one.name for one in fields(cls)]
        for key in said:
            if key not in known:
                near = get_close_matches(str(key), known, 1)
                more = f"; did you mean {near[0]!r}?" if near else f"; known are {', '.join(known)}"
                raise VibeorderError(f"what the customer said has an unknown key {str(key)[:40]!r}{more}")
        given = {q.key: _answer(q, said.get(q.key)) for q in QUESTIONS}
        intake = cls(speed=_text("speed", said), note=_text("note", said), **given)
        if intake.speed:
            parse_speed_given(intake.speed)
        return intake

    def as_json(self) -> dict[str, Any]:
        """The object that `from_json` reads; keys without an answer left out."""
        found: dict[str, Any] = {}
        for one in fields(self):
            value = getattr(self, one.name)
            if value:
                found[one.name] = list(value) if isinstance(value, tuple) else value
        return found

    @property
    def empty(self) -> bool:
        """Whether nothing was said."""
        return not self.as_json()

    @property
    def speed_given(self) -> SpeedGiven | None:
        """The speeds at which it shakes, or None."""
        return parse_speed_given(self.speed) if self.speed else None

    def answers(self) -> tuple[tuple[str, str], ...]:
        """(key, value) of every choice that was made, in the order of the questions."""
        found = []
        for question in QUESTIONS:
            value = getattr(self, question.key)
            values = value if isinstance(value, tuple) else (value,) if value else ()
            found += [(question.key, one) for one in values]
        return tuple(found)


def read_intake(path: str | Path) -> Intake:
    """The answers out of a file. Raises VibeorderError where it cannot be read or holds something else."""
    file = Path(path)
    try:
        if file.stat().st_size > MAX_BYTES:
            raise VibeorderError(f"{file.name} is far too large for what a customer said; check the file")
        if file.is_char_device():  # some never end
            raise VibeorderError(f"{file} is a device; give the JSON file with what the customer said")
        text = file.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise VibeorderError(f"{path} cannot be read ({error.strerror or error}); check the name") from error
    except UnicodeDecodeError as error:
        raise VibeorderError(f"{file.name} is not text in UTF-8; save it as a JSON file") from error
    try:
        return Intake.from_json(text)
    except VibeorderError as error:
        raise VibeorderError(f"{file.name}: {error}") from error


def _parsed(text: str | bytes) -> object:
    try:
        return json.loads(text)
    except (ValueError, RecursionError) as error:
        raise VibeorderError(
            f"what the customer said is not JSON ({str(error)[:80]}); write it like "
            '{"load": "worse_pulling", "felt": ["seat"]}'
        ) from error


def _text(key: str, said: Mapping[Any, Any]) -> str:
    value = said.get(key)
    if value is None:
        return ""
    if not isinstance(value, str) or len(value) > LONGEST_TEXT:
        raise VibeorderError(
            f"{key!r} of what the customer said is not a text of up to {LONGEST_TEXT} letters"
        )
    return "" if value in NOT_SAID else value.strip()


def _answer(question: Question, value: object) -> Any:
    """The checked answer: a value or None, or a tuple of values where several may be ticked."""
    known = [one for one, _ in question.answers]
    many = value if isinstance(value, list | tuple) else [value]
    said = [one for one in many if one is not None and one not in NOT_SAID]
    for one in said:
        if one not in known:
            raise VibeorderError(
                f"{question.key!r} of what the customer said is {str(one)[:40]!r}; "
                f"it can be {', '.join(known)} or not_known"
            )
    if question.many:
        return tuple(one for one in known if one in said)
    if len(said) > 1:
        raise VibeorderError(f"{question.key!r} of what the customer said has {len(said)} answers; give one")
    return said[0] if said else None
