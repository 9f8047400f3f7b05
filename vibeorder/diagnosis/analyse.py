"""One recording, one vehicle, one speed source -> the judgement, piece by piece for long recordings."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.candidates import Candidate
from vibeorder.diagnosis.floor import Floor, floor_of
from vibeorder.diagnosis.idling import with_idling
from vibeorder.diagnosis.judge import Judgement, judge
from vibeorder.diagnosis.parallel import side_by_side
from vibeorder.diagnosis.propose import BRISK, THOROUGH, Effort, RateDoubt
from vibeorder.diagnosis.scan import Bands, Clock, Scan, Track, scan_tracks
from vibeorder.diagnosis.signal import Signal
from vibeorder.diagnosis.unowned import with_unowned
from vibeorder.recording.store import excerpt
from vibeorder.vehicle import Vehicle, engine_ratio

__all__ = [
    "Piece",
    "Setting",
    "Stretch",
    "analyse",
    "combined_log_odds",
    "judge_stretch",
    "logged_ratio",
    "shake_rms",
    "tracks_of",
]

FloatArray = NDArray[np.float64]
Progress = Callable[[str, float], None]

PIECE_S = 150.0
"""Longest stretch judged as one: a driver's speed, the road and a converter change over minutes."""

NO_WEIGHT = 30.0
"""A hypothesis this far behind the best for every source (log) changes no probability in the tenth digit."""

SHAKE_BAND_HZ = (2.0, 80.0)
LEAST_PIECE_S = 6.0
MOVING_HZ = 0.8
LEAST_MOVING_SHARE = 0.2

SHAKES_SHARES = (0.1, 0.3, 0.6, 1.0)
"""Shares of the pieces of a long drive in which a fault may be felt: at some speeds only. Equally likely."""

PLAUSIBLE_RPM = (650.0, 5500.0)
LEAST_SHARE_IN_GEAR = 0.03
"""A gear is looked at where the engine would turn at such a speed for at least this share of the time."""


@dataclass(frozen=True, slots=True)
class Setting:
    """What is known beside the samples: gears of the vehicle, the gear that was held, engine speed if logged.

    engine_hz: engine turns per second at the sample instants, or None. loose: the engine turns at a rate of its own,
    in neutral or standing. beside: what else is read along with the candidates and is never at fault.
    """

    vehicle: Vehicle
    gear: int | None
    low_range: bool
    engine_hz: FloatArray | None = None
    loose: bool = False
    beside: tuple[Candidate, ...] = ()

    def engine_per_wheel(self) -> FloatArray | None:
        """Engine turns per wheel turn in each gear, or None where the profile does not say."""
        vehicle = self.vehicle
        if self.loose or not vehicle.has_engine or not vehicle.gears or vehicle.engine_per_wheel is None:
            return None
        return np.array([engine_ratio(vehicle, g + 1, self.low_range) for g in range(len(vehicle.gears))])

    @property
    def engine_unplaced(self) -> bool:
        """Whether there is an engine whose rate does not follow from the wheels'."""
        return self.vehicle.has_engine and self.engine_per_wheel() is None


@dataclass(frozen=True, slots=True)
class Piece:
    """One stretch: where it starts, its clock and what came out."""

    start_s: float
    clock: Clock
    doubt: RateDoubt
    judgement: Judgement
    floor: Floor


Stretch = Callable[..., Piece]
"""Judges one stretch; arguments as of `judge_stretch`."""


def analyse(
    signal: Signal,
    candidates: Sequence[Candidate],
    clock: Clock,
    doubt: RateDoubt,
    setting: Setting,
    progress: Progress | None = None,
    stretch: Stretch | None = None,
) -> list[Piece]:
    """Judge every stretch in which the vehicle moves; `stretch` judges one, else `judge_stretch`."""
    total = signal.samples.shape[1]
    count = max(1, round(total / signal.rate_hz / PIECE_S))
    edges = np.linspace(0, total, count + 1).astype(int)
    cut = list(pairwise(edges.tolist()))
    work = partial(_judged, signal, candidates, clock, doubt, setting, stretch or judge_stretch)
    if count == 1:
        alone = work(*cut[0], effort=THOROUGH)
        return [] if alone is None else [alone]
    pieces: dict[int, Piece] = {}
    for i, piece in side_by_side(lambda a, b: _lean(work(a, b, effort=BRISK)), cut):
        if progress is not None:
            progress("weighing the suspects", len(pieces) / count)
        if piece is not None:
            pieces[i] = _filled(piece, signal, clock, *cut[i])
    return [pieces[i] for i in sorted(pieces)]


def _judged(
    signal: Signal,
    candidates: Sequence[Candidate],
    clock: Clock,
    doubt: RateDoubt,
    setting: Setting,
    stretch: Stretch,
    first: int,
    last: int,
    effort: Effort,
) -> Piece | None:
    """One stretch judged, or None where the vehicle stands or the sensor is silent for most of it."""
    start_s = first / signal.rate_hz
    valid = signal.valid[first:last]
    inside = (clock.mid_s > start_s) & (clock.mid_s < last / signal.rate_hz)
    rate = clock.rate_hz[inside]
    moving = rate > MOVING_HZ
    if (
        inside.sum() < LEAST_PIECE_S
        or moving.mean() < LEAST_MOVING_SHARE
        or valid.mean() < LEAST_MOVING_SHARE
    ):
        return None
    part = signal.of(excerpt(signal.samples, first, last), valid)
    own = replace(
        clock,
        turns=excerpt(clock.turns, first, last) - clock.turns[first],
        mid_s=clock.mid_s[inside] - start_s,
        there=clock.there[inside] if clock.there.size else clock.there,
        rate_hz=rate,
    )
    engine = None if setting.engine_hz is None else excerpt(setting.engine_hz, first, last)
    return stretch(part, candidates, own, doubt, setting, start_s, engine, effort=effort)


def _lean(piece: Piece | None) -> Piece | None:
    """The piece without what was needed to judge it and is not to report it, or can be read again.

    Of a drive of hours nothing else could be kept, nor sent from process to process.
    """
    if piece is None:
        return None
    clock = replace(piece.clock, turns=np.zeros(0))
    every = piece.judgement.hypotheses
    best = np.max([h.log_class for h in every], axis=0)
    kept = tuple(h for h in every if (h.log_class > best - NO_WEIGHT).any())
    piece = replace(piece, judgement=replace(piece.judgement, hypotheses=kept))
    return _with_scan(
        piece, clock, lambda scan: replace(scan, clock=clock, evidence=(), votes=(), ratio=(), bands=())
    )


def _filled(piece: Piece, signal: Signal, clock: Clock, first: int, last: int) -> Piece:
    """A lean piece that can be read again: its turns count from the start of the drive, as they lie on disk."""
    part = signal.of(signal.samples[:, first:last], signal.valid[first:last])
    own = replace(piece.clock, turns=clock.turns[first:last])
    return _with_scan(piece, own, lambda scan: replace(scan, clock=own, bands=Bands(part, own, scan.tracks)))


def _with_scan(piece: Piece, clock: Clock, changed: Callable[[Scan], Scan]) -> Piece:
    """The piece on another clock, its scan changed and still shared by all that is made of it."""
    scans: dict[int, Scan] = {}
    hypotheses = []
    for hypothesis in piece.judgement.hypotheses:
        scan = hypothesis.scan
        if id(scan) not in scans:
            scans[id(scan)] = changed(scan)
        hypotheses.append(replace(hypothesis, scan=scans[id(scan)]))
    return replace(piece, clock=clock, judgement=replace(piece.judgement, hypotheses=tuple(hypotheses)))


def judge_stretch(
    part: Signal,
    candidates: Sequence[Candidate],
    clock: Clock,
    doubt: RateDoubt,
    setting: Setting,
    start_s: float,
    engine_hz: FloatArray | None,
    anchor: int | None = None,
    effort: Effort = THOROUGH,
    floor: Floor | None = None,
) -> Piece:
    """Judge one stretch on its own clock. floor: its noise, where that is known already."""
    per_wheel = setting.engine_per_wheel()
    floor = floor_of(part) if floor is None else floor
    beside = _unfolded(setting.beside, part, clock)
    tracks = tracks_of((*candidates, *beside), clock, per_wheel, setting.gear, part.top_hz)
    scan = scan_tracks(part, floor, clock, tracks, setting.vehicle.tire.circumference_m, doubt.sd)
    ratio = None if engine_hz is None else logged_ratio(engine_hz, clock, part.rate_hz)
    found = judge(
        scan,
        candidates,
        doubt,
        floor,
        per_wheel,
        part.log_scale,
        given_gear=setting.gear,
        engine_ratio=ratio,
        anchor=anchor,
        effort=effort,
        beside=beside,
    )
    if setting.gear is None and engine_hz is None:
        found = with_idling(found, part, (*candidates, *beside), floor, per_wheel)
    return Piece(start_s, clock, doubt, found if part.relative else with_unowned(found, doubt, floor), floor)


def _unfolded(beside: Sequence[Candidate], part: Signal, clock: Clock) -> tuple[Candidate, ...]:
    """Of what the wheels turn and is read beside the candidates, that which does not fold: where it folds to, a strong
    line's skirt is likelier than a weak upper order."""
    fastest = float(clock.rate_hz.max())
    return tuple(
        c
        for c in beside
        if not part.folds or c.basis == "engine" or c.multiple * fastest < 0.5 * part.rate_hz
    )


def shake_rms(part: Signal) -> float:
    """Vector rms of all that shakes between 2 and 80 Hz."""
    power = (np.abs(np.fft.rfft(part.samples, axis=1)) ** 2).sum(axis=0)
    frequency = np.fft.rfftfreq(part.samples.shape[1], 1.0 / part.rate_hz)
    band = (frequency > SHAKE_BAND_HZ[0]) & (frequency < SHAKE_BAND_HZ[1])
    present = max(float(part.valid.mean()), 1e-3)
    return float(np.sqrt(2.0 * power[band].sum() / present) / part.samples.shape[1])


def logged_ratio(engine_hz: FloatArray, clock: Clock, rate_hz: float) -> FloatArray:
    """Engine turns per wheel turn at the frames, from a logged engine speed."""
    at = np.clip(np.round(clock.mid_s * rate_hz).astype(int), 0, engine_hz.size - 1)
    return np.asarray(engine_hz[at] / np.maximum(clock.rate_hz, 1e-3), float)


def tracks_of(
    candidates: Sequence[Candidate],
    clock: Clock,
    per_wheel: FloatArray | None,
    gear: int | None,
    top_hz: float = np.inf,
) -> list[Track]:
    """One track per road source, and per engine source in every gear that the speed allows.

    top_hz: none that is usually above it.
    """
    tracks = []
    rate = clock.rate_hz[clock.rate_hz > MOVING_HZ]
    for i, candidate in enumerate(candidates):
        if candidate.basis == "wheel":
            tracks.append(Track(i, None, candidate.multiple))
            continue
        for g, ratio in enumerate(() if per_wheel is None else per_wheel):
            rpm = 60.0 * rate * ratio
            possible = (
                float(((rpm > PLAUSIBLE_RPM[0]) & (rpm < PLAUSIBLE_RPM[1])).mean()) > LEAST_SHARE_IN_GEAR
            )
            if (gear is None and possible) or gear == g + 1:
                tracks.append(Track(i, g + 1, candidate.multiple * float(ratio)))
    usual = float(np.median(rate)) if rate.size else 0.0
    return [t for t in tracks if t.multiple * usual < top_hz]


def combined_log_odds(pieces: Sequence[Piece]) -> FloatArray:
    """Log weight of each candidate against 'nothing' over all pieces, priors counted once, 'nothing' last at 0.

    A fault may be felt in a share q of the pieces only: sum_q p(q) prod (q exp(l) + 1 - q).
    """
    prior = pieces[0].judgement.log_prior
    odds = np.stack([p.judgement.log_class - p.judgement.log_prior for p in pieces])
    odds = odds - odds[:, -1:]
    if len(pieces) == 1:
        return np.asarray(odds[0] + prior - prior[-1])
    with np.errstate(divide="ignore"):
        parts = [
            np.logaddexp(np.log(q) + odds, np.log1p(-q) if q < 1.0 else -np.inf).sum(axis=0)
            for q in SHAKES_SHARES
        ]
    out = np.logaddexp.reduce(np.stack(parts), axis=0) - np.log(len(SHAKES_SHARES))
    out[-1] = 0.0
    return np.asarray(out + prior - prior[-1])
