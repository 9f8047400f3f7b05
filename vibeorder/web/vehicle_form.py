"""The vehicle form: what was typed to the sections of a profile, and back. Checked by `vibeorder.vehicle` alone."""

import re
from collections.abc import Mapping
from copy import deepcopy
from typing import Any

from starlette.datastructures import FormData, QueryParams

from vibeorder.errors import VehicleError
from vibeorder.web.pages_common import form_text

__all__ = ["FIELDS", "plain_words", "profile_of", "typed_of"]

FIELDS = (
    "name", "layout", "tire_size", "tire_circumference", "rear_size", "axle_ratio", "front_ratio", "independent",
    "gears", "final_drive", "low_range", "pieces", "cylinders", "strokes", "motor_ratio", "accessories", "limits",
)  # fmt: skip
"""Names of the form's fields."""

_NUMBERS = {
    "axle_ratio": ("axle", "ratio", "the axle ratio"),
    "front_ratio": ("axle", "front_ratio", "the front axle ratio"),
    "final_drive": ("transmission", "final_drive", "the final drive ratio"),
    "low_range": ("transfer", "low_range", "the low range ratio"),
    "pieces": ("driveshaft", "pieces", "the number of shaft pieces"),
    "cylinders": ("engine", "cylinders", "the number of cylinders"),
    "strokes": ("engine", "strokes", "the number of strokes"),
    "motor_ratio": ("motor", "ratio", "the motor ratio"),
}
_TEXTS = {
    "name": ("vehicle", "name"),
    "layout": ("vehicle", "layout"),
    "tire_size": ("tire", "size"),
    "tire_circumference": ("tire", "circumference"),
    "rear_size": ("tire", "rear_size"),
}
_ONLY_FOR = {
    "front_ratio": ("4wd", "awd"),
    "independent": ("rwd", "4wd", "awd"),
    "low_range": ("4wd", "awd"),
    "final_drive": ("fwd", "awd"),
    "motor_ratio": ("ev",),
}
"""Fields that mean something in some layouts only; left out of the profile in the others."""
_NOT_FOR_ELECTRIC = ("gears", "cylinders", "strokes", "pieces", "accessories")
LONGEST_LIST = 1000


def profile_of(form: FormData | QueryParams, before: Mapping[str, Any] | None = None) -> dict[str, Any]:
    """The profile that a form describes, laid over the one that it was `before`. Raises VibeorderError.

    Keys that the form does not know stay as they were, so that a hand-written profile loses nothing.
    """
    profile: dict[str, Any] = deepcopy(dict(before or {}))
    layout = form_text(form, "layout", 10)
    typed = {name: form_text(form, name, LONGEST_LIST) for name in FIELDS}
    for name, layouts in _ONLY_FOR.items():
        typed[name] = typed[name] if layout in layouts else ""
    if layout == "ev":
        typed.update(dict.fromkeys(_NOT_FOR_ELECTRIC, ""))
    for name, (section, key) in _TEXTS.items():
        _put(profile, section, key, typed[name] or None)
    for name, (section, key, words) in _NUMBERS.items():
        _put(profile, section, key, _number(typed[name], words) if typed[name] else None)
    _put(profile, "transmission", "gears", _gears(typed["gears"]) or None)
    solid = {"yes": True, "no": False}.get(typed["independent"])
    _put(profile, "axle", "independent", solid)
    accessories = _accessories(typed["accessories"])
    limits = _limits(typed["limits"])
    for section, content in (("accessory", accessories), ("limits", limits)):
        profile.pop(section, None)
        if content:
            profile[section] = content
    if not any(key.split("_", 1)[0] != "rear" for key in profile.get("tire", {})):
        raise VehicleError(
            "type the tire size off the sidewall, like 275/65R18, or one turn measured on the ground"
        )
    return {section: content for section, content in profile.items() if content}


def typed_of(profile: Mapping[str, Any]) -> dict[str, str]:
    """What stands in the form's fields for a profile."""
    typed = dict.fromkeys(FIELDS, "")
    for name, (section, key, *_) in {**_TEXTS, **_NUMBERS}.items():
        value = profile.get(section, {}).get(key)
        typed[name] = "" if value is None else f"{value:g}" if isinstance(value, int | float) else str(value)
    typed["gears"] = "  ".join(f"{ratio:.2f}" if round(ratio, 2) == ratio else f"{ratio:g}"
                               for ratio in profile.get("transmission", {}).get("gears", ()))  # fmt: skip
    typed["independent"] = {True: "yes", False: "no"}.get(profile.get("axle", {}).get("independent"), "")
    typed["accessories"] = "\n".join(
        f"{one['name']} {one['ratio']:g}" for one in profile.get("accessory", ())
    )
    typed["limits"] = "\n".join(f"{place}: {value}" for place, value in _limits_with_unit(profile))
    return typed


def plain_words(sentence: str) -> str:
    """A sentence about a profile in the words of the form, not of the file.

    >>> plain_words("cylinder firing is not judged: add [engine] cylinders")
    'cylinder firing is not judged: add the number of cylinders'
    """
    for said, meant in (
        ("where it has half-shafts write independent = true under [axle]", "say so where it has half-shafts"),
        ("[axle] ratio = ...", "the axle ratio"),
        ("[axle] ratio", "the axle ratio"),
        ("[axle] front_ratio", "the front axle ratio"),
        ("[transmission] gears = [first, second, ...]", "the gear ratios"),
        ("[transmission] gears", "the gear ratios"),
        ("[transmission] gear", "gear"),
        ("[engine] cylinders", "the number of cylinders"),
        ("[motor] ratio", "the motor ratio"),
    ):
        sentence = sentence.replace(said, meant)
    sentence = re.sub(r"\[+(\w+)\]+ (has|must|is)\b", r"\1: this section \2", sentence)
    return re.sub(r"\[+(\w+)\]+ (\w+)", lambda m: f"the {m[1]}'s {m[2].replace('_', ' ')}", sentence)


def _put(profile: dict[str, Any], section: str, key: str, value: Any) -> None:
    content = dict(profile.get(section, {}))
    if value is None:
        content.pop(key, None)
    else:
        content[key] = value
    profile[section] = content


def _number(text: str, words: str) -> float | int:
    try:
        value = float(text.replace(",", "."))
    except ValueError:
        example = "8" if words == "the number of cylinders" else "2" if "number of" in words else "3.73"
        raise VehicleError(f"{words} {text!r:.40} is not a number; write it like {example}") from None
    return int(value) if value.is_integer() and abs(value) < 1e6 else value


def _gears(text: str) -> list[float]:
    """Ratios in a row: between spaces, semicolons or lines with a comma for the point, else between commas."""
    apart = [piece.strip(",") for piece in re.split(r"[\s;/]+", text.strip()) if piece.strip(",")]
    if len(apart) == 1 and apart[0].count(",") > 1:
        apart = apart[0].split(",")
    return [float(_number(piece, f"gear {i} ratio")) for i, piece in enumerate(apart, 1)]


def _accessories(text: str) -> list[dict[str, Any]]:
    """One a line: its name, then its ratio."""
    found = []
    for line in filter(None, map(str.strip, text.splitlines())):
        match = re.fullmatch(r"(.+?)[\s:=]+([-+]?[\d.,]+)", line)
        if match is None:
            raise VehicleError(f"accessory {line!r:.60}: write its name and its ratio, like: alternator 2.8")
        found.append({"name": match[1], "ratio": _number(match[2], f"accessory {match[1]} ratio")})
    return found


def _limits(text: str) -> dict[str, str]:
    """One a line: the place, then the limit with its unit."""
    found = {}
    for line in filter(None, map(str.strip, text.splitlines())):
        place, colon, limit = line.partition(":")
        if not colon or not limit.strip():
            raise VehicleError(f"limit {line!r:.60}: write place and limit, like: pinion_flange: 0.010 in")
        found[re.sub(r"\W+", "_", place.strip()).strip("_").lower()] = limit.strip()
    return found


def _limits_with_unit(profile: Mapping[str, Any]) -> list[tuple[str, str]]:
    limits = dict(profile.get("limits", {}))
    unit = limits.pop("unit", "")
    return [
        (place, value if isinstance(value, str) else f"{value} {unit}") for place, value in limits.items()
    ]
