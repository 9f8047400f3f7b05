"""What the user may say about a recording when the file does not say it itself."""

from dataclasses import dataclass

__all__ = ["ReadOptions"]


@dataclass(frozen=True, slots=True)
class ReadOptions:
    """Overrides for reading; each empty field means "find it yourself".

    Columns are named as in the file's header or by number, counted from 1.

    time_column: stamps (or times since the last row). axes: one to three acceleration columns.
    unit: of the axes: "g", "m/s^2", "mg" or "relative". speed_column, rpm_column, mark_column: as named.
    speed_unit: of the speed column: "m/s", "km/h" or "mph".
    rate_hz: samples per second, for a file that has no time column.
    """

    time_column: str | None = None
    axes: tuple[str, ...] = ()
    unit: str | None = None
    speed_column: str | None = None
    speed_unit: str | None = None
    rpm_column: str | None = None
    mark_column: str | None = None
    rate_hz: float | None = None
