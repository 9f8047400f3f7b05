"""The judgement turned into a `Diagnosis`: measured figures, sentences, views."""

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.advice import SURE, named_as_one, runout_check, settle_profile, top_group, verdict
from vibeorder.diagnosis.alternatives import band_sentence, inferred_notes, speed_band
from vibeorder.diagnosis.amplitudes import COMPLAINT_FROM_MPS2
from vibeorder.diagnosis.analyse import Piece
from vibeorder.diagnosis.candidates import Candidate, runout_places
from vibeorder.diagnosis.drive_standing import next_drive_from
from vibeorder.diagnosis.evidence import Reading
from vibeorder.diagnosis.explanation import Explanation
from vibeorder.diagnosis.gears import NOT_LOCKED
from vibeorder.diagnosis.idle_words import idle_named, out_of_gear_words, seen_on
from vibeorder.diagnosis.judge import Hypothesis, held_gear
from vibeorder.diagnosis.measured import expected_hz, measured_line, wheel_rate_hz
from vibeorder.diagnosis.notes import beat_notes, joint_notes, plain_notes
from vibeorder.diagnosis.posterior import TEMPERATURE, Kind, Posterior
from vibeorder.diagnosis.prepare import lag_of
from vibeorder.diagnosis.result import Diagnosis, Mismatch, SpeedFit, Suspect
from vibeorder.diagnosis.signal import Signal
from vibeorder.diagnosis.twins import indistinct_pairs, readings_of
from vibeorder.diagnosis.unexplained import with_unexplained
from vibeorder.diagnosis.unowned import spoken_of
from vibeorder.diagnosis.views import lines_seen, order_map_view, spectrum_view
from vibeorder.diagnosis.why_words import line_odds, turned_text
from vibeorder.recording.model import Recording, Trace
from vibeorder.speed.clocks import late_words
from vibeorder.speed.given import SpeedGiven
from vibeorder.units import DASH_UNITS, UNSAID, show_signed
from vibeorder.vehicle import (
    CAUTIONS,
    Vehicle,
    feel_of,
    order_text,
    part_text,
)

__all__ = ["assemble", "leading", "pairs_of"]

FloatArray = NDArray[np.float64]

SHOWN_EVIDENCE = 6.0
"""Log evidence from which a healthy line is named as being there."""

WORTH_MEASURING = 0.05
"""Probability from which a suspect's frequency is given even where its line hardly stands out."""

IN_DOUBT = 2.0
"""Log odds of nothing over the first suspect up to which the suspect's own stretch is shown."""

LEAST_SCALE_SE = 0.0007
"""What the speed source's own wander leaves open of a scale however strong the line (measured on simulated drives)."""

STEADY_SPREAD = 1.06
TRACKS_DRAWN = 8


def assemble(
    recording: Recording,
    vehicle: Vehicle,
    signal: Signal,
    pieces: Sequence[Piece],
    log_odds: FloatArray,
    posterior: Posterior,
    kind: Kind,
    given: SpeedGiven | Trace | None,
    explain: bool = False,
    pairs: set[tuple[int, int]] | None = None,
    mismatch: Mismatch | None = None,
    low_range: bool = False,
) -> Diagnosis:
    """Everything that the doors render, from what was judged."""
    piece = leading(pieces, log_odds)
    candidates = piece.judgement.candidates
    pairs = pairs_of(pieces, log_odds, signal.rate_hz, kind) if pairs is None else pairs
    best = piece.judgement.best_for(_top(log_odds))
    suspects = _suspects(candidates, piece, posterior, pairs, signal)
    speed = _speed(piece, best, vehicle, kind, given, _own(given, recording), suspects)
    steady, tracks = _steady(speed.speed_mps), _tracks(best, candidates, posterior)
    named = [*_named(tracks), *idle_named(best, candidates)]
    lines = lines_seen(signal, named, suspects)
    unowned = spoken_of([p.judgement for p in pieces], posterior.nothing)
    seen = lines if given is not None and mismatch is None else ()
    shake, left = with_unexplained(seen, piece, posterior, steady, signal, unowned)
    suspects = suspects if left is posterior else _suspects(candidates, piece, left, pairs, signal)
    nothing = left.nothing
    notes = () if kind != "inferred" else inferred_notes(pieces, log_odds, vehicle, speed, suspects, nothing)
    notes += (*beat_notes(suspects, piece, steady), *joint_notes(piece, vehicle))
    notes += plain_notes(suspects, nothing, steady, vehicle, signal, lines, recording.kind == "audio")
    told = (signal, piece, log_odds, suspects, nothing, lines, speed, vehicle, kind, given)
    why: tuple[Explanation, ...] = _explainer()(*told) if explain else ()
    return Diagnosis(
        verdict=verdict(suspects, nothing, mismatch, shake, unowned),
        suspects=suspects,
        nothing_found_probability=nothing,
        runout_check=runout_check(suspects, runout_places(candidates), nothing, mismatch),
        speed=speed,
        recording=_recording(recording),
        vehicle_name=vehicle.name,
        lines=lines,
        spectrum=spectrum_view(signal),
        order_map=order_map_view(signal, [(n, t + piece.start_s, f) for n, t, f in tracks[:TRACKS_DRAWN]]),
        next_drive=next_drive_from(suspects, nothing, piece, vehicle, speed, kind, signal.rate_hz, low_range)
        if mismatch is None
        else settle_profile(mismatch),
        cautions=CAUTIONS,
        notes=notes,
        history=recording.history,
        explanations=why,
        mismatch=mismatch,
        unexplained=shake,
    )


def _explainer() -> Callable[..., tuple[Explanation, ...]]:
    """What explains, loaded when asked for: many modules, seldom wanted."""
    from vibeorder.diagnosis.why import explain

    return explain


def pairs_of(
    pieces: Sequence[Piece], log_odds: FloatArray, rate_hz: float, kind: Kind
) -> set[tuple[int, int]]:
    """Candidates that the leading piece cannot tell apart."""
    return indistinct_pairs(leading(pieces, log_odds).judgement, log_odds[:-1], rate_hz, kind)


def leading(pieces: Sequence[Piece], log_odds: FloatArray) -> Piece:
    """The piece that speaks most for what came out, or for the first suspect where that is in doubt; where nothing was
    found, the one that shows most of the lines that every healthy vehicle has."""
    top, nothing = _top(log_odds), len(log_odds) - 1
    first = int(np.argmax(log_odds[:-1]))
    if top == nothing and log_odds[first] > log_odds[nothing] - IN_DOUBT:
        top = first
    if top == nothing:
        return max(pieces, key=lambda p: _shown(p.judgement.best_for(nothing)))
    return max(pieces, key=lambda p: float(p.judgement.log_class[top] - p.judgement.log_class[nothing]))


def _shown(hypothesis: Hypothesis) -> float:
    """Evidence of all its lines."""
    return sum(line.reading_of(line.members[0]).best for line in hypothesis.lines)


def _top(log_odds: FloatArray) -> int:
    return int(np.argmax(log_odds))


def _suspects(
    candidates: Sequence[Candidate],
    piece: Piece,
    posterior: Posterior,
    pairs: set[tuple[int, int]],
    signal: Signal,
) -> tuple[Suspect, ...]:
    """One suspect a (part, order), most probable first."""
    groups: dict[tuple[str, float], list[int]] = {}
    for i, candidate in enumerate(candidates):
        groups.setdefault(candidate.key, []).append(i)
    found = []
    for key, members in groups.items():
        lead = max(members, key=lambda i: posterior.candidate[i])
        p = float(sum(posterior.candidate[i] for i in members))
        twins = {
            candidates[b if a in members else a].key for a, b in pairs if (a in members) != (b in members)
        } - {key}
        found.append(_suspect(candidates[lead], lead, p, tuple(sorted(twins)), piece, signal))
    return named_as_one(sorted(found, key=lambda s: -s.probability))


def _suspect(
    candidate: Candidate,
    index: int,
    p: float,
    twins: tuple[tuple[str, float], ...],
    piece: Piece,
    signal: Signal,
) -> Suspect:
    source = candidate.source
    best = piece.judgement.best_for(index)
    hypothesis = seen_on(best, index)
    reading = next(iter(readings_of(hypothesis.lines, index)), None)
    seen = reading is not None and reading.used_blocks > 1
    expected = expected_hz(hypothesis, index) if hypothesis is best else None  # an idle was not known before
    offset = _offset(hypothesis, index)
    stands = reading is not None and reading.best > SHOWN_EVIDENCE
    found = None
    if seen and (stands or p > WORTH_MEASURING):
        found = measured_line(hypothesis, index, candidate, piece.floor, offset)
    rms = reading.amplitude_rms if reading is not None and seen else 0.0
    felt = expected if found is None else found.frequency_hz
    return Suspect(
        part=source.part,
        order=source.order,
        label=source.label,
        probability=p,
        frequency_hz=None if found is None else found.frequency_hz,
        frequency_se_hz=None if found is None else found.frequency_se_hz,
        expected_hz=expected,
        amplitude=float(np.sqrt(2.0) * rms),
        amplitude_rms=rms,
        unit="relative" if signal.relative else "m/s^2",
        snr_db=_snr_db(reading),
        folded=bool(felt is not None and felt > 0.5 * signal.rate_hz),
        healthy=bool(stands and p < 0.2 and 0.0 < rms < COMPLAINT_FROM_MPS2 * signal.ride),
        indistinct_from=twins,
        causes=source.causes,
        first_check=source.first_check,
        never=source.never,
        feel=feel_of(felt) if felt is not None else "",
        evidence=_why(reading, None if found is None else found.frequency_hz, expected, offset),
    )


def _snr_db(reading: Reading | None) -> float:
    if reading is None or reading.used_blocks == 0:
        return -20.0
    return float(10.0 * np.log10(max(reading.snr / max(reading.used_blocks / 2.0, 1.0), 1e-2)))


def _offset(hypothesis: Hypothesis, index: int) -> float:
    """How far the source runs off its nominal ratio, in the gear that held longest."""
    if hypothesis.gears is None:
        return 0.0
    gears, counts = np.unique(hypothesis.gears.gear, return_counts=True)
    return hypothesis.offsets.get((index, int(gears[counts.argmax()])), 0.0)


def _why(
    reading: Reading | None, frequency: float | None, expected: float | None, offset: float
) -> tuple[str, ...]:
    if reading is None:
        return ("this part's rate is not known for this recording",)
    out = []
    if frequency is not None and expected is not None:
        off = show_signed(100 * (frequency / expected - 1), 1)
        out.append(f"measured at {frequency:.2f} Hz, expected at {expected:.2f} Hz ({off}%)")
    out.append(line_odds(reading.best))
    if offset:
        out.append(f"runs {show_signed(100 * offset, 1)}% off its nominal ratio (converter or belt slip)")
    return tuple(out)


def _own(given: SpeedGiven | Trace | None, recording: Recording) -> bool:
    """Whether the speed is the recording's own column."""
    return isinstance(given, Trace) and recording.speed is not None and given.name == recording.speed.name


def _speed(
    piece: Piece,
    best: Hypothesis,
    vehicle: Vehicle,
    kind: Kind,
    given: SpeedGiven | Trace | None,
    own: bool,
    suspects: Sequence[Suspect],
) -> SpeedFit:
    """own: the speed is the recording's own column."""
    clock = best.scan.clock
    circumference, tire_se = vehicle.tire.circumference_m, vehicle.tire.relative_se
    rate = wheel_rate_hz(best)
    path = rate * circumference
    low, high = path * (1.0 - 2.0 * tire_se), path * (1.0 + 2.0 * tire_se)
    scale, se = _scale(best, piece, rate)
    unit = given.unit if given is not None else UNSAID
    source = "given" if isinstance(given, SpeedGiven) and kind != "inferred" else "inferred"
    if isinstance(given, Trace):
        source = "logged" if own else "log file"
    said = given.text if isinstance(given, SpeedGiven) else ""
    lag, sentences = _fit_sentences(best, None if kind == "inferred" else given, scale)
    if kind == "inferred":
        low, high = speed_band(piece, TEMPERATURE[kind], circumference, tire_se)
        named = top_group(suspects)[1] >= SURE
        sentences = (band_sentence(path, low, high, unit, said, named), *sentences)
    return SpeedFit(
        source=source,
        times_s=clock.mid_s + piece.start_s,
        speed_mps=path,
        low_mps=low,
        high_mps=high,
        scale=scale,
        scale_se=se,
        lag_s=lag,
        unit=unit if unit in DASH_UNITS else UNSAID,
        gear=held_gear(best.gears),
        sentences=sentences,
        said=said,
    )


def _scale(best: Hypothesis, piece: Piece, rate_hz: FloatArray) -> tuple[float, float]:
    """True wheel turns over nominal ones over the stretch, and its standard error from the line it was locked on."""
    scale = float(rate_hz.sum() / max(float(best.scan.clock.rate_hz.sum()), 1e-6))
    anchor = best.course.anchor
    if not best.course.locked or anchor is None:
        return scale, piece.doubt.sd
    found = measured_line(
        best, anchor, piece.judgement.candidates[anchor], piece.floor, _offset(best, anchor)
    )
    return scale, LEAST_SCALE_SE if found is None else float(np.hypot(LEAST_SCALE_SE, found.ratio_se))


def _fit_sentences(
    best: Hypothesis, given: SpeedGiven | Trace | None, scale: float
) -> tuple[float | None, tuple[str, ...]]:
    """The lag, and what the fit says. given: the speed that the wheels were followed by, None where inferred."""
    sentences = []
    lag = None
    if not best.course.locked:
        sentences.append("no line stood out enough to check the speed against")
    elif isinstance(given, Trace) or (given is not None and given.steady):
        which = "logged" if isinstance(given, Trace) else "given"
        sentences.append(turned_text(scale, which))
    if isinstance(given, Trace):
        lag = _fitted_lag(best, lag_of(given))
        if lag is not None:
            sentences.append(f"the logged speed {late_words(lag)}")
    if best.gears is not None and (best.gears.gear == NOT_LOCKED).any():
        sentences.append(out_of_gear_words(best))
    return lag, tuple(sentences)


LEAST_CHANGE = 0.01


def _fitted_lag(best: Hypothesis, nominal_s: float) -> float | None:
    """Lag of the logged speed: e(t) = scale + lag error x d ln(rate)/dt, least squares; None where it can't be told."""
    clock = best.scan.clock
    moving = clock.rate_hz > 1.0
    if not best.course.locked or moving.sum() < 20:
        return None
    slope = np.gradient(np.log(np.maximum(clock.rate_hz, 0.1)), clock.mid_s)[moving]
    if np.std(slope) < LEAST_CHANGE:
        return None
    design = np.stack([np.ones(slope.size), slope], axis=1)
    found, *_ = np.linalg.lstsq(design, best.course.epsilon[moving], rcond=None)
    return float(np.clip(nominal_s - found[1], -1.0, 3.0))


def _tracks(
    best: Hypothesis, candidates: Sequence[Candidate], posterior: Posterior
) -> list[tuple[str, FloatArray, FloatArray]]:
    """(name, times, frequency) of every part on the best hypothesis, most probable first; nan where it has none."""
    clock = best.scan.clock
    rate = wheel_rate_hz(best)
    found: dict[str, tuple[float, FloatArray]] = {}
    for track in best.scan.tracks:
        if track.candidate >= len(candidates):  # read beside them, never at fault
            continue
        candidate = candidates[track.candidate]
        name = f"{part_text(candidate.part)} {order_text(candidate.order)}"
        held = np.ones(rate.size, bool)
        if track.gear is not None:
            held = np.zeros(rate.size, bool) if best.gears is None else best.gears.gear == track.gear
        if not held.any():
            continue
        offset = best.offsets.get((track.candidate, track.gear), 0.0)
        line = found.setdefault(
            name, (float(posterior.candidate[track.candidate]), np.full(rate.size, np.nan))
        )[1]
        line[held] = (rate * track.multiple * (1.0 + offset))[held]
    ranked = sorted(found.items(), key=lambda item: -item[1][0])
    return [(name, clock.mid_s, line) for name, (_, line) in ranked]


def _named(tracks: Sequence[tuple[str, FloatArray, FloatArray]]) -> list[tuple[float, str]]:
    return [(float(np.nanmedian(f)), name) for name, _, f in tracks if np.isfinite(f).any()]


def _steady(speed_mps: FloatArray) -> bool:
    low, high = np.percentile(speed_mps, [5, 95])
    return bool(high < STEADY_SPREAD * max(low, 0.1))


def _recording(recording: Recording) -> dict[str, object]:
    quality = recording.quality
    return {
        "source": recording.source,
        "kind": recording.kind,
        "unit": recording.unit,
        "duration_s": recording.duration_s,
        "rate_hz": recording.rate_hz,
        "true_rate_hz": quality.rate_hz,
        "channels": list(recording.channels),
        "jitter": quality.jitter,
        "gaps": [list(g) for g in quality.gaps],
        "clipped": quality.clipped,
        "repaired": quality.repaired,
        "repeated": quality.repeated,
    }
