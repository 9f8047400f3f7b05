"""Hypotheses that cannot matter, told without reading all of their lines.

On a wrong course a few lines are missed that the right one explains, each worth tens of nats. So that hypothesis is
read on which may still come to most, its most telling line next, and one is given up once what was read of it and
several times what the scan lets expect of its other lines leave it hopelessly behind the best.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.blocks import BLOCK_S, LEAK_MARGIN, LEAKS_BINS, Course, tracks_in_use
from vibeorder.diagnosis.evidence import EVIDENCE_SHARE, MODEL_RATIO_PER_S, NOISE_MARGIN
from vibeorder.diagnosis.gears import GearCourse
from vibeorder.diagnosis.scan import SLOWEST_RATE_HZ, Clock, Scan
from vibeorder.spectrum.middle import within
from vibeorder.spectrum.sliding import largest_within

__all__ = ["Hope", "Screen"]

FloatArray = NDArray[np.float64]

HOPELESS = 40.0
"""A hypothesis that stays this far behind the best for every suspect (log) is given up: its share is below e^-40."""

AT_MOST_TIMES, AT_MOST_MORE = 3.0, 1.0
"""What a line not yet read may say at most: so many times what is expected of it, and so much more (nats)."""

PARTED_TIMES = 1.5
"""Likewise once it was read, where gears change: two lines that run together in one gear only are read in parts, and
the parts of one that is strong in some may say more than the whole."""

JOINTS_MORE = 2.0
"""What a line may gain where a road's joints run on it, beyond its own evidence: they are there four times of five."""
JOINTS_WITHIN_HZ = 2.0
"""How near to a joint's usual place a line is taken to run on it: lines that share blocks lie nearer."""

LONGER = 1.5
"""How much higher a line stands in a block on the sharpened course than in a frame of the scan, as a power."""

FRAMES_SAY = 0.5
"""What a frame says against a block: there are two frames a block."""


_Runs = tuple[int | None, float, float]
"""Gear, multiple and offset of a track."""


@dataclass(frozen=True, slots=True)
class Hope:
    """Candidates whose lines run in one place on a hypothesis, and the log evidence that the scan lets expect of it.

    on_joints: whether a road's joints may run there too.
    """

    candidates: tuple[int, ...]
    expected: float
    on_joints: bool = False

    @property
    def at_most(self) -> float:
        """The most that it is taken to come to."""
        return AT_MOST_TIMES * self.expected + AT_MOST_MORE + self._beyond

    def once_read(self, best: float, shifts: bool) -> float:
        """The most that it may still come to; best: largest log evidence of its lines, shifts: whether gears change."""
        return max(best, PARTED_TIMES * self.expected if shifts else 0.0) + self._beyond

    @property
    def _beyond(self) -> float:
        return JOINTS_MORE if self.on_joints else 0.0


class Screen:
    """What hypotheses on one scan may come to, and what the best of those that were read came to."""

    def __init__(self, scan: Scan, candidates: int, log_prior: FloatArray) -> None:
        """candidates: how many are read. log_prior: of each that may be at fault, and of nothing (last)."""
        self._scan, self._candidates, self._log_prior = scan, candidates, log_prior
        self._expected: dict[tuple[float, bool], FloatArray] = {}
        self._best = np.full(log_prior.size, -np.inf)

    def heed(self, log_class: FloatArray) -> None:
        """A hypothesis was read: its log weight for each suspect and for nothing."""
        self._best = np.maximum(self._best, log_class)

    def hopes(
        self, course: Course, gears: GearCourse | None, offsets: Mapping[tuple[int, int | None], float]
    ) -> tuple[Hope, ...]:
        """What the lines of a hypothesis may say, the most telling first."""
        paths = _paths(course, self._scan.clock)
        places: dict[tuple[_Runs, ...], list[int]] = {}
        expected: dict[tuple[_Runs, ...], float] = {}
        for j in range(self._candidates):
            mine = tracks_in_use(self._scan, j, gears, offsets)
            if not mine:
                continue
            place = tuple((track.gear, track.multiple, offset) for _, track, offset in mine)
            places.setdefault(place, []).append(j)
            if place not in expected:
                expected[place] = sum(self._along(t, paths + offset, gears) for t, _, offset in mine)
        found = [
            Hope(tuple(own), expected[place], any(self._on_joints(m * (1.0 + off)) for _, m, off in place))
            for place, own in places.items()
        ]
        return tuple(sorted(found, key=lambda hope: -hope.expected))

    def _on_joints(self, multiple: float) -> bool:
        joints = self._scan.joints
        near_hz = np.abs(joints.orders - multiple) * self._scan.clock.usual_hz
        return joints.found and bool((near_hz < JOINTS_WITHIN_HZ).any())

    def gives_up(self, at_most: float, hopes: Sequence[Hope]) -> bool:
        """Whether that log weight at most, the prior of whoever is at fault apart, changes nothing for anybody."""
        if not self._scan.ratio:
            return False
        behind = at_most + self._log_prior < self._best - HOPELESS
        turning = [j for hope in hopes for j in hope.candidates if j < behind.size - 1]
        return bool(behind[[*turning, -1]].all())

    def _along(self, t: int, paths: FloatArray, gears: GearCourse | None) -> float:
        """Log evidence to expect of a track along a course, while its gear holds; paths: as of `_paths`."""
        scan, track = self._scan, self._scan.tracks[t]
        if not scan.ratio:
            return 0.0
        key = (track.multiple, track.gear is None)
        if key not in self._expected:
            self._expected[key] = _expected(scan, t)
        expected = self._expected[key]
        cell = np.round((paths - scan.clock.epsilon[0]) / scan.clock.step).astype(int)
        found = expected[np.arange(cell.shape[1]), within(cell, 0, expected.shape[1] - 1)]
        outside = (cell < 0) | (cell >= expected.shape[1])
        found = np.where(outside, EVIDENCE_SHARE * FRAMES_SAY * MODEL_RATIO_PER_S * BLOCK_S, found).max(
            axis=0
        )
        return float(
            found.sum() if gears is None or track.gear is None else found[gears.gear == track.gear].sum()
        )


def _paths(course: Course, clock: Clock) -> FloatArray:
    """Corrections at the frames, as the course was proposed and as its phase was locked [shape (2, frames)].

    The phase may lead elsewhere than the frames did; outside the scanned range anything may be.
    """
    turned = course.correction(clock.mid_s + 0.5) - course.correction(clock.mid_s - 0.5)
    locked = np.where(
        clock.rate_hz > SLOWEST_RATE_HZ, turned / np.maximum(clock.rate_hz, SLOWEST_RATE_HZ), 0.0
    )
    return np.stack([course.epsilon, locked])


def _expected(scan: Scan, t: int) -> FloatArray:
    """Log evidence that a reading of a track will find, by frame and correction [shape as of the evidence].

    As a reading has it: what stands beside a stronger line counts as that line's skirt, and a strong one saturates.
    """
    clock, ratio = scan.clock, scan.ratio[t]
    cells = int(LEAKS_BINS / BLOCK_S / (clock.usual_hz * scan.tracks[t].multiple * clock.step))
    reach = min(max(cells, 1), ratio.shape[1])
    on = LONGER * largest_within(ratio, 1)
    near = LONGER * largest_within(ratio, reach + 1)
    channels = scan.channels
    own = on / (1.0 + np.maximum(near - on - LEAK_MARGIN, 0.0) / channels)
    above = np.maximum(own - channels - NOISE_MARGIN, 0.0)
    usual = channels + NOISE_MARGIN
    saturated = own / (1.0 + above / (MODEL_RATIO_PER_S * BLOCK_S))
    return np.asarray(EVIDENCE_SHARE * FRAMES_SAY * np.maximum(saturated - usual, 0.0), float)
