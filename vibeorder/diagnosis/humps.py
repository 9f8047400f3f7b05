"""Whether the noise rises in so narrow a hump about a line that something loose shakes there.

A holder or a bracket of little damping magnifies whatever comes at its own frequency: the road's noise, and a sound
part's line that happens to turn there, which then is as strong as a complaint and as steady as a line. The noise about
it shows what was done to it. With g = ln of how much higher it is within a hertz than three to eight hertz off, as an
amplitude, the body's own modes make g normal, of some tenths; a loose thing makes any g up to MOST_GAIN alike.
"""

import numpy as np

from vibeorder.diagnosis.floor import Floor

__all__ = ["hump_log_odds"]

BODY_GAIN, BODY_GAIN_SD = 0.2, 0.4
"""Mean and sd of g by the modes of seat, floor and suspension, whose quality factors are below ten (judgements)."""

MOST_GAIN = 3.0
"""Largest g of a loose thing: a quality factor of 20 (a judgement, no source)."""

MAGNIFIES = 0.5
"""Loose things at a sound part's line over those that ring by themselves (a judgement, no source)."""

MOST_BY_HUMP = 6.0
"""Bound of the log odds: one mode of a body may be sharper than is thought."""

NEAR_HZ, BESIDE_HZ = 1.0, (3.0, 8.0)
LOWEST_HZ = 2.0


def hump_log_odds(floor: Floor, hz: float) -> float:
    """Log odds that a loose thing, and not the body, shapes the noise about a line at `hz`."""
    near = floor.at(hz + np.linspace(-NEAR_HZ, NEAR_HZ, 9)).max()
    off = np.linspace(*BESIDE_HZ, 21)
    sides = [np.median(floor.at(np.maximum(hz + side * off, LOWEST_HZ))) for side in (-1.0, 1.0)]
    gain = 0.5 * float(np.log(near) - np.mean(np.log(sides)))
    if gain <= 0.0:
        return -MOST_BY_HUMP
    body = -0.5 * ((gain - BODY_GAIN) / BODY_GAIN_SD) ** 2 - np.log(np.sqrt(2.0 * np.pi) * BODY_GAIN_SD)
    return float(min(np.log(MAGNIFIES / MOST_GAIN) - body, MOST_BY_HUMP))
