"""What is said where the profile does not fit the recording."""

import numpy as np

from vibeorder.diagnosis.orderlines import OrderLine
from vibeorder.diagnosis.other_profiles import OtherProfile
from vibeorder.diagnosis.profile_rates import ProfileRates
from vibeorder.diagnosis.result import CLEARLY, Mismatch
from vibeorder.diagnosis.solve_profile import Solution, nearest_ratio
from vibeorder.units import INCH_M, MILE_M, show_percent
from vibeorder.vehicle import Vehicle
from vibeorder.vehicle.tires import ROLLING_RADIAL

__all__ = ["belt_words", "doubted_words", "solved_words", "unlisted_words", "worn_words"]

_OTHER = {"axle_ratio": "another axle ratio", "motor_ratio": "another reduction"}


def solved_words(
    line: OrderLine,
    belt: OrderLine | None,
    other: OtherProfile,
    vehicle: Vehicle,
    rates: ProfileRates,
    unit: str,
) -> Mismatch:
    """A line that another axle ratio, tire or belt-driven part would explain.

    line: against the wheels' angle; belt: against the engine's, where that was looked at.
    """
    solved, log_odds = other.solution, other.log_odds
    if belt is not None and solved.what == "pulley_ratio":
        return belt_words(belt, vehicle, log_odds)
    clear = log_odds > CLEARLY
    if solved.what == "tire_size":
        text = _tire(line, solved, unit, clear) + _rival(other.rival)
        return _mismatch(line, text, solved.what, solved.value, log_odds)
    turns = line.order / rates.scale
    lead = _lead(line, "road speed") if clear else _doubt(line, _OTHER[solved.what])
    text = f"{lead}: it turns {turns:.2f} times per wheel turn"
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
    if other.rival is not None:
        text += _rival(other.rival)
    elif not rates.scale_seen:
        text += ". No line of the wheels stands to check the tire by: a wrong tire size could show so too"
    return _mismatch(line, text, solved.what, solved.value, log_odds)


def doubted_words(wrong: Mismatch) -> str:
    """What is said beside the parts where the profile is more likely right than wrong."""
    return f"The vehicle may be typed in wrong ({show_percent(wrong.share)}). {wrong.sentence}"


def worn_words(wrong: Mismatch) -> str:
    """What is said beside the parts where the tires roll somewhat less far than typed."""
    return (
        f"{wrong.sentence} Worn tires, low air or a heavy load do the same; all that the wheels drive moves together, "
        "so what a line is of does not depend on it."
    )


def unlisted_words(line: OrderLine, rates: ProfileRates, vehicle: Vehicle, log_odds: float) -> Mismatch:
    """A line that keeps step with the road, belongs to nothing, and that no other profile explains."""
    turns = line.order / rates.scale
    given = "" if vehicle.axle_ratio is None else f" (axle ratio {vehicle.axle_ratio:g})"
    text = (
        f"{_lead(line, 'road speed')}: it turns {turns:.2f} times per wheel turn; check the profile{given}: axle "
        "and gear ratios, tire size, and belt-driven parts that it does not list"
    )
    return _mismatch(line, text, "unlisted", turns, log_odds)


def _tire(line: OrderLine, solved: Solution, unit: str, clear: bool) -> str:
    off = solved.typed / solved.value - 1.0
    across = solved.value / ROLLING_RADIAL
    if unit == "mph":
        size = f"{MILE_M / solved.value:.0f} turns a mile, about {across / INCH_M:.1f} in across"
        typed = f"{MILE_M / solved.typed:.0f}"
    else:
        size = f"{1000.0 * solved.value:.0f} mm a turn, about {1000.0 * across:.0f} mm across"
        typed = f"{1000.0 * solved.typed:.0f} mm"
    sit = "sit" if clear else "may sit"
    return (
        f"All road orders {sit} {100.0 * abs(off):.1f}% {'high' if off > 0 else 'low'} (strongest: "
        f"{line.frequency_hz:.1f} Hz, {np.sqrt(2.0) * line.amplitude_rms:.2g} m/s²): check the tire size. "
        f"Such a tire rolls {size}; the one in the profile ({solved.vehicle.tire.given}) {typed}"
    )


def belt_words(line: OrderLine, vehicle: Vehicle, log_odds: float) -> Mismatch:
    """A line at a multiple of the engine's rate that no accessory of the profile has."""
    listed = ", ".join(f"{a.name} {a.ratio:g}" for a in vehicle.accessories) or "none"
    step = "engine speed"
    lead = _lead(line, step) if log_odds > CLEARLY else _doubt(line, "another belt-driven part", step)
    text = (
        f"{lead}: it turns {line.order:.2f} times per engine turn. An accessory with that "
        f"pulley ratio is not in the profile (there: {listed})"
    )
    return _mismatch(line, text, "pulley_ratio", line.order, log_odds)


def _lead(line: OrderLine, what: str) -> str:
    return (
        f"A line at {line.frequency_hz:.1f} Hz ({np.sqrt(2.0) * line.amplitude_rms:.2g} m/s²) keeps step with {what}, "
        "and no part of this vehicle turns at that rate"
    )


def _rival(rival: Solution | None) -> str:
    """What would explain the line nearly as well."""
    if rival is None:
        return ""
    if rival.what == "tire_size":
        off = 100.0 * (rival.value / rival.typed - 1.0)
        roll = f"roll {abs(off):.1f}% {'further' if off > 0 else 'less far'}"
        return f". Tires that {roll} would explain it too: check both"
    if rival.what == "pulley_ratio":
        return (
            f". A belt-driven part with a pulley ratio of {rival.value:.2f} would explain it too: check both"
        )
    what = "A reduction" if rival.what == "motor_ratio" else "An axle ratio"
    return f". {what} of {rival.value:.2f} in place of {rival.typed:g} would explain it too: check both"


def _doubt(line: OrderLine, other: str, what: str = "road speed") -> str:
    return (
        f"A line at {line.frequency_hz:.1f} Hz ({np.sqrt(2.0) * line.amplitude_rms:.2g} m/s²) keeps step with "
        f"{what}; this vehicle has a part at that rate, but {other} would explain the recording too"
    )


def _mismatch(line: OrderLine, text: str, what: str, value: float, log_odds: float) -> Mismatch:
    amplitude = float(np.sqrt(2.0) * line.amplitude_rms)
    return Mismatch(line.order, line.frequency_hz, amplitude, text + ".", what, float(value), log_odds)
