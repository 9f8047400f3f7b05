"""Every rotating part of one vehicle, and how fast it turns per turn of a wheel or of the engine.

Driveshaft = wheel x axle ratio. Engine = driveshaft x gear ratio (x transfer-case low range), with no slip.
Half-shaft = wheel. Motor = wheel x reduction ratio. Accessory = engine x pulley ratio.
"""

from vibeorder.errors import VehicleError
from vibeorder.vehicle.model import Rotor, Vehicle

__all__ = ["engine_ratio", "gear_ratio", "rotors"]

BELT_SE = (
    0.01  # slip and wear of a ribbed belt change the pulley ratio by about this; common practice, no source
)


def rotors(vehicle: Vehicle, low_range: bool = False) -> tuple[Rotor, ...]:
    """The parts of `vehicle` that turn, road-driven ones first.

    "Per wheel turn" means a turn of `vehicle.tire`, the front one: the wheel rate is road speed over its
    circumference. A staggered rear tire is a second "tire_wheel" with its own ratio, and what the rear wheels
    drive carries that ratio too. `low_range` changes no road-driven part, only the engine (`engine_ratio`);
    asking for one that the vehicle does not have raises VehicleError.
    """
    if low_range:
        _low_range(vehicle)
    rear = vehicle.rear_per_front
    found = [*_wheels(vehicle), *_half_shafts(vehicle)]
    if vehicle.axle_ratio is not None and vehicle.layout not in ("fwd", "ev"):
        found.append(Rotor("driveshaft", "driveshaft", "wheel", vehicle.axle_ratio * rear))
    if vehicle.front_axle_ratio is not None and vehicle.layout in ("4wd", "awd"):
        found.append(Rotor("front_driveshaft", "front driveshaft", "wheel", vehicle.front_axle_ratio))
    if vehicle.motor_ratio is not None:
        found.append(Rotor("motor", "electric motor", "wheel", vehicle.motor_ratio * _at_driven(vehicle)))
    if vehicle.has_engine:
        found.append(Rotor("engine", "engine", "engine", 1.0))
        found.extend(
            Rotor(f"accessory:{a.name}", f"accessory {a.name}", "engine", a.ratio, BELT_SE)
            for a in vehicle.accessories
        )
    return tuple(found)


def engine_ratio(vehicle: Vehicle, gear: int, low_range: bool = False) -> float:
    """Engine turns per (front) wheel turn in `gear`, converter locked, no slip.

    Raises VehicleError when the gear does not exist or a ratio on the way is not in the profile.
    """
    if not vehicle.has_engine:
        raise VehicleError(f"{vehicle.name} has no engine; its motor turns at a fixed ratio to the wheels")
    per_wheel = vehicle.engine_per_wheel
    if per_wheel is None:
        raise VehicleError(f"{vehicle.name}: the engine's rate needs the axle ratio; add [axle] ratio = ...")
    low = _low_range(vehicle) if low_range else 1.0
    return per_wheel * gear_ratio(vehicle, gear) * low


def gear_ratio(vehicle: Vehicle, gear: int) -> float:
    """Engine turns per driveshaft turn in forward gear `gear`, 1 = first. Raises VehicleError if none."""
    count = len(vehicle.gears)
    if count == 0:
        raise VehicleError(
            f"{vehicle.name}: gear {gear} is given but the profile lists no gear ratios; "
            "add [transmission] gears = [first, second, ...]"
        )
    if not 1 <= gear <= count:
        gears = "1 forward gear" if count == 1 else f"{count} forward gears"
        raise VehicleError(f"this gearbox has {gears}; gear {gear} does not exist: give 1 to {count}")
    return vehicle.gears[gear - 1]


def _wheels(vehicle: Vehicle) -> list[Rotor]:
    if vehicle.rear_tire is None:
        return [Rotor("tire_wheel", "tire or wheel", "wheel", 1.0)]
    return [
        Rotor("tire_wheel", "front tire or wheel", "wheel", 1.0),
        Rotor("tire_wheel", "rear tire or wheel", "wheel", vehicle.rear_per_front),
    ]


def _half_shafts(vehicle: Vehicle) -> list[Rotor]:
    if not vehicle.half_shafts:
        return []
    return [Rotor("half_shaft", "half-shaft", "wheel", _at_driven(vehicle))]


def _at_driven(vehicle: Vehicle) -> float:
    """Turns of the wheel on half-shafts or on the motor, per front wheel turn.

    With staggered sizes an electric vehicle is taken as driven at the rear, where the wider tires are.
    """
    return vehicle.rear_per_front if vehicle.layout in ("rwd", "ev") else 1.0


def _low_range(vehicle: Vehicle) -> float:
    if vehicle.low_range is None:
        raise VehicleError(
            f"{vehicle.name}: low range is asked for but the profile has none; add [transfer] low_range = ..."
        )
    return vehicle.low_range
