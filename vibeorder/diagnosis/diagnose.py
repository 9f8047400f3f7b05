"""The front door: a recording and a vehicle in, one `Diagnosis` out."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.analyse import Piece, Setting, analyse, combined_log_odds
from vibeorder.diagnosis.both import stretch_with, without_sound
from vibeorder.diagnosis.candidates import Candidate, candidates_of, in_sound, read_beside
from vibeorder.diagnosis.hearing import heard_signal
from vibeorder.diagnosis.intake import Intake
from vibeorder.diagnosis.intake_weights import said_of, with_said
from vibeorder.diagnosis.posterior import Kind, posterior_of, tempered
from vibeorder.diagnosis.prepare import judged_signal, lag_of, steady_clock, trace_clock
from vibeorder.diagnosis.report import assemble, leading, pairs_of
from vibeorder.diagnosis.result import Diagnosis, Mismatch, Senses
from vibeorder.diagnosis.senses import senses_of
from vibeorder.diagnosis.signal import Signal
from vibeorder.diagnosis.standing import (
    as_standing,
    engine_as_clock,
    engine_trace,
    held_doubt,
    stands,
    with_unjudged,
)
from vibeorder.diagnosis.unit_told import unit_told
from vibeorder.diagnosis.wrong_vehicle import only_worn, profile_mismatch, with_unlisted
from vibeorder.diagnosis.wrong_words import doubted_words, worn_words
from vibeorder.errors import RecordingError, SpeedError
from vibeorder.recording.model import Recording, Trace
from vibeorder.recording.store import excerpt, spans, stored
from vibeorder.speed.given import SpeedGiven
from vibeorder.speed.late_by_pull import with_own_lag
from vibeorder.units import show_speeds
from vibeorder.vehicle import Vehicle, gear_ratio

__all__ = ["Weighed", "diagnose", "told", "weigh"]

FloatArray = NDArray[np.float64]
Progress = Callable[[str, float], None]

SHORTEST_S = 5.0
SLOWEST_RATE_HZ = 8.0
SLOWEST_MOVING_MPS = 2.0

SLOW_MPS, SLOW_LOG_ODDS = (7.0, 9.0), -2.0
"""Shakes are complained of at road speed, from some 30 km/h up (common practice, no source): in a drive that was never
faster than the first of these a tire's strong line is its own roundness at a walking pace; between them less so."""

LEAST_HEARD = 0.2
"""Share of the recording that its sound must cover to be used."""

PROFILE_PIECES = 8
"""Stretches by which the vehicle's profile is judged: twenty minutes' worth, spread over a longer drive."""


@dataclass(frozen=True, slots=True)
class Weighed:
    """One recording against one vehicle, before probabilities.

    log_odds: log weight of each candidate against nothing (last), its prior included [shape (candidates + 1,)].
    mismatch: what does not fit the vehicle as it was typed in, or None. sound: of the same drive, as it was read
    with it, or None. setting: what was known beside the samples. felt: whether it was marked as shaking all through.
    standing_hz: turns a second of the engine where the vehicle stood, else None.
    """

    recording: Recording
    vehicle: Vehicle
    signal: Signal
    pieces: Sequence[Piece]
    kind: Kind
    given: SpeedGiven | Trace | None
    log_odds: FloatArray
    mismatch: Mismatch | None = None
    sound: Signal | None = None
    setting: Setting | None = None
    felt: bool = False
    standing_hz: float | None = None

    @property
    def log_prior(self) -> FloatArray:
        """The part of log_odds that was so before the recording, not normalised [same shape]."""
        return self.pieces[0].judgement.log_prior

    @property
    def trusted_as(self) -> Kind:
        """The kind as whose the evidence is tempered: of sound without a speed less is believed."""
        return "memo" if self.kind == "inferred" and self.signal.relative else self.kind

    @property
    def scaled(self) -> FloatArray:
        """log_odds with the evidence tempered [same shape]."""
        return tempered(self.log_odds, self.log_prior, self.trusted_as)


def diagnose(
    recording: Recording,
    vehicle: Vehicle,
    *,
    speed: SpeedGiven | Trace | None = None,
    gear: int | None = None,
    low_range: bool = False,
    progress: Progress | None = None,
    explain: bool = False,
    sound: Recording | None = None,
    said: Intake | None = None,
) -> Diagnosis:
    """Judge every part of `vehicle` against `recording`.

    speed: as somebody said it, or logged (on the recording's clock); None: the recording's own speed column,
    else inferred from the recording. gear: held throughout, where known. explain: also say what speaks for and
    against the first suspects. sound: of the same drive, on the recording's clock; judged with it.
    said: what the customer said, a small prior among the suspects.
    Raises RecordingError or SpeedError with one sentence where the recording cannot carry a diagnosis.
    """
    return told(
        weigh(recording, vehicle, speed, gear, low_range, progress, sound), explain=explain, said=said
    )


def told(
    weighed: Weighed,
    scaled: FloatArray | None = None,
    explain: bool = False,
    pairs: set[tuple[int, int]] | None = None,
    said: Intake | None = None,
) -> Diagnosis:
    """The finished diagnosis of a weighed recording.

    scaled: log weights to report instead of its own, such as those of several recordings together.
    explain, said: as for diagnose. pairs: candidates (i, j) not to be told apart, instead of its own.
    """
    scaled = weighed.scaled if scaled is None else scaled
    wrong = None if only_worn(weighed.mismatch, weighed.vehicle) else weighed.mismatch
    likely = None if wrong is None or wrong.share < 0.5 else wrong
    alone = with_unlisted(posterior_of(scaled, weighed.trusted_as), wrong, weighed.log_prior)
    candidates = weighed.pieces[0].judgement.candidates
    posterior = alone
    if said is not None:
        if pairs is None:
            pairs = pairs_of(weighed.pieces, scaled, weighed.signal.rate_hz, weighed.kind)
        posterior = with_said(alone, candidates, pairs, said)
    found = assemble(
        weighed.recording,
        weighed.vehicle,
        weighed.signal,
        weighed.pieces,
        scaled,
        posterior,
        weighed.kind,
        weighed.given,
        explain and weighed.standing_hz is None,
        pairs,
        likely,
        weighed.setting is not None and weighed.setting.low_range,
    )
    if weighed.mismatch is not None and likely is None:
        said_first = worn_words(weighed.mismatch) if wrong is None else doubted_words(weighed.mismatch)
        found = replace(found, notes=(said_first, *found.notes))
    if weighed.standing_hz is not None:
        found = as_standing(found, weighed.standing_hz)
    gear_given = weighed.setting is not None and weighed.setting.gear is not None
    return replace(
        found,
        speed=replace(found.speed, gear_given=gear_given and found.speed.gear is not None),
        senses=_senses(weighed, scaled, found),
        said=said_of(alone, posterior, candidates, said),
    )


def _senses(weighed: Weighed, scaled: FloatArray, found: Diagnosis) -> Senses | None:
    """What motion and sound each saw, where both were recorded."""
    if weighed.sound is None or weighed.setting is None:
        return None
    # imports most of what an unknown speed needs
    from vibeorder.diagnosis.heard_along import heard_on

    piece = leading(weighed.pieces, scaled)
    best = piece.judgement.best_for(int(np.argmax(scaled)))
    heard = heard_on(weighed.sound, piece, best, weighed.setting, weighed.signal.rate_hz)
    return senses_of(found, heard)


def weigh(
    recording: Recording,
    vehicle: Vehicle,
    speed: SpeedGiven | Trace | None = None,
    gear: int | None = None,
    low_range: bool = False,
    progress: Progress | None = None,
    sound: Recording | None = None,
    *,
    neutral: bool = False,
    standing: bool = False,
    standing_rpm: float | None = None,
) -> Weighed:
    """What the recording says of every part, before it becomes probabilities; arguments as for diagnose.

    neutral: driven out of gear, the engine at a rate of its own. standing: the vehicle stood, as it also does where a
    logged speed says so; standing_rpm: the engine speed that was held then, else the recording's own.
    """
    _check(recording)
    if standing or (speed is None and recording.rpm is not None and stands(recording)):
        return _weigh_standing(recording, vehicle, standing_rpm, low_range, progress)
    recording = _readied(recording, vehicle, speed, gear, low_range)
    signal = judged_signal(recording, vehicle)
    candidates = _candidates(recording, vehicle, low_range)
    given = speed if speed is not None else recording.speed
    beside = read_beside(recording.kind, candidates, vehicle, given)
    setting = Setting(vehicle, gear, low_range, _engine_hz(recording, signal), neutral, beside)
    heard = _heard(sound, recording)
    stretch = None if heard is None else stretch_with(heard)
    kind: Kind
    if isinstance(given, Trace):
        given = _on_samples(given, recording, speed is None)
        clock, doubt = trace_clock(signal, given, vehicle, lag_of(given))
        _check_moving(clock.rate_hz * vehicle.tire.circumference_m, given.unit)
        pieces = analyse(signal, candidates, clock, doubt, setting, progress, stretch)
        kind = "logged"
    elif isinstance(given, SpeedGiven) and given.steady:
        clock, doubt = steady_clock(signal, given, vehicle)
        pieces = analyse(signal, candidates, clock, doubt, setting, progress, stretch)
        kind = "given"
    else:
        pieces = _inferred(signal, candidates, given, setting, progress, heard)
        kind = "inferred"
    if not pieces:
        raise RecordingError(
            f"{recording.source}: no stretch of {SHORTEST_S:.0f} s or more has the vehicle moving and the sensor "
            "recording; record half a minute at the speed where it shakes"
        )
    if signal.relative and kind != "inferred":
        kind = "audio"
    mismatch = None
    if isinstance(given, Trace) and not signal.relative and not neutral:
        mismatch = _mismatch(signal, pieces, setting, given.unit)
    log_odds = _log_odds(pieces, vehicle, kind)
    if neutral:
        log_odds = with_unjudged(log_odds, pieces[0].judgement.log_prior)
    return Weighed(recording, vehicle, signal, pieces, kind, given, log_odds, mismatch, heard, setting)


def _inferred(
    signal: Signal,
    candidates: Sequence[Candidate],
    given: SpeedGiven | None,
    setting: Setting,
    progress: Progress | None,
    heard: Signal | None,
) -> list[Piece]:
    """Without a speed; what that takes, a fifth of all modules, is imported only then, and before processes part."""
    import scipy.fft
    import scipy.ndimage  # noqa: F401

    from vibeorder.diagnosis.infer import infer_pieces

    return infer_pieces(signal, candidates, given, setting, progress, heard)


def _readied(
    recording: Recording,
    vehicle: Vehicle,
    speed: SpeedGiven | Trace | None,
    gear: int | None,
    low_range: bool,
) -> Recording:
    """The recording with the unit of its own speed told, where it is used; VehicleError for a gear there is not."""
    if gear is not None and vehicle.gears:
        gear_ratio(vehicle, gear)
    return recording if speed is not None else unit_told(recording, vehicle, gear, low_range)


def _candidates(recording: Recording, vehicle: Vehicle, low_range: bool) -> tuple[Candidate, ...]:
    """Every source of the vehicle, as the sensor takes it up."""
    found = candidates_of(vehicle, low_range)
    return in_sound(found, vehicle) if recording.kind == "audio" else found


def _log_odds(pieces: Sequence[Piece], vehicle: Vehicle, kind: Kind) -> FloatArray:
    """Log weight of every candidate against nothing (last), how fast the drive was heeded where that is known."""
    found = combined_log_odds(pieces)
    if kind != "inferred":
        found[:-1] += _slow_log_odds(pieces, vehicle)
    return found


def _slow_log_odds(pieces: Sequence[Piece], vehicle: Vehicle) -> float:
    """Log odds against any part of what turns, by how fast the drive was at its fastest."""
    fastest = max(float(np.percentile(p.clock.rate_hz, 97.0)) for p in pieces) * vehicle.tire.circumference_m
    slow, usual = SLOW_MPS
    return SLOW_LOG_ODDS * float(np.clip((usual - fastest) / (usual - slow), 0.0, 1.0))


def _heard(sound: Recording | None, recording: Recording) -> Signal | None:
    """The sound on the recording's own time base, where it covers enough of it."""
    heard = None if sound is None else heard_signal(sound, recording)
    return None if heard is None or heard.valid.mean() < LEAST_HEARD else heard


def _mismatch(signal: Signal, pieces: Sequence[Piece], setting: Setting, unit: str) -> Mismatch | None:
    """What does not fit the vehicle as it was typed in, by the motion alone."""
    some = [without_sound(p) for p in pieces[:: -(-len(pieces) // PROFILE_PIECES)]]
    return profile_mismatch(
        signal, setting.vehicle, some, setting.engine_hz, setting.gear, setting.low_range, unit
    )


def _weigh_standing(
    recording: Recording, vehicle: Vehicle, rpm: float | None, low_range: bool, progress: Progress | None
) -> Weighed:
    """A recording made standing still: the engine is the clock."""
    signal = judged_signal(recording, vehicle)
    given = _on_samples(engine_trace(recording, vehicle, rpm), recording)
    setting = Setting(vehicle, None, low_range, None, loose=True)
    clock, doubt = trace_clock(signal, given, vehicle, 0.0)
    own = engine_as_clock(_candidates(recording, vehicle, low_range))
    pieces = analyse(signal, own, clock, held_doubt(doubt), setting, progress)
    if not pieces:
        raise RecordingError(
            f"{recording.source}: the engine turned in no stretch of {SHORTEST_S:.0f} s or more; record again"
        )
    log_odds = with_unjudged(combined_log_odds(pieces), pieces[0].judgement.log_prior)
    held_hz = float(np.median(clock.rate_hz))
    return Weighed(
        recording, vehicle, signal, pieces, "given", given, log_odds, setting=setting, standing_hz=held_hz
    )


def _check(recording: Recording) -> None:
    if recording.duration_s < SHORTEST_S:
        raise RecordingError(
            f"{recording.source} lasts {recording.duration_s:.1f} s; a shake can be told from road noise from about "
            f"{SHORTEST_S:.0f} s up, and 30 s or more is better: record again"
        )
    if recording.rate_hz < SLOWEST_RATE_HZ:
        raise RecordingError(
            f"{recording.source} holds {recording.rate_hz:.1f} samples a second, so nothing above "
            f"{recording.rate_hz / 2:.1f} Hz is in it and no wheel or shaft at road speed can be seen; "
            "set the sensor to 100 Hz or more and record again"
        )
    if not _changes(recording):
        raise RecordingError(
            f"{recording.source}: the samples never change; the sensor was off or the wrong columns were read "
            "(--axes names the right ones)"
        )


def _changes(recording: Recording) -> bool:
    """Whether any channel has two values."""
    first: FloatArray | None = None
    for a, b in spans(recording.samples.shape[1]):
        held = excerpt(recording.samples, a, b)[:, recording.valid[a:b]]
        if held.shape[1]:
            first = held[:, :1] if first is None else first
            if (held != first).any():
                return True
    return False


def _check_moving(speed_mps: FloatArray, unit: str) -> None:
    top = float(np.max(speed_mps))
    if top < SLOWEST_MOVING_MPS:
        raise SpeedError(
            f"the logged speed never exceeds {show_speeds((top,), unit)}: the vehicle stands, and no road part turns; "
            "--speed gives a speed by hand, or record on the road"
        )


def _on_samples(trace: Trace, recording: Recording, own: bool = False) -> Trace:
    """The trace with its zero at the first sample; own: it came with the recording, whose pull may tell its lag."""
    placed = replace(trace, times_s=trace.times_s - recording.start_s)
    return with_own_lag(placed, recording, lag_of(placed)) if own else placed


def _engine_hz(recording: Recording, signal: Signal) -> FloatArray | None:
    """Turns a second of the engine at the samples."""
    rpm = recording.rpm
    if rpm is None or rpm.times_s.size < 2:
        return None
    times_s, values = rpm.times_s - recording.start_s, rpm.values
    blocks = (
        np.interp(np.arange(a, b) / signal.rate_hz, times_s, values)[None]
        for a, b in spans(signal.samples.shape[1])
    )
    return np.asarray(stored(blocks, 1, np.float64)[0])
