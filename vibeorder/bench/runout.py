"""Indicator readings round one turn: how far off center, how far out of round, and is it within the limit.

r(t) = c + sum over k of [a_k cos(kt) + b_k sin(kt)], k = 1..3 as far as the number of places allows.
k = 1 is eccentricity (radial) or face wobble (lateral); k >= 2 is shape. A pure offset e shows a total
indicator reading of 2 e (definition of circular runout, ISO 1101; [K] p. 3 "e = TIR/2": Kelm, Kelm and
Pavelek, Rotor Balancing Tutorial, 45th Turbomachinery Symposium, 2016).
"""

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from vibeorder.bench.harmonics import HarmonicFit, fit_harmonics, harmonic, peak_to_peak, usable_orders
from vibeorder.bench.indicator import Indicator
from vibeorder.bench.places import Place
from vibeorder.bench.readings import Extremes, Readings
from vibeorder.bench.vectors import Vector, circular_difference_deg, from_polar
from vibeorder.errors import VibeorderError

__all__ = ["Runout", "RunoutLimit", "Verdict", "Wave", "judge", "measure_runout", "runout_from_extremes"]

Verdict = Literal["within", "over", "too close to call", "no limit"]

# Twice the standard uncertainty, about 95% (JCGM 100:2008, G.1.3), kept clear of the limit on both sides
# (the guard band of ISO 14253-1).
COVERAGE = 2.0
# A millimetre typed as an inch reads 25 times too much, a thou typed as an inch a thousand times.
UNIT_MISTAKE = 20.0
# One false alarm in a hundred clean turns.
OUTLIER_P = 0.01
# When one reading is judged by the rest, the indicator's own u counts as scatter known from this many.
PRIOR_DOF = 6
# A shape that stands this many standard errors clear is named.
SHAPE_SIGMAS = 3.0
# How well a high spot is found by eye while turning slowly: common practice, no source.
BY_EYE_SE_DEG = 10.0


@dataclass(frozen=True, slots=True)
class RunoutLimit:
    """limit_m: total indicator reading allowed. given: as the user wrote it. usual: the marked default."""

    limit_m: float
    given: str
    usual: bool = False


@dataclass(frozen=True, slots=True)
class Wave:
    """One harmonic: amplitude and its standard error [m], first high spot."""

    order: int
    amplitude_m: float
    amplitude_se_m: float
    high_spot_deg: float


@dataclass(frozen=True, slots=True)
class Runout:
    """What the readings say. All lengths true travel in metres.

    tir_m: the larger of highest minus lowest reading (tir_read_m) and that of the fitted curve (tir_curve_m),
    with its standard uncertainty. offset: eccentricity or wobble amplitude (half its share of the TIR) toward
    the high spot. waves: harmonics 2 and up. suspect: index of a reading that the others contradict, or None;
    it is left out of the fit, tir_without_m is the TIR without it. backlash_m: from backward readings.
    closing_m: start place read again minus first reading.
    """

    place: Place | None
    tir_m: float
    tir_se_m: float
    tir_read_m: float
    tir_curve_m: float | None
    offset: Vector
    angle_se_deg: float
    waves: tuple[Wave, ...]
    fit: HarmonicFit | None
    reading_u_m: float
    suspect: int | None
    suspect_excess_m: float | None
    tir_without_m: float | None
    closing_m: float | None
    backlash_m: float | None
    limit: RunoutLimit | None
    verdict: Verdict
    angles_deg: tuple[float, ...]
    readings_m: tuple[float, ...]
    notes: tuple[str, ...] = ()


def measure_runout(
    readings: Readings,
    *,
    place: Place | None = None,
    limit: RunoutLimit | None = None,
    indicator: Indicator | None = None,
) -> Runout:
    """Separate off-center from out-of-round, judge single readings, and compare the TIR with the limit.

    Raises VibeorderError for readings that cannot be used or are plainly in another unit than meant.
    """
    dial = indicator or Indicator()
    true, backlash = _true_readings(readings, dial)
    limit = limit or usual_limit(place)
    tir_read = float(true.max() - true.min())
    check_unit(tir_read, limit, readings.unit)
    u = dial.reading_u_m / (math.sqrt(2.0) if readings.back_m else 1.0)
    angles = np.radians(readings.angles_deg)
    suspect, excess = _suspect(angles, true, u)
    kept = np.arange(len(true)) != (-1 if suspect is None else suspect)
    fit = fit_harmonics(angles[kept].tolist(), true[kept].tolist(), u, usable_orders(angles[kept].tolist()))
    curve = peak_to_peak(fit)
    without = float(true[kept].max() - true[kept].min()) if suspect is not None else None
    tir, tir_se = max(tir_read, curve), math.sqrt(2.0) * u
    verdict = judge(tir, tir_se, limit)
    if without is not None and judge(max(without, curve), tir_se, limit) != verdict:
        verdict = "too close to call"
    offset = harmonic(fit, 1)
    lost = backlash if backlash is not None else dial.backlash_m
    return Runout(
        place, tir, tir_se, tir_read, curve, offset, _angle_se(offset, lost, readings.back_m is not None),
        _waves(fit), fit, u, suspect, excess, without,
        None if readings.closing_m is None else dial.factor * (readings.closing_m - readings.shown_m[0]),
        backlash, limit, verdict, readings.angles_deg, tuple(true.tolist()),
        _notes(readings, fit, tir, tir_se),
    )  # fmt: skip


def runout_from_extremes(
    extremes: Extremes,
    *,
    place: Place | None = None,
    limit: RunoutLimit | None = None,
    indicator: Indicator | None = None,
) -> Runout:
    """The short form: TIR = highest - lowest; the high spot from where they sit, if about opposite."""
    dial = indicator or Indicator()
    limit = limit or usual_limit(place)
    tir = dial.factor * (extremes.high_m - extremes.low_m)
    if tir < 0.0:
        raise VibeorderError("the highest reading is below the lowest; exchange them")
    check_unit(tir, limit, extremes.unit)
    tir_se = math.sqrt(2.0) * dial.reading_u_m
    angle, angle_se, notes = _high_spot_by_eye(extremes)
    offset = from_polar(tir / 2.0, angle, tir_se / 2.0, angle_se)
    return Runout(
        place, tir, tir_se, tir, None, offset, offset.angle_se_deg, (), None, dial.reading_u_m,
        None, None, None, None, None, limit, judge(tir, tir_se, limit), (), (), notes,
    )  # fmt: skip


def judge(tir_m: float, tir_se_m: float, limit: RunoutLimit | None) -> Verdict:
    """within: TIR + 2u stays inside the limit; over: TIR - 2u is outside; else too close to call."""
    if limit is None:
        return "no limit"
    if tir_m + COVERAGE * tir_se_m <= limit.limit_m:
        return "within"
    return "over" if tir_m - COVERAGE * tir_se_m > limit.limit_m else "too close to call"


def usual_limit(place: Place | None) -> RunoutLimit | None:
    """The place's marked default: common practice, no source."""
    if place is None:
        return None
    return RunoutLimit(place.usual_limit_m, place.usual_range, usual=True)


def check_unit(tir_m: float, limit: RunoutLimit | None, unit: str) -> None:
    """Raises VibeorderError where the span is so far over the limit that the unit must be wrong."""
    if limit is None or limit.limit_m <= 0.0 or tir_m <= UNIT_MISTAKE * limit.limit_m:
        return
    other = "thou or mm" if unit in ("in", "inch", "inches", '"') else "a smaller unit"
    raise VibeorderError(
        f"the readings span {tir_m / limit.limit_m:.0f} times the limit; were they {other} typed as {unit}? "
        "Give them in the unit the dial shows"
    )


def _true_readings(readings: Readings, dial: Indicator) -> tuple[np.ndarray, float | None]:
    """Corrected readings, forward and backward averaged, and the backlash these two show.

    A stem with lost motion b lags b/2 behind in either direction, so the mean of both is free of it and
    their difference is b (its median: at the high and low spot the stem is between the two).
    """
    shown = np.asarray(readings.shown_m)
    if readings.back_m is None:
        return dial.factor * shown, None
    back = np.asarray(readings.back_m)
    difference = shown - back
    return dial.factor * (shown + back) / 2.0, dial.factor * float(np.median(np.abs(difference)))


def _suspect(angles: np.ndarray, readings: np.ndarray, u: float) -> tuple[int | None, float | None]:
    """The one reading that the others contradict, by leave-one-out studentised residuals.

    t_i = e_i / (s_(i) sqrt(1 - h_i)) (Cook and Weisberg, Residuals and Influence in Regression, 1982, 2.2.1:
    value from memory), where s_(i) pools the scatter of the others with the indicator's own u. Bonferroni
    over the places. Needs three readings more than the waves take up.
    """
    orders = usable_orders(angles.tolist(), spare=3)
    if orders < 1:
        return None, None
    from scipy.special import stdtrit  # the t quantile without the slow scipy.stats

    fit = fit_harmonics(angles.tolist(), readings.tolist(), u, orders)
    e, room = np.asarray(fit.residuals_m), np.maximum(1.0 - np.asarray(fit.leverages), 1e-9)
    others = np.maximum(np.sum(e**2) - e**2 / room, 0.0)
    dof = PRIOR_DOF + fit.dof - 1
    s = np.sqrt((PRIOR_DOF * u**2 + others) / dof)
    t = np.abs(e) / (s * np.sqrt(room))
    worst = int(np.argmax(t))
    if t[worst] <= stdtrit(dof, 1.0 - OUTLIER_P / (2.0 * len(e))):
        return None, None
    return worst, float(e[worst] / room[worst])


def _angle_se(offset: Vector, lost_m: float, both_ways: bool) -> float:
    """Standard error of the high spot: from the fit, and from lost motion read in one direction only.

    A lag of b/2 is a square wave a quarter turn behind the runout; its once-a-turn part 2b/pi turns the high
    spot by 2b/(pi A) at most, taken as a bound.
    """
    shift = 0.0
    if lost_m > 0.0 and not both_ways and offset.length > 0.0:
        shift = math.degrees(2.0 * lost_m / (math.pi * offset.length)) / math.sqrt(3.0)
    return min(math.hypot(offset.angle_se_deg, shift), 360.0 / math.sqrt(12.0))


def _waves(fit: HarmonicFit) -> tuple[Wave, ...]:
    waves = [(k, harmonic(fit, k)) for k in range(2, fit.orders + 1)]
    return tuple(Wave(k, v.length, v.length_se, v.angle_deg / k) for k, v in waves)


def _notes(readings: Readings, fit: HarmonicFit, tir_m: float, tir_se_m: float) -> tuple[str, ...]:
    notes = []
    if tir_m <= COVERAGE * tir_se_m:
        notes.append("What was read is no more than the dial's own error: as true as this dial can tell.")
    if fit.orders == 1:
        notes.append(
            f"{len(readings.shown_m)} places show the wobble but not the shape, and no single bad spot; "
            "8 or more show both."
        )
    if fit.dof > 0 and fit.chi2 / fit.dof > 9.0:
        notes.append(
            "The readings scatter three times more than the indicator's own error: read again, slowly."
        )
    return tuple(notes)


def _high_spot_by_eye(extremes: Extremes) -> tuple[float, float, tuple[str, ...]]:
    high, low = extremes.high_deg, extremes.low_deg
    if high is None:
        if low is None:
            return (
                0.0,
                360.0 / math.sqrt(12.0),
                ("Note where the highest reading is: the next steps need it.",),
            )
        return (low + 180.0) % 360.0, BY_EYE_SE_DEG, ()
    if low is None:
        return high, BY_EYE_SE_DEG, ()
    off = circular_difference_deg(low + 180.0, high)
    if abs(off) > 45.0:
        apart = abs(circular_difference_deg(high, low))
        note = (
            f"High and low spot are {apart:.0f} degrees apart, not opposite: oval or dented rather "
            "than off center; read 8 places."
        )
        return high, max(BY_EYE_SE_DEG, abs(off) / 2.0), (note,)
    return (high + off / 2.0) % 360.0, BY_EYE_SE_DEG / math.sqrt(2.0), ()
