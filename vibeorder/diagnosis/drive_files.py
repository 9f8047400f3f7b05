"""A recording's file -> its drive: samples, the speed to judge them by, its sound, what was marked in it."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from vibeorder.errors import VibeorderError

if TYPE_CHECKING:
    from vibeorder.diagnosis.diagnose import Weighed
    from vibeorder.diagnosis.intake import Intake
    from vibeorder.diagnosis.result import Diagnosis
    from vibeorder.recording import Reader, ReadOptions, Recording, Trace
    from vibeorder.speed.given import SpeedGiven
    from vibeorder.vehicle import Vehicle

__all__ = ["DriveTold", "is_marked", "judged_file", "read_drive", "weigh_file"]

Progress = Callable[[str, float], None]


@dataclass(frozen=True, slots=True)
class DriveTold:
    """What is told beside a recording. given: a Trace of another device is brought onto the recording's clock, late_s
    late where that is known. sound: a file of its own; the recording's own is used without. reader: of recordings; one
    may be on the way already."""

    car: "Vehicle"
    given: "SpeedGiven | Trace | None"
    gear: int | None
    low_range: bool
    late_s: float | None
    options: "ReadOptions"
    sound: Path | None = None
    reader: "Reader | None" = None


def judged_file(
    path: Path,
    told: DriveTold,
    progress: Progress,
    explain: bool = False,
    said: "Intake | None" = None,
) -> "Diagnosis":
    """One file's diagnosis: as a whole, or stretch by stretch where drives were named or a shake was marked in it."""
    from vibeorder import diagnosis

    if is_marked(path):
        return diagnosis.judged_together(weigh_file(path, told, progress), explain, said, "stretches")
    recording, driven, heard = read_drive(path, told, progress)
    found = diagnosis.diagnose(
        recording, told.car, speed=driven, gear=told.gear, low_range=told.low_range, progress=progress,
        explain=explain, sound=heard, said=said,
    )  # fmt: skip
    progress("", 1.0)
    return found


def is_marked(path: Path) -> bool:
    """Whether drives were named or a shake was marked in the file."""
    from vibeorder.recording import marks_of, steps_of

    return bool(steps_of(path) or marks_of(path))


def weigh_file(path: Path, told: DriveTold, progress: Progress) -> "list[Weighed]":
    """The file weighed: in one piece, or its named drives and marked stretches each."""
    from vibeorder.diagnosis.steps import weigh_recording
    from vibeorder.recording import marks_of, steps_of

    recording, driven, heard = read_drive(path, told, progress)
    found = weigh_recording(
        recording,
        told.car,
        driven,
        told.gear,
        told.low_range,
        progress,
        heard,
        steps_of(path),
        marks_of(path),
    )
    progress("", 1.0)
    return found


def read_drive(
    path: Path, told: DriveTold, progress: Progress
) -> "tuple[Recording, SpeedGiven | Trace | None, Recording | None]":
    """The recording, the speed to judge it by, and its sound out of a file of its own or of the recording's."""
    # here while a recording is read ahead, and before processes part that would each import them
    import scipy.special  # noqa: F401

    from vibeorder.recording import Trace, read_apart, sound_beside, told_how_heard
    from vibeorder.speed.clocks import recording_and_log
    from vibeorder.speed.log_range import with_range

    recording, driven = (told.reader or read_apart)(path, told.options), told.given
    if isinstance(driven, Trace):
        recording, placed = recording_and_log(driven, recording, told.car, told.late_s, progress)
        recording, driven = with_range(recording, placed, driven, told.car)
    if told.sound is None:
        heard, unused = sound_beside(path)
    else:
        heard, unused = replace(read_apart(told.sound), start_s=recording.start_s), ""
        if heard.kind != "audio":
            raise VibeorderError(
                f"--sound {told.sound}: that is no sound; give the WAV or M4A of the same drive"
            )
    return told_how_heard(recording, heard, unused), driven, heard
