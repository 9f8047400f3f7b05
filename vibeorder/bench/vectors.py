"""An amount with a direction and its doubt: a runout and its high spot, a shake and its phase."""

import math
from dataclasses import dataclass

__all__ = ["Vector", "circular_difference_deg", "from_polar", "scale"]

# Standard deviation of an angle nobody knows: uniform over a turn, 360 / sqrt(12).
UNKNOWN_ANGLE_SE_DEG = 360.0 / math.sqrt(12.0)


@dataclass(frozen=True, slots=True)
class Vector:
    """x = length cos(angle), y = length sin(angle), variances and covariance in that unit squared."""

    x: float
    y: float
    var_x: float = 0.0
    var_y: float = 0.0
    cov_xy: float = 0.0

    @property
    def length(self) -> float:
        return math.hypot(self.x, self.y)

    @property
    def angle_deg(self) -> float:
        """0 to 360."""
        return math.degrees(math.atan2(self.y, self.x)) % 360.0

    @property
    def length_se(self) -> float:
        """First-order propagation; the mean component error where too short to have a direction."""
        r2 = self.x**2 + self.y**2
        mean = 0.5 * (self.var_x + self.var_y)
        if r2 <= mean:
            return math.sqrt(max(mean, 0.0))
        along = self.x**2 * self.var_x + 2.0 * self.x * self.y * self.cov_xy + self.y**2 * self.var_y
        return math.sqrt(max(along, 0.0) / r2)

    @property
    def angle_se_deg(self) -> float:
        """First-order propagation, never more than that of a direction nobody knows (103.9 degrees)."""
        r2 = self.x**2 + self.y**2
        across = self.y**2 * self.var_x - 2.0 * self.x * self.y * self.cov_xy + self.x**2 * self.var_y
        if r2 == 0.0:
            return UNKNOWN_ANGLE_SE_DEG
        return min(math.degrees(math.sqrt(max(across, 0.0)) / r2), UNKNOWN_ANGLE_SE_DEG)

    @property
    def value(self) -> complex:
        return complex(self.x, self.y)


def from_polar(length: float, angle_deg: float, length_se: float = 0.0, angle_se_deg: float = 0.0) -> Vector:
    """A vector from its length and angle; the angle's doubt acts across it, the length's along it."""
    angle = math.radians(angle_deg)
    c, s = math.cos(angle), math.sin(angle)
    along, across = length_se**2, max((length * math.radians(angle_se_deg)) ** 2, 0.0)
    return Vector(
        length * c,
        length * s,
        along * c * c + across * s * s,
        along * s * s + across * c * c,
        (along - across) * c * s,
    )


def scale(vector: Vector, factor: float) -> Vector:
    """The vector times a real number."""
    f2 = factor * factor
    return Vector(
        factor * vector.x, factor * vector.y, f2 * vector.var_x, f2 * vector.var_y, f2 * vector.cov_xy
    )


def circular_difference_deg(a_deg: float, b_deg: float) -> float:
    """a - b brought into -180 to 180."""
    return (a_deg - b_deg + 180.0) % 360.0 - 180.0
