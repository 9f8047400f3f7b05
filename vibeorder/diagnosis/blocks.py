"""One candidate read in blocks along a course: amplitude on its track, and the noise beside it."""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.candidates import Candidate
from vibeorder.diagnosis.evidence import MAIN_LOBE, STRENGTH_SE, Reading, read_line, whiten
from vibeorder.diagnosis.floor import GENTLE, STEEP, Floor
from vibeorder.diagnosis.gears import GearCourse
from vibeorder.diagnosis.locking import in_step
from vibeorder.diagnosis.scan import SLOWEST_RATE_HZ, Scan, Track, usable
from vibeorder.diagnosis.signal import folded
from vibeorder.spectrum.baseband import block_spectra, narrowed
from vibeorder.spectrum.middle import middle, power_of, within

__all__ = [
    "A_PART_OF_IT",
    "MOST_OF_IT",
    "NEEDED_COVER",
    "SIDE_HZ",
    "Blocks",
    "Course",
    "OnCourse",
    "block_cut",
    "candidate_blocks",
    "tracks_in_use",
]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

MEMORY_S = 8.0
"""How long a line keeps its phase against its track, locked to an anchor line or not."""

BLOCK_S = 4.0
"""Length of a block. One for all lines: a line's evidence must not depend on the name it is read under."""

SIDE_HZ = 1.5
SIDE_SHARE = 0.025
"""Width of the surroundings in which the noise is measured, in Hz and as a share of the line's frequency."""

ON_TRACK_BINS, ON_TRACK_SHARE = 0.6, 0.002
"""A line this near the track, in 1/block or as a share of its frequency, is on it."""

LEAKS_BINS = 3.2
LEAK_MARGIN = 10.0
"""How far off a strong line leaks into a track, in 1/block, and how much higher it must stand beside than on it."""

STEP_OPEN, LEFT_OPEN = 0.001, 0.003
"""What is left open of a line's rate: a step of the search of offsets; and more where a belt creeps, its own or the one
that led to the course, or an engine's line is read along a wheel's: tires of one set differ by tenths of a percent."""

OPEN_HZ = 0.2
"""Farther than this from the track the phases of blocks, half a block apart, no longer tell which way."""

OFF_CENTRE_BINS = 0.2
"""A line that runs this far beside its track, in 1/block, is read again where it runs: a Hann block shows it weaker by
5% in power there, and by two fifths at three times that."""

TRIED = 41
"""Rates tried within what is left open: apart by two hundredths of a turn from block to block."""

PASSES = 2
"""Where a slip was sought on the grid it may be off by more than phases tell at once."""

NEEDED_COVER = 0.6
READING_RATE = 5.0
"""Sample rate of the narrowed baseband, in multiples of the reach of a reading."""

MOST_OF_IT, A_PART_OF_IT = 0.25, 0.8
"""How far a line's strength in most, and in a part, of the record may be off that over the whole, in ln."""
A_SHRED_OF_IT = 1.5
PARTS = ((0.15, A_SHRED_OF_IT), (0.35, A_PART_OF_IT), (0.75, MOST_OF_IT))
"""Shares of the drive below which a line was read in a shred of it, in a part, and in most."""


@dataclass(frozen=True, slots=True)
class Course:
    """One hypothesis of how fast the wheel turned.

    epsilon: relative correction at the scan's frames [shape (frames,)]. turns: further phase-locked correction
    in wheel turns at `turns_s`. anchor: candidate that it was locked on, or None. log_prior: of this course. loose:
    whether that is a belt's, which slips against all else.
    """

    epsilon: FloatArray
    anchor: int | None
    log_prior: float
    turns: FloatArray
    turns_s: FloatArray
    locked: bool
    loose: bool = False

    def correction(self, times_s: FloatArray) -> FloatArray:
        """Wheel turns to add to the nominal ones, at any instants."""
        return np.interp(times_s, self.turns_s, self.turns)


Read = tuple[NDArray[np.complexfloating], FloatArray, FloatArray]
"""Amplitude on a track, noise beside it, and share of real samples, block by block."""


class OnCourse:
    """A recording read along one course: what its lines have in common is worked out once, and each track read once."""

    def __init__(self, scan: Scan, course: Course) -> None:
        self.scan, self.course = scan, course
        self._read: dict[tuple[float, bool, float], Read] = scan.read_along(
            course.turns, course.turns_s, self.cut[1]
        )

    @cached_property
    def cut(self) -> tuple[float, FloatArray]:
        """Length of a block, and the blocks' middles."""
        return block_cut(float(self.scan.clock.mid_s[-1]))

    @cached_property
    def nominal_hz(self) -> FloatArray:
        """Rate of the nominal wheel at the blocks' middles [shape (blocks,)]."""
        clock = self.scan.clock
        return np.interp(self.cut[1], clock.mid_s, clock.rate_hz)

    @cached_property
    def wheel_hz(self) -> FloatArray:
        """Mean rate of the wheel in each block, along the course [shape (blocks,)]."""
        block_s, mid_s = self.cut
        half_s, course = 0.5 * block_s, self.course
        further = (course.correction(mid_s + half_s) - course.correction(mid_s - half_s)) / block_s
        return np.asarray(self.nominal_hz + further)

    def read(self, t: int, offset: float) -> Read:
        """What the blocks hold of track t, run off its ratio by `offset`; tracks of one rate share it."""
        track = self.scan.tracks[t]
        key = (track.multiple, track.gear is None, offset)
        if key not in self._read:
            self._read[key] = _along(self, t, track.multiple, offset)
        return self._read[key]


@dataclass(frozen=True, slots=True)
class Blocks:
    """One candidate along the course.

    centre: amplitude on the track, noise: its standard deviation [shape (channels, blocks)]; mid_s, frequency_hz
    (true), folded_hz (as seen), weight (0: says nothing) [shape (blocks,)]. range_hz: least and greatest of folded_hz.
    rolling: number of blocks in which the wheel turns. settled: how far off the track, relative, it was read.
    """

    candidate: int
    centre: NDArray[np.complexfloating]
    noise: FloatArray
    mid_s: FloatArray
    frequency_hz: FloatArray
    folded_hz: FloatArray
    weight: FloatArray
    block_s: float
    growth: float
    memory_s: float
    range_hz: tuple[float, float]
    rolling: int
    settled: float = 0.0

    def read_whole(self) -> Reading:
        """The line's evidence from all blocks that may speak; where those are few, they say less of its strength."""
        share = int(np.count_nonzero(self.weight > 0)) / max(self.rolling, 1)
        return self.read(self.weight, next((se for least, se in PARTS if share < least), STRENGTH_SE))

    def read(self, weight: FloatArray, strength_se: float = STRENGTH_SE) -> Reading:
        """The line's evidence from the blocks that `weight` leaves in; `strength_se` as in read_line."""
        return read_line(
            self.centre,
            self.noise,
            self.mid_s,
            self.frequency_hz,
            self.growth,
            self.memory_s,
            self.block_s,
            weight,
            strength_se,
        )


def candidate_blocks(
    along: OnCourse,
    index: int,
    candidate: Candidate,
    gears: GearCourse | None,
    offsets: Mapping[tuple[int, int | None], float],
    floor: Floor,
) -> Blocks | None:
    """Read one candidate; None where the hypothesis gives it no rate (no gear known, neutral)."""
    scan, clock = along.scan, along.scan.clock
    mine = tracks_in_use(scan, index, gears, offsets)
    block_s, mid_s = along.cut
    if not mine or mid_s.size < 2:
        return None
    rate = clock.rate_hz * (1.0 + along.course.epsilon)
    state = _state(mine, gears, clock.mid_s.size)
    multiples = np.array([track.multiple * (1.0 + offset) for _, track, offset in mine])
    typical = float(middle((rate * multiples[np.maximum(state, 0)])[state >= 0]))
    side_hz = max(SIDE_HZ, SIDE_SHARE * typical)
    at, steady = _state_of_blocks(state, clock.mid_s, mid_s, block_s)
    centre, noise, cover = _of_states([along.read(t, offset) for t, _, offset in mine], at)
    frequency = along.wheel_hz * multiples[at]
    rise = _rise(along, floor, frequency, (MAIN_LOBE / block_s, MAIN_LOBE / block_s + side_hz))
    turns = along.wheel_hz > SLOWEST_RATE_HZ
    seen = usable(frequency, floor.sample_rate_hz) & turns & steady & (cover > NEEDED_COVER)
    weight, off = np.asarray(cover * seen, float), 0.0
    if left_open := _left_open(along, candidate, mine):
        centre, noise, off = _where_it_runs(along, mine, at, (centre, noise), frequency, weight, left_open)
        frequency = frequency * (1.0 + off)
    seen_hz = folded(frequency, floor.sample_rate_hz)
    return Blocks(
        index,
        centre,
        noise * rise,
        mid_s,
        np.maximum(frequency, 1e-3),
        seen_hz,
        weight,
        block_s,
        candidate.source.growth,
        MEMORY_S,
        (float(seen_hz.min()), float(seen_hz.max())),
        int(np.count_nonzero(turns)),
        off,
    )


def _where_it_runs(
    along: OnCourse,
    mine: list[tuple[int, Track, float]],
    at: NDArray[np.intp],
    read: tuple[NDArray[np.complex128], FloatArray],
    frequency_hz: FloatArray,
    weight: FloatArray,
    left_open: float,
) -> tuple[NDArray[np.complex128], FloatArray, float]:
    """Amplitudes and noise read where a line's phases tell that it runs, and how far that is off its track (relative).

    mine, at: its tracks, and which holds in each block; read: what is there; left_open: as in `_left_open`.
    """
    block_s, mid_s = along.cut
    (centre, noise), off, typical = read, 0.0, float(middle(frequency_hz))
    for _ in range(PASSES if along.course.loose or any(offset for _, _, offset in mine) else 1):
        here = frequency_hz * (1.0 + off)
        centre, further = _settled(centre, noise, mid_s, here, weight, left_open)
        off = (1.0 + off) * (1.0 + further) - 1.0
        if abs(further) * typical * block_s < OFF_CENTRE_BINS:
            break
        moved = [along.read(t, (1.0 + offset) * (1.0 + off) - 1.0) for t, _, offset in mine]
        centre, noise, _ = _of_states(moved, at)
    return centre, noise, off


def _left_open(along: OnCourse, candidate: Candidate, mine: list[tuple[int, Track, float]]) -> float:
    """How far (relative) a line may run off its track; 0 where nothing is left open."""
    anchor = along.course.anchor
    of_a_wheel = anchor is not None and any(t.gear is None for _, t in along.scan.tracks_of(anchor))
    if candidate.slack or along.course.loose or (candidate.basis == "engine" and of_a_wheel):
        return LEFT_OPEN
    return STEP_OPEN if any(offset for _, _, offset in mine) else 0.0


def _settled(
    centre: NDArray[np.complex128],
    noise: FloatArray,
    mid_s: FloatArray,
    frequency_hz: FloatArray,
    weight: FloatArray,
    left_open: float,
) -> tuple[NDArray[np.complex128], float]:
    """Amplitudes turned to the rate at which their line really runs, and how far that is off the track (relative).

    A strong line's phases tell to a fraction of what its course and the search of offsets leave open.
    """
    use = weight > 0
    if np.count_nonzero(use) < 2:
        return centre, 0.0
    clear = centre / noise * use
    hop_s, typical_hz = float(mid_s[1] - mid_s[0]), float(middle(frequency_hz[use]))
    most = min(left_open, OPEN_HZ / typical_hz)
    ahead = (clear[:, 1:] * clear[:, :-1].conj()).sum(axis=0)
    tried = most * np.linspace(-1.0, 1.0, TRIED)
    advance = 0.5 * (frequency_hz[1:] + frequency_hz[:-1]) * hop_s
    off = float(tried[int(np.argmax(in_step(ahead, advance, tried)))])
    turns = off * np.concatenate([[0.0], np.cumsum(0.5 * (frequency_hz[1:] + frequency_hz[:-1]) * hop_s)])
    return centre * np.exp(-2j * np.pi * turns), off


def _of_states(
    read: list[Read], at: NDArray[np.intp]
) -> tuple[NDArray[np.complex128], FloatArray, FloatArray]:
    """What was read of the track that holds in each block: amplitude, noise [shape (channels, blocks)], cover."""
    if len(read) == 1:
        centre, noise, cover = read[0]
        return np.asarray(centre, np.complex128), np.asarray(noise, float), cover
    pick = np.arange(at.size)
    centre, noise, cover = (np.stack(each)[at, ..., pick] for each in zip(*read, strict=True))
    return np.asarray(centre.T, np.complex128), np.asarray(noise.T, float), cover


@lru_cache(maxsize=8)
def block_cut(last_s: float) -> tuple[float, FloatArray]:
    """Length of a block and the blocks' middles: the very same array for all lines of a stretch."""
    block_s = min(BLOCK_S, max(1.0, 0.25 * last_s))
    mid_s = np.arange(0.5 * block_s, last_s + 0.5 - 0.5 * block_s + 1e-6, 0.5 * block_s)
    mid_s.flags.writeable = False
    return block_s, mid_s


def tracks_in_use(
    scan: Scan, index: int, gears: GearCourse | None, offsets: Mapping[tuple[int, int | None], float]
) -> list[tuple[int, Track, float]]:
    """(number, track, offset) of a candidate's tracks in the gears that were driven in."""
    used = frozenset() if gears is None else gears.used
    return [
        (t, track, offsets.get((index, track.gear), 0.0))
        for t, track in scan.tracks_of(index)
        if track.gear is None or track.gear in used
    ]


def _rise(
    along: OnCourse, floor: Floor, frequency_hz: FloatArray, beside_hz: tuple[float, float]
) -> FloatArray:
    """How much higher the noise is on the track than beside it, as an amplitude [shape (blocks,)]."""
    nominal = np.maximum(along.nominal_hz, 0.1)
    moving = along.scan.moving.rise(frequency_hz / nominal, nominal, *beside_hz)
    return np.asarray(np.sqrt(within(floor.rise(frequency_hz, *beside_hz) * moving, GENTLE, STEEP)))


def _state(mine: list[tuple[int, Track, float]], gears: GearCourse | None, frames: int) -> NDArray[np.intp]:
    """Which of the candidate's tracks holds at each frame, -1 for none."""
    if mine[0][1].gear is None or gears is None:
        return np.zeros(frames, np.intp)
    state = np.full(frames, -1, np.intp)
    for i, (_, track, _) in enumerate(mine):
        state[gears.gear == track.gear] = i
    return state


def _state_of_blocks(
    state: NDArray[np.intp], frame_s: FloatArray, mid_s: FloatArray, block_s: float
) -> tuple[NDArray[np.intp], BoolArray]:
    """Track of each block, and whether it held from before its start to after its end."""
    if (state == state[0]).all():
        return np.full(mid_s.size, max(int(state[0]), 0), np.intp), np.full(mid_s.size, bool(state[0] >= 0))
    half = 0.5 * block_s + 0.5
    low, middle, high = (
        state[np.minimum(np.searchsorted(frame_s, mid_s + d), frame_s.size - 1)] for d in (-half, 0.0, half)
    )
    return np.maximum(middle, 0), (low == middle) & (middle == high) & (middle >= 0)


def _along(along: OnCourse, t: int, multiple: float, offset: float) -> Read:
    """Amplitude on the track, noise beside it, and share of real samples, block by block."""
    scan, (block_s, mid_s) = along.scan, along.cut
    band = scan.bands[t]
    correction = along.course.correction(band.times_s)
    turns = multiple * correction
    if offset:
        turns = turns + multiple * offset * (correction + np.interp(band.times_s, *scan.nominal()))
    typical_hz = scan.clock.usual_hz * multiple
    side_hz = max(SIDE_HZ, SIDE_SHARE * typical_hz)
    reach = MAIN_LOBE / block_s + side_hz
    close = narrowed(band, turns, READING_RATE * reach)
    blocks = block_spectra(close, block_s, mid_s, min(reach, 0.4 * close.rate_hz), pad=1)
    spectra, noise = whiten(blocks, block_s, side_hz)
    centre = spectra[:, :, blocks.offset_hz.size // 2]
    return centre, noise * _off_track(spectra, noise, blocks.offset_hz, block_s, typical_hz), blocks.cover


def _off_track(
    spectra: NDArray[np.complexfloating],
    noise: FloatArray,
    offset_hz: FloatArray,
    block_s: float,
    typical_hz: float,
) -> FloatArray:
    """Factor on the noise of blocks whose power belongs to a line beside the track [shape (blocks,)].

    A strong line beside the track leaks into it; where the spectrum is higher beside than on the track, by more
    than noise would make it, what leaks is noise to this track.
    """
    away = np.abs(offset_hz)
    beside = (away > max(ON_TRACK_BINS / block_s, ON_TRACK_SHARE * typical_hz)) & (
        away < LEAKS_BINS / block_s
    )
    if not beside.any():
        return np.ones(noise.shape[1])
    ratio = (power_of(spectra) / (noise**2)[:, :, None]).sum(axis=0)
    excess = ratio[:, beside].max(axis=1) - ratio[:, offset_hz.size // 2] - LEAK_MARGIN
    return np.asarray(np.sqrt(1.0 + np.maximum(excess, 0.0) / spectra.shape[0]), float)
