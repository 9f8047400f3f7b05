"""The drives that could be made: speeds about where it shakes, every gear possible there, neutral, standing still.

Limits and costs are common practice, no source.
"""

import numpy as np

from vibeorder.diagnosis.drive_model import DriveChoice
from vibeorder.units import KMH_MPS, MPH_MPS
from vibeorder.vehicle import Vehicle, engine_ratio

__all__ = ["COST_BITS", "FASTEST_MPS", "cost_bits", "drive_choices", "rounded_speed", "usual_gear"]


COST_BITS = {"stand": 0.0, "hold": 0.02, "sweep": 0.03, "shift": 0.15, "load": 0.1, "coast": 0.12}
"""What a drive must bring more than the cheapest, in bits. A standstill needs no road; a held speed is the easiest
to repeat and to read; changing load needs a hill or attention, and its result is compared by hand; neutral at speed
takes engine braking from the driver, so it must earn its place; through a shift no one gear can be told to the
diagnosis, which has to find it."""

ELSEWHERE_BITS = 0.05
"""Further cost of a held speed that is not the one where it shakes: there it is known to shake."""

SLOWEST_MPS, FASTEST_MPS, LIMIT_MPS = 9.0, 31.3, 36.2
"""20 and 70 mph: what public roads allow nearly everywhere. Slower or faster only where it shakes there, and never
beyond the usual limit of motorways (130 km/h, 80 mph)."""

LEAST_RPM, MOST_RPM, MOST_RPM_STANDING = 1100.0, 4000.0, 3500.0
"""In gear: above lugging, far below any limit. Standing still: what an engine bears without load for half a minute."""

NEAR = 0.08
"""A speed this near the one where it shakes, relative, is that speed: rounding."""

ROUND_TO = 5.0
"""Speeds are said in steps of 5 mph or km/h (mph where the user's unit is neither): nobody holds 57.3 mph."""

RPM_STEP = 50.0
SPANS = ((0.75, 1.15), (0.6, 0.95))
"""A sweep's ends over the speed where it shakes: about it, and below it where it must not be faster."""

COAST_FROM, COAST_TO, COASTING_MPS2 = 1.1, 0.7, 0.45
"""A coast's ends likewise, and how fast a vehicle slows in neutral about highway speed."""

HOLD_S, SWEEP_S, SHIFT_S, LOAD_S, STAND_S = 40.0, 60.0, 60.0, 60.0, 30.0


def drive_choices(
    vehicle: Vehicle,
    around_mps: float,
    unit: str = "mph",
    engine_rpm: float | None = None,
    low_range: bool = False,
) -> tuple[DriveChoice, ...]:
    """Every drive worth weighing for a shake felt at `around_mps`.

    engine_rpm: engine speed at which it was felt, for the same standing still, or None.
    """
    slowest, fastest = min(SLOWEST_MPS, around_mps), max(FASTEST_MPS, min(around_mps, LIMIT_MPS))
    at = rounded_speed(around_mps, unit, slowest, fastest)
    found: list[DriveChoice] = []
    for speed in dict.fromkeys(rounded_speed(at * by, unit, slowest, fastest) for by in (1.0, 0.8, 1.15)):
        found += [
            DriveChoice("hold", speed, speed, gears, duration_s=HOLD_S)
            for gears in _gears(vehicle, speed, speed, low_range)
        ]
    for low_by, high_by in SPANS:
        low, high = (rounded_speed(at * by, unit, slowest, fastest) for by in (low_by, high_by))
        if high > 1.1 * low:
            found += [
                DriveChoice("sweep", low, high, gears, duration_s=SWEEP_S)
                for gears in _gears(vehicle, low, high, low_range)
            ]
    held = [gears[0] for gears in _gears(vehicle, at, at, low_range) if gears]
    found += [DriveChoice("shift", at, at, (g + 1, g), duration_s=SHIFT_S) for g in held if g + 1 in held]
    gears = (usual_gear(vehicle, at, low_range),) if held else ()
    found.append(DriveChoice("load", at, at, tuple(g for g in gears if g), duration_s=LOAD_S))
    return (*found, *_without_gear(vehicle, at, slowest, fastest, unit, engine_rpm))


def cost_bits(choice: DriveChoice, around_mps: float) -> float:
    """What a drive must bring before it is worth more than none, in bits."""
    elsewhere = choice.kind == "hold" and abs(choice.from_mps / around_mps - 1.0) > NEAR
    return COST_BITS[choice.kind] + ELSEWHERE_BITS * elsewhere


def _without_gear(
    vehicle: Vehicle, at: float, slowest: float, fastest: float, unit: str, engine_rpm: float | None
) -> list[DriveChoice]:
    """Neutral, moving and standing."""
    if not vehicle.has_engine:
        return []
    found = []
    high = rounded_speed(at * COAST_FROM, unit, slowest, fastest)
    low = rounded_speed(at * COAST_TO, unit, slowest, fastest)
    if high > 1.1 * low:
        found.append(DriveChoice("coast", high, low, duration_s=(high - low) / COASTING_MPS2))
    if engine_rpm is not None:
        rpm = RPM_STEP * round(engine_rpm / RPM_STEP)
        if LEAST_RPM <= rpm <= MOST_RPM_STANDING:
            found.append(DriveChoice("stand", 0.0, 0.0, engine_rpm=rpm, duration_s=STAND_S))
    return found


def rounded_speed(speed_mps: float, unit: str, slowest_mps: float, fastest_mps: float) -> float:
    """The nearest speed that can be said and held, in m/s, within the limits."""
    step = ROUND_TO * (KMH_MPS if unit == "km/h" else MPH_MPS)
    low, high = np.ceil(slowest_mps / step - 1e-9), np.floor(fastest_mps / step + 1e-2)
    return float(np.clip(round(speed_mps / step), low, max(low, high)) * step)


def usual_gear(vehicle: Vehicle, speed_mps: float, low_range: bool = False) -> int:
    """The gear that an engine is usually driven in at that speed; 0 where none is possible or known."""
    from vibeorder.diagnosis.gears import USUAL_RPM

    fits = [gears[0] for gears in _gears(vehicle, speed_mps, speed_mps, low_range) if gears]
    rate = 60.0 * speed_mps / vehicle.tire.circumference_m
    return min(
        fits, key=lambda g: abs(np.log(rate * engine_ratio(vehicle, g, low_range) / USUAL_RPM)), default=0
    )


def _gears(vehicle: Vehicle, low_mps: float, high_mps: float, low_range: bool) -> list[tuple[int, ...]]:
    """Gears, one by one, that carry these speeds; one empty tuple where gears are not known or there are none."""
    if not vehicle.has_engine or not vehicle.gears or vehicle.engine_per_wheel is None:
        return [()]
    per_mps = 60.0 / vehicle.tire.circumference_m
    return [
        (g,)
        for g in range(1, len(vehicle.gears) + 1)
        if low_mps * per_mps * engine_ratio(vehicle, g, low_range) >= LEAST_RPM
        and high_mps * per_mps * engine_ratio(vehicle, g, low_range) <= MOST_RPM
    ]
