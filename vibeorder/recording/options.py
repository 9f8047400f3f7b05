"""What the user may say about a recording when the file does not say it itself."""

from dataclasses import dataclass

from vibeorder.errors import VibeorderError
from vibeorder.units import parse_sample_rate

__all__ = ["ReadOptions", "typed_options"]


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

    def of_tables(self) -> tuple[str, ...]:
        """The options told that only a table's columns can follow, as they are typed.

        >>> ReadOptions(axes=("x", "y"), unit="g").of_tables()
        ('--axes',)
        """
        told = {
            "--time-column": self.time_column,
            "--axes": self.axes,
            "--speed-column": self.speed_column,
            "--speed-unit": self.speed_unit,
            "--rpm-column": self.rpm_column,
            "--mark-column": self.mark_column,
            "--rate": self.rate_hz,
        }
        return tuple(name for name, value in told.items() if value)


def typed_options(
    *,
    time_column: str | None = None,
    axes: str | None = None,
    unit: str | None = None,
    speed_column: str | None = None,
    speed_unit: str | None = None,
    rpm_column: str | None = None,
    mark_column: str | None = None,
    rate: str | None = None,
) -> ReadOptions:
    """ReadOptions as a person types them: axes "x,y,z", rate "500 Hz".

    Raises VibeorderError where axes or rate cannot be understood.
    """
    names = () if axes is None else tuple(name.strip() for name in axes.split(","))
    if axes is not None and not (1 <= len(names) <= 3 and all(names)):
        raise VibeorderError(f"axes {axes!r}: name one to three columns with commas between, like x,y,z")
    rate_hz = None if rate is None else parse_sample_rate(rate).si
    if rate_hz is not None and rate_hz <= 0.0:
        raise VibeorderError(f'rate {rate!r}: a sample rate is above zero, like "500 Hz"')
    return ReadOptions(time_column, names, unit, speed_column, speed_unit, rpm_column, mark_column, rate_hz)
