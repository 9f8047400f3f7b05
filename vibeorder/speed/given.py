"""A road speed as somebody said it: "60 mph", "about 60 mph", "55-65 mph"."""

import re
from dataclasses import dataclass

from vibeorder.errors import SpeedError
from vibeorder.units import Quantity, parse_speed, show_speed

__all__ = ["DASH_READS_HIGH", "SpeedGiven", "parse_speed_given"]

DASH_READS_HIGH = (0.0, 0.04)
"""How much a speedometer usually reads above the truth, as a fraction [-].

UN Regulation 39, paragraph 5.3, forbids reading low and allows up to 10% + 4 km/h high; cars in use
lie mostly between 0 and 4% (common practice, no source)."""

ABOUT = 0.08
"""What "about 60" may mean: 8% either way (common practice, no source)."""

SLOWEST_MPS, FASTEST_MPS = 1.0, 75.0

FROM_REST_MPS = 2.5
"""Where a drive "from rest" begins to be looked at: below it no wheel order stands clear of the body's own sway."""

_FROM_REST = re.compile(
    r"^\s*(?:from\s+)?(?:a\s+)?(?:rest|standstill|stop|0)\s*(?:-|–|(?:up\s+)?to)\s*(.+)$", re.IGNORECASE
)
_RANGE = re.compile(r"^\s*([\d.,]+)\s*(?:-|–|to)\s*([\d.,]+)\s*(\S+)\s*$", re.IGNORECASE)
_ABOUT = re.compile(r"^\s*(?:about|around|roughly|approx\.?|approximately|~)\s*(.+)$", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class SpeedGiven:
    """What the speedometer is said to have shown: between `low_mps` and `high_mps`.

    steady: one speed was named, so the drive held it; False for a range that was driven through.
    loose: the relative doubt that "about" adds. unit: the user's own. text: as it was typed.
    """

    low_mps: float
    high_mps: float
    unit: str
    text: str
    steady: bool = True
    loose: float = 0.0

    @property
    def from_rest(self) -> bool:
        """Whether the drive is said to have begun at a standstill."""
        return not self.steady and self.low_mps <= FROM_REST_MPS


def parse_speed_given(text: str) -> SpeedGiven:
    """Read a speed, "about" a speed, or a range of speeds, "from rest" too.

    Raises SpeedError or UnitError, each with the sentence to show.

    >>> parse_speed_given("55-65 mph").steady
    False
    >>> parse_speed_given("from rest to 60 mph").low_mps
    2.5
    """
    risen = _FROM_REST.match(text)
    if risen is not None:
        top = parse_speed(risen.group(1))
        _check(top, text)
        return SpeedGiven(min(FROM_REST_MPS, top.si), top.si, top.unit, text.strip(), steady=False)
    spread = _RANGE.match(text)
    if spread is not None:
        low, high = (parse_speed(f"{spread.group(i)} {spread.group(3)}") for i in (1, 2))
        if low.si > high.si:
            low, high = high, low
        _check(low, text)
        _check(high, text)
        return SpeedGiven(low.si, high.si, low.unit, text.strip(), steady=high.si == low.si)
    about = _ABOUT.match(text)
    speed = parse_speed(about.group(1) if about else text)
    _check(speed, text)
    return SpeedGiven(speed.si, speed.si, speed.unit, text.strip(), loose=ABOUT if about else 0.0)


def _check(speed: Quantity, text: str) -> None:
    if speed.si <= 0.0:
        raise SpeedError(
            f"speed {text.strip()!r}: nothing on the road turns at standstill; give the speed at which it shakes, "
            "or leave --speed out to have it inferred from the recording"
        )
    if not SLOWEST_MPS <= speed.si <= FASTEST_MPS:
        low, high = (show_speed(v, speed.unit) for v in (SLOWEST_MPS, FASTEST_MPS))
        raise SpeedError(f"speed {text.strip()!r} is outside {low} to {high}; check the number and its unit")
