"""Units of acceleration and speed as loggers write them, and the factor to SI."""

import re

from vibeorder.errors import RecordingError
from vibeorder.units import KMH_MPS, MPH_MPS, STANDARD_GRAVITY

__all__ = ["acceleration_unit_in", "speed_factor", "speed_unit_in", "unit_factor"]

_ACCELERATION = {
    "m/s^2": 1.0,
    "g": STANDARD_GRAVITY,
    "mg": STANDARD_GRAVITY / 1000.0,
}
_SPEED = {"m/s": 1.0, "km/h": KMH_MPS, "mph": MPH_MPS, "knots": 1852.0 / 3600.0}

# Ways of writing, normalised by _plain(): lower case, no blanks, superscript 2 as 2.
_ACCELERATION_SPELLINGS = {
    "m/s^2": ("m/s^2", "m/s2", "m/s/s", "m/s**2", "mps2", "mps^2", "ms-2", "ms^-2", "m.s-2", "m*s^-2",
              "m/sec^2", "m/sec2", "m/ss", "ms2", "m/s²"),
    "g": ("g", "gs", "g-force", "gforce", "gn", "g0"),
    "mg": ("mg", "milli-g", "millig"),
}  # fmt: skip
_SPEED_SPELLINGS = {
    "m/s": ("m/s", "mps", "m/sec", "ms-1", "ms^-1", "m.s-1"),
    "km/h": ("km/h", "kmh", "kph", "kmph", "km/hr", "kmhr", "kmh-1"),
    "mph": ("mph", "mi/h", "mi/hr", "miles/h"),
    "knots": ("kn", "kt", "kts", "knot", "knots"),
}


def unit_factor(unit: str) -> float | None:
    """m/s^2 per `unit`, or None for "relative" and "counts"; RecordingError for an unknown unit."""
    if _plain(unit) in ("relative", "counts", "raw", "lsb"):
        return None
    known = _spelled(unit, _ACCELERATION_SPELLINGS)
    if known is None:
        raise RecordingError(f"unit {unit!r} is not known; --unit takes g, mg, m/s^2 or relative")
    return _ACCELERATION[known]


def speed_factor(unit: str) -> float:
    """m/s per `unit` of speed; RecordingError for an unknown unit."""
    known = _spelled(unit, _SPEED_SPELLINGS)
    if known is None:
        raise RecordingError(f"speed unit {unit!r} is not known; it may be m/s, km/h, mph or knots")
    return _SPEED[known]


def acceleration_unit_in(name: str) -> str | None:
    """The acceleration unit that a column name carries, or None.

    >>> acceleration_unit_in("ACCELEROMETER X (m/s²)")
    'm/s^2'
    """
    for piece in _bracketed(name):
        if (known := _spelled(piece, _ACCELERATION_SPELLINGS)) is not None:
            return known
    text = _plain(name)
    if re.search(r"m/s(\^|\*\*)?[2²]|m/s/s|mps\^?2|ms-2|m_s2|ms2$", text):
        return "m/s^2"
    if re.search(r"(^|[_\W])mg$", text):
        return "mg"
    if re.match(r"gf(orce)?[_\- ]?[xyz]?$|g[_\- ]?force", text) or re.search(r"[_\W]g$", text):
        return "g"
    return None


def speed_unit_in(name: str) -> str | None:
    """The speed unit that a column name carries, or None.

    >>> speed_unit_in("LOCATION Speed ( Kmh)")
    'km/h'
    """
    for piece in _bracketed(name):
        if (known := _spelled(piece, _SPEED_SPELLINGS)) is not None:
            return known
    text = _plain(name)
    for unit, spellings in _SPEED_SPELLINGS.items():
        for spelling in spellings:
            tail = re.escape(spelling.replace("/", "")) if len(spelling) > 2 else None
            if tail and re.search(rf"{tail}$", text.replace("/", "")):
                return unit
    return None


def _bracketed(name: str) -> list[str]:
    return re.findall(r"[(\[{]([^()\[\]{}]*)[)\]}]", name)


def _plain(text: str) -> str:
    return text.strip().lower().replace(" ", "").replace("²", "2").replace("per", "/")


def _spelled(text: str, table: dict[str, tuple[str, ...]]) -> str | None:
    plain = _plain(text)
    return next((unit for unit, spellings in table.items() if plain in spellings), None)
