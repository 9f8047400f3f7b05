"""Without a speed: sources whose lines run together along one naming share one line, all along or for a part."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.along import Tracked
from vibeorder.diagnosis.evidence import AMPLITUDES, Reading
from vibeorder.diagnosis.lines import Line, PairLine
from vibeorder.diagnosis.vouched import CLEAR_FROM, CLEAR_OF_STRONG_HZ, vouched_best

__all__ = ["Cluster", "as_lines", "less", "place"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

COINCIDE_HZ = 0.45
"""Two lines nearer than this share their blocks."""

ONE_TRACK_HZ, CLEARER = 0.03, 3.0
"""Of two that share their blocks and lie farther apart than this, the other's track is the line's where it says so much
more (log evidence)."""

PARTLY, MOSTLY = 0.1, 0.9
"""Shares of the blocks between which two lines coincide for a part of the record (one gear of several)."""

ANCHOR_STRENGTH_SE = 0.12


def less(line: Tracked, out: BoolArray) -> Tracked:
    """The line without some blocks."""
    keep = ~out
    return replace(line, y=line.y * keep, gain=line.gain * keep, weight=line.weight * keep)


@dataclass(slots=True)
class Cluster:
    """Sources that run together, their line and where it shows; pair: others, with their line, that run with them for a
    part."""

    members: list[int]
    line: Tracked
    seen: FloatArray
    pair: tuple[list[int], Tracked, BoolArray] | None = None
    others: list[tuple[int, Tracked]] = field(default_factory=list)

    def pairs_with(self, line: Tracked) -> bool:
        """Whether a line runs with the others all along: read beside them it would count twice."""
        if self.pair is None:
            return False
        near = np.abs(line.frequency_hz - self.pair[1].frequency_hz) < COINCIDE_HZ
        return float(near.mean()) > MOSTLY


def place(clusters: list[Cluster], j: int, line: Tracked, seen: FloatArray) -> None:
    """Put source j into the cluster that it runs with, beside one that it runs with for a part, or alone.

    The first cluster is the strong line's, which has been taken out of the samples: what runs on it for a part is
    judged by the rest. Where two lines merely cross, the blocks there are those of the clearer one: a line that is seen
    all along would else lose by every faint one that its name lets cross it.
    """
    partner: tuple[Cluster, BoolArray] | None = None
    usable = line.weight > 0
    others = np.concatenate([cluster.seen for cluster in clusters]).reshape(-1, seen.size)
    every = (np.abs(seen - others) < COINCIDE_HZ) & usable
    shares = np.count_nonzero(every, axis=1) / max(int(np.count_nonzero(usable)), 1)
    for cluster, near, share in zip(clusters, every, shares.tolist(), strict=True):
        if share > MOSTLY:
            cluster.members.append(j)
            if cluster is not clusters[0] and np.abs(seen - cluster.seen)[usable].mean() > ONE_TRACK_HZ:
                cluster.others.append((j, line))
            return
        if cluster.pair is not None and cluster.pairs_with(line):
            cluster.pair[0].append(j)
            return
        if cluster is clusters[0]:
            line = less(line, np.abs(seen - cluster.seen) < CLEAR_OF_STRONG_HZ)
            continue
        if share == 0.0:
            continue
        free = cluster.pair is None and len(cluster.members) == 1
        if share > PARTLY and free and partner is None:
            partner = (cluster, near & (cluster.line.weight > 0))
        elif cluster.pair is None and _clearness(line, near) > _clearness(cluster.line, near):
            cluster.line = less(cluster.line, near)
        else:
            line = less(line, near)
    if partner is None:
        clusters.append(Cluster([j], line, seen))
    else:
        partner[0].pair = ([j], line, partner[1])


def _clearness(line: Tracked, apart_from: BoolArray) -> float:
    """How far a line stands out of its noise in its blocks but some, on average, in ln."""
    use = (line.weight > 0) & ~apart_from
    if not use.any():
        return 0.0
    return float(np.log1p(line.power[use]).mean())


def as_lines(
    clusters: Sequence[Cluster],
    readings_of: Callable[[Sequence[Tracked]], list[Reading]],
    in_frames: Callable[[int, Tracked, bool], float],
) -> tuple[Line | PairLine, ...]:
    """Every cluster read; the first holds the strong line. in_frames: what the frames say of a source's line, or of a
    part of it."""
    asked: list[tuple[int, Tracked, bool]] = []
    for cluster in clusters:
        first = cluster.members[0]
        asked.append((first, cluster.line, True))
        asked += [(j, line, True) for j, line in cluster.others]
        if cluster.pair is not None:
            (second, *_), other, near = cluster.pair
            asked += [(first, less(cluster.line, near), False), (second, less(other, near), False)]
            asked += [(first, less(cluster.line, ~near), False), (second, other, True)]
    read = readings_of([line for _, line, _ in asked])
    readings = iter(
        _vouched(reading, i == 0, partial(in_frames, *one))
        for i, (one, reading) in enumerate(zip(asked, read, strict=True))
    )
    out: list[Line | PairLine] = []
    for cluster in clusters:
        whole = next(readings)
        for _ in cluster.others:
            clearer = next(readings)
            whole = clearer if clearer.best > whole.best + CLEARER else whole
        if cluster.pair is None:
            out.append(Line(tuple(cluster.members), whole))
        else:
            alone, other_alone, shared, other_whole = (next(readings) for _ in range(4))
            members = (cluster.members[0],), tuple(cluster.pair[0])
            out += _paired(members, (alone, other_alone), shared, (whole, other_whole))
    return tuple(out)


def _vouched(reading: Reading, strong: bool, in_frames: Callable[[], float]) -> Reading:
    """A line with the evidence of its frames: the strong one in any case, another where that is more."""
    if not strong and reading.best < CLEAR_FROM:
        return reading
    best = vouched_best(reading, in_frames())
    return _at_strength(reading, best) if strong or best > reading.best else reading


def _paired(
    members: tuple[tuple[int, ...], tuple[int, ...]],
    own: tuple[Reading, Reading],
    shared: Reading,
    whole: tuple[Reading, Reading],
) -> list[Line | PairLine]:
    """Two that coincide for a part: as one line that is the first's or the second's throughout, or as both.

    Read in parts a line loses the phase that it keeps from part to part, so the parts count only where neither
    explains the whole as well.
    """
    either = [whole[k].best + own[1 - k].best for k in (0, 1)]
    if max(either) < own[0].best + own[1].best + shared.best:
        return [PairLine(members, own, shared, whole)]
    k = int(np.argmax(either))
    return [Line(members[k], whole[k]), Line(members[1 - k], own[1 - k])]


def _at_strength(reading: Reading, best: float) -> Reading:
    """A strong line: its evidence is that of its frames, its strength what was measured."""
    rms = max(reading.amplitude_rms, float(AMPLITUDES[0]))
    off = -0.5 * ((np.log(AMPLITUDES) - np.log(rms)) / ANCHOR_STRENGTH_SE) ** 2
    log_l = np.where(rms > AMPLITUDES, np.maximum(best + off, 0.0), best + off)
    return replace(reading, log_likelihood=log_l)
