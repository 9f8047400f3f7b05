"""Checks of single values in a profile: each failure is one sentence with a guess at what was meant."""

import difflib
from collections.abc import Iterable, Mapping

from vibeorder.errors import VehicleError
from vibeorder.units import LARGEST

__all__ = ["check_keys", "number", "text_of", "whole"]

_SYNONYMS = {"tyre": "tire", "tyres": "tire", "tires": "tire", "wheel": "tire", "gearbox": "transmission"}


def number(value: object, where: str, low: float, high: float) -> float:
    """`value` as a finite float within `low` to `high`; the VehicleError guesses a slipped decimal point."""
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        raise VehicleError(f"{where} must be a number, not {_shown(value)}{_unquoted(value)}")
    if not abs(value) <= LARGEST:
        raise VehicleError(f"{where} is {_shown(value)}; write a number from {low:g} to {high:g}")
    if low <= value <= high:
        return float(value)
    guess = _slipped(float(value), low, high)
    meant = f"; did you mean {guess:g}?" if guess is not None else "; check it against the vehicle"
    raise VehicleError(f"{where} {value:g} is outside {low:g} to {high:g}{meant}")


def whole(value: object, where: str, allowed: Iterable[int]) -> int:
    """`value` as one of the `allowed` whole numbers; a float without a fraction passes."""
    numbers = sorted(allowed)
    is_number = isinstance(value, (int, float)) and not isinstance(value, bool)
    if not is_number:
        raise VehicleError(f"{where} must be a whole number, not {_shown(value)}{_unquoted(value)}")
    if value in numbers:
        return int(value)
    listed = f"{numbers[0]} to {numbers[-1]}" if len(numbers) > 3 else " or ".join(map(str, numbers))
    raise VehicleError(f"{where} {_shown(value)} is not possible; it must be {listed}")


def text_of(value: object, where: str, example: str) -> str:
    """`value` as text of one line that is not blank."""
    if not isinstance(value, str):
        raise VehicleError(f"{where} must be text in quotes, like {example!r}, not {_shown(value)}")
    if not value.strip() or not value.strip().isprintable():
        raise VehicleError(f"{where} must be one line of plain text, like {example!r}")
    return value.strip()


def check_keys(
    found: Mapping[str, object],
    known: Iterable[str],
    where: str,
    elsewhere: Mapping[str, str],
    kind: str = "key",
) -> None:
    """Refuse a key that is not known, suggesting the nearest one, or the section where it belongs."""
    names = list(known)
    for key in found:
        if key in names:
            continue
        near = difflib.get_close_matches(key.lower(), names, n=1, cutoff=0.6)
        guess = _SYNONYMS.get(key.lower(), near[0] if near else None)
        if guess in names:
            raise VehicleError(f"{where} has no {kind} {key!r:.60}; did you mean {guess!r}?")
        home = elsewhere.get(key)
        if home is not None:
            raise VehicleError(f"{where} has no {kind} {key!r:.60}; it belongs under [{home}]")
        raise VehicleError(f"{where} has no {kind} {key!r:.60}; known are {', '.join(names)}")


def _slipped(value: float, low: float, high: float) -> float | None:
    """The value within bounds that a slipped point or a stray sign would have spoiled, nearest slip first."""
    if value == 0:
        return None
    for factor in (1.0, 0.1, 10.0, 0.01, 100.0, 0.001, 1000.0):
        guess = float(f"{abs(value) * factor:.6g}")
        if low <= guess <= high:
            return guess
    return None


def _shown(value: object) -> str:
    if isinstance(value, str):
        shown = value if len(value) <= 40 else value[:40] + "..."
        return f"the text {shown!r}"
    if isinstance(value, Mapping):
        return "a section"
    if isinstance(value, list):
        return "a list"
    return f"{value!s:.40}"


def _unquoted(value: object) -> str:
    """A hint where the text in quotes would have been a good number without them."""
    if not isinstance(value, str):
        return ""
    try:
        plain = float(value.replace(",", "."))
    except ValueError:
        return ""
    return f"; write {plain:g} without quotes" if abs(plain) < 1e6 else ""
