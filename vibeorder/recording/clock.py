"""Jittered, dropped, repeated, backward, late stamps -> a uniform time base, with a report."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibeorder.errors import RecordingError
from vibeorder.recording.bursts import find_bursts
from vibeorder.recording.held import drop_held_rows
from vibeorder.recording.interpolate import band_limited_grid
from vibeorder.recording.lateness import LAG, MANY_EQUAL, Clock, true_instants
from vibeorder.recording.mended import Mended
from vibeorder.recording.model import Quality
from vibeorder.units import counted

__all__ = [
    "SITTING_S",
    "Rows",
    "Uniform",
    "check_grid",
    "gap_limit_s",
    "gap_notes",
    "onto_grid",
    "rate_note",
    "rows_on_clock",
    "set_forward",
    "sittings_note",
    "to_uniform",
]

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
# Where this share of stamps equals the one before, rows that are alike by chance carry one stamp too.
STANDING_SHARE = 0.3


@dataclass(frozen=True, slots=True)
class Uniform:
    """Samples on a uniform base [shape (channels, n)], zero where not valid, with what was found."""

    samples: FloatArray
    valid: BoolArray
    rate_hz: float
    start_s: float
    quality: Quality
    history: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Rows:
    """The rows of a log that are samples, at their true instants: samples [shape (channels, n)].

    written_hz: rows a second as the log was written. sittings: a sentence where the file held several.
    """

    clock: Clock
    samples: FloatArray
    written_hz: float
    mended: Mended
    sittings: tuple[str, ...] = ()


def to_uniform(times_s: FloatArray, samples: FloatArray, source: str) -> Uniform:
    """Brings samples [shape (channels, n)] at stamps times_s [shape (n,)] onto a uniform time base.

    Raises RecordingError where the stamps do not move on, or fewer than two samples remain.
    """
    rows = rows_on_clock(times_s, samples, source)
    clock = rows.clock
    span_s = float(clock.times_s[-1] - clock.times_s[0])
    check_grid(clock.times_s.size, span_s, clock.step_s, source)
    limit_s = gap_limit_s(clock.step_s)
    positions = (clock.times_s - clock.times_s[0]) / clock.step_s
    grid, valid, filled = onto_grid(positions, rows.samples, limit_s / clock.step_s)
    gaps = _gaps(clock, limit_s)
    rate = 1.0 / clock.step_s
    mended = rows.mended
    quality = Quality(
        rate_hz=rate,
        nominal_rate_hz=rows.written_hz,
        jitter=clock.jitter,
        gaps=gaps,
        clipped=mended.clipped,
        repaired=mended.backward + mended.duplicates + filled,
        repeated=mended.held,
    )
    notes = (
        rate_note(rate, clock.jitter, clock.said),
        *mended.clock_notes(),
        *rows.sittings,
        *mended.clip_notes(),
        *gap_notes(gaps, filled),
    )
    return Uniform(grid, valid, rate, float(clock.times_s[0]), quality, notes)


def rows_on_clock(times_s: FloatArray, samples: FloatArray, source: str) -> Rows:
    """Rows of the longest sitting in order, what is written twice taken out, at the instants of sampling.

    Raises RecordingError where the stamps do not move on.
    """
    clipped = _clipped(samples)
    times_s, backward = _forward(times_s)
    times_s, samples, duplicates = _without_duplicates(times_s, samples)
    written_hz = _nominal_rate(times_s, source)
    times_s, samples, held = drop_held_rows(times_s, samples, written_hz)
    times_s, samples, sittings = _longest_sitting(times_s, samples)
    if times_s.size < 2 or not (np.diff(times_s) > 0).any():
        raise RecordingError(
            f"the stamps of {source} lie more than an hour apart or stand still; "
            "--time-column names another column, or --rate gives the rate"
        )
    if _back_and_forth(times_s):
        raise RecordingError(
            f"the stamps of {source} run back and forth and do not move on; "
            "--time-column names another column, or --rate gives the rate"
        )
    mended = backward + held + Mended(duplicates=duplicates, clipped=clipped)
    clock = true_instants(times_s, samples, unreliable=backward.backward > 0 or held.held > 0)
    return Rows(clock, samples, written_hz, mended, tuple(sittings))


def rate_note(rate_hz: float, jitter: float, said: str) -> str:
    """The first thing said of a log's clock."""
    return f"{rate_hz:.5g} Hz, jitter {jitter:.1%} of a step{said}"


def gap_limit_s(step_s: float) -> float:
    """How long a silence is left empty."""
    return max(GAP_STEPS * step_s, GAP_S)


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


def _forward(times_s: FloatArray) -> tuple[FloatArray, Mended]:
    """Stamps that step back are moved forward; rows stay in the order in which they were written."""
    steps = np.diff(times_s)
    backward = int((steps < 0).sum())
    if not backward:
        return times_s, Mended()
    usual = float(np.median(steps[steps > 0])) if (steps > 0).any() else 0.0
    worst = float(-steps.min())
    # A clock set back for good goes on one step later; a short step back is one late stamp among good ones
    # and is smoothed with them.
    reset = steps < -RESET_S
    shift = np.concatenate(([0.0], np.cumsum(np.where(reset, usual - steps, 0.0))))
    return times_s + shift, Mended(backward=backward, back_s=worst)


def _back_and_forth(times_s: FloatArray) -> bool:
    """Whether most rows bear no later a stamp than the one LAG rows before, though stamps do not stand still."""
    if times_s.size <= 3 * LAG or float(np.mean(np.diff(times_s) == 0)) > MANY_EQUAL:
        return False
    return float(np.median(times_s[LAG:] - times_s[:-LAG])) <= 0.0


def _without_duplicates(times_s: FloatArray, samples: FloatArray) -> tuple[FloatArray, FloatArray, int]:
    """Rows written twice, stamp and numbers alike, count once."""
    same = np.zeros(times_s.size, dtype=bool)
    still, alike = np.diff(times_s) == 0, (np.diff(samples, axis=1) == 0).all(axis=0)
    same[1:] = still & alike
    count = int(same.sum())
    if count == 0 or count > 0.5 * times_s.size or _alike_by_chance(still, alike):
        return times_s, samples, 0
    return times_s[~same], samples[:, ~same], count


def _alike_by_chance(still: BoolArray, alike: BoolArray) -> bool:
    """Whether rows of one stamp, many in a burst, are no more often alike than rows of two are."""
    if float(still.mean()) < STANDING_SHARE:
        return False
    share = float(alike[still].mean())
    return share < 0.02 or share < 2.0 * float(alike[~still].mean())


def _nominal_rate(times_s: FloatArray, source: str) -> float:
    """Rows per second as the stamps claim, gaps left out."""
    steps = np.diff(times_s)
    moved = steps[steps > 0]
    if not moved.size:
        raise RecordingError(
            f"the time column of {source} stands still; --time-column names another, or --rate"
        )
    if (bursts := find_bursts(times_s)) is not None:
        return 1.0 / bursts.step_s
    usual = float(np.median(moved))
    near = steps[(steps >= 0) & (steps < 20 * max(usual, 1e-9))]
    return 1.0 / float(near.mean())


def _longest_sitting(times_s: FloatArray, samples: FloatArray) -> tuple[FloatArray, FloatArray, list[str]]:
    cuts = np.flatnonzero(np.diff(times_s) > SITTING_S) + 1
    if not cuts.size:
        return times_s, samples, []
    edges = np.concatenate(([0], cuts, [times_s.size]))
    longest = int(np.argmax(np.diff(edges)))
    piece = slice(edges[longest], edges[longest + 1])
    said = sittings_note(cuts.size + 1, longest + 1, float(times_s[piece][-1] - times_s[piece][0]))
    return times_s[piece], samples[:, piece], [said]


def sittings_note(count: int, used: int, span_s: float) -> str:
    """That a file holds several recordings."""
    return (
        f"the file holds {count} sittings more than an hour apart; the longest, number {used} "
        f"({span_s:.0f} s), is used"
    )


def check_grid(rows: int, span_s: float, step_s: float, source: str) -> None:
    """Refuse stamps under which no logger can have written: they would fill the memory with empty time."""
    if 1.0 / step_s > FASTEST_HZ or span_s / step_s > max(MOST_STEPS_A_ROW * rows, MOST_STEPS):
        raise RecordingError(
            f"{source} has {rows} rows over {span_s:.3g} s, most of them {step_s:.2g} s apart: its stamps are "
            "no clock of a logger; --time-column names another column, or --rate gives the rate"
        )


def onto_grid(
    positions: FloatArray, samples: FloatArray, limit_steps: float
) -> tuple[FloatArray, BoolArray, int]:
    """Uniform samples at 0, 1, ... steps, their validity, and how many grid points no sample stood near.

    positions: of the samples in steps, rising, the first nearest to 0. Silences beyond limit_steps stay empty.
    """
    count = int(np.floor(positions[-1] + 0.5)) + 1
    out = np.zeros((samples.shape[0], count))
    valid = np.zeros(count, dtype=bool)
    edges = np.flatnonzero(np.diff(positions) > limit_steps) + 1
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


def gap_notes(gaps: tuple[tuple[float, float], ...], filled: int) -> list[str]:
    """Of what was left empty, and of what was filled in."""
    notes = []
    if gaps:
        longest = max(length for _, length in gaps)
        count = f"{len(gaps)} gaps, longest" if len(gaps) > 1 else "1 gap,"
        notes.append(f"{count} {longest:.3g} s, left empty")
    if filled:
        were = "was" if filled == 1 else "were"
        notes.append(f"{counted(filled, 'dropped sample')} {were} filled in from the neighbours")
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
