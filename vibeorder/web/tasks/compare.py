"""Two drives of one job, before and after a repair, in a child process.

comparison.json   {"result": as `vibeorder compare --json` writes it, "numbers": [[name, value]], "speed_unit"}
"""

import json
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from vibeorder.errors import VibeorderError
from vibeorder.web.tasks.diagnose import read_sent, renamed, speed_sent, words_sent

if TYPE_CHECKING:
    from vibeorder.diagnosis import Intake
    from vibeorder.diagnosis.compare import Drive
    from vibeorder.vehicle import Vehicle

__all__ = ["COMPARISON_FILE", "run"]

COMPARISON_FILE = "comparison.json"
Progress = Callable[[str, float], None]


def run(folder: Path, arguments: Mapping[str, Any], progress: Progress) -> None:
    """Diagnose both drives and compare the order that was repaired.

    arguments: vehicle (sections of a profile), before and after ({"file", "name", "speed", "speed_log", "gear",
    "low_range", "options"}), part and order ('' and None: the first suspect before), intake and count_words (what the
    customer said, for both drives alike), decoded_s, unpacked_bytes.
    """
    from vibeorder.diagnosis.compare import compare
    from vibeorder.diagnosis.compare_asked import logs_not_used, order_asked, suspect_of
    from vibeorder.report.comparison import comparison_dict, comparison_sheet
    from vibeorder.vehicle import parse_vehicle

    vehicle, said = parse_vehicle(arguments["vehicle"], "vehicle"), words_sent(arguments)
    drives = []
    for place, role in enumerate(("before", "after")):

        def share(what: str, part: float, place: int = place, role: str = role) -> None:
            progress(f"{role} the repair: {what}", 0.48 * (place + part))

        drives.append(_drive(folder, arguments[role], arguments, vehicle, said, share))
    before, after = drives
    part = arguments.get("part")
    which, its_order = (
        (str(part), order_asked(arguments.get("order"))) if part else suspect_of(before.diagnosis)
    )
    progress("comparing", 0.96)
    low_range = bool(arguments["before"].get("low_range"))
    result = compare(before, after, vehicle, which, its_order, low_range=low_range)
    unused = logs_not_used(before.recording, after.recording)
    result = replace(result, warnings=(*result.warnings, *unused))
    unit = before.diagnosis.speed.unit
    content = {
        "result": comparison_dict(result, unit),
        "numbers": comparison_sheet(result, unit).numbers,
        "speed_unit": unit,
    }
    (folder / COMPARISON_FILE).write_text(json.dumps(content, ensure_ascii=False, allow_nan=False), "utf-8")


def _drive(
    folder: Path,
    one: Mapping[str, Any],
    limits: Mapping[str, Any],
    vehicle: "Vehicle",
    said: "Intake | None",
    progress: Progress,
) -> "Drive":
    """One drive read as at its upload, and judged in one piece: one course is compared."""
    from vibeorder.diagnosis import diagnose
    from vibeorder.diagnosis.compare import Drive

    asked = {**one, "decoded_s": limits["decoded_s"], "unpacked_bytes": limits["unpacked_bytes"]}
    try:
        recording, driven, heard = read_sent(folder, one, vehicle, speed_sent(folder, one), asked, progress)
        found = diagnose(
            recording, vehicle, speed=driven, gear=one.get("gear"), low_range=bool(one.get("low_range")),
            progress=lambda what, part: progress(what, 0.1 + 0.9 * part), sound=heard, said=said,
        )  # fmt: skip
    except VibeorderError as error:
        raise VibeorderError(renamed(str(error), folder, one)) from None
    return Drive(recording, found)
