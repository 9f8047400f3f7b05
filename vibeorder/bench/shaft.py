"""Critical (whirling) speed of a driveshaft tube, and whether the vehicle stays clear of it.

Pinned-pinned tube: n_c = (pi/2) / L^2 sqrt(E I / (rho A)) turns per second, I/A = (D^2 + d^2)/16
(beam theory; Carvill, Mechanical Engineer's Data Handbook, p. 45, gives k = 1.57 for short bearings).
Lumping the tube's mass at mid-span, as one textbook does, gives 0.70 of this: it is the wrong model here.
"""

import math
from dataclasses import dataclass
from typing import Literal

from vibeorder.bench.sheet import Sheet
from vibeorder.errors import VibeorderError
from vibeorder.units import INCH_M
from vibeorder.vehicle import Vehicle, rotors

__all__ = [
    "MATERIALS",
    "Material",
    "ShaftCheck",
    "Tube",
    "check_shaft",
    "critical_rate_hz",
    "shaft_rate_hz",
    "shaft_sheet",
]

# Share of the critical speed that may be used: 0.70 in automotive use (a shaft maker's technical page),
# 0.75 with another maker.
SAFETY_FRACTION = 0.70
# A speed band around half critical to avoid: another shaft maker's page.
HALF_CRITICAL_BAND = 0.08


@dataclass(frozen=True, slots=True)
class Material:
    """Young's modulus [Pa] with relative standard error, density [kg/m^3]. Values from memory."""

    name: str
    modulus_pa: float
    density_kg_m3: float
    relative_se: float


MATERIALS = {
    "steel": Material("steel", 206.8e9, 7850.0, 0.01),
    "aluminum": Material("aluminum", 69.0e9, 2700.0, 0.02),
    # Lay-up decides: the makers' own figure should be given instead.
    "carbon": Material("carbon fiber along the tube", 110.0e9, 1600.0, 0.20),
}


@dataclass(frozen=True, slots=True)
class Tube:
    """Outer diameter, wall, length between joint centers [m]; length_se_m: how well that is known."""

    outer_m: float
    wall_m: float
    length_m: float
    material: Material
    length_se_m: float = 0.005


@dataclass(frozen=True, slots=True)
class ShaftCheck:
    """verdict: "safe": highest + 2u below fraction x critical; "over": - 2u above; else "too close to call".

    longest_m: the length at which this tube would just be safe at highest_hz. half_critical_in_use: running
    speeds reach half the critical speed, where a second-order shake may excite it.
    """

    tube: Tube
    critical_hz: float
    critical_se_hz: float
    fraction: float
    safe_hz: float
    highest_hz: float | None
    verdict: Literal["safe", "over", "too close to call", "no speed given"]
    longest_m: float | None
    half_critical_in_use: bool


def critical_rate_hz(tube: Tube) -> float:
    """First bending critical rate of a pinned tube [turns per second].

    Raises VibeorderError for a tube that cannot be.
    """
    _check(tube)
    inner = tube.outer_m - 2.0 * tube.wall_m
    radius_of_gyration = math.sqrt(tube.outer_m**2 + inner**2) / 4.0
    speed_of_sound = math.sqrt(tube.material.modulus_pa / tube.material.density_kg_m3)
    return math.pi / 2.0 * radius_of_gyration * speed_of_sound / tube.length_m**2


def check_shaft(tube: Tube, highest_hz: float | None = None, fraction: float = SAFETY_FRACTION) -> ShaftCheck:
    """Critical rate with its error, against the highest rate the vehicle turns the shaft at."""
    if not 0.3 <= fraction <= 1.0:
        raise VibeorderError(
            f"safety fraction {fraction:g} is outside 0.3 to 1; common practice is 0.7 or 0.75"
        )
    critical = critical_rate_hz(tube)
    relative = math.hypot(2.0 * tube.length_se_m / tube.length_m, tube.material.relative_se / 2.0)
    se, safe = relative * critical, fraction * critical
    if highest_hz is None:
        return ShaftCheck(tube, critical, se, fraction, safe, None, "no speed given", None, False)
    if not 1e-3 < highest_hz < 500.0:
        raise VibeorderError(
            f"a highest shaft speed of {60 * highest_hz:g} rpm cannot be; give the top speed"
        )
    u = 2.0 * fraction * se
    verdict: Literal["safe", "over", "too close to call"] = "too close to call"
    if highest_hz <= safe - u:
        verdict = "safe"
    elif highest_hz > safe + u:
        verdict = "over"
    longest = tube.length_m * math.sqrt(safe / highest_hz)
    reaches_half = highest_hz >= critical / 2.0 * (1.0 - HALF_CRITICAL_BAND)
    return ShaftCheck(tube, critical, se, fraction, safe, highest_hz, verdict, longest, reaches_half)


def shaft_rate_hz(speed_mps: float, vehicle: Vehicle) -> float:
    """Rate of the (rear, else front) driveshaft at a road speed: speed / rolling circumference x its ratio.

    Turns per second. Raises VibeorderError for a vehicle without one.
    """
    shafts = {rotor.part: rotor.ratio for rotor in rotors(vehicle)}
    ratio = shafts.get("driveshaft", shafts.get("front_driveshaft"))
    if ratio is None:
        raise VibeorderError(f"{vehicle.name} has no driveshaft; give the rpm of the part")
    return speed_mps / vehicle.tire.circumference_m * ratio


def shaft_sheet(result: ShaftCheck, unit: str) -> Sheet:
    """The check in words; lengths in `unit` ("in" or "mm")."""
    critical, safe = 60 * result.critical_hz, 60 * result.safe_hz
    numbers = [
        ("critical speed", f"{critical:.0f} ± {60 * result.critical_se_hz:.0f} rpm"),
        (f"safe up to ({result.fraction:g} of it)", f"{safe:.0f} rpm"),
        ("half critical", f"{critical / 2:.0f} rpm"),
    ]
    if result.highest_hz is None or result.longest_m is None:
        return Sheet(
            f"This tube whirls at {critical:.0f} rpm; use it to {safe:.0f} rpm.", tuple(numbers), _NOTES
        )
    highest = 60 * result.highest_hz
    per_unit = INCH_M if unit.lower().startswith("in") or unit == '"' else 1e-3
    name = "in" if per_unit == INCH_M else "mm"
    numbers.append(
        ("highest shaft speed", f"{highest:.0f} rpm, {result.highest_hz / result.critical_hz:.2f} of it")
    )
    numbers.append(
        ("longest such tube", f"{result.longest_m / per_unit:.{1 if name == 'in' else 0}f} {name}")
    )
    said = {
        "safe": f"The tube is safe: {highest:.0f} rpm at most, and it may turn {safe:.0f}.",
        "over": f"The tube is too long or too thin: {highest:.0f} rpm is above the safe {safe:.0f}.",
    }.get(
        result.verdict,
        f"Too close to call: {highest:.0f} rpm against a safe {safe:.0f}; measure the length again.",
    )
    notes: tuple[str, ...] = _NOTES
    if result.half_critical_in_use:
        notes = (
            f"It runs through half critical ({critical / 2:.0f} rpm), where a joint-angle shake may wake it: "
            "look at the second order there.",
            *notes,
        )
    return Sheet(said, tuple(numbers), notes)


_NOTES = (
    "Length is from joint center to joint center, or joint center to center bearing.",
    "Soft mounts, a long slip yoke and heavy end yokes lower it; a bent or dented tube lowers it more.",
)


def _check(tube: Tube) -> None:
    if not 0.02 <= tube.outer_m <= 0.3:
        raise VibeorderError(
            f"a tube of {tube.outer_m * 1e3:.4g} mm outside diameter is not a driveshaft's (20 to 300 mm); "
            "check the number and its unit"
        )
    if not 0.0 < tube.wall_m < tube.outer_m / 2.0:
        raise VibeorderError(
            f"a wall of {tube.wall_m * 1e3:.4g} mm does not fit a tube of {tube.outer_m * 1e3:.4g} mm; "
            "check the number and its unit"
        )
    if not 4.0 * tube.outer_m <= tube.length_m <= 6.0:
        raise VibeorderError(
            f"a length of {tube.length_m * 1e3:.4g} mm is outside four diameters to 6 m, "
            "where this formula holds; check the number and its unit"
        )
