"""A log too long to be held at once -> a Recording, section by section, in memory that does not grow with it.

What the columns are is told from the first section, as from a short log. Each section's stamps become instants by
themselves; instants and samples wait on disk until the step common to all is known, and go onto the grid in stretches.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import chain, pairwise

import numpy as np
from numpy.typing import NDArray

from vibeorder.errors import RecordingError
from vibeorder.recording.besides import mark_instants
from vibeorder.recording.clock import (
    SITTING_S,
    check_grid,
    gap_limit_s,
    gap_notes,
    onto_grid,
    rate_note,
    rows_on_clock,
    set_forward,
    sittings_note,
)
from vibeorder.recording.clocktext import clock_text_seconds
from vibeorder.recording.decimate import Decimator, decimation_factor
from vibeorder.recording.logs import slow_note, slowed_note
from vibeorder.recording.mended import Mended
from vibeorder.recording.model import Quality, Recording
from vibeorder.recording.options import ReadOptions
from vibeorder.recording.roles import Scale, roles_of, scale_of
from vibeorder.recording.slowcolumns import SlowColumns
from vibeorder.recording.stamps import Stamps
from vibeorder.recording.store import SampleStore, excerpt, spans, stored
from vibeorder.recording.table import Table
from vibeorder.recording.usable import check_largest, usable_rows
from vibeorder.units import counted

__all__ = ["recording_from_sections"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

STRETCH_ROWS = 1 << 16
"""Rows that go onto the grid at a time."""

CONTEXT_ROWS = 64
"""Rows either side of a stretch: interpolation reaches no further (as in `interpolate`)."""

AGREED = 1e-3
"""Sections whose steps differ by less, relative, were logged at one rate."""

DAY_S = 86_400.0


def recording_from_sections(sections: Iterator[Table], options: ReadOptions) -> Recording:
    """Builds the Recording from a log's sections in their order.

    Raises RecordingError as for a short log; what only later sections lack is left out and said.
    """
    first = next(sections)
    gathered = _Gathered(first, options)
    for table in chain((first,), sections):
        gathered.take(table)
    return gathered.recording()


@dataclass(frozen=True, slots=True)
class _Run:
    """Rows that came in one section: how many, from when to when, the step between them and its spread, the sitting.

    said: how the stamps were read. written_hz: rows a second as the log was written.
    """

    rows: int
    first_s: float
    last_s: float
    step_s: float
    jitter: float
    said: str
    written_hz: float
    sitting: int


class _Gathered:
    """What the sections held, growing on disk."""

    def __init__(self, first: Table, options: ReadOptions) -> None:
        self._source, self._options = first.source, options
        self._roles = roles = roles_of(first, options)
        self._scale: Scale | None = None
        self._mark_label = "" if roles.mark is None else first.label(roles.mark)
        self._samples = SampleStore(len(roles.axes.columns))
        self._instants = SampleStore(1, np.float64)
        self._slow = SlowColumns(first, roles, options)
        self._marks: list[FloatArray] = []
        self._runs: list[_Run] = []
        self._mended = Mended()
        self._notes: list[str] = []
        self._said_later: list[str] = []
        self._rows = self._sitting = 0
        self._shift_s, self._last_stamp_s, self._last_s = 0.0, -np.inf, -np.inf

    def take(self, table: Table) -> None:
        """The next section."""
        roles = self._roles
        self._notes += table.notes
        times = self._forward(_stamps_of(table, roles.stamps, self._rows, self._last_stamp_s - self._shift_s))
        self._slow.take(table, times)
        if roles.mark is not None:
            self._take_marks(table, roles.mark, times)
        where = f"rows {self._rows + 1} to {self._rows + table.rows}"
        self._rows += table.rows
        try:
            samples, kept, mended = usable_rows(table, roles.axes, times)
            if self._scale is None:
                self._scale = scale_of(table, roles.axes, samples, self._options)
            samples *= self._scale.factor
            check_largest(table, roles.axes, samples)
            self._mended += mended
            if self._scale.known:
                self._slow.take_shake(kept, samples)
            for part in _sittings(kept):
                self._keep(kept[part], samples[:, part])
        except RecordingError as error:
            if not self._runs:
                raise
            self._said_later.append(f"{where} were left out: {error}")

    def _forward(self, times: FloatArray) -> FloatArray:
        """Stamps on one clock, however often it was set back, also between sections."""
        times = times + self._shift_s
        before = [self._last_stamp_s] if np.isfinite(self._last_stamp_s) else []
        moved, said = set_forward(np.concatenate((before, times)))
        self._notes += said
        moved = moved[len(before) :]
        good = np.flatnonzero(np.isfinite(moved))
        if good.size:
            self._shift_s += float(moved[good[-1]] - times[good[-1]])
            self._last_stamp_s = float(moved[good[-1]])
        return moved

    def _take_marks(self, table: Table, column: int, times: FloatArray) -> None:
        try:
            self._marks.append(mark_instants(table, column, times)[0])
        except RecordingError:
            if not self._marks:
                raise  # else the vehicle stood throughout this section

    def _keep(self, times: FloatArray, samples: FloatArray) -> None:
        if self._runs and times[0] - self._last_s > SITTING_S:
            self._sitting += 1
        if times.size < 2:
            return
        rows = rows_on_clock(times, samples, self._source)
        clock = rows.clock
        behind_s = self._last_s - float(clock.times_s[0])
        instants = clock.times_s + (behind_s + clock.step_s if behind_s >= 0.0 else 0.0)
        self._mended += rows.mended
        self._instants.push(instants[None])
        self._samples.push(rows.samples)
        self._last_s = float(instants[-1])
        self._runs.append(
            _Run(
                instants.size,
                float(instants[0]),
                self._last_s,
                clock.step_s,
                clock.jitter,
                clock.said,
                rows.written_hz,
                self._sitting,
            )
        )

    def recording(self) -> Recording:
        """All sections on one uniform base."""
        runs, first, last, sittings = self._longest_sitting()
        step_s = _common_step(runs)
        jitter = float(np.average([run.jitter for run in runs], weights=[run.rows for run in runs]))
        instants, values = self._instants.finish()[:, first:last], self._samples.finish()[:, first:last]
        span_s = float(instants[0, -1] - instants[0, 0])
        check_grid(last - first, span_s, step_s, self._source)
        grid = _Grid(instants, values, step_s)
        samples = stored(grid.slowed(), values.shape[0])
        valid = grid.valid()
        roles, scale = self._roles, self._scale or Scale(1.0, False, "")
        speed, rpm, beside = self._slow.traces(roles.stamps.epoch_s)
        rate = 1.0 / step_s
        clock_notes = (rate_note(rate, jitter, max(runs, key=lambda run: run.rows).said),)
        return Recording(
            samples=samples,
            rate_hz=rate / grid.factor,
            unit="m/s^2" if scale.known else "relative",
            kind="acceleration",
            channels=roles.axes.names,
            valid=valid,
            quality=self._quality(runs, rate, jitter, grid),
            source=self._source,
            start_s=float(instants[0, 0]),
            epoch_s=roles.stamps.epoch_s,
            date_doubt_s=roles.stamps.doubt_s,
            speed=speed,
            rpm=rpm,
            mark_times_s=np.concatenate(self._marks) if self._marks else None,
            history=(
                *self._notes, roles.stamps.said, roles.axes.said, scale.said, *self._mended.row_notes(), *clock_notes,
                *self._mended.clock_notes(), *sittings, *self._mended.clip_notes(),
                *gap_notes(grid.gaps, grid.filled), *beside, *self._mark_notes(), *self._said_later,
                *slow_note(rate), *slowed_note(rate, grid.factor),
            ),
        )  # fmt: skip

    def _quality(self, runs: Sequence[_Run], rate_hz: float, jitter: float, grid: "_Grid") -> Quality:
        mended = self._mended
        return Quality(
            rate_hz=rate_hz,
            nominal_rate_hz=_middle([run.written_hz for run in runs], [run.rows for run in runs]),
            jitter=jitter,
            gaps=grid.gaps,
            clipped=mended.clipped,
            repaired=mended.backward + mended.duplicates + grid.filled + mended.empty + mended.wild,
            repeated=mended.held,
        )

    def _longest_sitting(self) -> tuple[Sequence[_Run], int, int, list[str]]:
        """The runs of the sitting with the most rows, its first and last row, and a sentence if there are more."""
        if not self._runs:
            raise RecordingError(f"{self._source} has no usable row; a recording needs many")
        count = self._sitting + 1
        rows = [sum(run.rows for run in self._runs if run.sitting == k) for k in range(count)]
        chosen = int(np.argmax(rows))
        first = sum(rows[:chosen])
        runs = [run for run in self._runs if run.sitting == chosen]
        if count == 1:
            return runs, first, first + rows[chosen], []
        span_s = sum(run.rows * run.step_s for run in runs)
        return runs, first, first + rows[chosen], [sittings_note(count, chosen + 1, span_s)]

    def _mark_notes(self) -> list[str]:
        column = self._roles.mark
        if column is None:
            return []
        return [f"mark column {self._mark_label}: {counted(sum(m.size for m in self._marks), 'turn')}"]


class _Grid:
    """Samples at their instants -> the uniform base, stretch by stretch; slower where the log is very fast."""

    def __init__(self, instants: FloatArray, values: NDArray[np.float32], step_s: float) -> None:
        self._instants, self._values, self._step_s = instants, values, step_s
        self._limit_s = gap_limit_s(step_s)
        self._valid: list[BoolArray] = []
        self.factor = decimation_factor(1.0 / step_s)
        self.gaps: tuple[tuple[float, float], ...] = ()
        self._points: int = 0

    def slowed(self) -> Iterator[NDArray[np.float32]]:
        """The samples, in blocks."""
        if self.factor == 1:
            yield from (block.astype(np.float32) for block in self._blocks())
            return
        decimator = Decimator(self.factor, self._values.shape[0])
        rest: FloatArray | None = None
        for block in self._blocks():
            if rest is None:
                rest = block.mean(axis=1, keepdims=True)
            yield (decimator.push((block - rest).astype(np.float32)) + rest).astype(np.float32)
        yield (decimator.finish() + (0.0 if rest is None else rest)).astype(np.float32)

    @property
    def filled(self) -> int:
        """Points of the base that no row stood for, once all blocks were taken."""
        return max(0, self._points - int(self._instants.shape[1]))

    def valid(self) -> BoolArray:
        """Which samples are real, once all blocks were taken."""
        valid = np.concatenate(self._valid)
        if self.factor == 1:
            return valid
        return np.logical_and.reduceat(valid, np.arange(0, valid.size, self.factor))

    def _blocks(self) -> Iterator[FloatArray]:
        total = self._instants.shape[1]
        start_s, done = float(self._instants[0, 0]), 0
        for first, last in spans(total, STRETCH_ROWS):
            low, high = max(first - CONTEXT_ROWS, 0), min(last + CONTEXT_ROWS, total)
            times = excerpt(self._instants, low, high)[0]
            self._find_gaps(times[max(first - 1 - low, 0) : last - low])
            position = (times - start_s) / self._step_s
            base = int(np.floor(position[0] + 0.5))
            ends_at = position[-1] if last == total else position[last - low] - 1.0
            end = int(np.floor(ends_at + 0.5)) + 1
            values = excerpt(self._values, low, high).astype(np.float64)
            block, valid, _ = onto_grid(position - base, values, self._limit_s / self._step_s)
            cut = slice(done - base, end - base)
            self._valid.append(valid[cut])
            self._points += int(valid[cut].sum())
            done = end
            yield np.where(valid[cut], block[:, cut], 0.0)

    def _find_gaps(self, times: FloatArray) -> None:
        steps = np.diff(times)
        self.gaps += tuple((float(times[i]), float(steps[i])) for i in np.flatnonzero(steps > self._limit_s))


def _stamps_of(table: Table, first: Stamps, rows_before: int, last_s: float) -> FloatArray:
    """The stamps of one section on the clock of the whole log, NaN where unreadable.

    first: how the first section's were read. last_s: the last stamp of the section before, as written.
    """
    if rows_before == 0:
        return np.asarray(first.times_s, float)
    if first.kind == "rows":
        return np.asarray((rows_before + np.arange(table.rows)) * first.unit_s, float)
    if first.kind == "text":
        read = clock_text_seconds(table.frame[first.column], first.order)
        seconds = np.full(table.rows, np.nan) if read is None else read.seconds - first.first
        good = np.flatnonzero(np.isfinite(seconds))
        if first.epoch_s is not None or not good.size:
            return np.asarray(seconds, float)
        # a clock without a date that is half a day or more behind has passed midnight
        behind_s = last_s - float(seconds[good[0]])
        return np.asarray(seconds + DAY_S * max(0.0, float(np.round(behind_s / DAY_S))), float)
    values = table.numbers(first.column)
    if first.kind == "steps":
        middle = float(np.nanmedian(values))
        steps = np.where(np.isfinite(values), values, middle) * first.unit_s
        return np.asarray(last_s + np.cumsum(steps), float)
    return np.asarray((values - first.first) * first.unit_s, float)


def _sittings(times: FloatArray) -> list[slice]:
    """Rows without a silence of an hour between them."""
    edges = [0, *(np.flatnonzero(np.diff(times) > SITTING_S) + 1).tolist(), times.size]
    return [slice(a, b) for a, b in pairwise(edges)]


def _common_step(runs: Sequence[_Run]) -> float:
    """Time over steps from the first row to the last, where the sections agree on how long a step is.

    The clock runs on from section to section, so that the step is known as well as from all rows at once.
    """
    usual = _middle([run.step_s for run in runs], [run.rows for run in runs])
    time_s, steps = 0.0, 0.0
    for run, after in zip(runs, (*runs[1:], None), strict=True):
        spans = [run.last_s - run.first_s] if abs(run.step_s / usual - 1.0) < AGREED else []
        if after is not None and after.first_s - run.last_s < gap_limit_s(usual):
            spans.append(after.first_s - run.last_s)
        time_s += sum(spans)
        steps += sum(float(np.rint(span / run.step_s)) for span in spans)
    return time_s / steps if steps > 0.0 else usual


def _middle(values: Sequence[float], weights: Sequence[float]) -> float:
    """Weighted median."""
    order = np.argsort(values)
    share = np.cumsum(np.asarray(weights, float)[order])
    return float(np.asarray(values)[order][np.searchsorted(share, 0.5 * share[-1])])
