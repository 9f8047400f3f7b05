"""One naming weighed: every line of the vehicle read along its course, for every course of gears worth trying."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.along import Tracked, TrackReader, likelihoods
from vibeorder.diagnosis.candidates import OVERTONE_TIMES, Candidate
from vibeorder.diagnosis.evidence import AMPLITUDES, Reading
from vibeorder.diagnosis.gearing import gear_courses, with_changes_placed
from vibeorder.diagnosis.lines import Line, PairLine
from vibeorder.diagnosis.namings import Naming
from vibeorder.diagnosis.pursuit import Pursuit
from vibeorder.diagnosis.ridge import HOP_S
from vibeorder.diagnosis.rolling import turns_with_one_wheel
from vibeorder.diagnosis.rolls import Driven, Rolls
from vibeorder.diagnosis.shifting import shifting
from vibeorder.diagnosis.signal import folded
from vibeorder.diagnosis.vouched import CLEAR_FROM, CLEAR_OF_STRONG_HZ, Frames, vouched_best

__all__ = ["Explained", "explain"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]
BoolArray = NDArray[np.bool_]

COINCIDE_HZ = 0.45
"""Two lines nearer than this share their blocks."""

ONE_TRACK_HZ, CLEARER = 0.03, 3.0
"""Of two that share their blocks and lie farther apart than this, the other's track is the line's where it says so much
more (log evidence)."""

PARTLY, MOSTLY = 0.1, 0.9
"""Shares of the blocks between which two lines coincide for a part of the record (one gear of several)."""

SHIFT_HALF_S = 0.6
"""Half of the time that a change of gear takes, with what is not known of its instant."""

ANCHOR_STRENGTH_SE = 0.12

NEUTRAL_LOG_PRIOR = float(np.log(0.03))
"""Log share of drives that roll out of gear, or whose engine follows the wheels in no gear that the profile has: then
no engine line says anything of a road line's course (a judgement, no source)."""


@dataclass(frozen=True, slots=True)
class Explained:
    """One course of gears on one naming. gear: indices at the frames, or None; log_prior: of the gears."""

    naming: Naming
    gear: IntArray | None
    log_prior: float
    lines: tuple[Line | PairLine, ...]


def explain(pursuit: Pursuit, naming: Naming, reader: TrackReader) -> list[Explained]:
    """Read all lines along one naming, for each course of gears worth trying."""
    course = _Course(pursuit, naming, reader)
    read = [(gear, log_prior, course.lines(gear)) for gear, log_prior in course.gear_courses()]
    # only once all lines are read are the sizes known that the wheels' ask for
    return [
        Explained(naming, gear, log_prior + course.rolls.log_prior + course.driven.log_prior, lines)
        for gear, log_prior, lines in read
    ]


class _Course:
    """What is read along one naming; every line once in every gear."""

    def __init__(self, pursuit: Pursuit, naming: Naming, reader: TrackReader) -> None:
        self.pursuit, self.naming, self.reader = pursuit, naming, reader
        self.anchor = naming.pursued.anchor
        visible = naming.seen_at(reader.mid_s)
        told = naming.gear if (naming.gear >= 0).all() else None
        held = self._held(told) * visible
        growth = pursuit.candidates[self.anchor].source.growth
        self.own = reader.read(naming.anchor_turns, growth, held)
        self.rest = reader.without(naming.anchor_turns, held)
        self.own_seen = self._seen(self.own)
        self.frames = Frames(pursuit.table, naming, reader.mid_s)
        self._read: dict[tuple[int, int], Tracked] = {}
        self.rolls = Rolls(self.rest, naming.turns, pursuit.candidates, self.anchor)
        self.driven = Driven(self.rest, naming.turns, pursuit.candidates, self.anchor)
        self._seek_driven()
        self._likely: dict[tuple[bytes, ...], Reading] = {}

    def _seek_driven(self) -> None:
        """The size of the driven wheels' mean, by their shaft's lines and the engine's in every gear."""
        if not self.driven.sought:
            return
        per_wheel = self.pursuit.per_wheel
        every = [
            [
                (
                    candidate.multiple * (ratio if candidate.basis == "engine" else 1.0),
                    candidate.source.growth,
                    self._off_anchor(self._tracked(j, g if candidate.basis == "engine" else -1)),
                )
                for j, candidate in enumerate(self.pursuit.candidates)
                if self._turns_with_mean(candidate) and (g >= 0 or candidate.basis == "wheel")
            ]
            for g, ratio in ([(-1, 1.0)] if per_wheel is None else enumerate(per_wheel.tolist()))
        ]
        self.driven.seek(every)
        if self.driven.off:
            self._read.clear()

    def _of_mean(self, candidate: Candidate) -> float:
        """How many times the course's rate what a part turns with has."""
        return 1.0 if turns_with_one_wheel(candidate) else 1.0 + self.driven.off

    def _turns_with_mean(self, candidate: Candidate) -> bool:
        return not turns_with_one_wheel(candidate) and candidate.overtone_mps2 == 0.0 and not candidate.slack

    def gear_courses(self) -> list[tuple[IntArray | None, float]]:
        """Courses of gears (indices at the frames) and their log priors; one of None where there are no gears."""
        pursuit, gear = self.pursuit, self.naming.gear
        if pursuit.per_wheel is None:
            return [(None, 0.0)]
        prior = pursuit.gear_prior_along(self.naming.pursued.cell)
        changing = shifting(self.naming.rate_hz, HOP_S)
        if (gear >= 0).all():
            held = float(prior[np.arange(gear.size), gear].sum())
            return [(gear, held + changing.log_prior(gear))]
        engine = [
            j for j, c in enumerate(pursuit.candidates) if c.basis == "engine" and c.guides and not c.slack
        ]
        lines = [
            [self._off_anchor(self._tracked(j, g)) for g in range(pursuit.per_wheel.size)] for j in engine
        ]
        healthy = [pursuit.candidates[j].healthy for j in engine]
        multiples = [pursuit.candidates[j].multiple for j in engine]
        in_frames = self.frames.gears(multiples, pursuit.per_wheel, self.own)
        in_gear: list[tuple[IntArray | None, float]] = [
            (with_changes_placed(course, in_frames), log_p)
            for course, log_p in gear_courses(
                lines, healthy, self.reader.mid_s, prior, self.naming.frame_s, changing
            )
        ]
        alone = pursuit.per_wheel.size == 1  # told, or a vehicle that has no other
        return in_gear if alone else [*in_gear, (None, NEUTRAL_LOG_PRIOR)]

    def lines(self, gear: IntArray | None) -> tuple[Line | PairLine, ...]:
        """All lines on one course of gears; those that run together share one reading."""
        held = self._held(gear)
        mid_s = self.reader.mid_s
        segment, at = np.zeros(mid_s.size), None
        if gear is not None:
            at = gear[np.abs(mid_s[:, None] - self.naming.frame_s).argmin(axis=1)]
            segment = np.concatenate([[0.0], np.cumsum(np.diff(at) != 0)])
        clusters = [_Cluster([self.anchor], self.own, self.own_seen)]
        for j, candidate in enumerate(self.pursuit.candidates):
            if j == self.anchor:
                continue
            if candidate.basis == "wheel":
                line = self._tracked(j, -1)
            elif at is not None:
                line = self._in_gears(j, at, held)
            else:
                continue
            _place(clusters, j, line, self._seen(line))
        return _as_lines(clusters, partial(self._readings, segment), partial(self._in_frames, gear, held))

    def _readings(self, segment: FloatArray, lines: Sequence[Tracked]) -> list[Reading]:
        """The likelihoods of lines, each taken once: most are the same in another course of gears."""
        keys = [
            tuple(
                x.tobytes()
                for x in (one.y, one.gain, one.raw, one.noise, one.frequency_hz, one.weight, segment)
            )
            for one in lines
        ]
        new = {key: one for key, one in zip(keys, lines, strict=True) if key not in self._likely}
        found = likelihoods([(one, segment) for one in new.values()], self.reader.mid_s)
        self._likely.update(zip(new, found, strict=True))
        return [self._likely[key] for key in keys]

    def _in_frames(
        self, gear: IntArray | None, held: FloatArray, j: int, line: Tracked, whole: bool
    ) -> float:
        """What the frames say of source j's line, where its blocks are used or straddle a change of gear.

        Of a part of a line only where its blocks are used: the parts would each count the frames about a change.
        """
        if j == self.anchor:
            return self.frames.of_anchor(self.naming.anchored, line)
        candidate, per_wheel = self.pursuit.candidates[j], self.pursuit.per_wheel
        multiple = np.full(self.naming.frame_s.size, candidate.multiple * self._of_mean(candidate))
        if candidate.basis == "engine" and gear is not None and per_wheel is not None:
            multiple = multiple * per_wheel[gear]
        return self.frames.of_line(multiple, line, held if whole else np.ones(held.size))

    def _held(self, gear: IntArray | None) -> FloatArray:
        """1 for blocks away from any change of gear, else 0 [shape (blocks,)]."""
        keep, frame_s = np.ones(self.reader.mid_s.size), self.naming.frame_s
        for t in np.flatnonzero(np.diff(gear)) if gear is not None else ():
            at = 0.5 * (frame_s[t] + frame_s[t + 1])
            keep[np.abs(self.reader.mid_s - at) < 0.5 * self.reader.block_s + SHIFT_HALF_S] = 0.0
        return keep

    def _seen(self, line: Tracked) -> FloatArray:
        return folded(line.frequency_hz, self.reader.signal.rate_hz)

    def _tracked(self, j: int, gear: int) -> Tracked:
        """Source j in one gear, or (-1) at the road's rate."""
        if (j, gear) not in self._read:
            candidate, per_wheel = self.pursuit.candidates[j], self.pursuit.per_wheel
            ratio = 1.0 if gear < 0 or per_wheel is None else float(per_wheel[gear])
            turns = self.naming.turns * (candidate.multiple * ratio * self._of_mean(candidate))
            line = self.rest.read(turns, candidate.source.growth)
            self._read[(j, gear)] = line if gear >= 0 else self.rolls.read(j, line)
        return self._read[(j, gear)]

    def _off_anchor(self, line: Tracked) -> Tracked:
        """The line where it does not run on the anchor's, nor in sound on a multiple of it: those tell no gear."""
        near = np.zeros(line.frequency_hz.size, bool)
        for times in (1.0, *(OVERTONE_TIMES if self.pursuit.combs else ())):
            at = folded(times * self.own.frequency_hz, self.reader.signal.rate_hz)
            near |= np.abs(self._seen(line) - at) < CLEAR_OF_STRONG_HZ
        return _less(line, near)

    def _in_gears(self, j: int, at: IntArray, held: FloatArray) -> Tracked:
        """An engine line's blocks, each from the gear that holds there."""
        parts = {int(g): self._tracked(j, int(g)) for g in np.unique(at)}
        first = next(iter(parts.values()))
        if len(parts) == 1:
            return first
        y, gain, raw, noise = first.y.copy(), first.gain.copy(), first.raw.copy(), first.noise.copy()
        frequency, weight, shared = first.frequency_hz.copy(), first.weight.copy(), first.shared.copy()
        for g, part in parts.items():
            here = at == g
            y[:, here], gain[:, here], raw[:, here] = part.y[:, here], part.gain[:, here], part.raw[:, here]
            noise[:, here], frequency[here] = part.noise[:, here], part.frequency_hz[here]
            weight[here], shared[here] = part.weight[here], part.shared[here]
        return _less(Tracked(y, gain, raw, noise, frequency, weight, shared), held == 0.0)


def _less(line: Tracked, out: BoolArray) -> Tracked:
    """The line without some blocks."""
    keep = ~out
    return replace(line, y=line.y * keep, gain=line.gain * keep, weight=line.weight * keep)


@dataclass(slots=True)
class _Cluster:
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


def _place(clusters: list[_Cluster], j: int, line: Tracked, seen: FloatArray) -> None:
    """Put source j into the cluster that it runs with, beside one that it runs with for a part, or alone.

    The first cluster is the strong line's, which has been taken out of the samples: what runs on it for a part is
    judged by the rest. Where two lines merely cross, the blocks there are those of the clearer one: a line that is seen
    all along would else lose by every faint one that its name lets cross it.
    """
    partner: tuple[_Cluster, BoolArray] | None = None
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
            line = _less(line, np.abs(seen - cluster.seen) < CLEAR_OF_STRONG_HZ)
            continue
        if share == 0.0:
            continue
        free = cluster.pair is None and len(cluster.members) == 1
        if share > PARTLY and free and partner is None:
            partner = (cluster, near & (cluster.line.weight > 0))
        elif cluster.pair is None and _clearness(line, near) > _clearness(cluster.line, near):
            cluster.line = _less(cluster.line, near)
        else:
            line = _less(line, near)
    if partner is None:
        clusters.append(_Cluster([j], line, seen))
    else:
        partner[0].pair = ([j], line, partner[1])


def _clearness(line: Tracked, apart_from: BoolArray) -> float:
    """How far a line stands out of its noise in its blocks but some, on average, in ln."""
    use = (line.weight > 0) & ~apart_from
    if not use.any():
        return 0.0
    return float(np.log1p(line.power[use]).mean())


def _as_lines(
    clusters: Sequence[_Cluster],
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
            asked += [(first, _less(cluster.line, near), False), (second, _less(other, near), False)]
            asked += [(first, _less(cluster.line, ~near), False), (second, other, True)]
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
