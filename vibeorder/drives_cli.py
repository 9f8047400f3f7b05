"""What `vibeorder diagnose` does with its recordings: each read, weighed with its sound and marks, put together."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from vibeorder.errors import VibeorderError

if TYPE_CHECKING:
    from vibeorder.diagnosis import Diagnosis, Weighed
    from vibeorder.recording import ReadOptions, Recording, Trace
    from vibeorder.speed.given import SpeedGiven
    from vibeorder.vehicle import Vehicle

__all__ = ["Asked", "judge_drives"]

Progress = Callable[[str, float], None]


@dataclass(frozen=True, slots=True)
class Asked:
    """What was typed beside the recordings. progress: makes a recording's own callback from its name."""

    car: "Vehicle"
    given: "SpeedGiven | Trace | None"
    gear: int | None
    low_range: bool
    late_s: float | None
    options: "ReadOptions"
    sound: Path | None
    standing: Sequence[Path]
    standing_rpm: str | None
    said: Path | None
    explain: bool
    progress: Callable[[str], Progress]


def judge_drives(recordings: Sequence[Path], asked: Asked) -> "tuple[Diagnosis, list[Diagnosis]]":
    """What all say together, and what each file says alone, in the order given, those made standing last."""
    from vibeorder import diagnosis

    words = None if asked.said is None else diagnosis.read_intake(asked.said)
    if asked.sound is not None and len(recordings) > 1:
        raise VibeorderError("--sound is of one drive; give one recording with it")
    if asked.standing_rpm is not None and not asked.standing:
        raise VibeorderError(
            "--standing-rpm says what the engine was held at; give the recording with --standing"
        )
    if len(recordings) == 1 and not asked.standing and not _marked(recordings[0]):
        recording, driven, heard = _read(recordings[0], asked)
        progress = asked.progress(recordings[0].name)
        found = diagnosis.diagnose(
            recording, asked.car, speed=driven, gear=asked.gear, low_range=asked.low_range, progress=progress,
            explain=asked.explain, sound=heard, said=words,
        )  # fmt: skip
        progress("", 1.0)
        return found, [found]
    parts = [_weighed(path, asked) for path in recordings]
    parts += [_standing(path, asked) for path in asked.standing]
    of = "recordings" if len(parts) > 1 else "stretches"
    together = diagnosis.judged_together([one for part in parts for one in part], asked.explain, words, of)
    if len(parts) == 1:
        return together, [together]
    return together, [
        diagnosis.told(part[0]) if len(part) == 1 else diagnosis.judged_together(part, of="stretches")
        for part in parts
    ]


def _marked(path: Path) -> bool:
    """Whether drives were named or a shake was marked in the file."""
    from vibeorder.recording import marks_of, steps_of

    return bool(steps_of(path) or marks_of(path))


def _weighed(path: Path, asked: Asked) -> "list[Weighed]":
    from vibeorder.diagnosis import weigh_recording
    from vibeorder.recording import marks_of, steps_of

    recording, driven, heard = _read(path, asked)
    progress = asked.progress(path.name)
    found = weigh_recording(
        recording,
        asked.car,
        driven,
        asked.gear,
        asked.low_range,
        progress,
        heard,
        steps_of(path),
        marks_of(path),
    )
    progress("", 1.0)
    return found


def _standing(path: Path, asked: Asked) -> "list[Weighed]":
    """A recording made standing still, weighed."""
    from vibeorder.diagnosis import weigh
    from vibeorder.recording import read_recording
    from vibeorder.units import parse_rotation

    held = None if asked.standing_rpm is None else 60.0 * parse_rotation(asked.standing_rpm).si
    return [weigh(read_recording(path, asked.options), asked.car, standing=True, standing_rpm=held)]


def _read(path: Path, asked: Asked) -> "tuple[Recording, SpeedGiven | Trace | None, Recording | None]":
    """The recording, the speed to judge it by, and its sound out of a file of its own or of the recording's."""
    from vibeorder.recording import Trace, read_recording, sound_beside, told_how_heard
    from vibeorder.speed.clocks import speed_beside

    recording, driven = read_recording(path, asked.options), asked.given
    if isinstance(driven, Trace):
        driven, said = speed_beside(driven, recording, asked.car, asked.late_s, asked.progress(path.name))
        recording = replace(recording, history=(*recording.history, said))
    if asked.sound is None:
        heard, unused = sound_beside(path)
    else:
        heard, unused = replace(read_recording(asked.sound), start_s=recording.start_s), ""
        if heard.kind != "audio":
            raise VibeorderError(
                f"--sound {asked.sound}: that is no sound; give the WAV or M4A of the same drive"
            )
    return told_how_heard(recording, heard, unused), driven, heard
