"""What runout does: eccentricity x mass is unbalance, and unbalance pulls with the square of speed.

e = TIR/2 (first harmonic), U = m e, F = m e w^2, w = 2 pi n.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from vibeorder.bench.grades import SHAFT_GRADE, WHEEL_GRADE, check_rotor, grade_of, permissible_unbalance_kg_m
from vibeorder.bench.sheet import Sheet
from vibeorder.errors import VibeorderError
from vibeorder.units import POUND_KG, STANDARD_GRAVITY, show_length

__all__ = ["AtSpeed", "Effect", "effect_of_runout", "effect_sheet", "left_after_balance"]


@dataclass(frozen=True, slots=True)
class AtSpeed:
    """force_n: centrifugal force of the unbalance, with its standard error. grade_mm_s: the G it amounts to.

    times_g16, times_g40: unbalance over what those grades allow. left_share: part of the force that comes
    back after balancing at the ends (None without a critical speed).
    """

    rate_hz: float
    force_n: float
    force_se_n: float
    grade_mm_s: float
    times_g16: float
    times_g40: float
    left_share: float | None


@dataclass(frozen=True, slots=True)
class Effect:
    """eccentricity_m: half the total indicator reading. unbalance_kg_m: of the mass that runs off center.

    one_end: only one end of the shaft is off center, the mean eccentricity is half.
    """

    tir_m: float
    eccentricity_m: float
    mass_kg: float
    one_end: bool
    unbalance_kg_m: float
    unbalance_se_kg_m: float
    speeds: tuple[AtSpeed, ...]
    critical_hz: float | None


def effect_of_runout(
    tir_m: float,
    mass_kg: float,
    rates_hz: Sequence[float],
    *,
    tir_se_m: float = 0.0,
    mass_se_kg: float = 0.0,
    one_end: bool = False,
    critical_hz: float | None = None,
) -> Effect:
    """Unbalance, force and grade at each rate. tir_m is that of the first harmonic.

    one_end: eccentricity falls from e at one end to nothing at the other, so U = m e / 2.
    Raises VibeorderError for a mass, speed or runout that cannot be.
    """
    if not tir_m > 0.0:
        raise VibeorderError("a runout of nothing does nothing; give the total indicator reading")
    if critical_hz is not None:
        check_rotor(mass_kg, critical_hz)
    share = 0.5 if one_end else 1.0
    e = tir_m / 2.0
    unbalance = share * mass_kg * e
    relative = math.hypot(tir_se_m / tir_m, mass_se_kg / mass_kg if mass_kg > 0.0 else 0.0)
    speeds = tuple(_at(unbalance, relative, mass_kg, rate, critical_hz) for rate in rates_hz)
    return Effect(tir_m, e, mass_kg, one_end, unbalance, relative * unbalance, speeds, critical_hz)


def left_after_balance(rate_hz: float, critical_hz: float, plane_fraction: float = 0.0) -> float:
    """Share of an evenly off-center shaft's force that comes back after weights near its ends cancelled it.

    The weights cancel the sum but not the bending: with r = rate / critical and planes at a fraction a of the
    length from the ends, first bending mode of a pinned beam,
        share = (4/pi) (2/pi - sin(pi a)) r^2 / (1 - r^2).
    Nothing at a crawl, everything near r = 0.74. Derived from the mode shape sin(pi x / L), modal mass m/2.
    """
    r = rate_hz / critical_hz
    if r >= 1.0:
        raise VibeorderError(
            f"{60 * rate_hz:.0f} rpm is above the critical speed of {60 * critical_hz:.0f} rpm; a driveshaft "
            "must never run there: check the shaft's size and length"
        )
    return 4.0 / math.pi * (2.0 / math.pi - math.sin(math.pi * plane_fraction)) * r * r / (1.0 - r * r)


def effect_sheet(result: Effect, unit: str, mass: str | None = None) -> Sheet:
    """The effect in words, the mass as typed; the last speed given is the one spoken of."""
    top = result.speeds[-1]
    force = f"{top.force_n:.0f} N ({top.force_n / (POUND_KG * STANDARD_GRAVITY):.0f} lbf)"
    allowed = "within" if top.times_g16 <= 1.0 else f"{top.times_g16:.1f} times"
    weight = mass or f"{result.mass_kg:g} kg"
    sentence = (
        f"{show_length(result.tir_m, unit)} of runout on {weight} pulls with {force}, "
        f"once a turn, at {60 * top.rate_hz:.0f} rpm: {allowed} what grade G 16 allows a driveshaft."
    )
    numbers = [
        ("off center by", show_length(result.eccentricity_m, unit)),
        ("unbalance", f"{result.unbalance_kg_m * 1e6:.0f} ± {result.unbalance_se_kg_m * 1e6:.0f} g mm"),
    ]
    for s in result.speeds:
        text = (
            f"{s.force_n:.0f} ± {s.force_se_n:.0f} N, G {s.grade_mm_s:.1f}, "
            f"{s.times_g16:.2f} x G 16, {s.times_g40:.2f} x G 40"
        )
        if s.left_share is not None:
            text += f", {100 * s.left_share:.0f}% comes back after balancing at the ends"
        numbers.append((f"at {60 * s.rate_hz:.0f} rpm", text))
    return Sheet(sentence, tuple(numbers), _notes(result))


def _at(
    unbalance: float, relative: float, mass_kg: float, rate_hz: float, critical_hz: float | None
) -> AtSpeed:
    check_rotor(mass_kg, rate_hz)
    force = unbalance * (2.0 * math.pi * rate_hz) ** 2
    return AtSpeed(
        rate_hz,
        force,
        relative * force,
        grade_of(unbalance, mass_kg, rate_hz),
        unbalance / permissible_unbalance_kg_m(mass_kg, rate_hz, SHAFT_GRADE),
        unbalance / permissible_unbalance_kg_m(mass_kg, rate_hz, WHEEL_GRADE),
        None if critical_hz is None else left_after_balance(rate_hz, critical_hz),
    )


def _notes(result: Effect) -> tuple[str, ...]:
    notes = ["Force grows with the square of speed: twice the speed, four times the pull."]
    if result.one_end:
        notes.append(
            "One end off center: the near end carries two thirds of the pull, the far end one third."
        )
    if result.critical_hz is None:
        notes.append("Give the shaft's critical speed to see how much of it comes back after balancing.")
    notes.append(
        "Weights cancel the pull where they sit, not the bending between them nor the angle a bent flange "
        "gives the joint: cure the runout first, then balance what is left."
    )
    return tuple(notes)
