"""Road speed and engine speed of a log that comes in sections: only the rows at which they changed are kept."""

import numpy as np
from numpy.typing import NDArray

from vibeorder.recording.besides import as_updated, find_speed, rpm_trace, speed_trace
from vibeorder.recording.model import Trace
from vibeorder.recording.options import ReadOptions
from vibeorder.recording.roles import Roles
from vibeorder.recording.table import Table

__all__ = ["SlowColumns"]

FloatArray = NDArray[np.float64]

SHAKE_HZ = 10.0
"""Rate at which the acceleration is kept to prove the unit of a speed, which changes over seconds."""


class SlowColumns:
    """What stands beside the shake, gathered section by section."""

    def __init__(self, first: Table, roles: Roles, options: ReadOptions) -> None:
        self._first, self._options = first, options
        self._speed, self._rpm = roles.speed, roles.rpm
        others = (roles.stamps.column, roles.rpm, roles.mark, *roles.axes.columns)
        self._taken = {c for c in others if c is not None and c >= 0}
        self._kept: dict[str, list[tuple[FloatArray, FloatArray]]] = {"speed": [], "rpm": []}
        self._shake: list[tuple[FloatArray, FloatArray]] = []

    def take(self, table: Table, times: FloatArray) -> None:
        """The next section. times: one a row, NaN where unreadable."""
        if (
            self._speed is None and self._options.speed_column is None
        ):  # a position fix may take minutes to come
            self._speed = find_speed(table, None, self._taken)
        for name, column in (("speed", self._speed), ("rpm", self._rpm)):
            if column is None:
                continue
            values = table.numbers(column)
            good = np.isfinite(values) & np.isfinite(times)
            if good.any():
                self._keep(name, times[good], values[good])

    def _keep(self, name: str, times: FloatArray, values: FloatArray) -> None:
        """Rows at which something changed. The last row before is looked at again: only here is it known as one."""
        kept = self._kept[name]
        if kept:
            before_s, before = kept[-1]
            kept[-1] = (before_s[:-1], before[:-1])
            times, values = np.append(before_s[-1:], times), np.append(before[-1:], values)
            changed = before.size < 2 or before[-1] != before[-2]
            times, values = as_updated(times, values)
            kept.append((times, values) if changed else (times[1:], values[1:]))
        else:
            kept.append(as_updated(times, values))

    def take_shake(self, times: FloatArray, samples: FloatArray) -> None:
        """The section's samples in m/s^2 [shape (axes, n)], at `times`."""
        step = max(1, int((times.size - 1) / max(float(times[-1] - times[0]), 1e-9) / SHAKE_HZ))
        count = times.size // step
        means = samples[:, : count * step].reshape(samples.shape[0], count, step).mean(axis=2)
        self._shake.append((times[: count * step].reshape(count, step).mean(axis=1), means))

    def traces(self, epoch_s: float | None) -> tuple[Trace | None, Trace | None, list[str]]:
        """Road speed, engine speed, and what was found."""
        speed, rpm = None, None
        notes: list[str] = []
        shake = None
        if self._shake:
            shake = (
                np.concatenate([times for times, _ in self._shake]),
                np.concatenate([means for _, means in self._shake], axis=1),
            )
        if self._speed is not None and self._kept["speed"]:
            table, times = self._slow_table("speed", self._speed)
            speed, notes = speed_trace(table, self._speed, times, self._options.speed_unit, shake, epoch_s)
        if self._rpm is not None and self._kept["rpm"]:
            table, times = self._slow_table("rpm", self._rpm)
            rpm, said = rpm_trace(table, self._rpm, times, epoch_s)
            notes = [*notes, *said]
        return speed, rpm, notes

    def _slow_table(self, name: str, column: int) -> tuple[Table, FloatArray]:
        """A table of the kept rows of one column, and their instants."""
        import pandas as pd

        times, values = (np.concatenate(parts) for parts in zip(*self._kept[name], strict=True))
        return Table(self._first.source, self._first.names, pd.DataFrame({column: values})), times
