"""What turns in a vehicle, and how fast."""

from vibeorder.vehicle.model import Accessory, Layout, Limit, RollingTire, Rotor, Vehicle
from vibeorder.vehicle.profile import load_vehicle, parse_vehicle
from vibeorder.vehicle.rotors import engine_ratio, gear_ratio, rotors
from vibeorder.vehicle.tires import TireSize, parse_tire, rolling_tire

__all__ = [
    "Accessory",
    "Layout",
    "Limit",
    "RollingTire",
    "Rotor",
    "TireSize",
    "Vehicle",
    "engine_ratio",
    "gear_ratio",
    "load_vehicle",
    "parse_tire",
    "parse_vehicle",
    "rolling_tire",
    "rotors",
]
