"""What is said where the profile does not fit the recording."""

import numpy as np

from vibeorder.diagnosis.orderlines import OrderLine
from vibeorder.diagnosis.profile_rates import ProfileRates
from vibeorder.diagnosis.result import Mismatch
from vibeorder.diagnosis.solve_profile import Solution, nearest_ratio
from vibeorder.units import INCH_M, MILE_M
from vibeorder.vehicle import Vehicle
from vibeorder.vehicle.tires import ROLLING_RADIAL

__all__ = ["belt_words", "solved_words", "unlisted_words"]


def solved_words(
    line: OrderLine, solved: Solution, log_odds: float, rates: ProfileRates, unit: str
) -> Mismatch:
    """A line that another axle ratio or tire would explain."""
    if solved.what == "tire_size":
        return _mismatch(line, _tire(line, solved, unit), solved.what, solved.value, log_odds)
    turns = line.order / rates.scale
    text = f"{_lead(line, 'road speed')}: it turns {turns:.2f} times per wheel turn"
    if solved.what == "motor_ratio":
        text += f"; your motor's reduction is {solved.typed:g}: check it"
        return _mismatch(line, text, solved.what, solved.value, log_odds)
    if solved.engine or solved.order != 1.0:
        of = f"the engine's {solved.order:g}x" if solved.engine else "the driveshaft's second order"
        text += f", as {of} would with an axle ratio of {solved.value:.2f}"
    text += f"; your axle ratio is {solved.typed:g}: check the axle tag"
    near = nearest_ratio(solved.value)
    if near is not None:
        text += f" (nearest ratio in common use: {near:g})"
    if not rates.scale_seen:
        text += ". No line of the wheels stands to check the tire by: a wrong tire size could show so too"
    return _mismatch(line, text, solved.what, solved.value, log_odds)


def unlisted_words(line: OrderLine, rates: ProfileRates, vehicle: Vehicle, log_odds: float) -> Mismatch:
    """A line that keeps step with the road, belongs to nothing, and that no other profile explains."""
    turns = line.order / rates.scale
    given = "" if vehicle.axle_ratio is None else f" (axle ratio {vehicle.axle_ratio:g})"
    text = (
        f"{_lead(line, 'road speed')}: it turns {turns:.2f} times per wheel turn; check the profile{given}: axle "
        "and gear ratios, tire size, and belt-driven parts that it does not list"
    )
    return _mismatch(line, text, "unlisted", turns, log_odds)


def _tire(line: OrderLine, solved: Solution, unit: str) -> str:
    off = solved.typed / solved.value - 1.0
    across = solved.value / ROLLING_RADIAL
    if unit == "mph":
        size = f"{MILE_M / solved.value:.0f} turns a mile, about {across / INCH_M:.1f} in across"
        typed = f"{MILE_M / solved.typed:.0f}"
    else:
        size = f"{1000.0 * solved.value:.0f} mm a turn, about {1000.0 * across:.0f} mm across"
        typed = f"{1000.0 * solved.typed:.0f} mm"
    return (
        f"All road orders sit {100.0 * abs(off):.1f}% {'high' if off > 0 else 'low'} (strongest: "
        f"{line.frequency_hz:.1f} Hz, {np.sqrt(2.0) * line.amplitude_rms:.2g} m/s^2): check the tire size. "
        f"Such a tire rolls {size}; the one in the profile ({solved.vehicle.tire.given}) {typed}"
    )


def belt_words(line: OrderLine, vehicle: Vehicle, log_odds: float) -> Mismatch:
    """A line at a multiple of the engine's rate that no accessory of the profile has."""
    listed = ", ".join(f"{a.name} {a.ratio:g}" for a in vehicle.accessories) or "none"
    text = (
        f"{_lead(line, 'engine speed')}: it turns {line.order:.2f} times per engine turn. An accessory with that "
        f"pulley ratio is not in the profile (there: {listed})"
    )
    return _mismatch(line, text, "pulley_ratio", line.order, log_odds)


def _lead(line: OrderLine, what: str) -> str:
    return (
        f"A line at {line.frequency_hz:.1f} Hz ({np.sqrt(2.0) * line.amplitude_rms:.2g} m/s^2) keeps step with {what}, "
        "and no part of this vehicle turns at that rate"
    )


def _mismatch(line: OrderLine, text: str, what: str, value: float, log_odds: float) -> Mismatch:
    amplitude = float(np.sqrt(2.0) * line.amplitude_rms)
    return Mismatch(line.order, line.frequency_hz, amplitude, text + ".", what, float(value), log_odds)
