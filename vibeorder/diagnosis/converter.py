"""A torque converter that slips differently from gear to gear, and not at all once it is locked.

Along an engine line such slips look like steps of the wheel's own rate at every shift. They are taken out, gear by
gear, so that what remains of the course is the wheel's.
"""

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

__all__ = ["EXACT", "MOST_SLIP", "SLIP_LOG_PRIOR", "slips_by_gear", "slips_log_prior"]

FloatArray = NDArray[np.float64]

SLIP_LOG_PRIOR, MOST_SLIP = -5.5, 0.065
"""Log prior of a slipping converter at any one of the twenty slips that can be told apart, and how far it slips when
driving steadily (common practice, no source)."""

ANOTHER_SLIP_LOG_PRIOR = -1.5
"""The same for each further gear with a slip of its own: slips in one drive are of one size (sd 1%), known to 0.3%."""

EXACT = 0.0015
"""Offsets within this are none."""

WORTH = 0.004
"""Difference between gears from which slips of their own are tried."""

LEAST_FRAMES = 4


def slips_by_gear(
    line: FloatArray, state: NDArray[np.intp], road: float | None
) -> tuple[dict[int, float], FloatArray] | None:
    """Slip of each state along an engine line, and what the wheel then did, or None where one slip does for all.

    line: correction of the line against its nominal ratio, state: of the gears [shape (frames,) each]. road: the
    wheel's own constant correction; None: that of the gear in which the line runs lowest, taken as locked.
    """
    used = [int(s) for s in np.unique(state) if (state == s).sum() >= LEAST_FRAMES]
    if len(used) < 2:
        return None
    middle = {s: float(np.median(line[state == s])) for s in used}
    if max(middle.values()) - min(middle.values()) < WORTH:
        return None
    base = min(middle.values()) if road is None else road
    slips = {s: m - base for s, m in middle.items()}
    if min(slips.values()) < -EXACT or max(slips.values()) > MOST_SLIP:
        return None
    slips = {s: v if v > EXACT else 0.0 for s, v in slips.items()}
    taken = np.zeros(line.size)
    for s, slip in slips.items():
        taken[state == s] = slip
    return slips, line - taken


def slips_log_prior(slips: Mapping[int, float]) -> float:
    """Log prior of the converter's slips in the gears that were used."""
    apart = len({round(s, 4) for s in slips.values() if abs(s) > EXACT})
    return SLIP_LOG_PRIOR + ANOTHER_SLIP_LOG_PRIOR * (apart - 1) if apart else 0.0
