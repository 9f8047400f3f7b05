"""What a speed log that runs later, or less late, than was thought does to a course: it sways with the acceleration.

Off by tau the true rate is the nominal one times 1 + tau d ln(rate)/dt. In a pull from a walking pace half a second is
some percent, and less as the vehicle gets faster: no constant correction with a wobble about it follows that. So where
a drive changes its speed much the corrections are laid along a few such courses as well, and searched about them.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.scan import SLOWEST_RATE_HZ, Clock, Scan
from vibeorder.spectrum.middle import within

__all__ = ["NO_SWAY", "Sway", "swayed", "sways"]

FloatArray = NDArray[np.float64]
F32 = NDArray[np.float32]

LATE_SD_S = 0.35
"""Sd of what a speed log's lag may be off its usual one, or the one that the vehicle's pull told (common practice, no
source: position fixes run 0.2 to 1.3 s late, a device smooths them besides)."""

LATE_S = (-0.5, -0.25, 0.25, 0.5)
"""The lags tried beside it."""

SWAYS_FROM = 0.006
"""Spread of a course (sd, relative) that a lag off by its sd makes, from which it is worth following: below, it is
within the wobble that is searched anyway."""

MOST_PER_S = 0.15
"""Relative change of rate in a second beyond which a smoothed log tells nothing of it: starting and stopping."""


@dataclass(frozen=True, slots=True)
class Sway:
    """One lag: how far a course sways at the frames, relative [shape (frames,), or one for all], and its log prior."""

    course: FloatArray
    log_prior: float


NO_SWAY = Sway(np.zeros(1), 0.0)


def sways(clock: Clock) -> Iterator[Sway]:
    """None, and where the speed changes enough that of every lag worth trying."""
    yield NO_SWAY
    moving = clock.rate_hz > SLOWEST_RATE_HZ
    if np.count_nonzero(moving) < 2:
        return
    change = np.gradient(np.log(np.maximum(clock.rate_hz, SLOWEST_RATE_HZ)), clock.mid_s)
    change = np.clip(np.where(moving, change, 0.0), -MOST_PER_S, MOST_PER_S)
    if LATE_SD_S * float(change[moving].std()) < SWAYS_FROM:
        return
    for late in LATE_S:
        yield Sway(late * change, -0.5 * (late / LATE_SD_S) ** 2)


def swayed(scan: Scan, sway: Sway) -> Scan:
    """The scan with every frame's corrections counted from where the sway has the course."""
    if not sway.course.any():
        return scan
    shift = np.round(sway.course / scan.clock.step).astype(int)
    return replace(
        scan,
        evidence=tuple(_shifted(e, shift) for e in scan.evidence),
        votes=tuple(_shifted(v, shift) for v in scan.votes),
    )


def _shifted(evidence: F32, shift: NDArray[np.intp]) -> F32:
    """Cell c of every frame is what cell c + shift was; 0 where that was never read [shape (frames, cells)]."""
    cells = evidence.shape[1]
    where = np.arange(cells) + shift[:, None]
    inside = (where >= 0) & (where < cells)
    found = np.take_along_axis(evidence, within(where, 0, cells - 1), axis=1)
    return np.where(inside, found, np.float32(0.0))
