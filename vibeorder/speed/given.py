"""A road speed as somebody said it: "60 mph", "about 60 mph", "55-65 mph", "60-0 mph"."""

import re
from dataclasses import dataclass, replace

from vibeorder.errors import SpeedError, UnitError
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

_ABOUT_WORDS = r"(?:about|around|roughly|approx\.?|approximately|~)"
_ABOUT = re.compile(rf"^\s*{_ABOUT_WORDS}\s*(.+)$", re.IGNORECASE)
_END = r"(?:a\s+)?(?:rest|standstill|stop)|[\d.,]+"
_RANGE = re.compile(
    rf"^\s*(?:from\s+)?(?P<first>{_END})\s*(?P<own_unit>(?!up\b|down\b|to\b)[a-z/]+)?"
    rf"\s*(?:-|–|(?:up\s+|down\s+)?to)\s*{_ABOUT_WORDS}?\s*(?P<last>{_END})\s*(?P<unit>\S+)?\s*$",
    re.IGNORECASE,
)
_NUMBER = re.compile(r"\d[\d.,]*")


@dataclass(frozen=True, slots=True)
class SpeedGiven:
    """What the speedometer is said to have shown: between `low_mps` and `high_mps`.

    steady: one speed was named, so the drive held it; False for a range that was driven through.
    loose: the relative doubt that "about" adds to a held speed. unit: the user's own. text: as it was typed.
    """

    low_mps: float
    high_mps: float
    unit: str
    text: str
    steady: bool = True
    loose: float = 0.0

    @property
    def middle_mps(self) -> float:
        """The speed that stands for a range where only one can be taken."""
        return 0.5 * (self.low_mps + self.high_mps)

    @property
    def from_rest(self) -> bool:
        """Whether the drive is said to have begun at a standstill, or to have ended at one."""
        return not self.steady and self.low_mps <= FROM_REST_MPS


def parse_speed_given(text: str) -> SpeedGiven:
    """Read a speed or a range of speeds, rising or falling, from or to rest too; "about" may stand before either.

    Raises SpeedError or UnitError, each with the sentence to show.

    >>> parse_speed_given("55-65 mph").steady
    False
    >>> parse_speed_given("from rest to 60 mph").low_mps
    2.5
    """
    about = _ABOUT.match(text)
    said, loose = (about.group(1), ABOUT) if about else (text, 0.0)
    spread = _RANGE.match(said)
    if spread is not None:
        return _range(spread, text, loose)
    try:
        speed = parse_speed(said)
    except UnitError:
        if len(_NUMBER.findall(said)) > 1:
            raise SpeedError(
                f"speed {text.strip()!r} is not understood; write one speed like '60 mph', or a range like "
                "'55-65 mph'"
            ) from None
        raise
    _check(speed, text)
    return SpeedGiven(speed.si, speed.si, speed.unit, text.strip(), loose=loose)


def _range(spread: re.Match[str], text: str, loose: float) -> SpeedGiven:
    """Both ends in their order of speed; at rest nothing turns, so that such an end begins a little above."""
    unit = spread["unit"] or spread["own_unit"]
    if unit is None:
        raise UnitError(f"speed {text.strip()!r} has no unit; write it like '55-65 mph' or '90-105 km/h'")
    first, last = (
        parse_speed(f"{end if end[0] in '0123456789.,' else 0} {own or unit}")
        for end, own in ((spread["first"], spread["own_unit"]), (spread["last"], spread["unit"]))
    )
    low, high = sorted((first, last), key=lambda end: end.si)
    _check(high, text)
    if low.si == 0.0:
        low = replace(low, si=min(FROM_REST_MPS, high.si))
    else:
        _check(low, text)
    steady = first.si == last.si
    return SpeedGiven(low.si, high.si, high.unit, text.strip(), steady, loose)


def _check(speed: Quantity, text: str) -> None:
    if speed.si <= 0.0:
        raise SpeedError(
            f"speed {text.strip()!r}: nothing on the road turns at standstill; give the speed at which it shakes"
        )
    if not SLOWEST_MPS <= speed.si <= FASTEST_MPS:
        low, high = (show_speed(v, speed.unit) for v in (SLOWEST_MPS, FASTEST_MPS))
        raise SpeedError(f"speed {text.strip()!r} is outside {low} to {high}; check the number and its unit")
