"""Amplitude against speed: how it grows, and a resonance of the body told apart from the order that excites it."""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.explanation import Finding, Resonance, Said, SpeedCurve
from vibeorder.diagnosis.floor import Floor
from vibeorder.diagnosis.why_case import Case
from vibeorder.diagnosis.why_load import load_split
from vibeorder.diagnosis.why_plain import LEAST_SPAN, rate_span
from vibeorder.diagnosis.why_track import Followed
from vibeorder.diagnosis.why_words import hz, plus_minus, size
from vibeorder.units import KMH_MPS, MPH_MPS, show_speeds

__all__ = ["speed_curve", "speed_said"]

FloatArray = NDArray[np.float64]

BIN_MPS = {"mph": 2.0 * MPH_MPS, "km/h": 4.0 * KMH_MPS, "m/s": 1.0}
LEAST_BIN_S, LEAST_BINS = 1.2, 5
STANDS, LEAST_STANDING = 3.0, 0.6
"""Standard errors from which a bin holds a line, and the share of bins that must."""

MODEL_SE = 0.12
"""How far a bin's amplitude may be off for reasons that no error knows (road, tire grip), relative."""

Q_TRIED = (3.0, 5.0, 8.0, 12.0, 20.0)
"""Sharpness of a body's modes: damping of 2 to 17% (common practice, no source)."""

CERTAIN = 0.6
"""Error of a fitted growth up to which it speaks at all: the sources differ by no more than this."""

LEAST_GAIN = 15.0
"""Drop of chi squared that a mode must buy: it has three free numbers, and many are tried."""

MODES_TRIED = 60
LEAST_TIMES = 1.4
HALF_POWER = float(np.sqrt(0.5))
FLANK = 0.8
NOISE_RISE = 1.25
BESIDE = 1.35
"""A mode raises road noise at its frequency over the level a third higher and lower by at least this."""


def speed_curve(case: Case, found: Followed | None) -> SpeedCurve | None:
    """Strength in bins of road speed, with the growth expected; None where the speed was held or the line is lost."""
    if found is None:
        return None
    bins = _bins(case, found)
    standing = sum(amplitude > STANDS * error for *_, amplitude, error in bins)
    if len(bins) < LEAST_BINS or standing < LEAST_STANDING * len(bins):
        return None
    low, high, frequency, amplitude, error = (np.array(column) for column in zip(*bins, strict=True))
    middle = 0.5 * (low + high)
    growth = case.candidate.source.growth
    shape = (middle / np.median(middle)) ** growth
    weight = 1.0 / (np.maximum(amplitude, error) ** 2 * MODEL_SE**2 + error**2) * amplitude**2
    level = np.log(np.maximum(amplitude, 0.1 * error + 1e-12) / shape)
    expected = shape * float(np.exp((weight * level).sum() / weight.sum()))
    fitted, fitted_se = _growth(middle, amplitude, error)
    curve = SpeedCurve(low, high, frequency, amplitude, error, expected, growth, fitted, fitted_se)
    return replace(curve, resonance=_resonance(curve, case.floor), load=load_split(case, found))


def speed_said(case: Case, curve: SpeedCurve | None) -> list[Said]:
    """What amplitude against speed says: how it grows, and whether a resonance lifts it."""
    if curve is None:
        return [(0, Finding("speed", _no_curve(case)))]
    unit = case.speed_unit
    where = show_speeds((float(curve.low_mps[0]), float(curve.high_mps[-1])), unit)
    strongest = int(np.argmax(curve.amplitude))
    grown = Finding(
        "speed",
        f"From {where} its strength goes as speed to the power {plus_minus(curve.growth, curve.growth_se)} "
        f"(this source usually: {curve.expected_growth:g}); strongest at "
        f"{show_speeds((float(curve.low_mps[strongest]), float(curve.high_mps[strongest])), unit)} with "
        f"{size(float(curve.amplitude[strongest]), case.suspect.unit)} peak.",
        values=(
            ("growth", curve.growth),
            ("growth_se", curve.growth_se),
            ("expected_growth", curve.expected_growth),
            ("peak_mps", float(curve.speed_mps[strongest])),
        ),
    )
    fits = abs(curve.growth - curve.expected_growth) < 2.0 * np.hypot(curve.growth_se, 0.5)
    side = 1 if fits and curve.growth_se < CERTAIN else 0
    if curve.resonance is None:
        return [(side, grown)]
    return [(0, grown), (0, _resonance_finding(curve.resonance, unit))]


def _no_curve(case: Case) -> str:
    if rate_span(case) < LEAST_SPAN:
        return "The speed was held, so strength against speed cannot be shown."
    return "The line is too weak, or was there too short, to show its strength against speed."


def _bins(case: Case, found: Followed) -> list[tuple[float, float, float, float, float]]:
    """Low and high edge, mean line frequency, amplitude and error of every bin that was driven long enough."""
    speed = np.interp(found.times_s, case.times_s, case.wheel_hz) * case.circumference_m
    line = np.interp(found.times_s, case.times_s, case.wheel_hz * case.per_wheel) * case.candidate.order
    usual = case.usual_ratio(found.times_s)
    width = BIN_MPS.get(case.speed_unit, 1.0)
    out = []
    for k in range(int(speed.min() / width), int(speed.max() / width) + 1):
        inside = (speed >= k * width) & (speed < (k + 1) * width) & usual
        strength = found.over(inside)
        if strength is None or strength.seconds < LEAST_BIN_S:
            continue
        frequency = float(line[inside & found.held].mean())
        out.append((k * width, (k + 1) * width, frequency, strength.amplitude, strength.standard_error))
    return out


def _growth(speed: FloatArray, amplitude: FloatArray, error: FloatArray) -> tuple[float, float]:
    """Exponent of amplitude against speed by weighted least squares of logarithms, error from the scatter."""
    use = amplitude > 2.0 * error
    if use.sum() < 3:
        return 0.0, float("inf")
    x, y = np.log(speed[use]), np.log(amplitude[use])
    weight = 1.0 / ((error[use] / amplitude[use]) ** 2 + MODEL_SE**2)
    centre = (weight * x).sum() / weight.sum()
    spread = float((weight * (x - centre) ** 2).sum())
    slope = float((weight * (x - centre) * y).sum() / spread)
    residual = y - (weight * y).sum() / weight.sum() - slope * (x - centre)
    scatter = float((weight * residual**2).sum() / max(int(use.sum()) - 2, 1))
    return slope, float(np.sqrt(max(scatter, 1.0) / spread))


def _resonance(curve: SpeedCurve, floor: Floor) -> Resonance | None:
    """A single mode of the body over the source's growth, where it explains the bins far better than growth alone."""
    grown = curve.expected / max(float(curve.expected.mean()), 1e-12)
    lifted = curve.amplitude / grown
    top = int(np.argmax(lifted))
    times = float(lifted[top] / np.median(lifted))
    if not 0 < top < lifted.size - 1 or times < LEAST_TIMES:
        return None
    if max(lifted[:top].min(), lifted[top + 1 :].min()) > FLANK * lifted[top]:
        return None
    chi2, mode_hz, q = _best_mode(curve, grown)
    gain = _misfit(curve, curve.expected) - chi2
    if gain < LEAST_GAIN:
        return None
    far = np.flatnonzero(lifted < HALF_POWER * lifted[top])
    first = int(max((i for i in far if i < top), default=-1)) + 1
    last = int(min((i for i in far if i > top), default=lifted.size)) - 1
    rise = _noise_rise(floor, mode_hz)
    low, high = float(curve.low_mps[first]), float(curve.high_mps[last])
    return Resonance(mode_hz, q, low, high, times, gain, rise, rise > NOISE_RISE)


def _best_mode(curve: SpeedCurve, grown: FloatArray) -> tuple[float, float, float]:
    """Chi squared, frequency and sharpness of the mode that fits best: grown / |1 - u^2 + j u / Q|, u = f / mode."""
    f, a = curve.frequency_hz, curve.amplitude
    weight = 1.0 / (curve.standard_error**2 + (MODEL_SE * np.maximum(a, curve.standard_error)) ** 2)
    best = (float("inf"), 0.0, 0.0)
    for q in Q_TRIED:
        for mode_hz in np.linspace(f.min(), f.max(), MODES_TRIED):
            ratio = f / mode_hz
            shape = grown / np.sqrt((1.0 - ratio**2) ** 2 + (ratio / q) ** 2)
            model = shape * float((weight * a * shape).sum() / (weight * shape**2).sum())
            best = min(best, (_misfit(curve, model), float(mode_hz), q))
    return best


def _misfit(curve: SpeedCurve, model: FloatArray) -> float:
    """Chi squared of a model of the bins, each off by its error and by MODEL_SE of the model itself."""
    sigma = np.hypot(curve.standard_error, MODEL_SE * model)
    return float((((curve.amplitude - model) / sigma) ** 2).sum())


def _noise_rise(floor: Floor, mode_hz: float) -> float:
    """How much road noise stands above the straight line (log, log) between a third lower and a third higher [-]."""
    here, low, high = (float(floor.at(np.array([mode_hz * k]))[0]) for k in (1.0, 1.0 / BESIDE, BESIDE))
    return float(np.sqrt(here / np.sqrt(low * high)))


def _resonance_finding(found: Resonance, unit: str) -> Finding:
    at = show_speeds((found.low_mps, found.high_mps), unit)
    peak = f"Peaks at {at}, {found.times:.1f} times its growth with speed; "
    peak += f"a resonance near {hz(found.frequency_hz)} fits. "
    noise = (
        f"Road noise at all speeds is {found.noise_rise:.1f} times as strong there as a third above and below"
    )
    if found.of_the_body:
        meant = (
            f"{noise}: the body rings at that frequency whatever excites it. The speed of the peak belongs to the "
            "body, the line to the part."
        )
    else:
        meant = f"{noise}, no hump of its own: whether body or part resonates cannot be said."
    values = (
        ("frequency_hz", found.frequency_hz),
        ("q", found.q),
        ("low_mps", found.low_mps),
        ("high_mps", found.high_mps),
        ("times", found.times),
        ("noise_rise", found.noise_rise),
    )
    return Finding("resonance", peak + meant, values=values)
