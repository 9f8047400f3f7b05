"""Text with a unit in, SI out, and back again in the user's own unit: the only place that converts.

Factors are exact by definition: international mile, inch and pound (1959 agreement), standard gravity
9.80665 m/s^2 (3rd CGPM, 1901).
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass

from vibeorder.errors import UnitError

__all__ = [
    "DASH_UNITS",
    "INCH_M",
    "KMH_MPS",
    "LARGEST",
    "MILE_M",
    "MPH_MPS",
    "POUND_KG",
    "STANDARD_GRAVITY",
    "Quantity",
    "dash_units",
    "parse_length",
    "parse_mass",
    "parse_rotation",
    "parse_sample_rate",
    "parse_speed",
    "parse_time",
    "read_number",
    "show_length",
    "show_percent",
    "show_speed",
    "show_speeds",
    "speed_axis",
]

STANDARD_GRAVITY = 9.80665
INCH_M = 0.0254
POUND_KG = 0.45359237
MILE_M = 1609.344
MPH_MPS = MILE_M / 3600.0
KMH_MPS = 1000.0 / 3600.0

_SPEED = {
    "mph": MPH_MPS,
    "mi/h": MPH_MPS,
    "km/h": KMH_MPS,
    "kmh": KMH_MPS,
    "kph": KMH_MPS,
    "m/s": 1.0,
    "mps": 1.0,
}
_LENGTH = {
    "m": 1.0,
    "mm": 1e-3,
    "cm": 1e-2,
    "in": INCH_M,
    "inch": INCH_M,
    "inches": INCH_M,
    '"': INCH_M,
    "thou": INCH_M / 1000.0,
    "um": 1e-6,
    "µm": 1e-6,
    "ft": 12.0 * INCH_M,
}
_LENGTH_DIGITS = {"m": 4, "cm": 3, "mm": 3, "um": 0, "µm": 0, "thou": 1, "ft": 4}
_MASS = {"kg": 1.0, "g": 1e-3, "lb": POUND_KG, "lbs": POUND_KG, "oz": POUND_KG / 16.0}
_ROTATION = {"rpm": 1.0 / 60.0, "rps": 1.0, "hz": 1.0}
_SAMPLE_RATE = {"hz": 1.0, "khz": 1000.0}
_TIME = {"s": 1.0, "ms": 1e-3, "min": 60.0}

DASH_UNITS = ("mph", "km/h")
"""What dashboards show; nobody drives by metres per second, which is how most logs write a speed."""

UNSAID = "m/s"
"""Stands for the user's unit of speed where none was said: both of the dashboards' are shown."""

LARGEST = 1e15
"""Of any quantity as typed: a number beyond is a slip, and squares of it would overflow."""

_THOUSANDS = re.compile(r"[-+]?[1-9]\d{0,2},\d{3}")
_NEVER_THOUSANDS = {*_SPEED, "m", "cm", "ft", "in", "inch", "inches", '"', "lb", "lbs", "oz", "khz", "min"}
"""Units in which nothing here ever counts thousands, so that "1,250 in" is an inch and a quarter."""

_TEXT = re.compile(r"^\s*([-+]?\d+(?:[.,]\d+)?|[-+]?[.,]\d+)\s*(\S.*?)?\s*$")


@dataclass(frozen=True, slots=True)
class Quantity:
    """A number in SI (``si``) that remembers how the user wrote it (``value`` and ``unit``)."""

    si: float
    value: float
    unit: str

    def __str__(self) -> str:
        return f"{self.value:g} {self.unit}"


def read_number(text: str, unit: str) -> float:
    """The number that `text` is, its comma a decimal one unless it must set thousands apart.

    unit: as in "1,800 rpm", which turns 1800 times, since nothing in a vehicle turns 1.8 times a minute.
    Raises UnitError where either could be meant, as in "1,200 g".

    >>> read_number("37,5", "g"), read_number("1,800", "rpm")
    (37.5, 1800.0)
    """
    decimal = float(text.replace(",", "."))
    thousands = 1000.0 * decimal
    if _THOUSANDS.fullmatch(text) is None or unit.lower() in _NEVER_THOUSANDS:
        return decimal
    if unit.lower() == "rpm":
        return thousands if abs(decimal) < 100.0 else decimal
    raise UnitError(
        f"{text} {unit} may be {decimal:g} {unit} or {thousands:.0f} {unit}; "
        "write the one that is meant, without a comma"
    )


def _parse(text: str, factors: dict[str, float], what: str, example: str) -> Quantity:
    match = _TEXT.match(text)
    known = ", ".join(factors)
    if match is None:
        raise UnitError(f"{what} {text!r} is not a number with a unit; write it like {example!r}")
    if abs(float(match.group(1).replace(",", "."))) > LARGEST:
        raise UnitError(f"{what} {text.strip()[:40]!r}... is far beyond anything here; check the number")
    unit = (match.group(2) or "").strip()
    factor = factors.get(unit.lower())
    if factor is None:
        said = f"has the unknown unit {unit!r}" if unit else "has no unit"
        raise UnitError(f"{what} {text!r} {said}; write it like {example!r} (units: {known})")
    number = read_number(match.group(1), unit)
    return Quantity(number * factor, number, unit)


def parse_speed(text: str) -> Quantity:
    """Road speed in m/s from text such as "60 mph", "97 km/h" or "26.8 m/s".

    >>> round(parse_speed("60 mph").si, 4)
    26.8224
    """
    return _parse(text, _SPEED, "speed", "60 mph")


def parse_length(text: str) -> Quantity:
    """Length in m from text such as "0.010 in", "12 thou", "0.25 mm" or "2.1 m"."""
    return _parse(text, _LENGTH, "length", "0.010 in")


def parse_rotation(text: str) -> Quantity:
    """Rotation rate in turns per second from text such as "1800 rpm" or "30 Hz"."""
    return _parse(text, _ROTATION, "rotation rate", "1800 rpm")


def parse_mass(text: str) -> Quantity:
    """Mass in kg from text such as "12 kg", "5 g", "26 lb" or "0.5 oz" (pound of 1959: 0.45359237 kg)."""
    return _parse(text, _MASS, "mass", "12 kg")


def parse_sample_rate(text: str) -> Quantity:
    """Sample rate in Hz from text such as "500 Hz" or "44.1 kHz"."""
    return _parse(text, _SAMPLE_RATE, "sample rate", "500 Hz")


def parse_time(text: str) -> Quantity:
    """Time in seconds from text such as "1.8 s", "-0.5 s" or "200 ms"."""
    return _parse(text, _TIME, "time", "1.8 s")


def show_speed(speed_mps: float, unit: str = "mph") -> str:
    """A road speed in the user's own unit, to the nearest whole mile or kilometre per hour."""
    value = speed_mps / _SPEED[unit.lower()]
    digits = 1 if unit.lower() in ("m/s", "mps") else 0
    return f"{value:.{digits}f} {unit}"


def dash_units(unit: str) -> tuple[str, ...]:
    """The units to show a road speed in: the user's own, or both where it is not known or no dashboard has it."""
    return (unit,) if unit in DASH_UNITS else DASH_UNITS


def show_speeds(speeds_mps: Sequence[float], unit: str) -> str:
    """One road speed, or from one to another, as a dashboard shows it.

    unit: the user's own, where known; else, as for a log in m/s, both are said.

    >>> show_speeds((20.1168, 29.0576), "mph"), show_speeds((26.8224,), "m/s")
    ('45 to 65 mph', '60 mph (97 km/h)')
    """
    said = [
        f"{' to '.join(dict.fromkeys(show_speed(v, one).split(' ')[0] for v in speeds_mps))} {one}"
        for one in dash_units(unit)
    ]
    return said[0] + (f" ({said[1]})" if len(said) > 1 else "")


def speed_axis(unit: str) -> tuple[str, float]:
    """Label of an axis of road speed and m/s per unit on it; where `unit` is no dashboard's, how to read the other."""
    if unit in DASH_UNITS:
        return f"road speed, {unit}", _SPEED[unit]
    return f"road speed, mph (1 mph is {MPH_MPS / KMH_MPS:.2f} km/h)", MPH_MPS


def show_unit(unit: str) -> str:
    """A unit of the samples as texts write it; "m/s^2" stands only where it is typed or read by programs."""
    return "m/s²" if unit == "m/s^2" else unit


def counted(number: int, thing: str) -> str:
    """So many of a thing, one of it in the singular.

    >>> counted(1, "channel"), counted(2, "channel")
    ('1 channel', '2 channels')
    """
    return f"{number} {thing}{'' if number == 1 else 's'}"


def show_signed(value: float, digits: int) -> str:
    """A number with its sign; what rounds to nothing has none.

    >>> show_signed(1.26, 1), show_signed(-0.04, 1)
    ('+1.3', '0.0')
    """
    rounded = round(value, digits)
    return f"{rounded:+.{digits}f}" if rounded else f"{0.0:.{digits}f}"


def show_percent(probability: float) -> str:
    """A probability as a whole percent, to the nearest, that never claims certainty; on every screen and sheet.

    >>> [show_percent(p) for p in (0.974, 0.994, 0.9951, 0.0049)]
    ['97%', '99%', 'over 99%', 'under 1%']
    """
    whole = round(100.0 * probability)
    return "over 99%" if whole >= 100 else "under 1%" if whole < 1 else f"{whole}%"


def show_length(length_m: float, unit: str) -> str:
    """A small length in the user's own unit, to a tenth of a thou or a thousandth of a millimetre.

    >>> show_length(0.0001016, "in")
    '0.0040 in'
    """
    digits = _LENGTH_DIGITS.get(unit.lower(), 4)
    return f"{length_m / _LENGTH[unit.lower()]:.{digits}f} {unit}"
