"""What would turn at the rate that was found: profiles with another tire size or axle ratio that would explain it."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from vibeorder.diagnosis.orderlines import Ladder, OrderLine
from vibeorder.diagnosis.profile_rates import DOUBT, ProfileRates
from vibeorder.vehicle import Accessory, Vehicle

__all__ = ["Solution", "nearest_ratio", "solutions", "with_belt"]

AXLE_RATIOS = (2.4, 5.5)
MOTOR_RATIOS = (4.0, 14.0)
"""Ratios that vehicles are built with, least and most (common practice, no source)."""

COMMON_RATIOS = (
    2.47, 2.56, 2.73, 2.93, 3.08, 3.15, 3.21, 3.23, 3.31, 3.36, 3.42, 3.46, 3.55, 3.64, 3.73, 3.91, 4.10, 4.27,
    4.30, 4.44, 4.56, 4.63, 4.88, 5.13, 5.38,
)  # fmt: skip
"""Axle ratios in common use (common practice, no source); named as arithmetic only."""

COMMON_WITHIN = 0.012
"""A ratio this near one in common use is taken to be it: as near as the tire may be off."""

LINE_FROM, LINE_CAP = 12.0, 60.0
"""Log evidence from which a line counts for a solution, and the most that one line counts."""

TIRE_OFF = (0.03, 0.14)
REACH = 0.006
"""How far off a typed tire may be, least and most, and how near a line must lie, all in ln."""

MOST_TRIED = 3

UNLISTED = "not listed"
"""Name of a belt-driven part that the profile does not have."""


@dataclass(frozen=True, slots=True)
class Solution:
    """A profile that would put something where the line is.

    what: "axle_ratio", "motor_ratio", "tire_size" or "pulley_ratio". value: the ratio, or the rolling circumference
    in m. order: shakes per turn of what then explains the line (an engine's, where engine). typed: what the profile had
    instead, 0 where nothing.
    """

    vehicle: Vehicle
    what: str
    value: float
    typed: float
    order: float
    engine: bool = False


def solutions(
    line: OrderLine,
    ladder: Ladder,
    rates: ProfileRates,
    vehicle: Vehicle,
    road: Sequence[float],
    gear: int | None,
) -> list[Solution]:
    """The few profiles most worth judging the recording by, most promising first.

    road: orders per wheel turn of what the wheels drive, as typed. gear: held throughout, where told.
    """
    found = [*_ratios(line.order / rates.scale, rates, vehicle, gear), *_tires(line, vehicle, road)]
    shafts = [m for m in road if m not in (1.0, 2.0, 3.0, 4.0)]

    def promise(one: Solution) -> float:
        if one.what == "tire_size":
            off = one.typed / one.value
            orders = [m * off for m in road]
        else:
            orders = [1.0, 2.0, 3.0, *(m * one.value / one.typed for m in shafts)]
        return sum(_counts(ladder, m) for m in orders) - one.order

    return sorted(found, key=lambda one: -promise(one))[:MOST_TRIED]


def with_belt(vehicle: Vehicle, ratio: float) -> Solution:
    """The profile with one more belt-driven part. ratio: its turns per engine turn."""
    more = replace(vehicle, accessories=(*vehicle.accessories, Accessory(UNLISTED, ratio)))
    return Solution(more, "pulley_ratio", ratio, 0.0, 1.0, True)


def nearest_ratio(ratio: float) -> float | None:
    """The nearest axle ratio in common use, or None where none is near."""
    nearest = min(COMMON_RATIOS, key=lambda r: abs(r - ratio))
    return nearest if abs(nearest / ratio - 1.0) < COMMON_WITHIN else None


def _ratios(turns: float, rates: ProfileRates, vehicle: Vehicle, gear: int | None) -> Iterator[Solution]:
    """Ratios that would put something at so many turns per wheel turn."""
    motor, axle = vehicle.motor_ratio, vehicle.axle_ratio
    if motor is not None and MOTOR_RATIOS[0] <= turns <= MOTOR_RATIOS[1] and _other(turns, motor):
        yield Solution(replace(vehicle, motor_ratio=turns), "motor_ratio", turns, motor, 1.0)
    if axle is None or vehicle.layout == "ev":
        return
    if vehicle.layout != "fwd":
        for n in (1.0, 2.0):
            if _plausible(turns / n, axle):
                yield Solution(_with_axle(vehicle, turns / n), "axle_ratio", turns / n, axle, n)
    if gear is not None and rates.per_wheel is not None and rates.logged is None:
        for m, slack in rates.engine:
            ratio = float(axle * turns / (m * rates.per_wheel[gear - 1]))
            if slack == 0.0 and m in (1.0, 2.0, 3.0, 4.0) and _plausible(ratio, axle):
                yield Solution(_with_axle(vehicle, ratio), "axle_ratio", ratio, axle, m, True)


def _with_axle(vehicle: Vehicle, ratio: float) -> Vehicle:
    """The vehicle with another axle ratio, in common use if one is near; a front axle geared alike goes with it."""
    ratio = nearest_ratio(ratio) or ratio
    front = vehicle.front_axle_ratio
    if front is not None and vehicle.axle_ratio is not None and abs(front / vehicle.axle_ratio - 1.0) < 0.02:
        front = front / vehicle.axle_ratio * ratio
    return replace(vehicle, axle_ratio=ratio, front_axle_ratio=front)


def _tires(line: OrderLine, vehicle: Vehicle, road: Sequence[float]) -> Iterator[Solution]:
    """Tires that would put the line at an order of what the wheels drive."""
    typed = vehicle.tire.circumference_m
    for m in road:
        off = line.order / m
        if m in (4.0, 5.0, 6.0) or not TIRE_OFF[0] < abs(np.log(off)) < TIRE_OFF[1]:
            continue
        tires = [None if t is None else replace(t, circumference_m=t.circumference_m / off) for t in
                 (vehicle.tire, vehicle.rear_tire)]  # fmt: skip
        other = replace(vehicle, tire=tires[0] or vehicle.tire, rear_tire=tires[1])
        yield Solution(other, "tire_size", typed / off, typed, 1.0)


def _plausible(ratio: float, typed: float) -> bool:
    return AXLE_RATIOS[0] <= ratio <= AXLE_RATIOS[1] and _other(ratio, typed)


def _other(ratio: float, typed: float) -> bool:
    # nearer than the tire may be off, another ratio cannot be told from another tire
    return bool(abs(np.log(ratio / typed)) > DOUBT)


def _counts(ladder: Ladder, order: float) -> float:
    """What a line there counts for a solution."""
    found = ladder.near(order, REACH)
    return min(found, LINE_CAP) if found > LINE_FROM else 0.0
