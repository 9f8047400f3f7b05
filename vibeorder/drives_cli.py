"""What `vibeorder diagnose` does with its recordings: each read, weighed with its sound and marks, put together."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from vibeorder.errors import VibeorderError

if TYPE_CHECKING:
    from vibeorder.diagnosis import Diagnosis, DriveTold, Weighed

__all__ = ["Asked", "judge_drives"]

Progress = Callable[[str, float], None]


@dataclass(frozen=True, slots=True)
class Asked:
    """What was typed beside the recordings. told: of each; progress: makes a recording's own callback from its name."""

    told: "DriveTold"
    standing: Sequence[Path]
    standing_rpm: str | None
    said: Path | None
    explain: bool
    progress: Callable[[str], Progress]


def judge_drives(recordings: Sequence[Path], asked: Asked) -> "tuple[Diagnosis, list[Diagnosis]]":
    """What all say together, and what each file says alone, in the order given, those made standing last."""
    from vibeorder import diagnosis

    words = None if asked.said is None else diagnosis.read_intake(asked.said)
    if asked.told.sound is not None and len(recordings) > 1:
        raise VibeorderError("--sound is of one drive; give one recording with it")
    if asked.standing_rpm is not None and not asked.standing:
        raise VibeorderError(
            "--standing-rpm says what the engine was held at; give the recording with --standing"
        )
    if len(recordings) == 1 and not asked.standing:
        path = recordings[0]
        found = diagnosis.judged_file(path, asked.told, asked.progress(path.name), asked.explain, words)
        return found, [found]
    parts = [diagnosis.weigh_file(path, asked.told, asked.progress(path.name)) for path in recordings]
    parts += [_standing(path, asked) for path in asked.standing]
    of = "recordings" if len(parts) > 1 else "stretches"
    together = diagnosis.judged_together([one for part in parts for one in part], asked.explain, words, of)
    if len(parts) == 1:
        return together, [together]
    return together, [
        diagnosis.told(part[0]) if len(part) == 1 else diagnosis.judged_together(part, of="stretches")
        for part in parts
    ]


def _standing(path: Path, asked: Asked) -> "list[Weighed]":
    """A recording made standing still, weighed."""
    from vibeorder.diagnosis import weigh
    from vibeorder.recording import read_apart
    from vibeorder.units import parse_rotation

    held = None if asked.standing_rpm is None else 60.0 * parse_rotation(asked.standing_rpm).si
    recording = read_apart(path, asked.told.options)
    return [weigh(recording, asked.told.car, standing=True, standing_rpm=held)]
