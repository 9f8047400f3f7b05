"""A second device's speed log on the recording's clock: by stamps, by the pull of the vehicle, and by lines that keep
step with it."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import product

import numpy as np
from numpy.typing import NDArray

from vibeorder.errors import SpeedError
from vibeorder.recording import Recording, Trace
from vibeorder.speed.holes import judged_where_logged
from vibeorder.speed.keeping import SLOWEST_MPS, Shake, StepEvidence, shake_of, step_evidence
from vibeorder.speed.late_by_pull import Pulls, pulls_shift
from vibeorder.speed.logged import TURNING_UNITS
from vibeorder.vehicle import Vehicle, rotors

__all__ = [
    "Alignment",
    "align",
    "late_words",
    "onto_clock",
    "recording_and_log",
    "road_multiples",
    "road_speed",
    "speed_beside",
]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
Progress = Callable[[str, float], None]

SEARCH_S = 30.0
STAMPED_SEARCH_S = 3.0
"""Half a minute each way for clocks that only began together; clocks set by a network agree to a second or
two (common practice, no source)."""

COARSE_S, FINE_S, VERTEX_S = 0.5, 0.125, 1.0
# Scores this far from the best shift, and up to 30 s beyond the search, show what chance alone gives.
APART_S, BEYOND_S = 5.0, 30.0
LEAST_Z = 6.0
LEAST_OVER_RUNNER_UP = 2.0
LEAST_GAIN = 30.0
"""The best score must lie 6 robust deviations over the median of the shifts farther off, and twice and by 30
(log likelihood) over the best of them. In 121 pairings of six real recordings with the speed of another drive
the two that came twice over the next were 20 and 8 over it; the real wheel lines were 65 and 77 over it."""

SPANS_AGREE_S = 2.0
SE_FLOOR_S = 0.1
LONGEST_SPAN, SHORTEST_SPAN = 64, 16
SPARSE_STEP_S = 3.5
SILENCE_S = 120.0
STEADY, NEARLY_STEADY = 0.01, 0.025
"""A speed that changes by less within the search needs no clock; by less than the second, it may do without
one: the diagnosis lets every stretch of the drive be off by more."""

FASTEST_MPS = 75.0
HIGHEST_MULTIPLE = 8.0
NOISE_AGREES = 0.5


@dataclass(frozen=True, slots=True)
class Alignment:
    """How late a speed log runs behind the recording.

    shift_s, shift_se_s: the recording's instant t has the log's speed of t + shift_s.
    determined: whether that shift stands out from all others; only then may it be used.
    score: log likelihood ratio of lines at the vehicle's road orders; runner_up: the best one elsewhere.
    deviations: robust standard deviations of the score over the median elsewhere.
    scale: true wheel turns per nominal one. steady: the speed hardly changes, so that no shift matters.
    noise_correlation: of the square root of the shake's level with speed, near shift_s.
    sentence: what to tell the user.
    """

    shift_s: float
    shift_se_s: float
    determined: bool
    score: float
    runner_up: float
    sentence: str
    scale: float = 1.0
    steady: bool = False
    noise_correlation: float = 0.0
    deviations: float = 0.0


def align(
    samples: FloatArray,
    valid: BoolArray,
    rate_hz: float,
    trace: Trace,
    multiples: tuple[float, ...],
    circumference_m: float,
    search_s: float = SEARCH_S,
    progress: Progress | None = None,
) -> Alignment:
    """The shift of `trace` against the samples at which lines keep step with the wheels, if there is one.

    samples: [shape (c, n)], valid: [shape (n,)]; trace: road speed in m/s, its times from sample 0 as well
    as they are known; multiples: orders per wheel turn that road speed drives; circumference_m: nominal,
    right to 3%. Every shift within search_s is scored (`vibeorder.speed.keeping`) with segments of two
    lengths, and so are shifts up to 30 s beyond as a control: a true line vanishes there.
    """
    kept = tuple(m for m in multiples if m <= HIGHEST_MULTIPLE) or (1.0,)
    highest_hz = float(trace.values.max()) / circumference_m * max(kept)
    shake = shake_of(samples, valid, rate_hz, highest_hz)
    wander = _wander(trace, search_s)
    if wander < STEADY:
        said = "the speed hardly changes: the log's clock does not matter"
        return Alignment(0.0, search_s, False, 0.0, 0.0, said, steady=True)
    spans = _spans(trace, shake, circumference_m)
    if not spans:
        return _refused(trace, "too little driving above walking pace has both shake and speed")

    def score(shift_s: float) -> tuple[StepEvidence, ...]:
        return step_evidence(shake, trace, shift_s, kept, circumference_m, spans)

    judged = _searched(shake, trace, score, search_s, progress)
    if judged.determined or wander >= NEARLY_STEADY:
        return judged
    said = f"{judged.sentence}; the speed changes by only {wander:.1%} within the search: it is used as it is"
    return replace(judged, steady=True, sentence=said)


def onto_clock(trace: Trace, recording: Recording) -> Trace:
    """The trace in the recording's own seconds.

    Where both files carry absolute stamps these settle it; else both are taken to start together. Where the order of
    day and month is open in either, the one by which the two overlap is taken.
    """
    if trace.epoch_s is None or recording.epoch_s is None:
        return trace
    end_s = recording.start_s + recording.duration_s
    for own_s, other_s in product((0.0, trace.date_doubt_s), (0.0, recording.date_doubt_s)):
        shift_s = trace.epoch_s + own_s - recording.epoch_s - other_s
        times_s = trace.times_s + shift_s
        if times_s[-1] >= recording.start_s and times_s[0] <= end_s:
            return replace(trace, times_s=times_s, epoch_s=recording.epoch_s)
    raise SpeedError(
        f"the speed log ({trace.name}) and {recording.source} do not overlap by their stamps; "
        "give the log of this drive"
    )


def speed_beside(
    log: Trace,
    recording: Recording,
    vehicle: Vehicle,
    late_s: float | None = None,
    progress: Progress | None = None,
) -> tuple[Trace | None, str]:
    """The log on the recording's clock with its `lag_s`, or None; and the sentence that says what was done.

    late_s: how late the log runs, where the user knows it. Stamps settle it to STAMPED_SEARCH_S where both
    files have them, and so does the phone's acceleration where the speed changes (`late_by_pull`); the lines refine it.
    Without either the lines must settle it, or the log is not used.
    """
    placed = onto_clock(road_speed(log, vehicle), recording)
    if late_s is not None:
        return replace(placed, lag_s=late_s), f"speed log {log.name}: {late_words(late_s)}, as given"
    stamped = log.epoch_s is not None and recording.epoch_s is not None
    search_s = STAMPED_SEARCH_S if stamped else SEARCH_S
    own = replace(placed, times_s=placed.times_s - recording.start_s)
    pulled = pulls_shift(recording, own, search_s)
    pulled = pulled if pulled is not None and pulled.clear else None
    begun_s = 0.0 if pulled is None else pulled.shift_s
    found = align(
        recording.samples, recording.valid, recording.rate_hz, replace(own, times_s=own.times_s - begun_s),
        road_multiples(vehicle), vehicle.tire.circumference_m,
        search_s if pulled is None else STAMPED_SEARCH_S, progress,
    )  # fmt: skip
    if pulled is not None:
        return _pulled(placed, pulled, found)
    said = f"speed log {log.name}: {found.sentence}"
    if found.determined:
        return replace(placed, lag_s=found.shift_s), said
    if found.steady:
        return placed, said
    if stamped:
        return placed, f"{said}; its stamps are used as they are"
    instead = "is inferred from the recording" if recording.speed is None else "is the recording's own"
    either = "" if recording.kind == "audio" else ", and the phone's acceleration does not tell it either"
    return None, (
        f"{said}{either}; it was not used, and the speed {instead}; "
        'where both began together, --log-late "0 s" says so'
    )


def recording_and_log(
    log: Trace,
    recording: Recording,
    vehicle: Vehicle,
    late_s: float | None = None,
    progress: Progress | None = None,
) -> tuple[Recording, Trace | None]:
    """As `speed_beside`; the recording's history tells how, and seconds without a logged speed are not judged."""
    placed, said = speed_beside(log, recording, vehicle, late_s, progress)
    told = replace(recording, history=(*recording.history, said))
    if placed is None or _wander(placed, STAMPED_SEARCH_S) < NEARLY_STEADY:
        return told, placed  # what was steady all the time was so in a hole
    return judged_where_logged(told, placed), placed


def _pulled(placed: Trace, pulled: Pulls, found: Alignment) -> tuple[Trace, str]:
    """The log where the vehicle's pull puts it; where lines keep step near there, at their shift."""
    how = f"by the phone's acceleration, which follows the change of speed (correlation {pulled.correlation:.2f})"
    lag_s = pulled.shift_s
    if found.determined:
        lag_s, how = lag_s + found.shift_s, f"{how}, and by the lines that keep step with the wheels"
    se_s = found.shift_se_s if found.determined else pulled.se_s
    return replace(
        placed, lag_s=lag_s
    ), f"speed log {placed.name}: {late_words(lag_s)}, {_how_well(se_s)} {how}"


def road_speed(log: Trace, vehicle: Vehicle) -> Trace:
    """The log in m/s: a wheel's turning rate times the nominal rolling circumference of the (front) tire."""
    if log.unit.lower() not in TURNING_UNITS:
        return log
    speeds = log.values * vehicle.tire.circumference_m
    top = float(speeds.max())
    if top > FASTEST_MPS:
        raise SpeedError(
            f"speed log {log.name} turns up to {log.values.max():.0f} times a second, {top:.0f} m/s for a "
            "wheel of this vehicle: it is no wheel's; give road speed or a wheel's turning rate "
            "(--speed-column, --speed-unit)"
        )
    return replace(log, values=speeds, name=f"{log.name} (wheel turns)", unit="m/s")


def road_multiples(vehicle: Vehicle) -> tuple[float, ...]:
    """Orders per (front) wheel turn of the road-driven parts: wheel 1x to 3x, the others 1x and 2x."""
    found = {1.0, 2.0, 3.0}
    for rotor in rotors(vehicle):
        if rotor.basis == "wheel" and abs(rotor.ratio - 1.0) > 0.1:
            found |= {rotor.ratio, 2.0 * rotor.ratio}
    return tuple(sorted(found))


def _spans(trace: Trace, shake: Shake, circumference_m: float) -> tuple[int, ...]:
    """Two lengths of segment in turns, shorter for a short drive; none where even those do not fit."""
    at = np.arange(shake.samples.shape[1]) / shake.rate_hz
    speed = np.interp(at, trace.times_s, trace.values, left=0.0, right=0.0)
    turns = float(speed[shake.valid & (speed > SLOWEST_MPS)].sum()) / (shake.rate_hz * circumference_m)
    longest = int(min(LONGEST_SPAN, turns / 8.0)) // 2 * 2
    return (longest // 2, longest) if longest >= SHORTEST_SPAN else ()


def _wander(trace: Trace, search_s: float) -> float:
    """How far apart the speeds at two instants within the search are, relative; nine in ten keep to it."""
    if np.mean(trace.values > SLOWEST_MPS) < 0.9:
        return 1.0
    at = _half_seconds(trace.times_s)
    speed = np.interp(at, trace.times_s, trace.values)
    kernel = np.ones(min(11, speed.size))  # five seconds: a GPS's own noise is no change of speed
    smooth = np.convolve(speed, kernel, "same") / np.convolve(np.ones(speed.size), kernel, "same")
    reach = np.linspace(-search_s, search_s, 13)
    ratio = np.array([np.interp(at + s, at, smooth) for s in reach]) / np.maximum(smooth, SLOWEST_MPS)
    return float(np.percentile(np.abs(ratio - 1.0).max(axis=0), 90.0))


def _half_seconds(times_s: FloatArray) -> FloatArray:
    """Every half second from the first reading on, without what follows two minutes of silence [shape (n,)].

    A logger may have been left on for months: every half second of them would not fit into memory.
    """
    cells = np.floor((times_s - times_s[0]) / 0.5)
    lengths = np.minimum(np.diff(cells), SILENCE_S / 0.5).astype(int)
    since = np.arange(lengths.sum()) - np.repeat(np.cumsum(lengths) - lengths, lengths)
    return np.asarray(times_s[0] + 0.5 * (np.repeat(cells[:-1], lengths) + since), dtype=np.float64)


def _searched(
    shake: Shake, trace: Trace, score: Callable[[float], tuple[StepEvidence, ...]], search_s: float,
    progress: Progress | None,
) -> Alignment:  # fmt: skip
    """Every shift scored, then those about the best one closely."""
    near = np.arange(-search_s, search_s + COARSE_S / 2, COARSE_S)
    beyond = np.arange(search_s + 1.0, search_s + BEYOND_S + 0.5)
    shifts = np.concatenate((near, -beyond, beyond))
    found: list[tuple[StepEvidence, ...]] = []
    for done, shift_s in enumerate(shifts):
        found.append(score(float(shift_s)))
        if progress is not None and done % 16 == 0:
            progress("matching the speed log's clock", done / shifts.size)
    coarse = np.array([[each.score for each in one] for one in found])
    best_s = float(near[coarse[: near.size].mean(axis=1).argmax()])
    fine = best_s + np.arange(-1.5, 1.5 + FINE_S / 2, FINE_S)
    return _judged(shake, trace, shifts, coarse, fine, [score(float(s)) for s in fine], search_s)


def _judged(
    shake: Shake, trace: Trace, shifts: FloatArray, coarse: FloatArray, fine: FloatArray,
    found: list[tuple[StepEvidence, ...]], search_s: float,
) -> Alignment:  # fmt: skip
    """The best shift, and whether it stands out."""
    scores = np.array([[each.score for each in one] for one in found])
    total = scores.mean(axis=1)
    best = int(total.argmax())
    (shift_s, curved_s), score = _vertex(fine, total, best), float(total[best])
    apart = np.abs(shifts - shift_s) > _edge_s(shifts, coarse.mean(axis=1), shift_s, score)
    each_best_s = fine[scores.argmax(axis=0)]
    spread_s = float(np.ptp(each_best_s))
    se_s = float(np.hypot(curved_s, max(SE_FLOOR_S, spread_s / 3.0)))
    runner_up = float(coarse[apart].mean(axis=1).max()) if apart.any() else score
    deviations = min(_robust_z(scores[:, i].max(), coarse[apart, i]) for i in range(scores.shape[1]))
    stands = apart.sum() >= 20 and deviations >= LEAST_Z
    clear = score >= LEAST_OVER_RUNNER_UP * runner_up and score - runner_up >= LEAST_GAIN
    scale = float(np.mean([each.scale for each in found[best]]))
    inside = abs(shift_s) <= search_s + FINE_S
    determined = bool(stands and clear and inside and spread_s <= SPANS_AGREE_S)
    noise = _noise_correlation(shake, trace, shift_s)
    if not determined:
        why = "no line keeps step with the wheels at one shift alone"
        return replace(
            _refused(trace, why),
            shift_s=shift_s,
            shift_se_s=se_s,
            score=score,
            runner_up=runner_up,
            scale=scale,
            noise_correlation=noise,
            deviations=deviations,
        )
    beside = ", and road noise follows the speed there too" if noise >= NOISE_AGREES else ""
    sentence = f"{late_words(shift_s)}, {_how_well(se_s)} by the lines that keep step with the wheels{beside}"
    return Alignment(shift_s, se_s, True, score, runner_up, sentence, scale, False, noise, deviations)


def _edge_s(shifts: FloatArray, coarse: FloatArray, shift_s: float, score: float) -> float:
    """How far from the best shift the others begin: 5 s, or beyond the foot of a broad peak."""
    order = np.argsort(np.abs(shifts - shift_s))
    for at in order:
        if coarse[at] < 0.5 * score and abs(shifts[at] - shift_s) > 2.0 * COARSE_S:
            return max(APART_S, 2.0 * abs(float(shifts[at]) - shift_s))
    return APART_S


def _vertex(fine: FloatArray, total: FloatArray, best: int) -> tuple[float, float]:
    """The top of a parabola through the scores about the best shift, and its standard error.

    The log likelihood ratio falls by d^2 / (2 se^2) at a distance d. One score alone hangs on where the
    segments happen to be cut.
    """
    off = fine - fine[best]
    near = np.abs(off) <= VERTEX_S
    bend, slope, _ = np.polyfit(off[near], total[near], 2)
    if bend >= 0.0:
        return float(fine[best]), float(VERTEX_S)
    top = float(np.clip(-slope / (2.0 * bend), -VERTEX_S / 2.0, VERTEX_S / 2.0))
    return float(fine[best]) + top, float(np.sqrt(-0.5 / bend))


def _robust_z(value: float, others: FloatArray) -> float:
    if others.size == 0:
        return 0.0
    middle = float(np.median(others))
    spread = 1.4826 * float(np.median(np.abs(others - middle)))
    return float((value - middle) / max(spread, 1.0))


def _refused(trace: Trace, why: str) -> Alignment:
    steps = np.diff(trace.times_s)
    moving = np.maximum(trace.values[1:], trace.values[:-1]) > SLOWEST_MPS
    lost = float(steps[moving & (steps > SPARSE_STEP_S)].sum()) / max(float(steps[moving].sum()), 1e-9)
    if lost > 0.15:
        why = f"speed too sparse, readings up to {steps[moving].max():.0f} s apart while it moved"
    return Alignment(0.0, np.inf, False, 0.0, 0.0, f"cannot be aligned: {why}")


def _how_well(se_s: float) -> str:
    return "well determined" if se_s < 0.5 else f"determined to {se_s:.1f} s"


def late_words(shift_s: float) -> str:
    """How late a log runs against the recording, in words."""
    return f"runs {abs(shift_s):.1f} s {'late' if shift_s >= 0.0 else 'early'}"


def _noise_correlation(shake: Shake, trace: Trace, shift_s: float) -> float:
    """Best correlation of speed with the square root of the shake's rms, by seconds, within 3 s of a shift.

    Road noise grows with speed (common practice, no source); it supports a shift and proves none.
    """
    each = max(1, round(shake.rate_hz))
    count = shake.samples.shape[1] // each
    if count < 20:
        return 0.0
    power = np.square(np.diff(shake.samples, axis=1, append=0.0)).sum(axis=0)[: count * each]
    level = power.reshape(count, each).mean(axis=1) ** 0.25
    middle = (np.arange(count) + 0.5) * each / shake.rate_hz
    best = 0.0
    for shift in shift_s + np.arange(-3.0, 3.5):
        inside = (middle + shift >= trace.times_s[0]) & (middle + shift <= trace.times_s[-1])
        speed = np.interp(middle[inside] + shift, trace.times_s, trace.values)
        if inside.sum() > 20 and np.ptp(speed) > 0.0 and np.ptp(level[inside]) > 0.0:
            best = max(best, float(np.corrcoef(speed, level[inside])[0, 1]))
    return best
