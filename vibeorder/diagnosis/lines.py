"""All lines of one hypothesis: every candidate read along its course, lines that coincide sharing one reading."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.amplitudes import (
    HealthyPrior,
    Member,
    both_at,
    complaint_from,
    likelihood_at,
    line_evidence,
    log_prior_together,
)
from vibeorder.diagnosis.asked import Judged, OfOneLine
from vibeorder.diagnosis.blocks import (
    A_PART_OF_IT,
    MOST_OF_IT,
    Blocks,
    Course,
    OnCourse,
    candidate_blocks,
    tracks_in_use,
)
from vibeorder.diagnosis.candidates import Candidate
from vibeorder.diagnosis.evidence import AMPLITUDES, Reading
from vibeorder.diagnosis.floor import Floor
from vibeorder.diagnosis.gears import GearCourse
from vibeorder.diagnosis.scan import Scan
from vibeorder.spectrum.middle import log_total, middle

__all__ = ["AS_RECORDED", "COINCIDE_HZ", "Line", "LineReader", "PairLine", "lines_of_first"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

AS_RECORDED: FloatArray = np.zeros(1)
"""Log scale of a recording in m/s^2."""

COINCIDE_HZ = 0.6
"""Two lines nearer than this share their blocks."""

COINCIDE_BINS = 2.2
"""Likewise in 1/block: nearer, they fall into each other's main lobe."""

ONE_RATIO = 0.02
"""Spread of ln(frequency ratio) below which two lines keep one ratio all through."""

JOINTS_UP_TO = 3.0
"""A line stronger than this many times what the other joints of the road let expect is not theirs alone."""

PARTLY, MOSTLY = 0.08, 0.6
"""Shares of the record between which two lines coincide for a part of it (one gear of several)."""


@dataclass(frozen=True, slots=True)
class Line:
    """One line, and the candidates that it may belong to."""

    members: tuple[int, ...]
    reading: Reading
    joints: HealthyPrior | None = None

    def reading_of(self, index: int) -> Reading:
        """The reading that all its members share."""
        return self.reading

    def coincide(self, i: int, j: int) -> bool:
        """Whether two candidates run on it."""
        return i in self.members and j in self.members

    def evidence(
        self, healthy: Sequence[HealthyPrior], roles: Sequence[str], log_scales: FloatArray = AS_RECORDED
    ) -> FloatArray:
        """Log evidence with every member in its role, over that of the road's joints alone where it runs on them.

        log_scales: ln of (recorded units per m/s^2) [shape (scales,)], as what comes out.
        """
        return self.at_scales(log_scales)(healthy, roles)

    def at_scales(self, log_scales: FloatArray) -> Judged:
        """What `evidence` gives at these scales, for many roles: what all have in common is reckoned once."""
        if self.joints is not None:
            return partial(self._beside_joints_at, log_scales)
        likelihood = likelihood_at(self.reading.log_likelihood, log_scales)
        felt = map(complaint_from, (self.reading.band_noise_rms * np.exp(-log_scales)).tolist())
        return OfOneLine(self.members, likelihood, tuple(felt))

    def _beside_joints_at(
        self, log_scales: FloatArray, healthy: Sequence[HealthyPrior], roles: Sequence[str]
    ) -> FloatArray:
        parts = [(healthy[m], roles[m]) for m in self.members]
        return np.array([self._beside_joints(parts, float(s)) for s in log_scales])

    def _beside_joints(self, parts: Sequence[Member], log_scale: float) -> float:
        felt_from = complaint_from(self.reading.band_noise_rms * float(np.exp(-log_scale)))
        found, road = self.reading.log_likelihood, _road(self.joints, log_scale)
        alone = line_evidence(_within(found, road, log_scale), road, log_scale, felt_from)
        return line_evidence(found, [*parts, *road], log_scale, felt_from) - alone


@dataclass(frozen=True, slots=True)
class PairLine:
    """Two lines that coincide for a part of the record: what each says alone, and what they say together.

    sides: the candidates on each. joints: what the road's joints add to each, or None.
    """

    sides: tuple[tuple[int, ...], tuple[int, ...]]
    own: tuple[Reading, Reading]
    shared: Reading
    readings: tuple[Reading, Reading]
    joints: tuple[HealthyPrior | None, HealthyPrior | None] = (None, None)

    @property
    def members(self) -> tuple[int, ...]:
        """The candidates on both."""
        return (*self.sides[0], *self.sides[1])

    def reading_of(self, index: int) -> Reading:
        """The reading of one of them, over the whole record."""
        return self.readings[0 if index in self.sides[0] else 1]

    def coincide(self, i: int, j: int) -> bool:
        """Whether two candidates run on one line throughout."""
        return any(i in side and j in side for side in self.sides)

    def evidence(
        self, healthy: Sequence[HealthyPrior], roles: Sequence[str], log_scales: FloatArray = AS_RECORDED
    ) -> FloatArray:
        """Log evidence over both strengths, over that of the road's joints alone; log_scales as for a line."""
        return self.at_scales(log_scales)(healthy, roles)

    def at_scales(self, log_scales: FloatArray) -> Judged:
        """As of a line."""
        at = [(float(s), both_at(self.shared.log_likelihood, float(s))) for s in log_scales]
        return lambda healthy, roles: np.array([self._at_scale(healthy, roles, *one) for one in at])

    def _at_scale(
        self, healthy: Sequence[HealthyPrior], roles: Sequence[str], log_scale: float, shared: FloatArray
    ) -> float:
        road = [_road(j, log_scale) for j in self.joints]
        parts = [
            [*((healthy[m], roles[m]) for m in side), *r] for side, r in zip(self.sides, road, strict=True)
        ]
        alone = self._evidence(road, log_scale, shared, road) if any(road) else 0.0
        return self._evidence(parts, log_scale, shared) - alone

    def _evidence(
        self,
        parts: Sequence[Sequence[Member]],
        log_scale: float,
        shared: FloatArray,
        only: Sequence[list[Member]] = ([], []),
    ) -> float:
        """shared: of both where they coincide. only: the road's joints, where nothing else is to explain them."""
        shift = np.log(AMPLITUDES) + log_scale
        grid = np.log(AMPLITUDES)
        alone = [
            log_prior_together(members, complaint_from(whole.band_noise_rms * float(np.exp(-log_scale))))
            + np.concatenate(
                [[0.0], np.interp(shift, grid, _within(r.log_likelihood, road, log_scale), left=0.0)]
            )
            for members, r, whole, road in zip(parts, self.own, self.readings, only, strict=True)
        ]
        return log_total(alone[0][:, None] + alone[1] + shared)


class LineReader:
    """Reads the lines of one course; what several hypotheses on it share is read once."""

    def __init__(self, scan: Scan, candidates: Sequence[Candidate], course: Course, floor: Floor) -> None:
        self._scan, self._candidates, self.course, self._floor = scan, candidates, course, floor
        self._blocks: dict[object, Blocks | None] = {}
        self._readings: dict[int, tuple[Blocks, Reading]] = {}
        self._along = OnCourse(scan, course)
        self._joints_are_sure = scan.joints.sure

    def lines(
        self, gears: GearCourse | None, offsets: Mapping[tuple[int, int | None], float]
    ) -> tuple[Line | PairLine, ...]:
        """All lines of one hypothesis.

        gears None: no engine source is judged. offsets: how far each (candidate, gear) runs off its nominal ratio.
        """
        blocks = [self._candidate(j, gears, offsets) for j in range(len(self._candidates))]
        return self._grouped([b for b in blocks if b is not None])

    def blind(
        self, gears: GearCourse | None, offsets: Mapping[tuple[int, int | None], float]
    ) -> frozenset[int]:
        """The candidates whose rate is known on this hypothesis, but never where a line can be read."""
        return frozenset(
            j
            for j in range(len(self._candidates))
            if self._candidate(j, gears, offsets) is None and tracks_in_use(self._scan, j, gears, offsets)
        )

    def best(
        self, gears: GearCourse | None, offsets: Mapping[tuple[int, int | None], float], index: int
    ) -> float:
        """Largest log evidence of one candidate's line, 0 where none can be read."""
        blocks = self._candidate(index, gears, offsets)
        return 0.0 if blocks is None else self._whole(blocks).best

    def _candidate(
        self, index: int, gears: GearCourse | None, offsets: Mapping[tuple[int, int | None], float]
    ) -> Blocks | None:
        candidate = self._candidates[index]
        if candidate.basis == "wheel":
            key: object = (index, offsets.get((index, None), 0.0))
        else:
            own = tuple(sorted((g, v) for (j, g), v in offsets.items() if j == index and g is not None))
            key = (index, None if gears is None else gears.gear.tobytes(), own)
        if key not in self._blocks:
            found = candidate_blocks(self._along, index, candidate, gears, offsets, self._floor)
            found = None if found is None else self._off_joints(found)
            self._blocks[key] = found if found is not None and (found.weight > 0).any() else None
        return self._blocks[key]

    def _off_joints(self, blocks: Blocks) -> Blocks:
        """The blocks without those in which the line crosses the road's joints, where these are clear."""
        joints, clock = self._scan.joints, self._scan.clock
        if not self._joints_are_sure:
            return blocks
        rate_hz = np.interp(blocks.mid_s, clock.mid_s, clock.rate_hz)
        crossed = joints.crossed(blocks.folded_hz, rate_hz, blocks.weight)
        return replace(blocks, weight=blocks.weight * ~crossed) if crossed.any() else blocks

    def _whole(self, blocks: Blocks) -> Reading:
        """The reading of all a candidate's blocks, made once."""
        if id(blocks) not in self._readings:
            self._readings[id(blocks)] = (blocks, blocks.read_whole())
        return self._readings[id(blocks)][1]

    def _grouped(self, blocks: list[Blocks]) -> tuple[Line | PairLine, ...]:
        """Coinciding candidates merged into one line; partly coinciding ones read in parts, the strongest first.

        What a stronger line, or a pair of them, already explains in a part of the record is not counted again.
        """
        left = sorted(_merged(blocks, self._whole), key=self._best, reverse=True)
        lines: list[Line | PairLine] = []
        while left:
            head = left.pop(0)
            close = [g for g in left if not _apart(g.speaks, head.speaks)]
            same = [g for g in close if _near(g.speaks, head.speaks)[0] > MOSTLY]
            head = replace(head, members=(*head.members, *(m for g in same for m in g.members)))
            others = (g for g in close if all(g is not s for s in same))
            partner = next((g for g in others if _overlap(head.speaks, g.speaks) > PARTLY), None)
            taken = same if partner is None else [*same, partner]
            if partner is None:
                lines.append(Line(head.members, self._whole(head.speaks), self._joints(head.speaks)))
            else:
                lines.append(self._pair(head, partner))
            left = self._beside([g for g in left if all(g is not t for t in taken)], (head, partner))
        return tuple(lines)

    def _beside(self, groups: "list[_Group]", said: "tuple[_Group, _Group | None]") -> "list[_Group]":
        """The groups without the blocks in which they run on a line that was read, the strongest first as before."""
        read = [g.speaks for g in said if g is not None]
        rest = [_beside(g, [one for one in read if not _apart(g.speaks, one)]) for g in groups]
        if all(g is before for g, before in zip(rest, groups, strict=True)):
            return groups
        return sorted(rest, key=self._best, reverse=True)

    def _best(self, group: "_Group") -> float:
        return self._whole(group.speaks).best

    def _pair(self, first: "_Group", second: "_Group") -> PairLine:
        a, b = first.speaks, second.speaks
        near_a, near_b = _near(a, b)[1], _near(b, a)[1]
        own = (a.read(a.weight * ~near_a, MOST_OF_IT), b.read(b.weight * ~near_b, MOST_OF_IT))
        return PairLine(
            (first.members, second.members),
            own,
            a.read(a.weight * near_a, A_PART_OF_IT),
            (self._whole(a), self._whole(b)),
            (self._joints(a), self._joints(b)),
        )

    def _joints(self, blocks: Blocks) -> HealthyPrior | None:
        """What the road's joints add to a line, None where it does not run on them."""
        joints, clock = self._scan.joints, self._scan.clock
        if not joints.found:
            return None
        rate_hz = np.interp(blocks.mid_s, clock.mid_s, clock.rate_hz)
        return joints.beside(blocks.folded_hz, rate_hz, blocks.weight, blocks.block_s)


def lines_of_first(lines: Sequence[Line | PairLine], count: int) -> tuple[Line | PairLine, ...]:
    """The lines with their members among the first `count` candidates only; those of none are left out."""
    found: list[Line | PairLine] = []
    for line in lines:
        if isinstance(line, Line):
            mine = tuple(m for m in line.members if m < count)
            found += [replace(line, members=mine)] if mine else []
            continue
        sides = [tuple(m for m in side if m < count) for side in line.sides]
        if all(sides):
            found.append(replace(line, sides=(sides[0], sides[1])))
        else:
            found += [
                Line(side, reading, joints)
                for side, reading, joints in zip(sides, line.readings, line.joints, strict=True)
                if side
            ]
    return tuple(found)


@dataclass(frozen=True, slots=True)
class _Group:
    """Candidates on one line, and the blocks that speak for all of them."""

    members: tuple[int, ...]
    speaks: Blocks


def _merged(blocks: Sequence[Blocks], reading: Callable[[Blocks], Reading]) -> list[_Group]:
    """Candidates that coincide in most of the record, together, the clearest lines first.

    Folded twins share a place, not a phase: the one that follows the line best speaks for all.
    """
    groups = []
    left = sorted(blocks, key=lambda b: reading(b).best, reverse=True)
    while left:
        head = left.pop(0)
        twins = [b for b in left if not _apart(head, b) and _near(head, b)[0] > MOSTLY]
        if twins:
            left = [b for b in left if all(b is not t for t in twins)]
        together = (head, *twins)
        groups.append(_Group(tuple(sorted(b.candidate for b in together)), head))
    return groups


def _overlap(a: Blocks, b: Blocks) -> float:
    """Share of the shorter of two lines in which they coincide."""
    return max(_near(a, b)[0], _near(b, a)[0])


def _beside(group: _Group, said: Sequence[Blocks]) -> _Group:
    """The group without the blocks in which it runs on a line that was read already."""
    if not said:
        return group
    blocks = group.speaks
    near = np.zeros(blocks.mid_s.size, bool)
    for other in said:
        near |= _near(blocks, other)[1]
    return replace(group, speaks=replace(blocks, weight=blocks.weight * ~near)) if near.any() else group


def _road(joints: HealthyPrior | None, log_scale: float) -> list[Member]:
    """The road's joints as a member of a line, their strength brought from recorded units to m/s^2."""
    if joints is None:
        return []
    return [(replace(joints, median_mps2=joints.median_mps2 * float(np.exp(-log_scale))), "healthy")]


def _within(log_likelihood: FloatArray, road: Sequence[Member], log_scale: float) -> FloatArray:
    """The likelihood of strengths that the road's joints may have; beyond, no more than at the last of them."""
    if not road:
        return log_likelihood
    most = JOINTS_UP_TO * road[0][0].median_mps2 * float(np.exp(log_scale))
    last = max(int(np.searchsorted(AMPLITUDES, most)) - 1, 0)
    return np.where(most >= AMPLITUDES, log_likelihood, np.minimum(log_likelihood, log_likelihood[last]))


def _apart(a: Blocks, b: Blocks) -> bool:
    """Whether two lines lie apart throughout, as most pairs do."""
    (low, high), (least, most) = a.range_hz, b.range_hz
    distance = least - high if least > low else low - most
    return distance >= COINCIDE_HZ and distance >= COINCIDE_BINS / min(a.block_s, b.block_s)


def _near(a: Blocks, b: Blocks) -> tuple[float, BoolArray]:
    """Share of a's usable blocks in which b runs within COINCIDE_HZ, and which (on a's blocks)."""
    if _apart(a, b):
        return 0.0, np.zeros(a.mid_s.size, bool)
    width = max(COINCIDE_HZ, COINCIDE_BINS / min(a.block_s, b.block_s))
    same = a.mid_s is b.mid_s
    other = b.folded_hz if same else np.interp(a.mid_s, b.mid_s, b.folded_hz)
    within = np.abs(other - a.folded_hz) < width
    if not within.any():
        return 0.0, within
    spoken = b.weight > 0
    together = (spoken if same else np.interp(a.mid_s, b.mid_s, spoken.astype(float)) > 0.5) & (a.weight > 0)
    near = within & together
    share = int(np.count_nonzero(near)) / max(1, int(np.count_nonzero(a.weight > 0)))
    if share <= PARTLY:
        return share, near
    rate = b.frequency_hz if same else np.interp(a.mid_s, b.mid_s, b.frequency_hz)
    ratio = np.log(rate / a.frequency_hz)[together]
    if np.ptp(ratio) < ONE_RATIO:
        # no gear change between them: they are one line or two, whatever the speed's wander makes of single blocks
        apart = middle(np.abs(other - a.folded_hz)[together])
        return (1.0, together) if apart < width else (0.0, np.zeros(near.size, bool))
    return share, near
