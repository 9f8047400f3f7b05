"""Whether stamps are the instants of sampling, or only of writing; and the true instants then."""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from vibeorder.recording.bursts import Bursts, find_bursts

__all__ = ["LAG", "MANY_EQUAL", "Clock", "true_instants"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

# Stamps this even are right whichever way they came about.
EVEN_JITTER = 0.02
# Where the numbers do not tell, jitter above this is late writing rather than uneven sampling.
LATE_JITTER = 0.3
# Rows over which lateness, and a stamp that steps back, cancels.
LAG = 16
# Below this spread of single steps (median deviation), drops are told one by one.
REGULAR_SPREAD = 0.12
MANY_EQUAL = 0.3
# Stretch over which late stamps are followed by at least one on time. A phone that was busy wrote 14 s of
# samples late and caught up afterwards (a real drive at 50 Hz): twice that.
ON_TIME_S = 30.0
# A stamp later than this many steps behind the even clock says nothing about that clock.
LATE_STEPS = 2.0
# A silence longer than this is never a burst of late stamps.
SILENCE_S = 2.0
# Twenty minutes at 200 Hz are more than enough to judge by.
JUDGED_SAMPLES = 240_000
LAST_S = 1.2
# Mean cosine of spans over a trial step: 1 for an even clock, 0.2 for jitter of a fifth of a step, and
# about 0.02 for nothing at all (thousands of spans).
LIKENESS = 0.12
KNOT_S = 10.0
# A burst is one stamp: so many make a knot of the slow part, however long that takes.
KNOT_BURSTS = 300
# Slopes of two kinds: of a line through seven samples, which keeps out white noise, and of the full band
# (truncated ideal differentiator, Oppenheim & Schafer, Discrete-Time Signal Processing, section 7.5.2).
_REACH = np.arange(-6, 7)
SMOOTH_SLOPE = np.arange(3.0, -4.0, -1.0) / 28.0
FULL_SLOPE = np.where(_REACH == 0, 0.0, (-1.0) ** _REACH / np.where(_REACH == 0, 1, _REACH)) * np.kaiser(
    13, 3.0
)


@dataclass(frozen=True, slots=True)
class Clock:
    """Instants of the samples, rising [shape (n,)], their usual step, and the jitter of the stamps."""

    times_s: FloatArray
    step_s: float
    jitter: float
    said: str


def true_instants(stamps_s: FloatArray, samples: FloatArray, unreliable: bool) -> Clock:
    """The instants at which samples [shape (channels, n)] were taken, from their stamps.

    Rows written in bursts get an even clock. Stamps with little jitter are believed. Otherwise two readings
    compete: the stamps as they are, and an even clock drawn through them; the one under which each sample
    is better foretold by its neighbours wins. unreliable: stamps ran backward or are instants of polling,
    so that the even clock is taken. Over LAG rows most stamps must move on, unless many stand still.
    """
    bursts = find_bursts(stamps_s, samples)
    if bursts is not None:
        return _spread_evenly(stamps_s, bursts)
    step, jitter = _usual_step(stamps_s)
    rising = bool((np.diff(stamps_s) > 0).all())
    if rising and not unreliable and jitter < EVEN_JITTER:
        return Clock(stamps_s, step, jitter, "")
    even, even_step = _even_clock(stamps_s, step)
    step = step if _is_regular(stamps_s, step) else even_step
    if unreliable or not rising:
        return Clock(even, even_step, jitter, ": stamps are smoothed by an even clock drawn through them")
    if _rounded(stamps_s, step, jitter):
        return Clock(even, even_step, jitter, ": stamps are rounded, an even clock is drawn through them")
    part = slice(0, JUDGED_SAMPLES)
    found = [
        _stamp_weight(stamps_s[part], even[part], even_step, samples[:, part], taps)
        for taps in (SMOOTH_SLOPE, FULL_SLOPE)
    ]
    follows = any(weight > 3.0 * error and weight > 0.1 for weight, error in found)
    ignores = all(weight + 3.0 * error < 0.25 for weight, error in found)
    if ignores or (not follows and jitter > LATE_JITTER):
        return Clock(
            even, even_step, jitter, ": the numbers fit an even clock better than the stamps, so it is used"
        )
    return Clock(stamps_s, step, jitter, ": the stamps are taken as the true instants")


def _spread_evenly(stamps_s: FloatArray, bursts: Bursts) -> Clock:
    """Instants of rows written in bursts: an even clock through what each burst says of its last sample."""
    knot_s = max(KNOT_S, KNOT_BURSTS * bursts.size * bursts.step_s)
    # The step is known from long spans; short ones would show a timer's ticks, if one hands the bursts over.
    even, step = _even_clock(bursts.handed_s, bursts.step_s, knot_s, combs=())
    even = even + step * bursts.lost
    steps = np.diff(stamps_s)
    jitter = float(np.std(steps[np.abs(steps) < (5.0 + 2.0 * bursts.size) * step])) / step
    said = f": rows came in bursts of about {bursts.size:.0f}, so their times were spread evenly"
    return Clock(even, step, jitter, said)


def _usual_step(stamps_s: FloatArray) -> tuple[float, float]:
    """The step between samples without drops, and the spread of single steps relative to it."""
    steps = np.diff(stamps_s)
    forward = steps[steps > 0]
    step = float(np.median(forward))
    if float(np.mean(steps == 0)) > MANY_EQUAL:
        # Stamps cut to the second: only their mean tells the step.
        near = steps[(steps >= 0) & (steps < 5 * max(step, float(np.percentile(steps, 99.5))))]
        return float(near.mean()), float(np.std(near) / near.mean())
    regular = _is_regular(stamps_s, step)
    if not regular and stamps_s.size > 3 * LAG:
        # Steps between late stamps are long and short in turn; over sixteen of them lateness cancels.
        step = float(np.median(stamps_s[LAG:] - stamps_s[:-LAG])) / LAG
    near = steps[(steps > -5 * step) & (steps < 5 * step)]
    counts = np.rint(near / step)
    if regular and counts.sum() > 0:
        step = float(near[counts >= 1].sum() / counts[counts >= 1].sum())
    single = near[near < 1.5 * step] if regular else near
    return step, float(np.std(single) / step) if single.size else 0.0


def _is_regular(stamps_s: FloatArray, step_s: float) -> bool:
    """Whether single steps are so alike that drops are told one by one."""
    steps = np.diff(stamps_s)
    forward = steps[steps > 0]
    parts = forward[forward < 5 * step_s] / step_s
    told = float(np.mean(np.abs(parts - np.rint(parts)) < 0.25)) if parts.size else 0.0
    if steps.size > forward.size * (1.0 + MANY_EQUAL):
        return False
    return float(np.median(np.abs(forward - step_s))) < REGULAR_SPREAD * step_s and told > 0.9


def _even_clock(
    stamps_s: FloatArray, step_s: float, knot_s: float = KNOT_S, combs: tuple[bool, ...] = (True, False)
) -> tuple[FloatArray, float]:
    """Instants on even clocks, one per stretch between silences; drops within a stretch keep their place.

    knot_s: how long a stretch tells one offset of a clock that runs unevenly. combs: ways to refine the step,
    none where it is known.
    """
    cuts = np.flatnonzero(np.diff(stamps_s) > max(SILENCE_S, 60 * step_s)) + 1
    edges = np.concatenate(([0], cuts, [stamps_s.size]))
    runs = [stamps_s[a:b] for a, b in pairwise(edges)]
    spans, rows = sum(run[-1] - run[0] for run in runs), sum(run.size - 1 for run in runs)
    trials = {_refined_step(stamps_s, step_s, comb) for comb in combs} or {step_s}
    if rows > 0 and abs(spans / rows / step_s - 1.0) < 0.2:
        trials.add(float(spans / rows))
    step, numbered = min((_numbered(runs, trial) for trial in trials), key=lambda pair: _cost(runs, *pair))
    out = []
    last = -np.inf
    for run, (count, on_time) in zip(runs, numbered, strict=True):
        instants = step * count + _slow_offset(run - step * count, count * step, on_time, knot_s)
        if instants[0] <= last:
            instants = instants + (last + step - instants[0])
        last = float(instants[-1])
        out.append(instants)
    return np.concatenate(out), step


def _numbered(runs: list[FloatArray], step_s: float) -> tuple[float, list[tuple[FloatArray, BoolArray]]]:
    """The step fitted to all stretches, with the numbers of their samples on that even clock."""
    numbered = [_sample_numbers(run, step_s) for run in runs]
    return _fitted_step(runs, numbered, step_s), numbered


def _cost(runs: list[FloatArray], step_s: float, numbered: list[tuple[FloatArray, BoolArray]]) -> float:
    """How badly an even clock explains the stamps: width of what is left, and each supposed drop.

    Schwarz's criterion (1978, Annals of Statistics 6, 461): n log(width) + drops log(n).
    """
    left = np.concatenate(
        [_centred(run - step_s * count) for run, (count, _) in zip(runs, numbered, strict=True)]
    )
    drops = sum(int((np.diff(count) > 1.5).sum()) for count, _ in numbered)
    width = float(np.median(np.abs(left))) + 1e-3 * step_s
    return left.size * float(np.log(width)) + drops * float(np.log(max(left.size, 2)))


def _centred(values: FloatArray) -> FloatArray:
    centred: FloatArray = values - np.median(values)
    return centred


def _refined_step(stamps_s: FloatArray, step_s: float, comb: bool) -> float:
    """The step from ever longer spans: whole numbers of steps, however many samples were dropped in them.

    The step sought is the one at which the spans are most nearly whole multiples of it (greatest mean
    cosine). Where lateness hides that, or without `comb`, the median span is taken, as long as it agrees.
    """
    step = step_s
    for lag in (8, 16, 64, 256, 1024):
        if stamps_s.size < 4 * lag:
            break
        spans = stamps_s[lag:] - stamps_s[:-lag]
        middle = float(np.median(spans))
        spans = spans[np.abs(spans - middle) < 6 * step]
        if not spans.size:  # stamps that leap about: no span is like another
            break
        spans = spans[:: max(1, spans.size // 4000)]
        trials = step * (1.0 + np.linspace(-0.4, 0.4, 81) / lag)
        likeness = np.cos(2.0 * np.pi * spans[None, :] / trials[:, None]).mean(axis=1)
        best = int(np.argmax(likeness))
        if comb and likeness[best] > LIKENESS and 0 < best < trials.size - 1:
            # A parabola through the three best trials.
            a, b, c = likeness[best - 1 : best + 2]
            shift = 0.5 * (a - c) / (a - 2 * b + c)
            step = float(trials[best] + shift * (trials[1] - trials[0]))
        elif abs(middle - lag * step) < 0.4 * step:
            step = middle / lag
    return step


def _sample_numbers(run: FloatArray, step_s: float) -> tuple[FloatArray, BoolArray]:
    """Number of each sample on an even clock, and which stamps were written on time.

    One more each row, and more where samples were dropped. Stamps are late, never early: the lowest delay
    still to come follows the true clock, and jumps up by whole steps where samples are missing.
    """
    rows = np.arange(run.size, dtype=np.float64)
    delay = run - step_s * rows
    lowest = _lowest_ahead(delay, int(np.clip(ON_TIME_S / step_s, 50, max(2, run.size))))
    on_time = delay - lowest < LATE_STEPS * step_s
    rise = np.diff(lowest, prepend=lowest[:1])
    # In the last second nothing more is to come that would tell a late stamp from a lost sample.
    known = max(0, run.size - int(LAST_S / step_s))
    places = np.flatnonzero(rise[:known] > 0.1 * step_s)
    if not places.size:
        return rows, on_time
    groups = np.split(places, np.flatnonzero(np.diff(places) > 5) + 1)
    jumps = np.zeros(run.size)
    for group in groups:
        total = float(rise[group].sum()) / step_s
        if total > 0.7:
            jumps[group[int(np.argmax(rise[group]))]] += np.rint(total)
    return rows + np.cumsum(jumps), on_time


def _lowest_ahead(values: FloatArray, window: int) -> FloatArray:
    """Minimum over each value and up to window - 1 after it."""
    from scipy.ndimage import minimum_filter1d  # slow to import, needed for late stamps only

    padded = np.concatenate((values, np.full(window, np.inf)))
    lowest: FloatArray = minimum_filter1d(padded, window, origin=-(window // 2))[: values.size]
    return lowest


def _fitted_step(
    runs: list[FloatArray], numbered: list[tuple[FloatArray, BoolArray]], step_s: float
) -> float:
    """Slope of stamp against number over all stretches, each with its own start, late stamps left out."""
    top = bottom = 0.0
    for run, (count, on_time) in zip(runs, numbered, strict=True):
        if on_time.sum() < 10:
            continue
        x, y = count[on_time], run[on_time]
        centred = x - x.mean()
        top += float((centred * (y - y.mean())).sum())
        bottom += float((centred**2).sum())
    fitted = top / bottom if bottom > 0 else step_s
    return fitted if abs(fitted / step_s - 1.0) < 0.05 else step_s


def _slow_offset(offset: FloatArray, along_s: FloatArray, on_time: BoolArray, knot_s: float) -> FloatArray:
    """The slow part of stamps minus even clock: medians of knot_s (ten seconds) each, joined by straight lines."""
    pieces = max(1, int((along_s[-1] - along_s[0]) / knot_s))
    usable = np.flatnonzero(on_time)
    if pieces < 3 or usable.size < 10 * pieces:
        return np.full(offset.size, float(np.median(offset[usable])) if usable.size else 0.0)
    parts = [part for part in np.array_split(usable, pieces) if part.size]
    knots = np.array([float(np.median(offset[part])) for part in parts])
    middles = np.array([float(along_s[part].mean()) for part in parts])
    slopes = np.diff(knots) / np.diff(middles)
    first = knots[0] - slopes[0] * (middles[0] - along_s[0])
    last = knots[-1] + slopes[-1] * (along_s[-1] - middles[-1])
    places = np.concatenate(([along_s[0]], middles, [along_s[-1]]))
    drawn: FloatArray = np.interp(along_s, places, np.concatenate(([first], knots, [last])))
    return drawn


def _rounded(stamps_s: FloatArray, step_s: float, jitter: float) -> bool:
    """Whether the jitter is no more than the rounding of the stamps explains."""
    steps = np.abs(np.diff(stamps_s))
    steps = steps[(steps > 1e-9) & (steps < 5 * step_s)]
    if not steps.size:
        return False
    for quantum in (1.0, 0.1, 0.01, 1e-3, 1e-4):
        if quantum < 0.02 * step_s:
            break
        if float(np.abs(steps / quantum - np.rint(steps / quantum)).max()) < 1e-3 + 2e-6 / quantum:
            # Rounding to q spreads steps by q / sqrt(6); one half more for chance.
            return bool(jitter * step_s < 1.5 * quantum / np.sqrt(6.0))
    return False


def _stamp_weight(
    stamps_s: FloatArray, even_s: FloatArray, step_s: float, samples: FloatArray, slope_taps: FloatArray
) -> tuple[float, float]:
    """How far the samples follow the stamps' deviations from the even clock, with its standard error.

    Read on the even clock, a sample taken late by e departs from what its neighbours foretell by e times
    the slope. The departures are regressed on that: 1 where the stamps are the true instants, 0 where they
    are late writing; less than 1 where noise hides the slope. Deviations are independent of the samples,
    so the slope of 0 for late stamps holds whatever the spectrum is.
    """
    from scipy.ndimage import median_filter  # slow to import, needed for uneven clocks only

    deviation = (stamps_s - even_s) / step_s
    # A sample miscounted shifts the even clock by a step from there on: only quick deviations are judged.
    deviation = deviation - median_filter(deviation, 31)
    spacing = np.diff(even_s) / step_s
    near = (
        (np.abs(deviation) < 1.0)
        & (np.concatenate(([1.0], spacing)) < 1.5)
        & (np.concatenate((spacing, [1.0])) < 1.5)
    )
    good = near[2:-2] & near[1:-3] & near[:-4] & near[3:-1] & near[4:]
    if good.sum() < 100:
        return 0.0, np.inf
    top, bottom = [], []
    for channel in samples:
        slope = np.convolve(channel, slope_taps, mode="same")
        departure = _departure(channel)[good]
        expected = _departure(deviation * slope)[good]
        scale = float(np.median(np.abs(departure))) + 1e-30
        # A single shock must not decide.
        calm = np.abs(departure) < 8 * scale
        top.append(np.where(calm, departure * expected, 0.0) / scale**2)
        bottom.append(np.where(calm, expected**2, 0.0) / scale**2)
    products, powers = np.sum(top, axis=0), np.sum(bottom, axis=0)
    weight = float(products.sum() / max(float(powers.sum()), 1e-30))
    misfit = products - weight * powers
    blocks = np.array([part.sum() for part in np.array_split(misfit, max(10, misfit.size // 50))])
    error = float(np.sqrt((blocks**2).sum()) / max(float(powers.sum()), 1e-30))
    return weight, error


def _departure(values: FloatArray) -> FloatArray:
    """Each value minus what a cubic through its two neighbours on each side foretells, on an even clock."""
    departure: FloatArray = (
        values[2:-2] - (4.0 * (values[1:-3] + values[3:-1]) - (values[:-4] + values[4:])) / 6.0
    )
    return departure
