"""One naming weighed: every line of the vehicle read along its course, for every course of gears worth trying."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.along import Tracked, TrackReader, likelihoods
from vibeorder.diagnosis.candidates import OVERTONE_TIMES, Candidate
from vibeorder.diagnosis.clusters import Cluster, as_lines, less, place
from vibeorder.diagnosis.converter import SLIP_LOG_PRIOR
from vibeorder.diagnosis.evidence import Reading
from vibeorder.diagnosis.gearing import gear_courses, with_changes_placed
from vibeorder.diagnosis.lines import Line, PairLine
from vibeorder.diagnosis.namings import Naming
from vibeorder.diagnosis.pursuit import Pursuit
from vibeorder.diagnosis.ridge import HOP_S
from vibeorder.diagnosis.rolling import turns_with_one_wheel
from vibeorder.diagnosis.rolls import Driven, Rolls
from vibeorder.diagnosis.shifting import shifting
from vibeorder.diagnosis.signal import folded
from vibeorder.diagnosis.slipping import slip_told, slips_asked
from vibeorder.diagnosis.vouched import CLEAR_OF_STRONG_HZ, Frames
from vibeorder.spectrum.middle import log_spread

__all__ = ["Explained", "explain"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]
BoolArray = NDArray[np.bool_]

SHIFT_HALF_S = 0.6
"""Half of the time that a change of gear takes, with what is not known of its instant."""

HELD = 0.08
"""Spread of ln(rate), 5 to 95%, up to which a speed is held. In a pull the slip changes with the load, and what follows
a line up to a change of gear would have the rest of it as an engine's that slips."""

NEUTRAL_LOG_PRIOR = float(np.log(0.03))
"""Log share of drives that roll out of gear, or whose engine follows the wheels in no gear that the profile has: then
no engine line says anything of a road line's course (a judgement, no source)."""


@dataclass(frozen=True, slots=True)
class Explained:
    """One course of gears on one naming. gear: indices at the frames, or None; log_prior: of the gears and the slip.

    slip: how far, relative, the engine runs ahead of its gear.
    """

    naming: Naming
    gear: IntArray | None
    log_prior: float
    lines: tuple[Line | PairLine, ...]
    slip: float = 0.0


def explain(pursuit: Pursuit, naming: Naming, reader: TrackReader) -> list[Explained]:
    """Read all lines along one naming, for each course of gears worth trying."""
    course = _Course(pursuit, naming, reader)
    courses = [*((gear, log_prior, 0.0) for gear, log_prior in course.gear_courses()), *course.slipping()]
    read = [(gear, log_prior, course.lines(gear, slip), slip) for gear, log_prior, slip in courses]
    # only once all lines are read are the sizes known that the wheels' ask for
    return [
        Explained(naming, gear, log_prior + course.rolls.log_prior + course.driven.log_prior, lines, slip)
        for gear, log_prior, lines, slip in read
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
        # the engine's lines that tell gears
        self._engine = [
            j for j, c in enumerate(pursuit.candidates) if c.basis == "engine" and c.guides and not c.slack
        ]
        self._read: dict[tuple[int, int, float], Tracked] = {}
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
        engine = self._engine
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

    def slipping(self) -> list[tuple[IntArray, float, float]]:
        """Courses of gears (indices at the frames), one held all through, with their log prior and the converter's slip
        that the engine's lines ask for along a road line's course."""
        pursuit, gear = self.pursuit, self.naming.gear
        if pursuit.per_wheel is None or (gear >= 0).all() or log_spread(self.naming.rate_hz) > HELD:
            return []
        multiples = [pursuit.candidates[j].multiple for j in self._engine]
        prior = pursuit.gear_prior_along(self.naming.pursued.cell).sum(axis=0)
        asked = slips_asked(
            lambda ahead: self.frames.gears(multiples, ahead, self.own).sum(axis=1), pursuit.per_wheel, prior
        )
        changing, found = shifting(self.naming.rate_hz, HOP_S), []
        for g, near in asked:
            held = np.full(gear.size, g, np.intp)
            slip = slip_told(partial(self._engine_lines, g), near)
            found.append((held, float(prior[g]) + changing.log_prior(held) + SLIP_LOG_PRIOR, slip))
        return found

    def _engine_lines(self, gear: int, slip: float) -> list[Tracked]:
        return [self._off_anchor(self._tracked(j, gear, slip)) for j in self._engine]

    def lines(self, gear: IntArray | None, slip: float = 0.0) -> tuple[Line | PairLine, ...]:
        """All lines on one course of gears; those that run together share one reading."""
        held = self._held(gear)
        mid_s = self.reader.mid_s
        segment, at = np.zeros(mid_s.size), None
        if gear is not None:
            at = gear[np.abs(mid_s[:, None] - self.naming.frame_s).argmin(axis=1)]
            segment = np.concatenate([[0.0], np.cumsum(np.diff(at) != 0)])
        clusters = [Cluster([self.anchor], self.own, self.own_seen)]
        for j, candidate in enumerate(self.pursuit.candidates):
            if j == self.anchor:
                continue
            if candidate.basis == "wheel":
                line = self._tracked(j, -1)
            elif at is not None:
                line = self._in_gears(j, at, held, slip)
            else:
                continue
            place(clusters, j, line, self._seen(line))
        return as_lines(
            clusters, partial(self._readings, segment), partial(self._in_frames, gear, held, slip)
        )

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
        self, gear: IntArray | None, held: FloatArray, slip: float, j: int, line: Tracked, whole: bool
    ) -> float:
        """What the frames say of source j's line, where its blocks are used or straddle a change of gear.

        Of a part of a line only where its blocks are used: the parts would each count the frames about a change.
        """
        if j == self.anchor:
            return self.frames.of_anchor(self.naming.anchored, line)
        candidate, per_wheel = self.pursuit.candidates[j], self.pursuit.per_wheel
        multiple = np.full(self.naming.frame_s.size, candidate.multiple * self._of_mean(candidate))
        if candidate.basis == "engine" and gear is not None and per_wheel is not None:
            multiple = multiple * per_wheel[gear] * (1.0 + slip)
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

    def _tracked(self, j: int, gear: int, slip: float = 0.0) -> Tracked:
        """Source j in one gear, the engine ahead by a slip, or (-1) at the road's rate."""
        key = (j, gear, slip)
        if key not in self._read:
            candidate, per_wheel = self.pursuit.candidates[j], self.pursuit.per_wheel
            ratio = 1.0 if gear < 0 or per_wheel is None else float(per_wheel[gear]) * (1.0 + slip)
            turns = self.naming.turns * (candidate.multiple * ratio * self._of_mean(candidate))
            line = self.rest.read(turns, candidate.source.growth)
            self._read[key] = line if gear >= 0 else self.rolls.read(j, line)
        return self._read[key]

    def _off_anchor(self, line: Tracked) -> Tracked:
        """The line where it does not run on the anchor's, nor in sound on a multiple of it: those tell no gear."""
        near = np.zeros(line.frequency_hz.size, bool)
        for times in (1.0, *(OVERTONE_TIMES if self.pursuit.combs else ())):
            at = folded(times * self.own.frequency_hz, self.reader.signal.rate_hz)
            near |= np.abs(self._seen(line) - at) < CLEAR_OF_STRONG_HZ
        return less(line, near)

    def _in_gears(self, j: int, at: IntArray, held: FloatArray, slip: float) -> Tracked:
        """An engine line's blocks, each from the gear that holds there."""
        parts = {int(g): self._tracked(j, int(g), slip) for g in np.unique(at)}
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
        return less(Tracked(y, gain, raw, noise, frequency, weight, shared), held == 0.0)
