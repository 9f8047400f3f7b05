"""What the technician typed round one turn: degrees, clock positions or bolt numbers, with a unit."""

import itertools
import math
import re
from dataclasses import dataclass
from typing import Literal

from vibeorder.errors import UnitError, VibeorderError
from vibeorder.units import parse_length

__all__ = [
    "Counting",
    "Extremes",
    "Readings",
    "name_angle",
    "parse_extreme",
    "parse_readings",
    "parse_runout_vector",
]

Counting = Literal["degrees", "clock", "bolts"]

MIN_PLACES = 4
# The longest plunger dials travel 50 to 100 mm (JIS B 7503:2011 ends there).
LONGEST_TRAVEL_M = 0.1
_NUMBER = r"[-+]?(?:\d+(?:[.,]\d+)?|[.,]\d+)"
_UNIT = r"(?:thou|inches|inch|in|mm|cm|um|µm|\")"
_ITEM = re.compile(
    rf"^(?:(?P<bolt>b)?(?P<place>\d+(?:[.,:]\d+)?)(?P<clock>h)?:)?"
    rf"(?P<value>{_NUMBER})(?P<unit>{_UNIT})?$"
)


@dataclass(frozen=True, slots=True)
class Readings:
    """Indicator readings as shown, before any correction.

    angles_deg, shown_m: one each per place, in the order typed. counting, bolts: how the places were named.
    closing_m: the start place read again after the full turn (typed as 360), or None.
    back_m: the same places read turning backwards, or None. unit: the user's own.
    """

    angles_deg: tuple[float, ...]
    shown_m: tuple[float, ...]
    unit: str
    counting: Counting = "degrees"
    bolts: int = 0
    closing_m: float | None = None
    back_m: tuple[float, ...] | None = None


@dataclass(frozen=True, slots=True)
class Extremes:
    """The short form: only the highest and the lowest reading and where; an angle is None where not noted."""

    high_m: float
    low_m: float
    high_deg: float | None
    low_deg: float | None
    unit: str


def parse_readings(text: str, *, bolts: int | None = None, back: str | None = None) -> Readings:
    """Readings from text, the unit at the end: "0 2 5 7 6 4 1 -1 thou" (spread evenly from the mark),
    "0:0 45:2 110:5 ... thou" (degrees), "12h:0 3h:2 6h:5 9h:3 thou" (clock), "b1:0 b2:3 ... in" (bolts).

    bolts: how many bolts the flange has, where fewer were read. back: the same places read turning backwards.
    A place 360 (or 0 again at the end as 360) is the start read again: a check that nothing moved.
    Raises VibeorderError with the place that is wrong, UnitError without a unit.
    """
    items, unit = _items(text)
    counting, angles = _angles([place for place, _ in items], bolts)
    scale = parse_length(f"1 {unit}").si
    shown = [value * scale for _, value in items]
    closing = None
    if len(angles) > 1 and angles[-1] == 360.0:
        closing = shown.pop()
        angles.pop()
    _check_places(angles)
    _check_dial(shown)
    back_m = None
    if back is not None:
        back_items, back_unit = _items(back if _ends_in_unit(back) else f"{back} {unit}")
        factor = parse_length(f"1 {back_unit}").si
        if len(back_items) != len(shown):
            raise VibeorderError(
                f"{len(shown)} readings forwards but {len(back_items)} backwards; read the same places"
            )
        back_m = tuple(value * factor for _, value in back_items)
        _check_dial(list(back_m))
    number = _bolt_count([p for p, _ in items], bolts) if counting == "bolts" else 0
    return Readings(tuple(angles), tuple(shown), unit, counting, number, closing, back_m)


def parse_extreme(high: str, low: str) -> Extremes:
    """The short form from "5 thou@90" and "-3 thou@270"; the place may be left out."""
    high_m, unit, high_deg = parse_runout_vector(high, angle_needed=False)
    low_m, _, low_deg = parse_runout_vector(low, angle_needed=False)
    return Extremes(high_m, low_m, high_deg, low_deg, unit)


def parse_runout_vector(text: str, *, angle_needed: bool = True) -> tuple[float, str, float | None]:
    """(metres, unit, degrees) from "12 thou@30" or "12 thou@1h"."""
    amount, at, place = text.partition("@")
    length = parse_length(amount)
    _check_dial([length.si])
    if not at:
        if angle_needed:
            raise VibeorderError(f"{text!r} does not say where the high spot is; write it like '12 thou@30'")
        return length.si, length.unit, None
    return length.si, length.unit, _one_angle(place.strip())


def name_angle(angle_deg: float, readings: Readings | None) -> str:
    """An angle in the way the places were named: '137 deg', "4:30 o'clock", 'bolt 4 + 2 deg'.

    >>> name_angle(135.0, Readings((0.0,), (0.0,), "thou", "clock"))
    "4:30 o'clock"
    """
    angle = angle_deg % 360.0
    if readings is None or readings.counting == "degrees":
        return f"{round(angle) % 360} deg"
    if readings.counting == "clock":
        minutes = round(angle / 360.0 * 720.0 / 15.0) * 15 % 720
        return f"{minutes // 60 or 12}:{minutes % 60:02d} o'clock"
    step = 360.0 / readings.bolts
    nearest = round(angle / step)
    off = angle - nearest * step
    bolt = nearest % readings.bolts + 1
    return f"bolt {bolt}" if abs(off) < 0.5 else f"bolt {bolt} {off:+.0f} deg"


def _ends_in_unit(text: str) -> bool:
    return re.search(rf"(?:^|[\s\d]){_UNIT}\s*$", text.lower()) is not None


def _items(text: str) -> tuple[list[tuple[str, float]], str]:
    """(place text, number) of each reading, and the one unit."""
    tidy = re.sub(r"\s*:\s*", ":", text.replace(";", " ").strip())
    tokens = [t for raw in tidy.split() for t in _split_commas(raw.rstrip(","))]
    units: list[str] = []
    items: list[tuple[str, float]] = []
    for token in tokens:
        if re.fullmatch(_UNIT, token.lower()):
            units.append(token.lower())
            continue
        match = _ITEM.match(token.lower())
        if match is None:
            raise VibeorderError(
                f"reading {token!r} is not understood; write '0 2 5 7 6 4 1 -1 thou', "
                "'0:0 90:4 180:7 270:2 thou', '12h:0 3h:4 6h:7 9h:2 thou' or 'b1:0 b2:4 b3:7 b4:2 thou'"
            )
        if match["unit"]:
            units.append(match["unit"])
        place = f"{'b' if match['bolt'] else ''}{match['place'] or ''}{'h' if match['clock'] else ''}"
        items.append((place, float(match["value"].replace(",", "."))))
    if not units:
        raise UnitError(f"the readings {text!r} have no unit; put thou, in or mm at the end")
    if len(set(units)) > 1:
        raise UnitError(f"the readings mix {' and '.join(sorted(set(units)))}; write them all in one unit")
    return items, units[0]


def _split_commas(token: str) -> list[str]:
    """One comma is a decimal comma, more than one separates readings."""
    return token.split(",") if token.count(",") > 1 else [token]


def _one_angle(place: str) -> float:
    clock = re.fullmatch(r"(\d{1,3})(?::(\d\d))?h", place)
    if clock:
        return (int(clock[1]) % 12) * 30.0 + int(clock[2] or 0) * 0.5
    try:
        angle = float(place.replace(",", ".").removesuffix("deg").strip())
    except ValueError:
        angle = math.nan
    if not math.isfinite(angle):
        raise VibeorderError(
            f"place {place!r} is not an angle; write degrees like 30 or a clock position like 1h"
        )
    return angle if angle == 360.0 else angle % 360.0


def _angles(places: list[str], bolts: int | None) -> tuple[Counting, list[float]]:
    named = [p for p in places if p]
    if not named:
        return ("bolts" if bolts == len(places) else "degrees"), [
            i * 360.0 / len(places) for i in range(len(places))
        ]
    if len(named) < len(places):
        raise VibeorderError("some readings name their place and some do not; name all of them, or none")
    kinds = {"bolts" if p[0] == "b" else "clock" if p[-1] == "h" else "degrees" for p in places}
    if len(kinds) > 1:
        raise VibeorderError(f"the places are counted in {' and '.join(sorted(kinds))}; use one way for all")
    if kinds == {"bolts"}:
        count = _bolt_count(places, bolts)
        if not all(re.fullmatch(r"\d{1,3}", p[1:]) for p in places):
            raise VibeorderError("a bolt number is a whole number; write b1, b2, b3 ...")
        numbers = [int(p[1:]) for p in places]
        wrong = next((n for n in numbers if not 1 <= n <= count), None)
        if wrong is not None:
            raise VibeorderError(
                f"bolt {wrong} does not exist on a flange of {count}; check the bolt numbers"
            )
        return "bolts", [(n - 1) * 360.0 / count for n in numbers]
    return ("clock" if kinds == {"clock"} else "degrees"), [_one_angle(p) for p in places]


def _bolt_count(places: list[str], bolts: int | None) -> int:
    return (
        bolts
        if bolts
        else max((int(p[1:]) for p in places if re.fullmatch(r"\d{1,3}", p[1:])), default=len(places))
    )


def _check_dial(shown_m: list[float]) -> None:
    largest = max(shown_m, key=abs)
    if not abs(largest) <= LONGEST_TRAVEL_M:
        raise VibeorderError(
            f"a reading of {largest * 1e3:.4g} mm is beyond any dial's travel; check the number and its unit"
        )


def _check_places(angles: list[float]) -> None:
    if len(angles) < MIN_PLACES:
        raise VibeorderError(
            f"{len(angles)} readings cannot tell wobble from shape; read at least {MIN_PLACES} places, "
            "better 8, spread round the turn"
        )
    ordered = sorted(a % 360.0 for a in angles)
    twice = next((a for a, b in itertools.pairwise(ordered) if b - a < 0.5), None)
    if twice is not None:
        raise VibeorderError(
            f"the place {twice:g} deg was read twice; give each place once (360 for the start again)"
        )
