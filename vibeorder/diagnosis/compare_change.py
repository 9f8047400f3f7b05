"""How strong an order is at the speeds that two drives share, how it changed (95%), and what that proves."""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.amplitudes import COMPLAINT_FROM_MPS2
from vibeorder.diagnosis.compare_levels import HOP_S, Levels

__all__ = ["Level", "Verdict", "judged", "level_of", "ratio_db"]

Verdict = Literal["cured", "improved", "unchanged", "worse", "cannot say"]

STRETCHES = 6
STRETCH_S = (4.0, 10.0)
"""Stretches that count as independent: a sixth of the time in use, within these lengths."""

STANDS_OUT = 3.0
"""Standard errors above the noise from which a level counts as measured."""

REPEAT_SD_DB = 0.7
"""How well one drive repeats another with nothing changed: load, tire warmth, how the phone lies (common
practice, no source). It widens every interval."""

SMALLEST_CHANGE_DB = 1.0
WIDEST_UNCHANGED_DB = 4.0
"""'Improved' and 'worse' need a change of at least 1 dB; 'unchanged' an interval within 4 dB."""


@dataclass(frozen=True, slots=True)
class Level:
    """Mean square at the common speeds, its standard error and degrees of freedom."""

    power: float
    se: float
    dof: int

    @property
    def hidden(self) -> bool:
        """Whether noise hides it."""
        return self.power <= STANDS_OUT * self.se

    @property
    def rms(self) -> float:
        """Its vector rms, 0 where nothing is left of it."""
        return float(np.sqrt(max(self.power, 0.0)))

    @property
    def top_rms(self) -> float:
        """Upper end of a 95% interval of the vector rms."""
        return float(np.sqrt(max(self.power, 0.0) + _t(self.dof) * self.se))


def level_of(levels: Levels, keys: NDArray[np.int64], weights: dict[int, int]) -> Level:
    """Weighted mean over the common bins; its error from the scatter of stretches about the bins' means."""
    used = np.isin(keys, list(weights))
    power, key, mid = levels.power[used], keys[used], levels.mid_s[used]
    total = sum(weights.values())
    share, rest = np.zeros(power.size), np.zeros(power.size)
    for k, weight in weights.items():
        mine = key == k
        share[mine] = weight / total / mine.sum()
        rest[mine] = power[mine] - power[mine].mean()
    mean = float((share * power).sum())
    stretch_s = float(np.clip(HOP_S * power.size / STRETCHES, *STRETCH_S))
    stretch = np.floor((mid - mid[0]) / stretch_s).astype(int)
    sums = np.array([(share * rest)[stretch == s].sum() for s in np.unique(stretch)])
    count = max(int(sums.size), 2)
    own = float((sums**2).sum()) * count / (count - 1)
    # Blocks one by one, as if the level had no memory: the least that the error can be.
    blocks = float((share**2 * rest**2).sum()) * (1.0 + 2.0 / 36.0)
    humps = (levels.noise_doubt * float((share * levels.noise[used]).sum())) ** 2
    return Level(mean, float(np.sqrt(max(own, blocks) + humps)), count - 1)


def _t(dof: int) -> float:
    from scipy.stats import t

    return float(t.ppf(0.975, dof))


def ratio_db(one: Level, two: Level) -> tuple[float | None, float | None, float | None]:
    """Ratio of levels with its 95% interval, in dB; None for what is not measured."""
    if one.hidden:
        return None, None, None
    repeat = REPEAT_SD_DB * np.log(10.0) / 10.0
    relative = (one.se / one.power) ** 2
    if not two.hidden:
        other = (two.se / two.power) ** 2
        variance = relative + other
        dof = variance**2 / (relative**2 / one.dof + other**2 / two.dof)
        half = np.hypot(_t(max(round(dof), 1)) * np.sqrt(variance), 1.96 * repeat)
        middle = np.log(two.power / one.power)
        ends = (middle, middle - half, middle + half)
        return tuple(float(10.0 / np.log(10.0) * v) for v in ends)  # type: ignore[return-value]
    t = _t(min(one.dof, two.dof))
    ratio = max(two.power, 0.0) / one.power
    g = t**2 * relative
    if g >= 1.0:
        return None, None, None
    spread = t * np.sqrt((1.0 - g) * (two.se / one.power) ** 2 + ratio**2 * relative)
    high = (ratio + spread) / (1.0 - g) * np.exp(1.96 * repeat)
    return None, None, float(10.0 * np.log10(max(high, 1e-12)))


def judged(
    one: Level,
    two: Level,
    ratio: tuple[float | None, float | None, float | None],
    healthy: float,
    top: float,
    clear_elsewhere: bool,
    common_s: float,
) -> tuple[Verdict, str]:
    """The verdict, and why none can be given.

    clear_elsewhere: over all of the first drive the order stands out, whatever it does at the common speeds.
    """
    middle, low, high = ratio
    if high is None and not two.hidden and two.power - _t(two.dof) * two.se > one.top_rms**2:
        return "cannot say", (
            "the order stands clear after the repair and noise hides it before; were the two recordings exchanged? If "
            "not, the shake came with the repair"
        )
    if high is None and clear_elsewhere:
        return "cannot say", (
            f"the order stands clear in the first drive, but the {common_s:.0f} s that both drives share at the same "
            "speeds are too short, or too weak a part of it, to compare; drive again over the first one's speeds"
        )
    if high is None:
        return "cannot say", (
            "before the repair the order hardly stands out from road noise, so there is nothing to compare "
            "with; record longer, at the speed where it shook most"
        )
    sound = two.hidden or two.rms <= healthy
    if high < 0.0 and sound and top < COMPLAINT_FROM_MPS2:
        return "cured", ""
    if high < 0.0 and (middle is None or middle < -SMALLEST_CHANGE_DB):
        return "improved", ""
    if low is not None and middle is not None and low > 0.0 and middle > SMALLEST_CHANGE_DB:
        return "worse", ""
    if low is not None and max(-low, high) <= WIDEST_UNCHANGED_DB:
        return "unchanged", ""
    return "cannot say", (
        "the level wanders too much within the drives for the time that they share; record both longer, at "
        "the same steady speed"
    )
