"""The dial indicator: how well it reads, through which adapter, and at what slant."""

import math
from dataclasses import dataclass

from vibeorder.errors import VibeorderError

__all__ = ["Indicator"]


# The 0.01 mm dial of JIS B 7503:2011 (bezel of 50 mm or more, 5 to 10 mm of travel, as reproduced in a gauge
# maker's 2016 catalogue) errs by 5 um over a tenth of a turn and 3 um on the way back, both bounds (divided by
# sqrt(3), JCGM 100:2008, 4.3.7), and repeats within 3 um: 4.5 um in all, and 5 um leaves room for the stand.
DEFAULT_U_M = 5e-6


@dataclass(frozen=True, slots=True)
class Indicator:
    """How a shown reading becomes true travel of the surface, and how far to trust it.

    u_m: standard uncertainty of one reading. graduation_m: smallest division read, 0 where unknown.
    backlash_m: lost motion when the stem turns back, 0 where none is known.
    lever_ratio: true travel at the tip per unit shown (1 for a 1:1 bore adapter).
    tilt_deg: angle between the stem (or the normal of a lever tip) and the direction of the runout.
    """

    u_m: float = DEFAULT_U_M
    graduation_m: float = 0.0
    backlash_m: float = 0.0
    lever_ratio: float = 1.0
    tilt_deg: float = 0.0

    def __post_init__(self) -> None:
        if not 0.05 <= self.lever_ratio <= 20.0:
            raise VibeorderError(
                f"adapter ratio {self.lever_ratio:g} is outside 0.05 to 20; "
                "give the tip's travel per unit shown"
            )
        if not 0.0 <= self.tilt_deg <= 60.0:
            raise VibeorderError(
                f"a stem tilted by {self.tilt_deg:g} degrees cannot be corrected; set it within 60 degrees, "
                "best square to the surface"
            )
        if min(self.u_m, self.graduation_m, self.backlash_m) < 0.0 or self.u_m == 0.0:
            raise VibeorderError(
                "the indicator's uncertainty, graduation and backlash cannot be negative, nor its u zero"
            )

    @property
    def factor(self) -> float:
        """True travel per unit shown: lever ratio x cos(tilt).

        A slanted stem, or a lever tip that is not along the surface, always shows too much.
        """
        return self.lever_ratio * math.cos(math.radians(self.tilt_deg))

    @property
    def reading_u_m(self) -> float:
        """Standard uncertainty of one corrected reading [m]: dial, graduation/sqrt(12), backlash.

        Lost motion b makes a reading b/2 low on the way up and b/2 high on the way down; b is a bound, so its
        share is (b/2)/sqrt(3) (JCGM 100:2008, 4.3.7).
        """
        parts = (self.u_m, self.graduation_m / math.sqrt(12.0), self.backlash_m / 2.0 / math.sqrt(3.0))
        return self.factor * math.hypot(*parts)
