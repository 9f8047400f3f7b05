"""The rate table: how fast each part turns at one road speed, and the frequencies it can shake at."""

import math
from dataclasses import dataclass

from vibeorder.errors import SpeedError
from vibeorder.vehicle.model import Rotor, Vehicle
from vibeorder.vehicle.rotors import engine_ratio, rotors
from vibeorder.vehicle.sources import firing_order

__all__ = ["RateRow", "rate_table"]

MAX_SPEED_MPS = 130.0  # faster than any road vehicle is driven for a shake; catches km/h taken for m/s


@dataclass(frozen=True, slots=True)
class RateRow:
    """One part's rate. firing_hz is None for all but the engine.

    relative_se: how well the rate is known, from the tire's rolling circumference and the part's own ratio.
    """

    part: str
    label: str
    turns_per_second: float
    rpm: float
    first_hz: float
    second_hz: float
    third_hz: float
    firing_hz: float | None
    relative_se: float


def rate_table(
    vehicle: Vehicle, speed_mps: float, gear: int | None = None, low_range: bool = False
) -> tuple[RateRow, ...]:
    """Every part's rate at `speed_mps`, in `gear` with the clutch or converter locked.

    Wheel rate = speed / rolling circumference; the others as in `rotors`. Without a gear the engine and what
    it drives are left out. Raises SpeedError for a speed at which nothing turns or that no vehicle reaches,
    and VehicleError for a gear or range that does not exist.
    """
    if not math.isfinite(speed_mps) or not 0.0 < speed_mps <= MAX_SPEED_MPS:
        raise SpeedError(
            f"a road speed of {speed_mps:g} m/s has no rates; give one above 0 and "
            f'up to {MAX_SPEED_MPS:g} m/s (290 mph), like "60 mph"'
        )
    wheel_hz = speed_mps / vehicle.tire.circumference_m
    engine_hz = None
    if gear is not None and vehicle.has_engine:
        engine_hz = wheel_hz * engine_ratio(vehicle, gear, low_range)
    basis_hz = {"wheel": wheel_hz, "engine": engine_hz}
    rows = []
    for rotor in rotors(vehicle, low_range):
        hz = basis_hz[rotor.basis]
        if hz is not None:
            rows.append(_row(vehicle, rotor, hz * rotor.ratio))
    return tuple(rows)


def _row(vehicle: Vehicle, rotor: Rotor, hz: float) -> RateRow:
    firing = firing_order(vehicle) if rotor.part == "engine" else None
    return RateRow(
        part=rotor.part,
        label=rotor.label,
        turns_per_second=hz,
        rpm=60.0 * hz,
        first_hz=hz,
        second_hz=2.0 * hz,
        third_hz=3.0 * hz,
        firing_hz=None if firing is None else firing * hz,
        relative_se=math.hypot(vehicle.tire.relative_se, rotor.relative_se),
    )
