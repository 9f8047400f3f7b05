"""A part that turns at a known rate outside a vehicle: its orders, and which lines are none of them."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibeorder.errors import SpeedError
from vibeorder.spectrum.coherent import CoherentOrder, coherent_order
from vibeorder.spectrum.lines import Line, find_lines
from vibeorder.units import counted

__all__ = ["ORDERS", "RATE_REACH", "NamedLine", "OrderRow", "Turning", "turning_orders"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

ORDERS = (0.5, 1.0, 1.5, 2.0, 3.0, 4.0, 6.0)
"""Half orders are a four-stroke engine's, which fires once in two turns."""

RATE_REACH = 0.03
"""How far the true rate may lie from the one given: a tachometer or a name plate is right to a few percent
(common practice, no source)."""

RATE_STEP, RATE_WIDTH = 1e-4, 0.002
# A line counts by its height over the noise, but none for more than this, so that two agree against one.
MOST_DB = 30.0
# Lines that keep step agree within this; an order's line is looked for up to HIGHEST_ORDER.
TOLERANCE = 0.003
HIGHEST_ORDER, HIGHEST_HALF_ORDER, HIGHEST_FOLDED = 40, 10, 6
# However loosely it is measured, a line off by more than this share of the rate is no order.
MOST_OFF = 0.1
BLOCK_TURNS, LEAST_BLOCK_TURNS = 16.0, 4.0
# Marks off by more than this share of a turn were missed or doubled.
MARK_SLIP = 0.3


@dataclass(frozen=True, slots=True)
class OrderRow:
    """One order of the part.

    amplitude, amplitude_se: vector peak over the axes. With a mark it is the mean vector's, which holds only
    what keeps its phase to the mark; else rms over blocks of 16 turns.
    snr_db: its power over noise in a block. axis_amplitudes, axis_amplitude_se: peak on each axis.
    phases_deg, phases_se_deg: on each axis, by which its maximum leads the mark, in degrees of the order's
    own cycle (x = A cos(2 pi order turns + phase)); empty without a mark.
    seen: amplitude over 3 standard errors and over the noise.
    """

    order: float
    frequency_hz: float
    amplitude: float
    amplitude_se: float
    snr_db: float
    seen: bool
    axis_amplitudes: tuple[float, ...]
    axis_amplitude_se: tuple[float, ...]
    phases_deg: tuple[float, ...] = ()
    phases_se_deg: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class NamedLine:
    """A line of the spectrum and the order it is, or None where it fits none (fixed, or another part).

    times_rate: its frequency over the rate of turn, as measured. folded: it shows as its mirror image.
    """

    line: Line
    order: float | None
    times_rate: float
    folded: bool = False


@dataclass(frozen=True, slots=True)
class Turning:
    """What a part turning at a known rate shows.

    rate_hz, rate_se_hz: turns per second, fitted; given_hz: as told, None where the mark gave it.
    confirmed: lines the fit stands on; 1 may be a fixed frequency as well. notes: what was found and assumed.
    """

    rate_hz: float
    rate_se_hz: float
    given_hz: float | None
    marked: bool
    confirmed: int
    orders: tuple[OrderRow, ...]
    lines: tuple[NamedLine, ...]
    notes: tuple[str, ...]


def turning_orders(
    samples: FloatArray,
    valid: BoolArray,
    rate_hz: float,
    *,
    turn_rate_hz: float | None = None,
    mark_times_s: FloatArray | None = None,
    orders: Sequence[float] = ORDERS,
) -> Turning:
    """Orders and lines of a part that turns at `turn_rate_hz`, or once between two marks.

    samples: [shape (c, n)]; valid: [shape (n,)]; rate_hz: samples a second. mark_times_s: seconds from sample
    0 of each turn's mark; it wins over turn_rate_hz, and alone gives phases. Without it, the true rate is
    fitted within 3% of the one given: the rate at which most of the strong lines are orders, then

        rate = sum_l k_l f_l / s_l^2 / sum_l k_l^2 / s_l^2     over the lines f_l of order k_l, error s_l.

    Raises SpeedError where there is neither a rate nor a usable mark, or too few turns.
    """
    lines = find_lines(samples, valid, rate_hz, min_hz=0.5)
    notes: list[str] = []
    if mark_times_s is not None and mark_times_s.size:
        turns, inside, rate, rate_se = _by_mark(mark_times_s, valid.size, rate_hz, notes)
        confirmed, marked = 0, True
    elif turn_rate_hz is not None:
        rate, rate_se, confirmed = _by_lines(lines, turn_rate_hz, valid.size / rate_hz, notes)
        turns = np.arange(valid.size, dtype=np.float64) * (rate / rate_hz)
        inside, marked = np.ones(valid.size, np.bool_), False
    else:
        raise SpeedError(
            "neither a rate of turn nor a mark: give the rate, or the column of a once-a-turn mark"
        )
    rows = _rows(samples, valid & inside, rate_hz, turns, rate, orders, marked, notes)
    # Where nothing keeps to the rate, it is known too loosely to call any line an order of it.
    known = marked or confirmed > 0
    named = tuple(
        _named(line, rate, rate_se, rate_hz, valid.size / rate_hz)
        if known
        else NamedLine(line, None, line.frequency_hz / rate)
        for line in lines
    )
    return Turning(rate, rate_se, turn_rate_hz, marked, confirmed, rows, named, tuple(notes))


def _by_mark(
    marks: FloatArray, count: int, rate_hz: float, notes: list[str]
) -> tuple[FloatArray, BoolArray, float, float]:
    """Turns at each sample (0 at the first mark), where marks surround it, mean rate and its error."""
    marks = np.sort(marks)
    if marks.size < 5:
        raise SpeedError(f"the mark column holds {counted(marks.size, 'turn')}; phases need five or more")
    period = float(np.median(np.diff(marks)))
    kept = np.concatenate(([True], np.diff(marks) > 0.5 * period))
    passed = np.concatenate(([0.0], np.round(np.diff(marks[kept]) / period)))
    whole = np.cumsum(passed)
    lost, extra = int(np.sum(passed[1:] - 1)), int(np.sum(~kept))
    if lost or extra:
        notes.append(f"marks mended by their even spacing: {lost} missed, {extra} doubled")
    times = marks[kept]
    slip = np.abs(np.diff(times) / period - passed[1:])
    if np.mean(slip > MARK_SLIP) > 0.1:
        raise SpeedError("the marks come at uneven times: not once a turn, or the wrong column is read")
    at = np.arange(count) / rate_hz
    rate = float(whole[-1] / (times[-1] - times[0]))
    rate_se = float(np.sqrt(2.0 / 12.0) / rate_hz * rate / (times[-1] - times[0]))
    # A mark is read to a sample; a smooth course through all of them is better than each, where it fits.
    middle, half = 0.5 * (times[0] + times[-1]), 0.5 * (times[-1] - times[0])
    course = np.polynomial.Polynomial.fit(
        times, whole, min(3, times.size - 2), domain=[middle - half, middle + half]
    )
    off = float(np.sqrt(np.mean((course(times) - whole) ** 2)))
    smooth = off < 0.6 / rate_hz * rate
    turns = np.asarray(course(at) if smooth else np.interp(at, times, whole), dtype=np.float64)
    inside = (at >= times[0]) & (at <= times[-1])
    turns = np.where(
        at < times[0], np.minimum(turns, 0.0), np.where(at > times[-1], np.maximum(turns, whole[-1]), turns)
    )
    return np.maximum.accumulate(turns), np.asarray(inside, dtype=np.bool_), rate, rate_se


def _by_lines(
    lines: Sequence[Line], given_hz: float, seconds: float, notes: list[str]
) -> tuple[float, float, int]:
    """The rate near the one given on which the lines agree, its error, and how many lines those are."""
    if not np.isfinite(given_hz) or given_hz <= 0.0:
        raise SpeedError(f"a rate of turn is above zero, not {given_hz:g} turns a second")
    rates = given_hz * np.arange(1.0 - RATE_REACH, 1.0 + RATE_REACH + RATE_STEP / 2, RATE_STEP)
    weight = np.array([min(max(line.snr_db, 0.0), MOST_DB) for line in lines])
    score = np.zeros(rates.size)
    for w, line in zip(weight, lines, strict=True):
        off = (line.frequency_hz / (rates[:, None] * np.array(ORDERS)) - 1.0) / RATE_WIDTH
        halves = np.where(np.array(ORDERS) % 1.0 == 0.0, 1.0, 0.5)
        score += w * (np.exp(-0.5 * off**2) * halves).max(axis=1)
    best = float(rates[score.argmax()])
    matched = [
        (k, line) for line in lines for k in ORDERS if abs(line.frequency_hz / (k * best) - 1.0) < TOLERANCE
    ]
    if not matched:
        notes.append("no line keeps to the given rate: it is used as it is, and may be off")
        return given_hz, RATE_REACH * given_hz / 2.0, 0
    k = np.array([order for order, _ in matched])
    f = np.array([line.frequency_hz for _, line in matched])
    # A line is not trusted beyond a twentieth of what the record resolves.
    error = np.array([np.hypot(line.frequency_se_hz, 0.05 / seconds) for _, line in matched])
    rate = float(np.sum(k * f / error**2) / np.sum(k**2 / error**2))
    spread = float(np.sqrt(np.sum(((f - k * rate) / error) ** 2) / max(len(matched) - 1, 1)))
    rate_se = float(max(1.0, spread) / np.sqrt(np.sum(k**2 / error**2)))
    if len(matched) == 1:
        notes.append(
            f"one line alone agrees with the given rate, {f[0]:.2f} Hz as {k[0]:g}x: a fixed frequency "
            "would too; run it at another rate and see whether the line moves"
        )
    return rate, rate_se, len(matched)


def _rows(
    samples: FloatArray, valid: BoolArray, rate_hz: float, turns: FloatArray, rate: float,
    orders: Sequence[float], marked: bool, notes: list[str],
) -> tuple[OrderRow, ...]:  # fmt: skip
    turned = float(turns[valid][-1] - turns[valid][0]) if valid.any() else 0.0
    block = min(BLOCK_TURNS, turned / 3.0)
    if block < LEAST_BLOCK_TURNS:
        raise SpeedError(
            f"the part makes {turned:.1f} turns in this recording; "
            f"{3 * LEAST_BLOCK_TURNS:.0f} or more are needed"
        )
    shown = [order for order in orders if order * rate < 0.48 * rate_hz]
    if len(shown) < len(orders):
        notes.append(
            f"orders above {0.48 * rate_hz / rate:.1f}x lie above half the sample rate and are left out"
        )
    found = [coherent_order(samples, rate_hz, turns, order, block, valid) for order in shown]
    return tuple(_row(one, rate, marked) for one in found)


def _row(one: CoherentOrder, rate: float, marked: bool) -> OrderRow:
    power = np.maximum((np.abs(one.blocks) ** 2).mean(axis=0) - one.noise.mean(axis=0), 0.0)
    each = np.abs(one.mean) if marked else np.sqrt(power)
    total = float(np.sqrt(np.sum(each**2))) if marked else one.amplitude
    # Only the part of the noise along the vector changes its length.
    along = np.sqrt(np.sum((each * one.mean_se) ** 2)) / max(total, 1e-300)
    error = float(along) if marked else one.amplitude_se
    snr_db = 10.0 * float(np.log10(np.clip(one.snr, 1e-3, 1e15)))
    phases = tuple(float(p) for p in np.degrees(np.angle(one.mean))) if marked else ()
    doubt = np.degrees(np.minimum(one.mean_se / np.maximum(each, 1e-300), np.pi))
    return OrderRow(
        order=one.order,
        frequency_hz=one.order * rate,
        amplitude=total,
        amplitude_se=error,
        snr_db=snr_db,
        seen=total > 3.0 * error and snr_db > 0.0,
        axis_amplitudes=tuple(float(a) for a in each),
        axis_amplitude_se=tuple(float(s) for s in one.mean_se),
        phases_deg=phases,
        phases_se_deg=tuple(float(d) for d in doubt) if marked else (),
    )


def _named(line: Line, rate: float, rate_se: float, sample_hz: float, seconds: float) -> NamedLine:
    """The order that a line is: the nearest whole one, up to 10 the half ones too, then folded ones."""
    times = line.frequency_hz / rate
    whole = np.arange(1.0, HIGHEST_ORDER + 1.0)
    orders = np.concatenate((whole, np.arange(0.5, HIGHEST_HALF_ORDER, 1.0)))
    order = _nearest(line, orders, orders * rate, rate, rate_se, seconds)
    if order is not None:
        return NamedLine(line, order, times)
    above = whole[:HIGHEST_FOLDED][whole[:HIGHEST_FOLDED] * rate > sample_hz / 2.0]
    images = np.abs(above * rate - sample_hz * np.round(above * rate / sample_hz))
    order = _nearest(line, above, images, rate, rate_se, seconds)
    return NamedLine(line, order, times, folded=order is not None)


def _nearest(
    line: Line, orders: FloatArray, frequencies_hz: FloatArray, rate: float, rate_se: float, seconds: float
) -> float | None:
    if orders.size == 0:
        return None
    off = np.abs(line.frequency_hz - frequencies_hz)
    at = int(off.argmin())
    measured = np.hypot(line.frequency_se_hz, orders[at] * rate_se)
    allowed = min(max(3.0 * float(measured), 0.5 / seconds), MOST_OFF * rate)
    return float(orders[at]) if off[at] <= allowed else None
