"""Uploaded recordings to diagnoses, in a child process; what is made lies in the task's folder.

summary.json            {"recordings": [{"number", "name", "verdict" | "error"}]}
1/diagnosis.json        the contract's JSON, as `vibeorder diagnose --why --json` writes it
1/sheet.html            the sheet to print
1/...                   what the result page draws from (`vibeorder.web.view.write_view`)
2/...                   likewise for the second recording, and so on
"""

import json
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from vibeorder.errors import VibeorderError
from vibeorder.recording import ReadOptions, Recording, Trace, read_recording
from vibeorder.web.inspect import check_duration, check_file

if TYPE_CHECKING:
    from vibeorder.speed.given import SpeedGiven
    from vibeorder.vehicle import Vehicle

__all__ = ["run"]

Progress = Callable[[str, float], None]


def run(folder: Path, arguments: Mapping[str, Any], progress: Progress) -> None:
    """Judge every recording of `arguments["recordings"]` ({"file", "name"}: as stored, as it was called).

    arguments also: vehicle (sections of a profile), speed, speed_log, log_late, gear, low_range, options,
    decoded_s, unpacked_bytes.
    Raises VibeorderError with the first one's sentence where none of them can be judged.
    """
    from vibeorder.vehicle import parse_vehicle

    vehicle = parse_vehicle(arguments["vehicle"], "vehicle")
    given = _speed(folder, arguments)
    listed = arguments["recordings"]
    told: list[dict[str, object]] = []
    for i, one in enumerate(listed):

        def share(what: str, part: float, i: int = i) -> None:
            progress(what, (i + part) / len(listed))

        entry: dict[str, object] = {"number": i + 1, "name": one["name"]}
        try:
            entry["verdict"] = _judge(folder, i + 1, one, vehicle, given, arguments, share)
        except VibeorderError as error:
            entry["error"] = _renamed(str(error), folder, one)
        told.append(entry)
    if all("error" in entry for entry in told):
        raise VibeorderError(" ".join(str(entry["error"]) for entry in told))
    (folder / "summary.json").write_text(json.dumps({"recordings": told}, ensure_ascii=False), "utf-8")


def _judge(
    folder: Path, number: int, one: Mapping[str, str], vehicle: "Vehicle",
    given: "SpeedGiven | Trace | None", arguments: Mapping[str, Any], progress: Progress,
) -> str:  # fmt: skip
    from vibeorder.diagnosis import diagnose
    from vibeorder.report import as_html, as_json
    from vibeorder.web.view import write_view

    path = folder / one["file"]
    progress("reading the recording", 0.0)
    check_file(path, one["name"], arguments["decoded_s"], arguments["unpacked_bytes"])
    recording = _named(read_recording(path, _options(arguments)), folder, one)
    check_duration(recording.duration_s, one["name"], arguments["decoded_s"])
    driven = given
    if isinstance(given, Trace):
        recording, driven = _beside(given, recording, vehicle, arguments, progress)
    result = diagnose(
        recording, vehicle, speed=driven, gear=arguments.get("gear"),
        low_range=bool(arguments.get("low_range")), progress=lambda what, part: progress(what, 0.1 + 0.8 * part),
        explain=True,
    )  # fmt: skip
    progress("writing the sheet", 0.9)
    own = folder / str(number)
    own.mkdir(exist_ok=True)
    (own / "diagnosis.json").write_text(as_json(result), "utf-8")
    # the reasons are read on the page; on paper they would make the two pages four
    (own / "sheet.html").write_text(as_html(replace(result, explanations=())), "utf-8")
    write_view(result, own)
    progress("done", 1.0)
    return result.verdict


def _options(arguments: Mapping[str, Any]) -> ReadOptions:
    given = arguments.get("options") or {}
    axes = tuple(str(name) for name in given.get("axes", ()))
    return ReadOptions(**{**{key: value for key, value in given.items() if value}, "axes": axes})


def _speed(folder: Path, arguments: Mapping[str, Any]) -> "SpeedGiven | Trace | None":
    log = arguments.get("speed_log")
    if log:
        from vibeorder.speed.logged import read_speed_log

        try:
            trace = read_speed_log(folder / log["file"])
        except VibeorderError as error:
            raise VibeorderError(_renamed(str(error), folder, log)) from None
        return replace(trace, name=_renamed(trace.name, folder, log))
    if arguments.get("speed"):
        from vibeorder.speed.given import parse_speed_given

        return parse_speed_given(str(arguments["speed"]))
    return None


def _beside(
    log: Trace, recording: Recording, vehicle: "Vehicle", arguments: Mapping[str, Any], progress: Progress
) -> tuple[Recording, Trace | None]:
    from vibeorder.speed.clocks import speed_beside
    from vibeorder.units import parse_time

    late = arguments.get("log_late")
    late_s = parse_time(str(late)).si if late else None
    driven, said = speed_beside(log, recording, vehicle, late_s, progress)
    return replace(recording, history=(*recording.history, said)), driven


def _named(recording: Recording, folder: Path, one: Mapping[str, str]) -> Recording:
    """The recording under the name that its owner knows it by."""
    return replace(
        recording,
        source=one["name"],
        history=tuple(_renamed(sentence, folder, one) for sentence in recording.history),
    )


def _renamed(text: str, folder: Path, one: Mapping[str, str]) -> str:
    return text.replace(str(folder / one["file"]), one["name"]).replace(one["file"], one["name"])
