"""A log as columns -> a Recording: roles of the columns, unit, clock, and what lies beside."""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from vibeorder.errors import RecordingError
from vibeorder.recording.besides import mark_instants, rpm_trace, speed_trace
from vibeorder.recording.clock import set_forward, to_uniform
from vibeorder.recording.decimate import decimated, decimation_factor
from vibeorder.recording.model import Recording, Trace
from vibeorder.recording.options import ReadOptions
from vibeorder.recording.roles import Roles, roles_of, scale_of
from vibeorder.recording.table import Table
from vibeorder.recording.usable import check_largest, usable_rows

__all__ = ["recording_from_table", "slow_note", "slowed_note"]

FloatArray = NDArray[np.float64]
# Below this rate nothing of a driveline but a slow wheel can be seen.
SLOW_RATE_HZ = 50.0


def recording_from_table(table: Table, options: ReadOptions, scale_from: Table | None = None) -> Recording:
    """Builds the Recording from one table. scale_from: a sister table with gravity in it that tells the unit.

    Raises RecordingError with the sentence that names the option which settles what the table does not say.
    """
    if table.rows < 2:
        raise RecordingError(f"{table.source} has {table.rows} row of numbers; a recording needs many")
    roles = roles_of(table, options)
    stamps, axes = roles.stamps, roles.axes
    times, set_back = set_forward(stamps.times_s)
    samples, kept_times, mended = usable_rows(table, axes, times)
    scale = scale_of(table, axes, samples, options, scale_from)
    samples *= scale.factor
    check_largest(table, axes, samples)
    shake = (kept_times, samples) if scale.known else None
    epoch_s = stamps.epoch_s
    speed, rpm, mark, beside = _beside(table, roles, times, options, shake)
    table.forget()
    uniform = to_uniform(kept_times, samples, table.source)
    said = [*table.notes, stamps.said, *set_back, axes.said, scale.said]
    said += [*mended.row_notes(), *uniform.history, *beside, *slow_note(uniform.rate_hz)]
    return _slowed(
        Recording(
            samples=uniform.samples,
            rate_hz=uniform.rate_hz,
            unit="m/s^2" if scale.known else "relative",
            kind="acceleration",
            channels=axes.names,
            valid=uniform.valid,
            quality=replace(uniform.quality, repaired=uniform.quality.repaired + mended.empty + mended.wild),
            source=table.source,
            start_s=uniform.start_s,
            epoch_s=epoch_s,
            date_doubt_s=roles.stamps.doubt_s,
            speed=speed,
            rpm=rpm,
            mark_times_s=mark,
            history=tuple(said),
        )
    )


def _beside(
    table: Table,
    roles: Roles,
    times: FloatArray,
    options: ReadOptions,
    shake: tuple[FloatArray, FloatArray] | None,
) -> tuple[Trace | None, Trace | None, FloatArray | None, list[str]]:
    """Road speed, engine speed, instants of a mark, and what was found. shake: instants and samples in m/s^2."""
    epoch_s = roles.stamps.epoch_s
    speed, rpm, mark = None, None, None
    notes: list[str] = []
    if roles.speed is not None:
        speed, said = speed_trace(table, roles.speed, times, options.speed_unit, shake, epoch_s)
        notes += said
    if roles.rpm is not None:
        rpm, said = rpm_trace(table, roles.rpm, times, epoch_s)
        notes += said
    if roles.mark is not None:
        mark, said = mark_instants(table, roles.mark, times)
        notes += said
    return speed, rpm, mark, notes


def slow_note(rate_hz: float) -> list[str]:
    """That a log misses most of what turns."""
    if rate_hz >= SLOW_RATE_HZ:
        return []
    return [
        f"the log is slow ({rate_hz:.3g} Hz): nothing above {rate_hz / 2:.3g} Hz can be seen, "
        "and faster shakes appear folded below that; a phone logger set to its fastest gives 100 Hz or more"
    ]


def _slowed(recording: Recording) -> Recording:
    """A log faster than 2 kHz is brought down as sound is."""
    factor = decimation_factor(recording.rate_hz)
    if factor == 1:
        return recording
    rest = recording.samples.mean(axis=1, keepdims=True)
    samples = decimated(recording.samples - rest, factor).astype(np.float64) + rest
    starts = np.arange(samples.shape[1]) * factor
    valid = np.logical_and.reduceat(recording.valid, starts)
    rate = recording.rate_hz / factor
    samples = np.where(valid, samples, 0.0)
    said = (*recording.history, *slowed_note(recording.rate_hz, factor))
    return replace(recording, samples=samples, rate_hz=rate, valid=valid, history=said)


def slowed_note(rate_hz: float, factor: int) -> list[str]:
    """That a log was brought down to a lower rate."""
    if factor == 1:
        return []
    return [f"brought down from {rate_hz:.0f} to {rate_hz / factor:.1f} Hz behind a filter"]
