"""The comb of lines that a road's joints make, found among the lines of a drive.

Every axle strikes every joint: against the wheels' angle that makes lines at all multiples of circumference over
spacing. The spacing is longer than a wheel rolls in a turn, so at least one of them lies below one shake per wheel
turn, where nothing does that the wheels or what drives them turn.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import gcd

import numpy as np

from vibeorder.diagnosis.joints import BELOW_WHEEL
from vibeorder.diagnosis.orderlines import OrderLine

__all__ = ["BELOW_WHEEL", "RoadComb", "road_comb"]

BELOW_ANY_WHEEL = 0.86
"""As BELOW_WHEEL, where the tire may be another than the typed one, by as much as tires are off at all."""

SPACINGS_M = (3.9, 16.0)
"""Least and most spacing of joints: plain concrete from 15 ft, reinforced up to 50 ft (common practice, no source)."""

REACH = 0.006
"""How far from its place a tooth may lie, in ln(order): what the means of two lines leave open."""

MOST_TEETH = 16
SKIPPED = 4
"""The lowest line that is seen is one of so many first teeth: two axles a wheelbase apart take some away."""

LEAST_TEETH = 3
"""Teeth that must stand away from the wheels' own orders, one of them below any wheel's; one more for each skipped."""

OWN_REACH = 0.03
TIMES_NEIGHBOURS = 4.0
"""A line on a tooth is the road's up to so many times its strongest near neighbour in the comb: a body's resonance
lifts one tooth above the next, but not further (a judgement, no source)."""

NEAR_TEETH = 2


@dataclass(frozen=True, slots=True)
class RoadComb:
    """base: order of the first tooth per nominal wheel turn, 0 where there is no comb. teeth: (number, line) seen."""

    base: float
    teeth: tuple[tuple[int, OrderLine], ...]

    def makes(self, line: OrderLine) -> bool:
        """Whether the line is one of its teeth, and not far stronger than those about it."""
        number = _tooth(line.order, self.base)
        if number is None:
            return False
        if line.order < BELOW_ANY_WHEEL:
            return True
        beside = [one.amplitude_rms for k, one in self.teeth if 0 < abs(k - number) <= NEAR_TEETH]
        return bool(beside) and line.amplitude_rms < TIMES_NEIGHBOURS * max(beside)


NO_COMB = RoadComb(0.0, ())


def road_comb(lines: Sequence[OrderLine], circumference_m: float) -> RoadComb:
    """The comb that holds most of the lines, or one without teeth where there is none to be believed."""
    found = NO_COMB
    for low in lines:
        if low.order >= BELOW_ANY_WHEEL:
            continue
        for skipped in range(SKIPPED):
            base = low.order / (skipped + 1)
            if not circumference_m / SPACINGS_M[1] < base < circumference_m / SPACINGS_M[0]:
                continue
            teeth = tuple((k, line) for line in lines if (k := _tooth(line.order, base)) is not None)
            own = [k for k, line in teeth if not _of_wheel(line.order)]
            enough = len(set(own)) >= LEAST_TEETH + skipped and gcd(*own) == 1
            if enough and len(teeth) > len(found.teeth):
                found = RoadComb(base, teeth)
    return found


def _tooth(order: float, base: float) -> int | None:
    """Number of the tooth that a line is, or None."""
    if base <= 0.0:
        return None
    number = max(round(order / base), 1)
    near = abs(np.log(order / (number * base))) < REACH
    return number if near and number <= MOST_TEETH else None


def _of_wheel(order: float) -> bool:
    """Whether a wheel's own line may be there."""
    return bool(abs(np.log(order / max(round(order), 1))) < OWN_REACH)
