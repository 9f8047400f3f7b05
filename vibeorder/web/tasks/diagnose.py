"""Uploaded recordings to diagnoses, in a child process; what is made lies in the task's folder.

summary.json            {"recordings": [{"number", "name", "verdict" | "error"}], "together": verdict | null}
1/diagnosis.json        the contract's JSON, as `vibeorder diagnose --why --json` writes it
1/sheet.html            the sheet to print
1/...                   what the result page draws from (`vibeorder.web.view.write_view`)
2/...                   likewise for the second recording, and so on
0/...                   likewise for all of them judged as one, where there are several
"""

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from vibeorder.errors import VibeorderError
from vibeorder.recording import (
    ReadOptions,
    Recording,
    Trace,
    marks_of,
    read_recording,
    sound_beside,
    steps_of,
    told_how_heard,
)
from vibeorder.web.inspect import check_duration, check_file

if TYPE_CHECKING:
    from vibeorder.diagnosis import Diagnosis, Intake, Weighed
    from vibeorder.speed.given import SpeedGiven
    from vibeorder.vehicle import Vehicle

__all__ = ["SUMMARY_FILE", "TOGETHER", "read_sent", "renamed", "run", "speed_sent", "words_sent"]

SUMMARY_FILE = "summary.json"

TOGETHER = 0
"""Number of what all recordings say as one; they themselves are counted from 1."""
WEIGHED = 0.7
"""Share of the time until all are weighed; then come the sheets."""
Progress = Callable[[str, float], None]


def run(folder: Path, arguments: Mapping[str, Any], progress: Progress) -> None:
    """Judge every recording of `arguments["recordings"]` ({"file": as stored, "name": as called}), and all as one.

    arguments also: vehicle (sections of a profile), speed, speed_log, log_late, gear, low_range, options,
    speed_unit (mph or km/h, where the person has one), intake (what the customer said) and count_words (whether that
    is to count), decoded_s, unpacked_bytes.
    A recording that cannot be judged is told of, and the others are judged without it. Raises VibeorderError with
    their sentences where none can.
    """
    from vibeorder.vehicle import parse_vehicle

    vehicle = parse_vehicle(arguments["vehicle"], "vehicle")
    given, said = speed_sent(folder, arguments), words_sent(arguments)
    listed = arguments["recordings"]
    entries: list[dict[str, object]] = []
    weighed: dict[int, list[Weighed]] = {}
    for i, one in enumerate(listed):

        def share(what: str, part: float, i: int = i) -> None:
            progress(what, WEIGHED * (i + part) / len(listed))

        entry: dict[str, object] = {"number": i + 1, "name": one["name"]}
        try:
            weighed[i + 1] = _weigh(folder, one, vehicle, given, arguments, share)
        except VibeorderError as error:
            entry["error"] = renamed(str(error), folder, one)
        entries.append(entry)
    if not weighed:
        raise VibeorderError(" ".join(str(entry["error"]) for entry in entries))
    verdicts = _tell(folder, weighed, said, progress)
    for number in weighed:
        entries[number - 1]["verdict"] = verdicts[number]
    summary = {"recordings": entries, "together": verdicts.get(TOGETHER)}
    (folder / SUMMARY_FILE).write_text(json.dumps(summary, ensure_ascii=False), "utf-8")


def _weigh(
    folder: Path, one: Mapping[str, str], vehicle: "Vehicle",
    given: "SpeedGiven | Trace | None", arguments: Mapping[str, Any], progress: Progress,
) -> "list[Weighed]":  # fmt: skip
    """One recording weighed with its own sound, in its stretches where drives were named or a shake was marked."""
    from vibeorder.diagnosis import weigh_recording

    path = folder / one["file"]
    recording, driven, heard = read_sent(folder, one, vehicle, given, arguments, progress)
    return weigh_recording(
        recording, vehicle, driven, arguments.get("gear"), bool(arguments.get("low_range")),
        lambda what, part: progress(what, 0.1 + 0.9 * part), heard, steps_of(path), marks_of(path),
    )  # fmt: skip


def read_sent(
    folder: Path, one: Mapping[str, str], vehicle: "Vehicle",
    given: "SpeedGiven | Trace | None", arguments: Mapping[str, Any], progress: Progress,
) -> "tuple[Recording, SpeedGiven | Trace | None, Recording | None]":  # fmt: skip
    """One recording under its owner's name, the speed to judge it by, and its own sound; within the limits."""
    path = folder / one["file"]
    progress("reading the recording", 0.0)
    check_file(path, one["name"], arguments["decoded_s"], arguments["unpacked_bytes"])
    recording = _named(read_recording(path, _options(arguments)), folder, one)
    check_duration(recording.duration_s, one["name"], arguments["decoded_s"])
    driven = given
    if isinstance(given, Trace):
        recording, placed = _beside(given, recording, vehicle, arguments, progress)
        recording, driven = _ranged(recording, placed, given, vehicle)
    recording, driven = _in_unit_of_person(recording, driven, str(arguments.get("speed_unit") or ""))
    recording, heard = _with_own_sound(recording, path, folder, one)
    return recording, driven, heard


def _with_own_sound(
    recording: Recording, path: Path, folder: Path, one: Mapping[str, str]
) -> tuple[Recording, Recording | None]:
    """The recording, told how its sound is used, and the sound that lies in its file, or None."""
    heard, unused = sound_beside(path)
    if heard is not None:
        heard = _named(heard, folder, one)
    return told_how_heard(recording, heard, renamed(unused, folder, one)), heard


def _tell(
    folder: Path, weighed: "Mapping[int, list[Weighed]]", said: "Intake | None", progress: Progress
) -> dict[int, str]:
    """Write a folder for each recording, and one for all where they are several; the verdicts by number.

    What was said counts once: among all recordings together where they are several.
    """
    from vibeorder.diagnosis import judged_together

    numbers = [*weighed, TOGETHER] if len(weighed) > 1 else list(weighed)
    verdicts: dict[int, str] = {}
    alone: list[Diagnosis] = []
    for i, number in enumerate(numbers):
        progress("writing the sheet", WEIGHED + (1.0 - WEIGHED) * i / len(numbers))
        if number == TOGETHER:
            every = [part for parts in weighed.values() for part in parts]
            result = judged_together(every, explain=True, said=said)
            _write(folder, number, result, alone)
        else:
            its_words = said if len(numbers) == 1 else None
            result = judged_together(weighed[number], True, its_words, "stretches")
            alone.append(replace(result, explanations=()))
            _write(folder, number, result)
        verdicts[number] = result.verdict
    progress("done", 1.0)
    return verdicts


def _write(folder: Path, number: int, result: "Diagnosis", alone: Sequence["Diagnosis"] = ()) -> None:
    from vibeorder.report import as_html, as_json
    from vibeorder.web.view import write_view

    own = folder / str(number)
    own.mkdir(exist_ok=True)
    content = as_json(alone, result) if alone else as_json(result)
    (own / "diagnosis.json").write_text(content, "utf-8")
    # the reasons are read on the page; on paper they would make the two pages four
    (own / "sheet.html").write_text(as_html(replace(result, explanations=())), "utf-8")
    write_view(result, own)


def _in_unit_of_person(
    recording: Recording, driven: "SpeedGiven | Trace | None", unit: str
) -> "tuple[Recording, SpeedGiven | Trace | None]":
    """Logged speeds in the unit that the complaint was told in, where the log's own is none that anybody drives by."""
    from vibeorder.units import DASH_UNITS

    if unit not in DASH_UNITS:
        return recording, driven
    if isinstance(driven, Trace) and driven.unit not in DASH_UNITS:
        driven = replace(driven, unit=unit)
    if recording.speed is not None and recording.speed.unit not in DASH_UNITS:
        recording = replace(recording, speed=replace(recording.speed, unit=unit))
    return recording, driven


def _options(arguments: Mapping[str, Any]) -> ReadOptions:
    given = arguments.get("options") or {}
    axes = tuple(str(name) for name in given.get("axes", ()))
    return ReadOptions(**{**{key: value for key, value in given.items() if value}, "axes": axes})


def words_sent(arguments: Mapping[str, Any]) -> "Intake | None":
    """The customer's answers; None where there are none, or where they are not to count."""
    if not arguments.get("intake") or not arguments.get("count_words", True):
        return None
    from vibeorder.diagnosis import Intake

    said = Intake.from_json(arguments["intake"])
    return None if said.empty else said


def speed_sent(folder: Path, arguments: Mapping[str, Any]) -> "SpeedGiven | Trace | None":
    """The speed that was said or logged, a log under its owner's name for it; None: neither was sent."""
    log = arguments.get("speed_log")
    if log:
        from vibeorder.speed.logged import read_speed_log

        try:
            trace = read_speed_log(folder / log["file"])
        except VibeorderError as error:
            raise VibeorderError(renamed(str(error), folder, log)) from None
        return replace(trace, name=renamed(trace.name, folder, log))
    if arguments.get("speed"):
        from vibeorder.speed.given import parse_speed_given

        return parse_speed_given(str(arguments["speed"]))
    return None


def _beside(
    log: Trace, recording: Recording, vehicle: "Vehicle", arguments: Mapping[str, Any], progress: Progress
) -> tuple[Recording, Trace | None]:
    from vibeorder.speed.clocks import recording_and_log
    from vibeorder.units import parse_time

    late = arguments.get("log_late")
    late_s = parse_time(str(late)).si if late else None
    return recording_and_log(log, recording, vehicle, late_s, progress)


def _ranged(
    recording: Recording, placed: Trace | None, log: Trace, vehicle: "Vehicle"
) -> "tuple[Recording, SpeedGiven | Trace | None]":
    from vibeorder.speed.log_range import with_range

    return with_range(recording, placed, log, vehicle)


def _named(recording: Recording, folder: Path, one: Mapping[str, str]) -> Recording:
    """The recording under the name that its owner knows it by."""
    return replace(
        recording,
        source=one["name"],
        history=tuple(renamed(sentence, folder, one) for sentence in recording.history),
    )


def renamed(text: str, folder: Path, one: Mapping[str, str]) -> str:
    """A sentence with the name that a file's owner knows it by in place of the stored one."""
    return text.replace(str(folder / one["file"]), one["name"]).replace(one["file"], one["name"])
