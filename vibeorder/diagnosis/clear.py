"""The lines beside a course's anchor that stand out along it, and so may help to lock it."""

from collections.abc import Mapping

import numpy as np

from vibeorder.diagnosis.gears import GearCourse
from vibeorder.diagnosis.locking import lock_block_s
from vibeorder.diagnosis.propose import Proposal, along
from vibeorder.diagnosis.scan import SLOW, Scan
from vibeorder.diagnosis.sharpening import LockOn

__all__ = ["clear_lines"]

CLEAR_FROM = 20.0
"""Log evidence along the course from which a line's phase helps to lock it."""

SKIRT_BINS = 2.5
"""Tracks nearer to a clearer line than this, in 1/block of the lock, follow that line or its skirt, not their own."""


def clear_lines(
    scan: Scan, proposal: Proposal, gears: GearCourse | None, offsets: Mapping[tuple[int, int | None], float]
) -> tuple[LockOn, ...]:
    """The lines beside the anchor's that stand out along a proposal's course, in these gears with these offsets.

    Each physical line once: of several that run in one place the clearest stands for all.
    """
    found: list[tuple[float, LockOn]] = []
    used = frozenset() if gears is None else gears.used
    for t, track in enumerate(scan.tracks):
        held = np.ones(scan.clock.mid_s.size)
        if track.gear is not None:
            if gears is None or track.gear not in used:
                continue
            held = (gears.gear == track.gear).astype(float)
        offset = offsets.get((track.candidate, track.gear), 0.0)
        votes = along(scan, t, proposal.course.epsilon, np.array([offset]))
        strength = float((votes * held).sum())
        if strength > CLEAR_FROM:
            found.append((strength, LockOn(t, offset, held, anchor=False)))
    chosen: list[LockOn] = []
    for _, line in sorted(found, key=lambda item: -item[0]):
        if not any(_one_place(scan, line, other) for other in (*proposal.lock_on, *chosen)):
            chosen.append(line)
    return tuple(chosen)


def _one_place(scan: Scan, a: LockOn, b: LockOn) -> bool:
    """Whether track a runs within the width of the line of track b while both hold."""
    both = (a.held > 0) & (b.held > 0)
    mine, other = (scan.tracks[line.track].multiple * (1.0 + line.offset) for line in (a, b))
    near_hz = SKIRT_BINS / lock_block_s(scan.clock.usual_hz * mine)
    if both.all():
        return abs(mine - other) * scan.clock.slow_hz < near_hz
    return bool(both.any() and abs(mine - other) * np.percentile(scan.clock.rate_hz[both], SLOW) < near_hz)
