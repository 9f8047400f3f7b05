"""Two drives of one job, before and after a repair, in a child process.

comparison.json   {"result": as `vibeorder compare --json` writes it, "numbers": [[name, value]], "speed_unit"}
"""

import json
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from vibeorder.recording import ReadOptions, read_recording
from vibeorder.web.inspect import check_duration, check_file
from vibeorder.web.tasks.diagnose import in_unit_of_person, with_own_sound

if TYPE_CHECKING:
    from vibeorder.diagnosis.compare import Drive
    from vibeorder.vehicle import Vehicle

__all__ = ["COMPARISON_FILE", "run"]

COMPARISON_FILE = "comparison.json"
Progress = Callable[[str, float], None]


def run(folder: Path, arguments: Mapping[str, Any], progress: Progress) -> None:
    """Diagnose both drives and compare the order that was repaired.

    arguments: vehicle (sections of a profile), before and after ({"file", "name", "speed", "speed_log", "gear",
    "low_range", "options"}), part and order ('' and None: the first suspect before), decoded_s, unpacked_bytes.
    """
    from vibeorder.diagnosis.compare import compare
    from vibeorder.diagnosis.compare_asked import order_asked, suspect_of
    from vibeorder.report.comparison import comparison_dict, comparison_sheet
    from vibeorder.vehicle import parse_vehicle

    vehicle = parse_vehicle(arguments["vehicle"], "vehicle")
    drives = []
    for place, role in enumerate(("before", "after")):

        def share(what: str, part: float, place: int = place, role: str = role) -> None:
            progress(f"{role} the repair: {what}", 0.48 * (place + part))

        drives.append(_drive(folder, arguments[role], arguments, vehicle, share))
    before, after = drives
    part = arguments.get("part")
    which, its_order = (
        (str(part), order_asked(arguments.get("order"))) if part else suspect_of(before.diagnosis)
    )
    progress("comparing", 0.96)
    low_range = bool(arguments["before"].get("low_range"))
    result = compare(before, after, vehicle, which, its_order, low_range=low_range)
    unit = before.diagnosis.speed.unit
    content = {
        "result": comparison_dict(result, unit),
        "numbers": comparison_sheet(result, unit).numbers,
        "speed_unit": unit,
    }
    (folder / COMPARISON_FILE).write_text(json.dumps(content, ensure_ascii=False, allow_nan=False), "utf-8")


def _drive(
    folder: Path, one: Mapping[str, Any], limits: Mapping[str, Any], vehicle: "Vehicle", progress: Progress
) -> "Drive":
    """One drive read and judged as it was at its upload: a log beats what was said."""
    from vibeorder.diagnosis import diagnose
    from vibeorder.diagnosis.compare import Drive
    from vibeorder.speed.clocks import recording_and_log
    from vibeorder.speed.given import parse_speed_given
    from vibeorder.speed.logged import read_speed_log
    from vibeorder.units import parse_time

    progress("reading the recording", 0.0)
    path = folder / one["file"]
    check_file(path, one["name"], limits["decoded_s"], limits["unpacked_bytes"])
    given = {key: value for key, value in (one.get("options") or {}).items() if value}
    recording = read_recording(path, ReadOptions(**{**given, "axes": tuple(given.get("axes", ()))}))
    check_duration(recording.duration_s, one["name"], limits["decoded_s"])
    recording, unit = replace(recording, source=one["name"]), str(one.get("speed_unit") or "")
    recording, heard = with_own_sound(recording, path, folder, one)
    judged: dict[str, Any] = {
        "gear": one.get("gear"),
        "low_range": bool(one.get("low_range")),
        "sound": heard,
        "progress": lambda what, part: progress(what, 0.1 + 0.9 * part),
    }
    if one.get("speed_log"):
        late = parse_time(str(one["log_late"])).si if one.get("log_late") else None
        trace = read_speed_log(folder / one["speed_log"]["file"])
        recording, driven = recording_and_log(trace, recording, vehicle, late, progress)
        recording, shown = in_unit_of_person(recording, driven, unit)
        return Drive(recording, diagnose(recording, vehicle, speed=shown, **judged))
    recording, _ = in_unit_of_person(recording, None, unit)
    said_speed = parse_speed_given(str(one["speed"])) if one.get("speed") else None
    return Drive(recording, diagnose(recording, vehicle, speed=said_speed, **judged))
