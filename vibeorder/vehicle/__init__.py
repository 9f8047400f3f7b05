"""What turns in a vehicle, how fast, and what it means when it shakes."""

from vibeorder.vehicle.model import Accessory, Layout, Limit, RollingTire, Rotor, Vehicle
from vibeorder.vehicle.profile import load_vehicle, parse_vehicle
from vibeorder.vehicle.rates import RateRow, rate_table
from vibeorder.vehicle.rotors import engine_ratio, gear_ratio, rotors
from vibeorder.vehicle.sources import (
    BALANCE_ONLY_FIRST_ORDER,
    CATALOGUE,
    CAUTIONS,
    COSTS_NOTHING_FIRST,
    RUNOUT_BEFORE_BALANCE,
    WHICH_WHEEL,
    Source,
    feel_of,
    firing_order,
    order_words,
    sources_of,
)
from vibeorder.vehicle.tires import TireSize, parse_tire, rolling_tire
from vibeorder.vehicle.trade import FREE_CHECKS, FreeCheck, lives_on_torque, order_text, part_text

__all__ = [
    "BALANCE_ONLY_FIRST_ORDER",
    "CATALOGUE",
    "CAUTIONS",
    "COSTS_NOTHING_FIRST",
    "FREE_CHECKS",
    "RUNOUT_BEFORE_BALANCE",
    "WHICH_WHEEL",
    "Accessory",
    "FreeCheck",
    "Layout",
    "Limit",
    "RateRow",
    "RollingTire",
    "Rotor",
    "Source",
    "TireSize",
    "Vehicle",
    "engine_ratio",
    "feel_of",
    "firing_order",
    "gear_ratio",
    "lives_on_torque",
    "load_vehicle",
    "order_text",
    "order_words",
    "parse_tire",
    "parse_vehicle",
    "part_text",
    "rate_table",
    "rolling_tire",
    "rotors",
    "sources_of",
]
