"""Reader of our own recordings: a zip of plain CSV and WAV files, and a small JSON that says what they are.

The layout is described in docs/recorder-format.md; what writes it takes the names from here. The acceleration is
the `Recording`, road speed beside it; the sound is a second `Recording` on the same clock (`sound_of`), and so are
the passenger's marks (`marks_of`).
"""

import json
import wave
import zipfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import IO, Any

import numpy as np
from numpy.typing import NDArray

from vibeorder.errors import RecordingError
from vibeorder.recording.besides import speed_trace
from vibeorder.recording.blocks import recording_from_blocks
from vibeorder.recording.logs import recording_from_table
from vibeorder.recording.model import Recording, Trace
from vibeorder.recording.options import ReadOptions
from vibeorder.recording.table import MAX_BYTES, Table, read_table

__all__ = [
    "FORMAT",
    "JSON_NAME",
    "MOTION_COLUMNS",
    "MOTION_NAME",
    "NAME",
    "SHAKES",
    "SOUND_CLOCK_NAME",
    "SOUND_NAME",
    "SPEED_COLUMNS",
    "SPEED_NAME",
    "STEP_ENDS",
    "VERSION",
    "is_ours",
    "marks_of",
    "read",
    "sound_beside",
    "sound_of",
    "steps_of",
    "told_how_heard",
]

NAME = "recording of vibeorder's own recorder"
FORMAT, VERSION = "vibeorder recording", 1
JSON_NAME = "vibeorder-recording.json"
MOTION_NAME, SPEED_NAME, SOUND_NAME, SOUND_CLOCK_NAME = (
    "motion.csv",
    "speed.csv",
    "sound.wav",
    "sound_clock.csv",
)
TIME = "time_s"
WITH_GRAVITY = tuple(f"acceleration_{axis}_mps2" for axis in "xyz")
WITHOUT_GRAVITY = tuple(f"linear_acceleration_{axis}_mps2" for axis in "xyz")
MOTION_COLUMNS = (TIME, *WITH_GRAVITY, *WITHOUT_GRAVITY, *(f"rotation_{axis}_degps" for axis in "xyz"))
"""Columns of motion.csv; an empty cell is a number that the phone did not give."""
SPEED_COLUMNS = (TIME, "speed_mps", "arrived_s", "from", "accuracy_m")
"""Columns of speed.csv. from: "gps" (the phone's own speed) or "positions" (way between two fixes)."""
SHAKES, STEP_ENDS = "it shakes", " ends"
"""What a mark says: a tap on "it shakes now"; else that a step of the drive card begins, by its name, or ends."""
MAX_JSON_BYTES = 1 << 20
SHOWN_MARKS = 8
MOST_NAME = 120
BLOCK_FRAMES = 1 << 17


def is_ours(names: list[str]) -> bool:
    """Whether a zip that holds files of these names is one of our recordings."""
    return JSON_NAME in names


def read(path: Path, options: ReadOptions) -> Recording:
    """The acceleration, with road speed beside it. Time 0 is the first motion sample.

    options: column names and units that the user says go before the file's own.
    Raises RecordingError where the motion is missing or the file is damaged.
    """
    with _opened(path) as bundle:
        about = _about(bundle, path)
        motion = _table(bundle, MOTION_NAME, path)
        first_s = _first_time(motion, path)
        recording = recording_from_table(motion, _told(motion, options))
        speed, notes = recording.speed, list[str]()
        if speed is None:
            speed, notes = _speed(bundle, about, first_s, path, options)
    marks = _marks(about, first_s)
    notes += [*_said(about, marks), *_said_steps(_steps(about, first_s))]
    begun_s = _number(_section(about, "clocks").get("begun_epoch_s"))
    epoch_s = None if begun_s is None else begun_s + first_s
    speed = None if speed is None else replace(speed, epoch_s=epoch_s)
    history = tuple(_as_written(sentence, options) for sentence in recording.history)
    return replace(recording, source=path.name, epoch_s=epoch_s, speed=speed, history=(*history, *notes))


def sound_of(path: Path) -> Recording | None:
    """The sound inside a recording of ours, at about 2 kHz; None where there is none or the file is no such zip.

    Its `start_s` is on the clock of `read` (0 is the first motion sample), late by the microphone's own delay,
    which a browser does not tell (tens of milliseconds). Stretches without sound are not `valid`.
    Raises RecordingError where the file is damaged or the sound is silent from end to end.
    """
    if not zipfile.is_zipfile(path):
        return None
    with _opened(path) as bundle:
        if JSON_NAME not in bundle.namelist():
            return None
        sound = _section(_about(bundle, path), "sound")
        if SOUND_NAME not in bundle.namelist():
            return None
        first_s = _first_time(_table(bundle, MOTION_NAME, path), path)
        with bundle.open(SOUND_NAME) as member:
            recording = _wave(member, f"{SOUND_NAME} of {path.name}")
    start_s = _number(sound.get("start_s")) or 0.0
    times = start_s + np.arange(recording.samples.shape[1]) / recording.rate_hz
    valid = recording.valid.copy()
    gaps = []
    for gap in _listed(sound, "gaps"):
        from_s, length_s = _number(gap.get("start_s")), _number(gap.get("length_s"))
        if from_s is not None and length_s is not None and length_s > 0.0:
            valid &= (times < from_s) | (times >= from_s + length_s)
            gaps.append((from_s - first_s, length_s))
    return replace(
        recording,
        samples=np.where(valid, recording.samples, 0.0),
        valid=valid,
        source=path.name,
        start_s=start_s - first_s,
        quality=replace(recording.quality, gaps=tuple(gaps)),
    )


def sound_beside(path: Path) -> tuple[Recording | None, str]:
    """The sound inside a recording of ours, or None; and why a sound that is there cannot be used, or ''."""
    try:
        return sound_of(path), ""
    except RecordingError as error:
        return None, f"the sound beside the motion is not used: {error}"


def told_how_heard(recording: Recording, heard: Recording | None, unused: str = "") -> Recording:
    """The recording, told of the sound that is judged with it, or why one that is there is not (`unused`)."""
    said = unused if heard is None else f"judged together with the sound of {heard.source}"
    return replace(recording, history=(*recording.history, said)) if said else recording


def marks_of(path: Path) -> tuple[float, ...]:
    """When the passenger marked that it shakes, in seconds on the clock of `read`; () where there are no marks."""
    if not zipfile.is_zipfile(path):
        return ()
    with _opened(path) as bundle:
        if JSON_NAME not in bundle.namelist():
            return ()
        return _marks(_about(bundle, path), _first_time(_table(bundle, MOTION_NAME, path), path))


def steps_of(path: Path) -> tuple[tuple[float, float | None, str], ...]:
    """The drives of the card as the passenger announced them: (begin, end or None, name), on the clock of `read`."""
    if not zipfile.is_zipfile(path):
        return ()
    with _opened(path) as bundle:
        if JSON_NAME not in bundle.namelist():
            return ()
        return _steps(_about(bundle, path), _first_time(_table(bundle, MOTION_NAME, path), path))


@contextmanager
def _opened(path: Path) -> Iterator[zipfile.ZipFile]:
    """The zip; whatever is wrong inside it ends in one sentence."""
    import lzma
    import zlib

    damage = (zipfile.BadZipFile, NotImplementedError, RuntimeError, EOFError, ValueError, OSError)
    try:
        with zipfile.ZipFile(path) as bundle:
            yield bundle
    except (*damage, zlib.error, lzma.LZMAError) as error:
        raise RecordingError(
            f"{path.name} is a damaged recording ({str(error)[:80]}); send it from the phone again, or copy it again"
        ) from error


def _about(bundle: zipfile.ZipFile, path: Path) -> Mapping[str, Any]:
    """The JSON, checked as far as everything else rests on it."""
    about: Any = None
    try:
        if bundle.getinfo(JSON_NAME).file_size <= MAX_JSON_BYTES:
            about = json.loads(bundle.read(JSON_NAME))
    except (ValueError, RecursionError):
        about = None
    if not isinstance(about, dict) or about.get("format") != FORMAT:
        raise RecordingError(
            f'{JSON_NAME} in {path.name} is not the JSON of a "{FORMAT}"; copy the zip again'
        )
    version = about.get("version")
    if version != VERSION:
        raise RecordingError(
            f"{path.name} is written in version {version!r} of its layout, and this vibeorder knows {VERSION}; "
            "bring vibeorder up to date"
        )
    return about


def _table(bundle: zipfile.ZipFile, name: str, path: Path) -> Table:
    if name not in bundle.namelist():
        raise RecordingError(f"{path.name} holds no {name}; pack all files of the recording together again")
    if bundle.getinfo(name).file_size > MAX_BYTES:
        raise RecordingError(f"{name} in {path.name} is larger than any recording; cut it to the drive")
    return read_table(path, bundle.read(name), name)


def _first_time(motion: Table, path: Path) -> float:
    """The recording's own time of the first motion sample."""
    times = motion.numbers(motion.find(TIME, "--time-column"))
    finite = times[np.isfinite(times)]
    if not finite.size:
        raise RecordingError(f"{MOTION_NAME} in {path.name} has no times in its column {TIME!r}")
    return float(finite.min())


def _told(motion: Table, options: ReadOptions) -> ReadOptions:
    """The options with what this layout says in place of what would have to be found."""
    axes = options.axes
    if not axes:
        both = (WITH_GRAVITY, WITHOUT_GRAVITY)
        axes = next((one for one in both if _has_numbers(motion, one)), WITH_GRAVITY)
    return replace(
        options, time_column=options.time_column or TIME, axes=axes, unit=options.unit or "m/s^2",
        speed_column=options.speed_column if options.speed_column in motion.names else None,
    )  # fmt: skip


def _as_written(sentence: str, options: ReadOptions) -> str:
    """A sentence of the log reader without an option that nobody gave: here the file says it."""
    for option, given in (("--axes", options.axes), ("--unit", options.unit)):
        if not given:
            sentence = sentence.replace(f"as said by {option}", "as the recording says")
    return sentence


def _has_numbers(motion: Table, names: tuple[str, ...]) -> bool:
    return all(
        name in motion.names and np.isfinite(motion.numbers(motion.names.index(name))).sum() >= 2
        for name in names
    )


def _speed(
    bundle: zipfile.ZipFile, about: Mapping[str, Any], first_s: float, path: Path, options: ReadOptions
) -> tuple[Trace | None, list[str]]:
    if SPEED_NAME not in bundle.namelist() or not _section(about, "speed").get("rows"):
        return None, ["the phone had no road speed: no position was given or found"]
    table = _table(bundle, SPEED_NAME, path)
    times = table.numbers(table.find(TIME, "--time-column")) - first_s
    column = table.find(options.speed_column or SPEED_COLUMNS[1], "--speed-column")
    trace, notes = speed_trace(table, column, times, options.speed_unit or "m/s")
    derived = (
        int((table.frame[table.names.index("from")] == "positions").sum()) if "from" in table.names else 0
    )
    if trace is not None and derived:
        notes.append(
            f"{derived} of {table.rows} speeds are the way between two positions: the phone gave no speed"
        )
    return trace, [f"speed from {SPEED_NAME}, on the recording's own clock", *notes]


def _wave(member: IO[bytes], name: str) -> Recording:
    """16-bit PCM, streamed: no sound library is needed for what we wrote ourselves."""
    try:
        with wave.open(member) as sound:
            if sound.getsampwidth() != 2 or not sound.getnchannels():
                raise RecordingError(f"{name} is not 16-bit sound; save it as it was recorded")
            channels, frames = sound.getnchannels(), sound.getnframes()
            return recording_from_blocks(
                _blocks(sound, channels), float(sound.getframerate()), channels, frames, name, ReadOptions()
            )
    except (wave.Error, EOFError) as error:
        raise RecordingError(
            f"{name} cannot be read ({str(error)[:80]}); copy the recording again"
        ) from error


def _blocks(sound: wave.Wave_read, channels: int) -> Iterator[NDArray[np.float32]]:
    while data := sound.readframes(BLOCK_FRAMES):
        whole = len(data) // (2 * channels) * 2 * channels
        values = np.frombuffer(data[:whole], "<i2").reshape(-1, channels)
        yield (values.T / np.float32(32768.0)).astype(np.float32)


def _marks(about: Mapping[str, Any], first_s: float) -> tuple[float, ...]:
    shakes = (mark for mark in _listed(about, "marks") if mark.get("what", SHAKES) == SHAKES)
    times = [_number(mark.get("time_s")) for mark in shakes]
    return tuple(sorted(time_s - first_s for time_s in times if time_s is not None))


def _steps(about: Mapping[str, Any], first_s: float) -> tuple[tuple[float, float | None, str], ...]:
    """Begin, end and name; a step without an end lasts until the next one begins, or was not ended."""
    marks = [
        (time_s - first_s, str(mark.get("what"))[:MOST_NAME])
        for mark in _listed(about, "marks")
        if (time_s := _number(mark.get("time_s"))) is not None and mark.get("what", SHAKES) != SHAKES
    ]
    found: list[tuple[float, float | None, str]] = []
    for time_s, what in sorted(marks):
        if not what.endswith(STEP_ENDS):
            found.append((time_s, None, what))
        elif found and found[-1][1] is None:
            found[-1] = (found[-1][0], time_s, found[-1][2])
    return tuple(found)


def _said(about: Mapping[str, Any], marks: tuple[float, ...]) -> list[str]:
    """What the recorder knew about this recording, one sentence each."""
    said = []
    if marks:
        shown = ", ".join(f"{time_s:.1f}" for time_s in marks[:SHOWN_MARKS])
        more = f" and {len(marks) - SHOWN_MARKS} times more" if len(marks) > SHOWN_MARKS else ""
        said.append(f'"it shakes now" was marked at {shown} s{more}')
    still = _section(about, "still_check")
    if still and still.get("passed") is False:
        said.append("before the recording the phone did not lie still: it may have been in a hand")
    if about.get("ended") == "cut off":
        said.append(
            "the recording was cut off (a call, a closed page or an empty battery); what was saved is here"
        )
    if _section(about, "sound"):
        said.append(f"sound lies beside it in {SOUND_NAME}, on the same clock")
    return said


def _said_steps(steps: tuple[tuple[float, float | None, str], ...]) -> list[str]:
    """The drives of the card, one sentence each."""
    return [
        f"announced at {begin:.1f} s{'' if end is None else f', until {end:.1f} s'}: {what}"
        for begin, end, what in steps
    ]


def _section(about: Mapping[str, Any], name: str) -> Mapping[str, Any]:
    found = about.get(name)
    return found if isinstance(found, dict) else {}


def _listed(about: Mapping[str, Any], name: str) -> list[Mapping[str, Any]]:
    found = about.get(name)
    return [one for one in found if isinstance(one, dict)] if isinstance(found, list) else []


def _number(value: Any) -> float | None:
    """A finite number, or None: the JSON may come from anywhere."""
    good = isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < 1e12
    return float(value) if good else None
