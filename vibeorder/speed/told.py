"""What was told of a drive's speed: a log of its own, or words."""

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from vibeorder.recording import Trace
    from vibeorder.speed.given import SpeedGiven

__all__ = ["told_speed"]


def told_speed(
    said: str | None, log: Path | None, column: str | None = None, unit: str | None = None
) -> "SpeedGiven | Trace | None":
    """A log, read as `read_speed_log` does, beats what was said; None: neither was told.

    Raises SpeedError or RecordingError with the sentence that says what is wrong with them.
    """
    if log is not None:
        from vibeorder.speed.logged import read_speed_log

        return read_speed_log(log, column, unit)
    if said is None:
        return None
    from vibeorder.speed.given import parse_speed_given

    return parse_speed_given(said)
