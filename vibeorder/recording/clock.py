"""Jittered, dropped, repeated, backward, late stamps -> a uniform time base, with a report."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibeorder.errors import RecordingError
from vibeorder.recording.held import drop_held_rows
from vibeorder.recording.interpolate import band_limited_grid
from vibeorder.recording.lateness import Clock, true_instants
from vibeorder.recording.model import Quality

__all__ = ["Uniform", "set_forward", "to_uniform"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

# A dropout of up to five samples lies within the interpolation kernel and is filled from its neighbours;
# longer than that, and than 0.1 s, it is a gap and stays empty.
GAP_STEPS, GAP_S = 5.0, 0.1
RESET_S = 1.0
# Two sittings in one file an hour apart are two recordings.
SITTING_S = 3600.0
# Stamps that stray from an even clock by less than this share of a step need no interpolation.
EVEN_SHARE = 2e-3
# Beyond these no logger's clock has gone: its rate, and the share of its time that holds no row (five million
# steps are three hours at 400 Hz).
FASTEST_HZ = 1e6
MOST_STEPS_A_ROW, MOST_STEPS = 50, 5_000_000
CLIP_MIN, CLIP_SHARE = 8, 2e-4


@dataclass(frozen=True, slots=True)
class Uniform:
    """Samples on a uniform base [shape (channels, n)], zero where not valid, with what was found."""

    samples: FloatArray
    valid: BoolArray
    rate_hz: float
    start_s: float
    quality: Quality
    history: tuple[str, ...]


def to_uniform(times_s: FloatArray, samples: FloatArray, source: str) -> Uniform:
    """Brings samples [shape (channels, n)] at stamps times_s [shape (n,)] onto a uniform time base.

    Raises RecordingError where the stamps do not move on, or fewer than two samples remain.
    """
    notes: list[str] = []
    clipped = _clipped(samples)
    times_s, backward = _forward(times_s, notes)
    times_s, samples, duplicates = _without_duplicates(times_s, samples, notes)
    rows_rate = _nominal_rate(times_s, source)
    times_s, samples, repeated = drop_held_rows(times_s, samples, rows_rate, notes)
    times_s, samples = _longest_sitting(times_s, samples, notes)
    if times_s.size < 2 or not (np.diff(times_s) > 0).any():
        raise RecordingError(
            f"the stamps of {source} lie more than an hour apart or stand still; "
            "--time-column names another column, or --rate gives the rate"
        )
    clock = true_instants(times_s, samples, unreliable=backward > 0 or repeated > 0)
    _check_grid(clock, source)
    limit = max(GAP_STEPS * clock.step_s, GAP_S)
    grid, valid, filled = _onto_grid(clock, samples, limit)
    gaps = _gaps(clock, limit)
    if clipped:
        notes.append(f"{clipped} samples rest at the top or bottom of the range: the sensor was clipped")
    rate = 1.0 / clock.step_s
    quality = Quality(
        rate_hz=rate,
        nominal_rate_hz=rows_rate,
        jitter=clock.jitter,
        gaps=gaps,
        clipped=clipped,
        repaired=backward + duplicates + filled,
        repeated=repeated,
    )
    notes = [
        f"{rate:.5g} Hz, jitter {clock.jitter:.1%} of a step{clock.said}",
        *notes,
        *_gap_notes(gaps, filled),
    ]
    return Uniform(grid, valid, rate, float(clock.times_s[0]), quality, tuple(notes))


def set_forward(times_s: FloatArray) -> tuple[FloatArray, list[str]]:
    """Stamps (NaN where unreadable) of a clock that was set back for good, by more than a second, going on one step
    later; and what was done. Speed, engine speed and marks of the same rows are then on the samples' clock."""
    good = np.isfinite(times_s)
    stamps = times_s[good]
    steps = np.diff(stamps)
    reset = steps < -RESET_S
    if not reset.any():
        return times_s, []
    usual = float(np.median(steps[steps > 0])) if (steps > 0).any() else 0.0
    out = times_s.copy()
    out[good] = stamps + np.concatenate(([0.0], np.cumsum(np.where(reset, usual - steps, 0.0))))
    said = f"{int(reset.sum())} stamps ran backward (by up to {float(-steps.min()):.3g} s)"
    return out, [f"{said}: the clock was set back, and goes on from there"]


def _forward(times_s: FloatArray, notes: list[str]) -> tuple[FloatArray, int]:
    """Stamps that step back are moved forward; rows stay in the order in which they were written."""
    steps = np.diff(times_s)
    backward = int((steps < 0).sum())
    if not backward:
        return times_s, 0
    usual = float(np.median(steps[steps > 0])) if (steps > 0).any() else 0.0
    worst = float(-steps.min())
    # A clock set back for good goes on one step later; a short step back is one late stamp among good ones
    # and is smoothed with them.
    reset = steps < -RESET_S
    shift = np.concatenate(([0.0], np.cumsum(np.where(reset, usual - steps, 0.0))))
    notes.append(f"{backward} stamps ran backward (by up to {worst:.3g} s): the rows are kept in their order")
    return times_s + shift, backward


def _without_duplicates(
    times_s: FloatArray, samples: FloatArray, notes: list[str]
) -> tuple[FloatArray, FloatArray, int]:
    """Rows written twice, stamp and numbers alike, count once."""
    same = np.zeros(times_s.size, dtype=bool)
    same[1:] = (np.diff(times_s) == 0) & (np.diff(samples, axis=1) == 0).all(axis=0)
    count = int(same.sum())
    if count == 0 or count > 0.5 * times_s.size:
        return times_s, samples, 0
    notes.append(f"{count} rows were written twice, stamp and all, and count once")
    return times_s[~same], samples[:, ~same], count


def _nominal_rate(times_s: FloatArray, source: str) -> float:
    """Rows per second as the stamps claim, gaps left out."""
    steps = np.diff(times_s)
    moved = steps[steps > 0]
    if not moved.size:
        raise RecordingError(
            f"the time column of {source} stands still; --time-column names another, or --rate"
        )
    usual = float(np.median(moved))
    near = steps[(steps >= 0) & (steps < 20 * max(usual, 1e-9))]
    return 1.0 / float(near.mean())


def _longest_sitting(
    times_s: FloatArray, samples: FloatArray, notes: list[str]
) -> tuple[FloatArray, FloatArray]:
    cuts = np.flatnonzero(np.diff(times_s) > SITTING_S) + 1
    if not cuts.size:
        return times_s, samples
    edges = np.concatenate(([0], cuts, [times_s.size]))
    longest = int(np.argmax(np.diff(edges)))
    piece = slice(edges[longest], edges[longest + 1])
    notes.append(
        f"the file holds {cuts.size + 1} sittings more than an hour apart; the longest, number {longest + 1} "
        f"({times_s[piece][-1] - times_s[piece][0]:.0f} s), is used"
    )
    return times_s[piece], samples[:, piece]


def _check_grid(clock: Clock, source: str) -> None:
    """Refuse stamps under which no logger can have written: they would fill the memory with empty time."""
    rows, span_s = clock.times_s.size, float(clock.times_s[-1] - clock.times_s[0])
    if 1.0 / clock.step_s > FASTEST_HZ or span_s / clock.step_s > max(MOST_STEPS_A_ROW * rows, MOST_STEPS):
        raise RecordingError(
            f"{source} has {rows} rows over {span_s:.3g} s, most of them {clock.step_s:.2g} s apart: its stamps are "
            "no clock of a logger; --time-column names another column, or --rate gives the rate"
        )


def _onto_grid(clock: Clock, samples: FloatArray, limit_s: float) -> tuple[FloatArray, BoolArray, int]:
    """Uniform samples, their validity, and how many grid points no sample stood near."""
    positions = (clock.times_s - clock.times_s[0]) / clock.step_s
    count = int(np.floor(positions[-1] + 0.5)) + 1
    out = np.zeros((samples.shape[0], count))
    valid = np.zeros(count, dtype=bool)
    edges = np.flatnonzero(np.diff(positions) > limit_s / clock.step_s) + 1
    filled = 0
    for first, last in zip((0, *edges), (*edges, positions.size), strict=True):
        run, values = positions[first:last], samples[:, first:last]
        start = int(np.ceil(run[0] - 0.5))
        stop = min(int(np.floor(run[-1] + 0.5)) + 1, count)
        if stop <= start:
            continue
        out[:, start:stop] = _run_onto_grid(run - start, values, stop - start)
        valid[start:stop] = True
        filled += max(0, stop - start - (last - first))
    return out, valid, filled


def _run_onto_grid(run: FloatArray, values: FloatArray, count: int) -> FloatArray:
    nearest = np.clip(np.rint(run).astype(np.int64), 0, count - 1)
    if count == run.size and float(np.abs(run - np.arange(count)).max()) < EVEN_SHARE:
        return values
    if run.size < 4:
        placed = np.repeat(np.median(values, axis=1)[:, None], count, axis=1)
        placed[:, nearest] = values
        return placed
    rest = np.median(values, axis=1)[:, None]
    return band_limited_grid(run, values - rest, count) + rest


def _gaps(clock: Clock, limit_s: float) -> tuple[tuple[float, float], ...]:
    steps = np.diff(clock.times_s)
    return tuple((float(clock.times_s[i]), float(steps[i])) for i in np.flatnonzero(steps > limit_s))


def _gap_notes(gaps: tuple[tuple[float, float], ...], filled: int) -> list[str]:
    notes = []
    if gaps:
        longest = max(length for _, length in gaps)
        count = f"{len(gaps)} gaps, longest" if len(gaps) > 1 else "1 gap,"
        notes.append(f"{count} {longest:.3g} s, left empty")
    if filled:
        notes.append(f"{filled} dropped samples were filled in from their neighbours")
    return notes


def _clipped(samples: FloatArray) -> int:
    """Samples of flat tops: at the extreme value of an axis, two or more in a row, too many for chance."""
    total = 0
    for channel in samples:
        if np.ptp(channel) == 0:
            continue
        for extreme in (channel.max(), channel.min()):
            at_top = channel == extreme
            flat = at_top & (np.concatenate(([False], at_top[:-1])) | np.concatenate((at_top[1:], [False])))
            count = int(flat.sum())
            if count >= max(CLIP_MIN, CLIP_SHARE * channel.size):
                total += count
    return total
