"""The strongest moving line of a recording without a speed, as a phase: whatever part it may belong to.

Every frame is dechirped by every slope that a drive allows, so that a line stays sharp while it sweeps; the best
course through (frequency, slope) follows by dynamic programming, with and without one jump such as a gear
change makes; a phase lock makes it a phase. A line above half the sample rate is looked for at its folded place.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.floor import Floor
from vibeorder.diagnosis.locking import locked_phase
from vibeorder.diagnosis.signal import Signal, folded
from vibeorder.spectrum.baseband import demodulate

__all__ = ["Ridge", "find_ridges"]

FloatArray = NDArray[np.float64]
F32 = NDArray[np.float32]
IntArray = NDArray[np.intp]

FRAME_S, HOP_S = 3.0, 1.0
LOWEST_HZ, HIGHEST_HZ = 4.0, 240.0
CELL = 0.005
"""Width of a cell in ln(frequency)."""

SLOPES = np.arange(-16, 17)
"""Cells per frame: up to 8% a second, a hard acceleration or braking."""

CHIRP_STEP_HZ_S, CHIRP_MOST_HZ_S = 0.25, 9.0
BEND = (0.0, 1.2, 3.5)
"""Cost of changing the slope by 0, 1, 2 cells from frame to frame."""

JUMP_COST = 10.0
FRAME_CAP = 20.0
IMPOSSIBLE = -0.6
FOLDED_COST = 0.02
"""All else equal, a line is taken as not folded."""

MOST_RIDGES = 2
HIDE_SHARE = 0.03
"""A second ridge is looked for with this much about the first one hidden."""


@dataclass(frozen=True, slots=True)
class Ridge:
    """One line. turns: its phase at the sample instants [shape (n,)]; mid_s, frequency_hz: at the frames.

    jump_s, jump: when its frequency jumped and by which factor, or None. total: log evidence of its course.
    """

    turns: FloatArray
    mid_s: FloatArray
    frequency_hz: FloatArray
    jump_s: float | None
    jump: float
    total: float


def find_ridges(signal: Signal, floor: Floor, jump_factors: Sequence[float]) -> list[Ridge]:
    """The strongest lines, best first; each also with one jump where that fits better.

    jump_factors: factors by which a gear change may move an engine's line.
    """
    cells = np.exp(np.arange(np.log(LOWEST_HZ), np.log(min(HIGHEST_HZ, 1.2 * signal.rate_hz)), CELL))
    table, mid_s = _dechirped(signal, floor)
    score = _scores(table, signal, cells)
    shifts = sorted({round(float(np.log(j)) / CELL) + d for j in jump_factors for d in (-1, 0, 1)})
    ridges: list[Ridge] = []
    for _ in range(MOST_RIDGES):
        courses = _best_courses(score, shifts)
        for path, hops, total in courses:
            ridges.append(_as_ridge(signal, cells[path], mid_s, hops, total))
        score = _hidden(score, cells, cells[courses[0][0]], signal.rate_hz)
    return sorted(ridges, key=lambda r: -r.total)


def _dechirped(signal: Signal, floor: Floor) -> tuple[F32, FloatArray]:
    """Whitened power [shape (frames, chirps, bins)] of every frame times exp(-i pi chirp u^2)."""
    rate = signal.rate_hz
    size = min(signal.samples.shape[1], round(FRAME_S * rate))
    first = np.arange(0, signal.samples.shape[1] - size + 1, round(HOP_S * rate))
    u = (np.arange(size) - 0.5 * size) / rate
    window = np.sin(np.pi * (np.arange(size) + 0.5) / size) ** 2
    chirps = np.arange(-CHIRP_MOST_HZ_S, CHIRP_MOST_HZ_S + 1e-9, CHIRP_STEP_HZ_S)
    kernel = (np.exp(-1j * np.pi * chirps[:, None] * u**2) * window).astype(np.complex64)
    bins = size // 2 + 1
    shape = floor.at(np.asarray(np.fft.rfftfreq(size, 1.0 / rate), float))
    table = np.empty((first.size, chirps.size, bins), np.float32)
    for i, s in enumerate(first):
        spectra = np.fft.fft(signal.samples[:, None, s : s + size] * kernel, axis=-1)[..., :bins]
        power = (spectra.real**2 + spectra.imag**2) / shape
        level = np.median(power[:, :, 4:], axis=(1, 2), keepdims=True) / np.log(2.0) + 1e-20
        table[i] = (power / level).sum(axis=0) * bool(signal.valid[s : s + size].mean() > 0.6)
    return table, first / rate + 0.5 * FRAME_S


def _scores(table: F32, signal: Signal, cells: FloatArray) -> F32:
    """Bounded log evidence [shape (frames, cells, slopes)]."""
    rate = signal.rate_hz
    zone = np.round(cells / rate)
    seen = np.abs(cells - rate * zone)
    sign = np.where(cells >= rate * zone, 1.0, -1.0)
    spacing = rate / (2.0 * (table.shape[2] - 1))
    index = np.clip(np.round(seen / spacing).astype(int), 0, table.shape[2] - 1)
    chirp = np.round(
        (sign[:, None] * cells[:, None] * SLOPES * CELL / HOP_S + CHIRP_MOST_HZ_S) / CHIRP_STEP_HZ_S
    )
    possible = (chirp >= 0) & (chirp < table.shape[1])
    chirp = np.clip(chirp, 0, table.shape[1] - 1).astype(int)
    wide = np.maximum(table, np.maximum(np.roll(table, 1, axis=2), np.roll(table, -1, axis=2)))
    use = np.where((cells * CELL > spacing)[:, None, None], 1, 0)[:, :, 0]
    found = np.where(use[None, :, :] > 0, wide[:, chirp, index[:, None]], table[:, chirp, index[:, None]])
    score = _bounded(found, signal.samples.shape[0])
    score[:, ~possible] = IMPOSSIBLE
    score[:, (seen < LOWEST_HZ) | (seen > 0.5 * rate - 1.0)] = 0.0
    score[:, cells > 0.5 * rate] -= FOLDED_COST
    return score


_STEPS = np.linspace(0.0, 400.0, 1601)
_RATIOS = np.exp(np.linspace(0.0, np.log(1000.0), 20))
STANDS_OUT = 0.03
"""Share of cells and slopes in which the ridge is: its strength is anything, frame by frame."""


def _bounded(found: FloatArray, channels: int) -> F32:
    """Bounded log evidence of single frames against power over noise, whatever the line's strength."""
    per_ratio = -channels * np.log1p(_RATIOS) + _STEPS[:, None] * _RATIOS / (1.0 + _RATIOS)
    seen = np.logaddexp.reduce(per_ratio, axis=1) - np.log(_RATIOS.size)
    table = np.minimum(np.logaddexp(np.log(1.0 - STANDS_OUT), np.log(STANDS_OUT) + seen), FRAME_CAP)
    return np.asarray(np.interp(found, _STEPS, table), np.float32)


def _best_courses(score: F32, shifts: Sequence[int]) -> list[tuple[IntArray, list[int], float]]:
    """Best course without a jump, and with exactly one: (cells, jump frames, total)."""
    frames, cells, slopes = score.shape
    layers = 2 if shifts else 1
    value = [score[0].copy(), np.full_like(score[0], -1e9)]
    back = np.empty((layers, frames, cells, slopes), np.int32)
    code = np.arange(cells, dtype=np.int32)[:, None] * slopes
    for t in range(1, frames):
        moved = [_step(value[layer], code) for layer in range(layers)]
        if layers == 2:
            moved[1] = _with_jumps(moved[0], moved[1], shifts)
        for layer in range(layers):
            value[layer] = moved[layer][0] + score[t]
            back[layer, t] = moved[layer][1]
    return [_traced(value[layer], back, layer, slopes) for layer in range(layers)]


def _step(value: F32, code: NDArray[np.int32]) -> tuple[F32, NDArray[np.int32]]:
    cells, slopes = value.shape
    best = value.copy()
    source = np.broadcast_to(np.arange(slopes, dtype=np.int32), value.shape).copy()
    for d in (-2, -1, 1, 2):
        to, at = (slice(d, None), slice(None, -d)) if d > 0 else (slice(None, d), slice(-d, None))
        moved = value[:, at] - BEND[abs(d)]
        better = moved > best[:, to]
        best[:, to][better] = moved[better]
        source[:, to][better] = np.broadcast_to(np.arange(slopes, dtype=np.int32)[at], moved.shape)[better]
    origin = code + source
    out = np.full_like(value, -1e9)
    back = np.zeros(value.shape, np.int32)
    for j, s in enumerate(SLOPES):
        to, at = (slice(s, None), slice(None, cells - s)) if s >= 0 else (slice(None, s), slice(-s, None))
        out[to, j] = best[at, j]
        back[to, j] = origin[at, j]
    return out, back


def _with_jumps(
    plain: tuple[F32, NDArray[np.int32]], jumped: tuple[F32, NDArray[np.int32]], shifts: Sequence[int]
) -> tuple[F32, NDArray[np.int32]]:
    """The layer after the jump: reached by moving on in it, or by jumping now (coded as negative)."""
    out, back = jumped[0].copy(), jumped[1].copy()
    cells = out.shape[0]
    for s in shifts:
        if s == 0 or abs(s) >= cells:
            continue
        to, at = (slice(s, None), slice(None, cells - s)) if s > 0 else (slice(None, s), slice(-s, None))
        moved = plain[0][at] - JUMP_COST
        better = moved > out[to]
        out[to][better] = moved[better]
        back[to][better] = -plain[1][at][better] - 1
    return out, back


def _traced(
    value: F32, back: NDArray[np.int32], layer: int, slopes: int
) -> tuple[IntArray, list[int], float]:
    state = int(value.argmax())
    path, hops = [state], []
    for t in range(back.shape[1] - 1, 0, -1):
        before = int(back[layer, t].ravel()[path[-1]])
        if before < 0:
            hops.append(t)
            layer, before = 0, -before - 1
        path.append(before)
    return np.array(path[::-1]) // slopes, hops, float(value.max())


def _as_ridge(signal: Signal, course: FloatArray, mid_s: FloatArray, hops: list[int], total: float) -> Ridge:
    """Smooth the course (not across its jump) and lock it on the line's phase."""
    log_f = np.log(course)
    parts = np.split(np.arange(course.size), hops)
    smooth = np.concatenate([_smooth(log_f[p]) for p in parts])
    times = np.arange(signal.samples.shape[1]) / signal.rate_hz
    log_at = np.interp(times, mid_s, smooth)
    jump_s, jump = None, 1.0
    if hops:
        jump_s = float(0.5 * (mid_s[hops[0] - 1] + mid_s[hops[0]]))
        jump = float(np.exp(smooth[hops[0]] - smooth[hops[0] - 1]))
        before, after = parts
        left = np.interp(times, mid_s[before], smooth[before])
        right = np.interp(times, mid_s[after], smooth[after])
        log_at = np.where(times < jump_s, left, right)
    rate = np.exp(log_at)
    turns = np.concatenate([[0.0], np.cumsum(0.5 * (rate[1:] + rate[:-1])) / signal.rate_hz])
    typical = float(np.median(rate))
    band = demodulate(signal.samples, signal.valid, signal.rate_hz, turns, 24.0)
    further = locked_phase(band, np.zeros(band.z.shape[1]), typical)
    turns = turns + np.interp(times, band.times_s, further)
    frequency = np.interp(mid_s, times, np.gradient(turns) * signal.rate_hz)
    return Ridge(
        turns,
        mid_s,
        np.where(frequency > 0.3 * np.exp(smooth), frequency, np.exp(smooth)),
        jump_s,
        jump,
        total,
    )


def _smooth(values: FloatArray) -> FloatArray:
    if values.size < 5:
        return values
    return np.convolve(np.pad(values, 2, mode="edge"), [0.1, 0.2, 0.4, 0.2, 0.1], mode="valid")


def _hidden(score: F32, cells: FloatArray, course: FloatArray, rate_hz: float) -> F32:
    out = score.copy()
    seen = folded(cells, rate_hz)
    for t, f in enumerate(course):
        at = float(folded(np.array([f]), rate_hz)[0])
        out[t, np.abs(seen - at) < max(1.0, HIDE_SHARE * at)] = 0.0
    return out
