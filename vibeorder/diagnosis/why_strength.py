"""Strength: does a line stand, is it as strong as a complaint, do its higher orders come with it, is it folded?"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.amplitudes import COMPLAINT_UP_TO_MPS2, complaint_from
from vibeorder.diagnosis.classes import role_of
from vibeorder.diagnosis.explanation import Finding, OrderStrength, Said
from vibeorder.diagnosis.judge import Hypothesis
from vibeorder.diagnosis.lines import COINCIDE_HZ
from vibeorder.diagnosis.measured import expected_hz
from vibeorder.diagnosis.signal import folded
from vibeorder.diagnosis.twins import readings_of
from vibeorder.diagnosis.why_case import Case, multiple_at
from vibeorder.diagnosis.why_track import Followed, follow
from vibeorder.diagnosis.why_words import PEAK, STANDS, WORTH_A_WORD, hz, plus_minus, size, two_digits
from vibeorder.vehicle import order_text, part_text

__all__ = [
    "folding_said",
    "follow_case",
    "harmonics_said",
    "line_said",
    "orders_of",
    "own_weights",
    "strength_said",
]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

NINETEEN_IN_TWENTY = 1.96
MOST_RIVALS = 2
LEAST_APART_TURNS = 3.0
CROSSES_FROM, CROSSES_UP_TO = 0.02, 0.25
"""Share of the time in which another line runs on an order, so that the two are solved for together. Beyond it
they run alike for long and no filter parts them: that time is left out."""

LEAST_ALONE = 0.2
TRACKER_REACH_HZ = 1.0
READABLE_SHARE = 0.3
"""Share of the time in which an order must show for its strength to be given."""


def line_said(case: Case) -> Said:
    """Whether anything stands on the track at all."""
    reading = case.reading
    if reading is None or reading.used_blocks < 2:
        return -1, Finding(
            "line", "Its line could not be read: no rate, or outside what this sample rate shows."
        )
    snr, best = case.suspect.snr_db, reading.best
    values = (("snr_db", snr), ("log_evidence", best))
    if best < STANDS and snr > 3.0:
        crossed = (
            f"Power on its track is {snr:.0f} dB over the noise beside it, but nothing follows the track: another line "
            "crosses it or shares it for a time."
        )
        return -1, Finding("line", crossed, values=values)
    if best < STANDS:
        return -1, Finding("line", "No line stands on its track above the noise beside it.", values=values)
    if snr < 0.0:
        held = f"A weak line stands on its track: {-snr:.0f} dB below the noise beside it, it shows by its steadiness."
        return 1, Finding("line", held, values=values)
    return 1, Finding(
        "line", f"A line stands on its track, {snr:.0f} dB over the noise beside it.", values=values
    )


NO_SCALE = "This recording has no scale, so its strength cannot be held against anything."
HEARD = (
    "Sound has no scale: how far the line stands out of the noise beside it counts as its strength, over the range "
    "of scales that there may be, and together with the other lines."
)


def own_weights(case: Case) -> tuple[float, float] | None:
    """Log weight of the own line's strength, and of its higher orders, against everything healthy; not tempered.

    None where the recording has no scale: then they are judged together, over all scales.
    """
    if case.relative:
        return None
    healthy = [c.healthy for c in case.candidates]
    sound = ["healthy"] * len(healthy)
    roles = [role_of(case.candidates, case.index, other) for other in range(len(healthy))]
    own = higher = 0.0
    for line in case.hypothesis.lines:
        if any(roles[m] != "healthy" for m in line.members):
            gain = float((line.evidence(healthy, roles) - line.evidence(healthy, sound))[0])
            if case.index in line.members:
                own += gain
            else:
                higher += gain
    return own, higher


def strength_said(case: Case, weight: float | None) -> Said:
    """Strength against what a healthy vehicle has and what a complaint starts at."""
    suspect, prior = case.suspect, case.candidate.healthy
    if case.relative:
        return 0, Finding("strength", HEARD if prior.overtone_mps2 else NO_SCALE)
    low, high = (
        PEAK * prior.median_mps2 * float(np.exp(z * NINETEEN_IN_TWENTY * prior.log_sd)) for z in (-1.0, 1.0)
    )
    own = next(iter(readings_of(case.hypothesis.lines, case.index)), None)
    complaint = PEAK * complaint_from(0.0 if own is None else own.band_noise_rms)
    values = (
        ("amplitude", suspect.amplitude),
        ("healthy_low", low),
        ("healthy_high", high),
        ("healthy_presence", prior.presence),
        ("share_of_healthy_below", _share_below(suspect.amplitude, PEAK * prior.median_mps2, prior.log_sd)),
        ("complaint_from", complaint),
    )
    lead, verdict = _how_strong(case, high, complaint)
    sentence = (
        f"{lead} In {100 * prior.presence:.0f} of 100 healthy vehicles this line shows at all, then mostly with "
        f"{two_digits(low)} to {size(high, suspect.unit)}; complaints begin near {two_digits(complaint)} and reach "
        f"{size(PEAK * COMPLAINT_UP_TO_MPS2, suspect.unit)}{verdict}."
    )
    side = 1 if suspect.amplitude > complaint else -1
    if weight is not None and abs(weight) > WORTH_A_WORD:
        side = 1 if weight > 0 else -1
    return side, Finding("strength", sentence, weight, values)


def _how_strong(case: Case, healthy_high: float, complaint: float) -> tuple[str, str]:
    """The strength as read, and what it amounts to."""
    amplitude, unit = case.suspect.amplitude, case.suspect.unit
    if not _stands(case.hypothesis, case.index):
        rest = (
            f"what else is there has {size(amplitude, unit)} peak"
            if amplitude
            else "nothing rises over the noise"
        )
        return f"No line of its own stands; {rest}.", ""
    if amplitude > complaint:
        return f"{size(amplitude, unit)} peak.", ": strong enough to be complained of"
    if amplitude > healthy_high:
        return f"{size(amplitude, unit)} peak.", ": more than usual, but too weak for a complaint"
    return f"{size(amplitude, unit)} peak.", ": no stronger than in healthy vehicles"


def follow_case(case: Case, order: float) -> Followed | None:
    """The order followed along the course, solved for together with the lines that cross it."""
    turns, held = case.turns_of(order), case.held(order)
    found = follow(case.samples, case.rate_hz, turns, held, _crossing(case, order, held))
    if found is None:
        return None
    clear = ~_occupied(case, order, held)
    alone = np.interp(found.times_s, case.times_s, clear.astype(float)) > 0.5
    if alone[found.held].mean() < LEAST_ALONE:
        alone = np.ones_like(alone)
    return replace(found, held=found.held & alone)


def orders_of(case: Case) -> tuple[OrderStrength, ...]:
    """Strength of every order of the part along the fitted course."""
    out = []
    moving = case.held(case.candidate.order)
    for order in case.orders():
        held = case.held(order)
        rate = (case.wheel_hz * case.per_wheel * order)[case.per_wheel > 0]
        frequency = float(np.median(rate)) if rate.size else 0.0
        readable = held.sum() > READABLE_SHARE * max(int(moving.sum()), 1)
        found = follow_case(case, order) if readable else None
        strength = None if found is None else found.over()
        shared = _sharing(case, order, held)
        is_folded = frequency > 0.5 * case.sensor_hz
        if strength is None:
            out.append(OrderStrength(order, frequency, 0.0, 0.0, 0.0, -20.0, False, False, is_folded, shared))
            continue
        out.append(
            OrderStrength(
                order,
                frequency,
                strength.amplitude,
                strength.standard_error,
                strength.noise,
                strength.snr_db,
                strength.stands,
                True,
                is_folded,
                shared,
            )
        )
    return tuple(out)


def harmonics_said(case: Case, orders: Sequence[OrderStrength], weight: float | None) -> Said:
    """Which other orders of the part are there, and how strong."""
    own = case.candidate.order
    unit = case.suspect.unit
    others = [o for o in orders if o.order != own]
    if not others:
        return 0, Finding("harmonics", "This part has no other orders in the catalogue.")
    seen = [o for o in others if o.seen]
    missing = [o for o in others if o.readable and not o.seen]
    blind = [o for o in others if not o.readable]
    name = part_text(case.candidate.part)
    also = "; ".join(_order(o, unit) for o in seen)
    parts = [f"The {name} also shows {also}." if seen else f"The {name} shows no other order clearly."]
    if missing:
        limits = ", ".join(
            f"{order_text(o.order)} (under {size(o.amplitude + 2.0 * o.standard_error, unit)})"
            for o in missing
        )
        parts.append(f"Not seen: {limits}.")
    if blind:
        parts.append(f"Outside what this recording shows: {', '.join(order_text(o.order) for o in blind)}.")
    values = tuple((f"amplitude_{o.order:g}", o.amplitude) for o in others if o.readable)
    side = 0 if weight is None or abs(weight) < WORTH_A_WORD else 1 if weight > 0 else -1
    return side, Finding("harmonics", " ".join(parts), weight, values)


def folding_said(case: Case) -> Said:
    """Whether the line is seen at its own place or as a mirror image."""
    at = case.suspect.frequency_hz or expected_hz(case.hypothesis, case.index)
    if at is None:
        return 0, Finding("folding", "Where it would show is not known.")
    half = 0.5 * case.sensor_hz
    if at < half:
        return 0, Finding(
            "folding", f"Seen at its own frequency, not folded: {hz(at)} lies below {hz(half)}, half the sample rate.",
            values=(("frequency_hz", at), ("half_rate_hz", half)),
        )  # fmt: skip
    seen = float(folded(np.array([at]), case.sensor_hz)[0])
    return (-1 if _stands(case.hypothesis, case.index) else 0), Finding(
        "folding",
        f"Folded: {hz(at)} lies above {hz(half)}, half the sample rate, and shows as its mirror image at {hz(seen)}; "
        "whatever truly turns at that rate looks the same. A sensor set faster tells.",
        values=(("frequency_hz", at), ("half_rate_hz", half), ("shows_at_hz", seen)),
    )


def _order(one: OrderStrength, unit: str) -> str:
    shared = f", shared with {' and '.join(one.shared_with)}" if one.shared_with else ""
    fold = ", folded" if one.folded else ""
    scale = " m/s²" if unit == "m/s^2" else ""
    return (
        f"{order_text(one.order)} at {hz(one.frequency_hz)} with "
        f"{plus_minus(one.amplitude, one.standard_error)}{scale} ({one.snr_db:.0f} dB over noise{fold}{shared})"
    )


def _share_below(amplitude: float, median: float, log_sd: float) -> float:
    """Share of healthy vehicles, among those that show the line, with a weaker one (log-normal)."""
    from scipy.special import ndtr

    return float(ndtr(np.log(max(amplitude, 1e-9) / median) / log_sd))


def _paths(case: Case, order: float) -> list[tuple[int, FloatArray]]:
    """Frequency path of every other part's line at the samples, 0 where it has no rate."""
    out = []
    for other, candidate in enumerate(case.candidates):
        same = candidate.part == case.candidate.part and abs(candidate.order - order) < 1e-6
        if other != case.index and not same:
            path = case.wheel_hz * multiple_at(case.hypothesis, other, case.times_s)
            out.append((other, path))
    return out


def _near(case: Case, order: float, path: FloatArray, held: BoolArray) -> float:
    """Share of the held time in which a path runs within reach of the order, as seen (folded)."""
    own = folded(case.wheel_hz * case.per_wheel * order, case.sensor_hz)
    close = (np.abs(folded(path, case.sensor_hz) - own) < COINCIDE_HZ) & (path > 0)
    return float(close[held].mean()) if held.any() else 0.0


def _sharing(case: Case, order: float, held: BoolArray) -> tuple[str, ...]:
    """Lines of other parts that run on this order most of the time and stand."""
    names = []
    for other, path in _paths(case, order):
        if _near(case, order, path, held) > 0.5 and _stands(case.hypothesis, other):
            names.append(
                f"{part_text(case.candidates[other].part)} {order_text(case.candidates[other].order)}"
            )
    return tuple(dict.fromkeys(names))


def _occupied(case: Case, order: float, held: BoolArray) -> BoolArray:
    """Samples at which a standing line of another part runs on this order [shape (n,)]."""
    own = folded(case.wheel_hz * case.per_wheel * order, case.sensor_hz)
    out = np.zeros(held.size, bool)
    for other, path in _paths(case, order):
        if _near(case, order, path, held) > CROSSES_UP_TO and _stands(case.hypothesis, other):
            out |= (np.abs(folded(path, case.sensor_hz) - own) < TRACKER_REACH_HZ) & (path > 0)
    return out


def _crossing(case: Case, order: float, held: BoolArray) -> list[FloatArray]:
    """Phases of standing lines of other parts that cross this order for a part of the time."""
    out: list[FloatArray] = []
    own = case.turns_of(order)
    for other, path in _paths(case, order):
        share = _near(case, order, path, held)
        if not CROSSES_FROM < share <= CROSSES_UP_TO or not _stands(case.hypothesis, other):
            continue
        multiple = multiple_at(case.hypothesis, other, case.times_s)
        turns = np.cumsum(multiple * np.diff(case.wheel_turns, prepend=case.wheel_turns[0]))
        apart = [np.ptp((turns - known)[held]) for known in (own, *out)]
        if min(apart) > LEAST_APART_TURNS:
            out.append(np.asarray(turns, float))
    return out[:MOST_RIVALS]


def _stands(hypothesis: Hypothesis, index: int) -> bool:
    return any(reading.best > STANDS for reading in readings_of(hypothesis.lines, index))
