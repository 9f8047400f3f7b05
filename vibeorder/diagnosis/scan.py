"""First look: every candidate's track scanned for a line, over the doubt in the wheel rate.

The nominal wheel rate r0(t) may be wrong by a factor 1 + e(t): tire, speedometer, GPS noise. For each
track (a source, and for engine sources a gear) and each frame of a second the spectrum beside the track
says how much a line at each e stands out. All tracks share e: that is what makes them one vehicle.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, overload

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.evidence import frame_evidence
from vibeorder.diagnosis.floor import Floor
from vibeorder.diagnosis.joints import NO_JOINTS, Joints, find_joints
from vibeorder.diagnosis.movingfloor import NOTHING_MOVES, MovingFloor, moving_floor, road_frames
from vibeorder.diagnosis.signal import Kept, Signal, folded
from vibeorder.diagnosis.wheelframes import WheelFrames, wheel_frames, whitened
from vibeorder.spectrum.baseband import Baseband, BlockSpectra, block_spectra, demodulate
from vibeorder.spectrum.middle import middle, power_of

__all__ = ["BLIND_AT_ZERO_HZ", "SLOW", "Bands", "Clock", "Scan", "Track", "scan_tracks", "usable"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

HOP_S = 1.0
FRAME_S = 3.0
"""Length of a frame. One for all lines: a line's evidence must not depend on the name it is read under."""

FRAME_CAP = 15.0
"""Largest log evidence of one frame: a single pothole or tone must not decide a path."""

BLIND_AT_ZERO_HZ = 2.5
BLIND_AT_NYQUIST_HZ = 1.0
"""A line this near to a fold meets its own mirror image and says nothing of its rate."""

PLAIN_SHARE = 0.42
"""Share of the sample rate below which a line never folds, and so can be read from resampled frames."""

SLOW = 20.0
"""Percentile of the wheel's rate at which two lines are held against each other: where they run nearest."""

SLOWEST_RATE_HZ = 0.8
"""Wheel turns per second below which (2 m/s) nothing is read: crawling, stopping."""


@dataclass(frozen=True, slots=True)
class Track:
    """One candidate's line: `multiple` turns per wheel turn; gear None for road-speed parts."""

    candidate: int
    gear: int | None
    multiple: float


@dataclass(frozen=True)
class Clock:
    """The nominal wheel: turns at the sample instants [shape (n,)], and its rate at the frames [shape (frames,)].

    epsilon: grid of relative corrections, evenly spaced. mid_s: frame times. engine_cells: length of the grid
    for engine lines, which goes on upwards: a slipping converter lets the engine run ahead. there: share of each frame
    that was recorded [shape (frames,)]; empty where all was.
    """

    turns: FloatArray
    mid_s: FloatArray
    rate_hz: FloatArray
    epsilon: FloatArray
    engine_cells: int
    there: FloatArray = field(default_factory=lambda: np.zeros(0))

    def grid(self, track: Track) -> FloatArray:
        """Corrections at which a track is read: engine lines have more of them."""
        cells = self.epsilon.size if track.gear is None else self.engine_cells
        return np.asarray(self.epsilon[0] + np.arange(cells) * self.step)

    @property
    def step(self) -> float:
        """Spacing of epsilon."""
        return float(self.epsilon[1] - self.epsilon[0])

    @cached_property
    def usual_hz(self) -> float:
        """Median rate of the wheel while it turns; stops must not decide how long a block is."""
        turning = self.rate_hz[self.rate_hz > SLOWEST_RATE_HZ]
        return float(np.median(turning)) if turning.size else SLOWEST_RATE_HZ

    @cached_property
    def slow_hz(self) -> float:
        """Rate below which the wheel turns in one frame of five."""
        return float(np.percentile(self.rate_hz, SLOW))


_Read = tuple[NDArray[np.float32], NDArray[np.float32]]
"""Evidence of a track, and the power ratios that it comes from."""


class Bands(Sequence[Baseband]):
    """The recording demodulated on each track, made when it is first asked for, then kept; of one rate once."""

    def __init__(self, signal: Signal, clock: Clock, tracks: Sequence[Track]) -> None:
        self._signal, self._clock, self.tracks = signal, clock, tracks
        self._made: dict[tuple[float, bool], Baseband] = {}

    def on(self, tracks: Sequence[Track]) -> "Bands":
        """The same recording on other tracks."""
        return Bands(self._signal, self._clock, tracks)

    def __len__(self) -> int:
        return len(self.tracks)

    @overload
    def __getitem__(self, index: int) -> Baseband: ...
    @overload
    def __getitem__(self, index: slice) -> Sequence[Baseband]: ...
    def __getitem__(self, index: int | slice) -> Baseband | Sequence[Baseband]:
        if isinstance(index, slice):
            return [self[i] for i in range(*index.indices(len(self)))]
        track = self.tracks[index]
        key = (track.multiple, track.gear is None)
        if key not in self._made:
            self._made[key] = self._band(track)
        return self._made[key]

    def _band(self, track: Track) -> Baseband:
        signal, clock = self._signal, self._clock
        top_hz = float(np.percentile(clock.rate_hz, 98)) * track.multiple
        wanted = min(signal.rate_hz, max(24.0, 24.0 + 5.0 * float(np.abs(clock.grid(track)).max()) * top_hz))
        return demodulate(signal.samples, signal.valid, signal.rate_hz, clock.turns * track.multiple, wanted)


@dataclass(frozen=True, slots=True)
class Scan:
    """evidence: one array per track [shape (frames, cells of its grid)]; bands: one baseband per track.

    joints: of the road, and votes: the evidence without what lies on them; empty where there are none. ratio: what the
    evidence was made from, power over noise summed over `channels` [shapes of evidence], 0 where nothing was read.
    """

    tracks: tuple[Track, ...]
    clock: Clock
    evidence: tuple[NDArray[np.float32], ...]
    bands: Sequence[Baseband]
    moving: MovingFloor = NOTHING_MOVES
    joints: Joints = NO_JOINTS
    votes: tuple[NDArray[np.float32], ...] = ()
    ratio: tuple[NDArray[np.float32], ...] = ()
    channels: int = 0
    _of_each: dict[int, list[tuple[int, Track]]] = field(default_factory=dict, init=False, repr=False)
    _along: Kept = field(default_factory=Kept, init=False, repr=False)

    def tracks_of(self, candidate: int) -> Sequence[tuple[int, Track]]:
        """Number and track of a candidate's tracks: looked through once, as every hypothesis asks for all."""
        if not self._of_each:
            for t, track in enumerate(self.tracks):
                self._of_each.setdefault(track.candidate, []).append((t, track))
        return self._of_each.get(candidate, [])

    def read_along(self, turns: FloatArray, turns_s: FloatArray, mid_s: FloatArray) -> dict[Any, Any]:
        """What `OnCourse` has read in blocks about these instants along a course, by its further turns: all that read
        along it share this, a drive out of gear what the same course in gear was weighed by."""
        found: dict[Any, Any] = self._along.setdefault(
            (turns.tobytes(), turns_s.tobytes(), mid_s.tobytes()), {}
        )
        return found

    def vote(self, track: int) -> NDArray[np.float32]:
        """What a track may say of courses and gears beside an anchor [shape of its evidence]."""
        return self.votes[track] if self.votes else self.evidence[track]

    def nominal(self) -> tuple[FloatArray, FloatArray]:
        """The frames' times and the nominal wheel's turns there: for phases off the track's by a constant factor."""
        clock = self.clock
        hop = np.diff(clock.mid_s)
        turns = np.concatenate([[0.0], np.cumsum(0.5 * (clock.rate_hz[1:] + clock.rate_hz[:-1]) * hop)])
        return clock.mid_s, turns


def scan_tracks(
    signal: Signal,
    floor: Floor,
    clock: Clock,
    tracks: Sequence[Track],
    circumference_m: float | None = None,
    speed_sd: float = 0.0,
) -> Scan:
    """Read every track in frames against the floor.

    circumference_m: of the tires, to look for a road's joints; speed_sd: relative doubt in the speed, for the same.
    """
    bands = Bands(signal, clock, tuple(tracks))
    long_frames = road_frames(signal, clock.turns)
    moving = moving_floor(long_frames, floor)
    joints = NO_JOINTS
    if circumference_m is not None and long_frames is not None:
        road = np.array([t.multiple for t in tracks if t.gear is None])
        joints = find_joints(
            long_frames,
            whitened(long_frames, floor, moving),
            road,
            circumference_m,
            signal.rate_hz,
            speed_sd,
        )
    read = _read_each(signal, floor, clock, bands, moving)
    evidence, ratios = (
        zip(*(read[t.multiple, t.gear is None] for t in tracks), strict=True) if tracks else ((), ())
    )
    votes = tuple(_votes(e, clock, t, joints) for e, t in zip(evidence, tracks, strict=True))
    return Scan(
        tuple(tracks),
        clock,
        evidence,
        bands,
        moving,
        joints,
        votes if joints.shows.any() else (),
        ratios,
        signal.samples.shape[0],
    )


def _read_each(
    signal: Signal, floor: Floor, clock: Clock, bands: Bands, moving: MovingFloor
) -> dict[tuple[float, bool], _Read]:
    """Every track read, those of one rate once: out of common frames, or by itself where it may fold."""
    tracks = bands.tracks
    top_hz = [float(clock.rate_hz.max()) * t.multiple * (1.0 + float(clock.grid(t)[-1])) for t in tracks]
    plain = [hz < PLAIN_SHARE * signal.rate_hz for hz in top_hz]
    ratio, frames = None, None
    if any(plain):
        reach_hz = max(hz for hz, p in zip(top_hz, plain, strict=True) if p)
        frames = wheel_frames(signal, clock.turns, clock.mid_s, _frame_s(clock), reach_hz)
        ratio = whitened(frames, floor, moving)
    read: dict[tuple[float, bool], _Read] = {}
    for i, track in enumerate(tracks):
        key = (track.multiple, track.gear is None)
        if key in read:
            continue
        if plain[i] and frames is not None and ratio is not None:
            read[key] = _from_frames(frames, ratio, signal, clock, track)
        else:
            read[key] = _from_band(bands[i], signal, floor, clock, track)
    return read


def _votes(evidence: NDArray[np.float32], clock: Clock, track: Track, joints: Joints) -> NDArray[np.float32]:
    """The evidence without what lies on the road's joints."""
    order = track.multiple * (1.0 + clock.grid(track))
    return np.where(joints.silent(order[None], clock.rate_hz[:, None]), np.float32(0.0), evidence)


def _frame_s(clock: Clock) -> float:
    return float(min(FRAME_S, max(1.0, 0.25 * clock.mid_s[-1])))


def _from_frames(
    frames: WheelFrames, ratio: NDArray[np.float32], signal: Signal, clock: Clock, track: Track
) -> _Read:
    """Evidence of one track out of the spectra against wheel angle."""
    index = np.round(frames.bins(track.multiple)[:, None] * (1.0 + clock.grid(track))).astype(int)
    inside = (index >= 0) & (index < ratio.shape[1])
    found = np.take_along_axis(ratio, np.clip(index, 0, ratio.shape[1] - 1), axis=1)
    return _weighed(found, inside, frames.cover, signal, clock, track)


def usable(frequency_hz: FloatArray, sample_rate_hz: float) -> BoolArray:
    """Where a line of that (true) frequency can be read at this sample rate, folded or not."""
    seen = folded(frequency_hz, sample_rate_hz)
    return np.asarray(
        (seen > BLIND_AT_ZERO_HZ) & (seen < 0.5 * sample_rate_hz - BLIND_AT_NYQUIST_HZ) & (frequency_hz > 0)
    )


def _from_band(band: Baseband, signal: Signal, floor: Floor, clock: Clock, track: Track) -> _Read:
    """Evidence of one track out of its own demodulation: for lines that may fold within the drive."""
    frequency = clock.rate_hz * track.multiple
    grid = clock.grid(track)
    block_s = _frame_s(clock)
    top, reach = float(frequency.max()), float(np.abs(grid).max())
    blocks = block_spectra(
        band, block_s, clock.mid_s, min(reach * top + 2.0 / block_s + 0.7, 0.36 * band.rate_hz), pad=1
    )
    shape = floor.at(frequency[:, None] + blocks.offset_hz)
    ratio = _power_ratio(blocks, shape)
    step = float(blocks.offset_hz[1] - blocks.offset_hz[0])
    centre = blocks.offset_hz.size // 2
    index = np.round(frequency[:, None] * grid / step).astype(int) + centre
    inside = (index >= 0) & (index < blocks.offset_hz.size)
    found = np.take_along_axis(ratio, np.clip(index, 0, blocks.offset_hz.size - 1), axis=1)
    return _weighed(found, inside, blocks.cover, signal, clock, track)


def _weighed(
    found: NDArray[np.floating],
    inside: BoolArray,
    cover: FloatArray,
    signal: Signal,
    clock: Clock,
    track: Track,
) -> _Read:
    """Log evidence from power ratios [shape (frames, cells)], where the track can be read, and those ratios."""
    weight = min(1.0, HOP_S / (0.5 * _frame_s(clock)))
    ratio = np.where(inside, found, 0.0)
    evidence = frame_evidence(ratio, signal.samples.shape[0], FRAME_CAP) * weight
    seen = (cover > 0.6) & (clock.rate_hz > SLOWEST_RATE_HZ)
    # where a line may run decides, not where it should: beside half the rate its own correction takes it in or out
    frequency = clock.rate_hz[:, None] * track.multiple * (1.0 + clock.grid(track))
    evidence = np.where(inside & seen[:, None] & usable(frequency, signal.rate_hz), evidence, 0.0)
    return evidence.astype(np.float32), np.where(seen[:, None], ratio, 0.0).astype(np.float32)


def _power_ratio(blocks: BlockSpectra, shape: FloatArray) -> FloatArray:
    """Sum over channels of power over the channel's own noise, channels turned to the noise's axes.

    shape: how the floor runs over the offsets [shape (blocks, offsets)], any scale.
    """
    spectra = blocks.spectra
    if spectra.shape[0] > 1:
        flat = spectra[:, :, ::2].reshape(spectra.shape[0], -1)
        unit = flat / (np.sqrt(power_of(flat).sum(0)) + 1e-30)
        _, axes = np.linalg.eigh(unit @ unit.conj().T)
        spectra = (axes.conj().T @ spectra.reshape(len(axes), -1)).reshape(spectra.shape)
    power = power_of(spectra) / (shape / middle(shape)[..., None])
    noise = middle(power[..., :: 1 if power.shape[-1] < 40 else 2]) / np.log(2.0) + 1e-20
    return np.asarray((power / noise[..., None]).sum(axis=0), float)
