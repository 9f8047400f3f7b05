"""Tire size designation -> outside diameter, and what a loaded tire of that size rolls per turn.

Outside diameter of a metric size: rim x 25.4 mm + 2 x width x aspect / 100 (Tire and Rim Association and
ETRTO size tables; ISO 4000-1). Flotation and hard-metric sizes carry it in the designation itself.
A loaded radial tire rolls less than the free circumference: 3.05 x diameter per turn (2.99 for bias-ply),
against pi x diameter. 3.05: ETRTO convention, as used by the European Commission JRC's CO2MPAS
(``tyre_dynamic_rolling_coefficient``); 2.99: value from memory, not confirmed.
"""

import math
import re
from dataclasses import dataclass, replace
from typing import Literal

from vibeorder.errors import VehicleError
from vibeorder.units import INCH_M, MILE_M
from vibeorder.vehicle.model import RollingTire

__all__ = ["TireSize", "parse_tire", "rolling_tire"]

ROLLING_RADIAL = 3.05
ROLLING_BIAS = 2.99

# Seven published size/revolutions pairs scatter by 0.5 %, and two treads of one size differ by 0.9 %: 0.006
# for a new tire. 8 mm of worn tread on 700 mm is 2.3 % at worst, pressure and load add to it: 0.010.
SE_FROM_SIZE = 0.010
SE_UNSTATED_BUILD = 0.015  # '-' in a metric size: radial or bias, 2 % apart
SE_PUBLISHED = 0.006
SE_MEASURED = (
    0.003  # a chalk mark and a tape measure: a few millimetres in two metres, load and pressure true
)

# Many "published" revolutions per mile are nothing but the free circumference: within this of it, they are.
GEOMETRIC_WITHIN = 0.002
# Beyond this two statements about one tire cannot both be true, however worn it is.
DISAGREE_BEYOND = 0.06

NUMERIC_ASPECT = 92.0  # "7.50R16": section height 92 % of width, as such sizes are commonly taken
TUBELESS_ASPECT = 86.5  # "11R22.5": tables have 1054 mm for it and 1085 mm for 12R22.5 (from memory)
FULL_ASPECT = 80.0  # "185R14C": no aspect printed; common practice, no source

Construction = Literal["radial", "bias", "unstated"]


@dataclass(frozen=True, slots=True)
class TireSize:
    """A tire by its designation.

    text: as the user wrote it, spaces trimmed. width_mm: section width (0 where not part of the designation).
    aspect: section height / width in percent, or None where the designation carries the diameter.
    rim_m, diameter_m: rim and free outside diameter. construction: "unstated" for '-' in a metric size.
    note: what was assumed, or ''.
    """

    text: str
    width_mm: float
    aspect: float | None
    rim_m: float
    diameter_m: float
    construction: Construction
    note: str = ""

    @property
    def commercial(self) -> bool:
        """Whether it is of a bus or of a medium or heavy truck.

        Rims of 17.5, 19.5, 22.5 and 24.5 inches have seats of 15 degrees and are made for such vehicles only (ETRTO
        and Tire and Rim Association rim standards, from memory).
        """
        inches = self.rim_m / INCH_M
        return inches > 17.0 and abs(inches % 1.0 - 0.5) < 0.01


_NUMBER = r"\d{1,4}(?:[.,]\d{1,3})?"
_BUILD = r"\s*(Z\s*R|[SHVW]R|R\s*F|ZRF|R|B|D|-|/)\s*"
# What may follow the size: C or LT, load range, load index and speed letter, extra-load and winter marks.
_SUFFIX = (
    r"(?:\s*/?\s*(?:LT|C|CP|ST|XL|RF|RFT|SSR|SL|HL|TL|TT|M\s*\+\s*S|3PMSF|\d{1,2}\s*PR|L[LR]\s*[A-N]|[B-N]"
    r"|\(?\d{2,3}(?:/\d{2,3})?\s*(?:A[1-8]|[B-HJ-NP-WYZ])\)?|\(\s*[WY]\s*\)|\d{2,3}(?:/\d{2,3})?)){0,6}\s*$"
)
_METRIC = re.compile(
    rf"^(?:P|LT|T|ST|HL)?\s*({_NUMBER})\s*/\s*({_NUMBER}){_BUILD}({_NUMBER})(?!\d){_SUFFIX}", re.IGNORECASE
)
_FLOTATION = re.compile(
    rf"^(?:LT)?\s*({_NUMBER})\s*[x*]\s*({_NUMBER})\s*(R|B|D|-|/|x)\s*({_NUMBER})(?!\d){_SUFFIX}",
    re.IGNORECASE,
)
_HARD_METRIC = re.compile(
    rf"^({_NUMBER})\s*-\s*({_NUMBER})\s*(R|D|B)\s*({_NUMBER})(?!\d){_SUFFIX}", re.IGNORECASE
)
_NUMERIC = re.compile(
    rf"^(?:P|LT)?\s*(\d{{1,2}}[.,]\d{{1,2}})\s*(R|B|D|-)\s*({_NUMBER})(?!\d){_SUFFIX}", re.IGNORECASE
)
_TUBELESS = re.compile(
    rf"^(?:LT)?\s*(\d{{1,2}}(?:[.,]\d{{1,2}})?)\s*(R|-)\s*((?:17|19|22|24)[.,]5)(?!\d){_SUFFIX}",
    re.IGNORECASE,
)
_FULL_PROFILE = re.compile(rf"^(?:P|LT)?\s*(\d{{3}})\s*([SH]?R)\s*({_NUMBER})(?!\d){_SUFFIX}", re.IGNORECASE)

_MAX_TEXT = 60


def parse_tire(text: str) -> TireSize:
    """Read a tire size designation.

    Understood: 275/65R18, P225/65R17 102H, LT265/70R17 121/118S, 225/45ZR17 (94Y), T145/70D17, 205/65R15C,
    31x10.50R15LT, 7.50R16 (aspect 92 taken), 185R14C (aspect 80 taken), 205-640R440 (rim in mm).

    Raises VehicleError when the text is none of these, or names a tire that no road vehicle carries.

    >>> round(parse_tire("275/65R18").diameter_m, 4)
    0.8147
    """
    trimmed = " ".join(text.split()).replace("×", "x")
    if len(trimmed) <= _MAX_TEXT and trimmed.isascii():
        for pattern, build in _FORMS:
            match = pattern.match(trimmed)
            if match:
                return _plausible(build(trimmed, match))
    shown = trimmed if len(trimmed) <= _MAX_TEXT else trimmed[:_MAX_TEXT] + "..."
    raise VehicleError(
        f"tire size {shown!r} is not understood; write it as on the sidewall, like '275/65R18', "
        "'LT265/70R17' or '31x10.50R15LT'"
    )


def rolling_tire(
    *,
    size: str | None = None,
    diameter_mm: float | None = None,
    revs_per_mile: float | None = None,
    revs_per_km: float | None = None,
    circumference_mm: float | None = None,
    diameter_given: str = "",
    circumference_given: str = "",
) -> RollingTire:
    """What a loaded tire rolls per turn, from the best of what is known about it.

    A measured `circumference_mm` beats published revolutions, which beat a free diameter, which beats a size.
    Revolutions equal to pi x diameter within 0.2 % are geometric, not measured: then the diameter decides.
    The `..._given` texts are how the user wrote a length ("95.2 in"), to be shown again; else millimetres.

    Raises VehicleError when nothing is given, or two statements differ by more than 6 %.
    """
    free_m, from_free = _from_free(size, diameter_mm, diameter_given)
    published = _published(revs_per_mile, revs_per_km)
    measured = None
    if circumference_mm is not None:
        given = f"circumference {circumference_given or f'{circumference_mm:g} mm'} measured"
        measured = RollingTire(circumference_mm / 1000.0, SE_MEASURED, given)
    best = _best(free_m, from_free, published, measured)
    return replace(best, commercial=from_free is not None and from_free.commercial)


def _best(
    free_m: float | None,
    from_free: RollingTire | None,
    published: RollingTire | None,
    measured: RollingTire | None,
) -> RollingTire:
    if measured is not None:
        return _agreeing(measured, from_free)
    if published is not None:
        if free_m is None or from_free is None:
            note = (
                f"{published.given} taken as measured under load; add the tire size so that it can be checked"
            )
            return RollingTire(published.circumference_m, published.relative_se, published.given, note)
        if abs(published.circumference_m / (math.pi * free_m) - 1.0) <= GEOMETRIC_WITHIN:
            note = (
                f"{published.given} is pi x the free diameter, not a rolling figure; {from_free.given} used"
            )
            return RollingTire(from_free.circumference_m, from_free.relative_se, from_free.given, note)
        return _agreeing(published, from_free)
    if from_free is None:
        raise VehicleError("no tire is given; write size, diameter_mm, revs_per_mile or circumference_mm")
    return from_free


def _metric(text: str, match: re.Match[str]) -> TireSize:
    width_mm, aspect, rim = (_number(match.group(i)) for i in (1, 2, 4))
    letters = match.group(3).upper()
    construction: Construction = "bias" if letters in ("D", "B") else "radial"
    note = ""
    if letters == "-":
        construction = "unstated"
        note = f"tire size {text!r} does not say radial (R) or bias-ply (D); radial taken"
    rim_m = _rim_m(rim)
    return TireSize(text, width_mm, aspect, rim_m, rim_m + 2e-5 * width_mm * aspect, construction, note)


def _flotation(text: str, match: re.Match[str]) -> TireSize:
    diameter_in, width_in, rim_in = (_number(match.group(i)) for i in (1, 2, 4))
    construction: Construction = "bias" if match.group(3).upper() in ("D", "B", "-") else "radial"
    return TireSize(text, width_in * INCH_M * 1e3, None, rim_in * INCH_M, diameter_in * INCH_M, construction)


def _hard_metric(text: str, match: re.Match[str]) -> TireSize:
    width_mm, diameter_mm, rim_mm = (_number(match.group(i)) for i in (1, 2, 4))
    construction: Construction = "radial" if match.group(3).upper() == "R" else "bias"
    return TireSize(text, width_mm, None, rim_mm / 1e3, diameter_mm / 1e3, construction)


def _tubeless(text: str, match: re.Match[str]) -> TireSize:
    return _numeric(text, match, TUBELESS_ASPECT)


def _numeric(text: str, match: re.Match[str], aspect: float = NUMERIC_ASPECT) -> TireSize:
    width_mm = _number(match.group(1)) * INCH_M * 1e3
    rim_m = _rim_m(_number(match.group(3)))
    construction: Construction = "radial" if match.group(2).upper() == "R" else "bias"
    diameter_m = rim_m + 2e-5 * width_mm * aspect
    note = f"tire size {text!r} carries no aspect ratio; {aspect:g} % taken"
    return TireSize(text, width_mm, aspect, rim_m, diameter_m, construction, note)


def _full_profile(text: str, match: re.Match[str]) -> TireSize:
    width_mm = _number(match.group(1))
    rim_m = _rim_m(_number(match.group(3)))
    diameter_m = rim_m + 2e-5 * width_mm * FULL_ASPECT
    note = f"tire size {text!r} carries no aspect ratio; {FULL_ASPECT:g} % taken"
    return TireSize(text, width_mm, FULL_ASPECT, rim_m, diameter_m, "radial", note)


_FORMS = (
    (_METRIC, _metric),
    (_FLOTATION, _flotation),
    (_HARD_METRIC, _hard_metric),
    (_TUBELESS, _tubeless),
    (_NUMERIC, _numeric),
    (_FULL_PROFILE, _full_profile),
)

# Limits of what rolls on roads, from a small trailer to the largest truck and flotation tires; wide on
# purpose, they exist to catch a slipped digit. common practice, no source.
_WIDTH_MM = (100.0, 600.0)
_ASPECT = (20.0, 100.0)
_RIM_M = (8 * INCH_M, 32 * INCH_M)
_DIAMETER_M = (0.35, 1.5)
_LARGEST_INCH_RIM = 40.0


def _plausible(tire: TireSize) -> TireSize:
    checks = (
        ("section width", tire.width_mm, _WIDTH_MM, "mm"),
        ("aspect ratio", tire.aspect if tire.aspect is not None else 50.0, _ASPECT, "%"),
        ("rim diameter", tire.rim_m / INCH_M, (_RIM_M[0] / INCH_M, _RIM_M[1] / INCH_M), "in"),
        ("outside diameter", tire.diameter_m * 1e3, (_DIAMETER_M[0] * 1e3, _DIAMETER_M[1] * 1e3), "mm"),
    )
    for what, value, (low, high), unit in checks:
        if not low <= value <= high:
            raise VehicleError(
                f"tire size {tire.text!r}: {what} {value:.4g} {unit} is outside "
                f"{low:g} to {high:g} {unit}; check it against the sidewall"
            )
    if tire.diameter_m <= tire.rim_m:
        raise VehicleError(
            f"tire size {tire.text!r}: the tire is smaller than its rim; check it against the sidewall"
        )
    return tire


def _rim_m(rim: float) -> float:
    """Rims above 40 are millimetres (365, 390, 440), all others inches."""
    return rim / 1e3 if rim > _LARGEST_INCH_RIM else rim * INCH_M


def _number(text: str) -> float:
    return float(text.replace(",", "."))


def _from_free(
    size: str | None, diameter_mm: float | None, diameter_given: str = ""
) -> tuple[float | None, RollingTire | None]:
    """Free diameter, and the tire rolled from it."""
    if diameter_mm is not None:
        diameter_m = diameter_mm / 1e3
        tire = RollingTire(
            ROLLING_RADIAL * diameter_m, SE_PUBLISHED, f"diameter {diameter_given or f'{diameter_mm:g} mm'}"
        )
        return diameter_m, _agreeing(tire, _from_free(size, None)[1])
    if size is None:
        return None, None
    parsed = parse_tire(size)
    factor = ROLLING_BIAS if parsed.construction == "bias" else ROLLING_RADIAL
    se = SE_UNSTATED_BUILD if parsed.construction == "unstated" else SE_FROM_SIZE
    tire = RollingTire(factor * parsed.diameter_m, se, parsed.text, parsed.note, parsed.commercial)
    return parsed.diameter_m, tire


def _published(revs_per_mile: float | None, revs_per_km: float | None) -> RollingTire | None:
    per_km = (
        None
        if revs_per_km is None
        else RollingTire(1e3 / revs_per_km, SE_PUBLISHED, f"{revs_per_km:g} revs per km")
    )
    if revs_per_mile is None:
        return per_km
    return _agreeing(
        RollingTire(MILE_M / revs_per_mile, SE_PUBLISHED, f"{revs_per_mile:g} revs per mile"), per_km
    )


def _agreeing(best: RollingTire, other: RollingTire | None) -> RollingTire:
    if other is None:
        return best
    off = best.circumference_m / other.circumference_m - 1.0
    if abs(off) > DISAGREE_BEYOND:
        raise VehicleError(
            f"{best.given} and {other.given} differ by {abs(off):.0%} in what the tire rolls "
            f"({best.circumference_m:.3f} m against {other.circumference_m:.3f} m a turn); one is wrong"
        )
    return best
