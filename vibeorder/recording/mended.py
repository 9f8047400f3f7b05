"""What was wrong with the rows of a log and mended: counts that add up over sections, and their sentences."""

from dataclasses import dataclass, fields

from vibeorder.units import counted

__all__ = ["Mended"]


@dataclass(frozen=True, slots=True)
class Mended:
    """Rows of a log, all counts; `a + b` is of both sections.

    rows: looked at. empty: without a number on some axis or without a stamp. wild: with a value far beyond the rest,
    wildest: the largest of those. backward: stamps that ran backward, back_s: how far at most. duplicates: written
    twice. held: that repeat the row before, of held_of rows, at held_rate_hz rows and sensor_rate_hz values a second.
    clipped: samples at the end of the range.
    """

    rows: int = 0
    empty: int = 0
    wild: int = 0
    wildest: float = 0.0
    backward: int = 0
    back_s: float = 0.0
    duplicates: int = 0
    held: int = 0
    held_of: int = 0
    held_rate_hz: float = 0.0
    sensor_rate_hz: float = 0.0
    clipped: int = 0

    def __add__(self, other: "Mended") -> "Mended":
        """Counts add up; of how far and how fast the larger holds."""
        both = {f.name: (getattr(self, f.name), getattr(other, f.name)) for f in fields(self)}
        return Mended(**{n: a + b if isinstance(a, int) else max(a, b) for n, (a, b) in both.items()})

    def row_notes(self) -> list[str]:
        """Of rows left out."""
        notes = []
        if self.empty:
            notes.append(
                f"{self.empty} of {self.rows} rows had no number on some axis or no stamp and were left out"
            )
        if self.wild:
            notes.append(f"{self.wild} rows held wild values (up to {self.wildest:.0e}) and were left out")
        return notes

    def clock_notes(self) -> list[str]:
        """Of stamps, and of rows that are none of their own."""
        notes = []
        if self.backward:
            notes.append(
                f"{self.backward} stamps ran backward (by up to {self.back_s:.3g} s): the rows are kept in their order"
            )
        if self.duplicates:
            notes.append(f"{self.duplicates} rows were written twice, stamp and all, and count once")
        if self.held:
            notes.append(
                f"{self.held} of {self.held_of} rows repeat the row before: the log runs at {self.held_rate_hz:.0f} Hz "
                f"but the sensor at about {self.sensor_rate_hz:.0f} Hz; the {self.held_of - self.held} rows with a new "
                "value are used"
            )
        return notes

    def clip_notes(self) -> list[str]:
        """Of samples at the end of the range."""
        if not self.clipped:
            return []
        return [
            f"{counted(self.clipped, 'sample')} at the top or bottom of the range: the sensor was clipped"
        ]
