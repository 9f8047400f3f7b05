"""Rate and movement: is the line where the part's rate puts it, and does it move as that rate does?"""

import numpy as np

from vibeorder.diagnosis.explanation import Finding, Said, TrackSeen
from vibeorder.diagnosis.measured import measured_line
from vibeorder.diagnosis.why_case import Case, multiple_at
from vibeorder.diagnosis.why_plain import LEAST_SPAN, Movement, movement_of, peaks_along, rate_span
from vibeorder.diagnosis.why_words import hz, plus_minus
from vibeorder.units import show_signed, show_speeds

__all__ = ["movement_said", "rate_said", "track_seen"]


FITS, STRAINS = 2.0, 3.0
"""Standard deviations up to which a rate fits its expectation, and beyond which it does not."""

SLOPE_MODEL_SE = 0.03
"""What lag and noise of the speed source leave open of a slope however clear the line (about 1% of speed in 30%)."""

LEAST_SHARE = 0.5
"""Share of the readings in which a line must stand clear for its movement to count: another part's line may run
on it for a while."""


def rate_said(case: Case, doubt_sd: float) -> Said:
    """Measured against expected rate. doubt_sd: relative, of tire and speed together."""
    suspect = case.suspect
    found = None
    if suspect.frequency_hz is not None:
        found = measured_line(case.hypothesis, case.index, case.candidate, case.floor, _usual_offset(case))
    if found is None or suspect.expected_hz is None:
        where = "" if suspect.expected_hz is None else f" near {hz(suspect.expected_hz)}, where it would be"
        return -1, Finding("rate", f"No line of its own was measured{where}.")
    off = found.ratio - 1.0
    values = (
        ("measured_hz", found.frequency_hz),
        ("measured_se_hz", found.frequency_se_hz),
        ("expected_hz", suspect.expected_hz),
        ("off", off),
        ("off_se", found.ratio_se),
        ("doubt", doubt_sd),
    )
    measured = f"{plus_minus(found.frequency_hz, max(found.frequency_se_hz, 0.01))} Hz"
    if case.source == "inferred":
        speeds = _speeds(case)
        return 0, Finding(
            "rate",
            f"Measured at {measured}. No speed was logged, so the speed was worked out from the lines and cannot "
            f"vouch for this one; this name means {speeds}.",
            values=values,
        )
    sd = float(np.hypot(doubt_sd, found.ratio_se))
    away = abs(off) / sd
    verdict = "it fits" if away < FITS else "a strain" if away < STRAINS else "it does not fit"
    sentence = (
        f"Measured at {measured}, expected at {hz(suspect.expected_hz)} from tire, ratios and speed: "
        f"{show_signed(100 * off, 2)}% ± {max(100 * found.ratio_se, 0.01):.2f}%, where tire and speed leave "
        f"± {100 * doubt_sd:.1f}% open ({away:.1f} standard deviations: {verdict})."
    )
    return (1 if away < FITS else -1 if away >= STRAINS else 0), Finding("rate", sentence, values=values)


def movement_said(case: Case) -> Said:
    """Whether the line follows the part's rate over the drive."""
    if case.source == "inferred":
        return 0, Finding(
            "movement", "The speed was worked out from the lines themselves, so moving with it says nothing."
        )
    span = rate_span(case)
    if case.source == "said" or span < LEAST_SPAN:
        return 0, Finding(
            "movement",
            "The speed was held, so movement says nothing: a part's line and a fixed resonance look alike.",
        )
    found = movement_of(case)
    change = f"the part's rate changed by {100 * np.expm1(span):.0f}%"
    if found is None:
        return 0, Finding(
            "movement",
            f"Over the drive {change}, but the line is too weak in a plain spectrum to be followed there.",
        )
    return _moved(found, span, change)


def _moved(found: Movement, span: float, change: str) -> Said:
    """A measured slope put into words."""
    se = float(np.hypot(found.slope_se, SLOPE_MODEL_SE))
    from_part, from_rest = abs(found.slope - 1.0) / se, abs(found.slope) / se
    readings, enough = found.peaks.times_s.size, found.peaks.times_s.size >= LEAST_SHARE * found.blocks
    follows = from_part < STRAINS and from_rest > STRAINS
    stands = from_rest < STRAINS and from_part > STRAINS
    meaning = "it turns with the part" if follows else "it stands still" if stands else "it does neither"
    sentence = (
        f"Over the drive {change}, and the line's frequency went as the rate to the power "
        f"{plus_minus(found.slope, se)} (1: turns with the part, 0: stands still like a resonance): {meaning}. "
        f"It stood clear in {readings} of {found.blocks} readings of a plain spectrogram"
        f"{'.' if enough else ': too few to count.'}"
    )
    values = (
        ("slope", found.slope),
        ("slope_se", se),
        ("span", span),
        ("readings", float(readings)),
        ("readings_of", float(found.blocks)),
    )
    side = 1 if follows else -1 if from_part > STRAINS else 0
    return (side if enough else 0), Finding("movement", sentence, values=values)


def track_seen(case: Case) -> TrackSeen | None:
    """Expected and fitted course of the line, and the peaks found near it in a plain spectrogram."""
    order = case.candidate.order
    times = case.hypothesis.scan.clock.mid_s
    multiple = multiple_at(case.hypothesis, case.index, times)
    held = multiple > 0
    if not held.any():
        return None
    nominal = case.hypothesis.scan.clock.rate_hz * multiple
    fitted = np.interp(times, case.times_s, case.wheel_hz) * multiple
    line = case.wheel_hz * case.per_wheel * order
    peaks = peaks_along(case, line, case.times_s)
    blank = np.where(held, 1.0, np.nan)
    fitted[[0, -1]] = np.nan  # the course rests on one side only there
    return TrackSeen(
        times + case.stretch_s,
        nominal * blank,
        fitted * blank,
        peaks.times_s + case.stretch_s,
        peaks.frequency_hz,
    )


def _usual_offset(case: Case) -> float:
    """How far the source runs off its nominal ratio, in the gear that held longest."""
    gears = case.hypothesis.gears
    if gears is None:
        return 0.0
    numbers, counts = np.unique(gears.gear, return_counts=True)
    return case.hypothesis.offsets.get((case.index, int(numbers[counts.argmax()])), 0.0)


def _speeds(case: Case) -> str:
    low, high = np.percentile(case.wheel_hz, [5, 95]) * case.circumference_m
    said = show_speeds((float(low), float(high)), case.speed_unit)
    return said if " to " in said else f"about {said}"
