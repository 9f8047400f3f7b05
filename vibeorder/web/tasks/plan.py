"""What to drive for a complaint, before anything is recorded, planned in a child process.

card.json   {"vehicle", "speed", "steps": [{"instruction", "worth", "reading", "mark"}], "cautions": [sentence]}
"""

import json
import re
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

__all__ = ["CARD_FILE", "MARK_LENGTH", "run"]

CARD_FILE = "card.json"
MARK_LENGTH = 110
"""Longest name of a step that the recorder keeps with a mark (`vibeorder.web.pieces`)."""
_NOT_IN_MARKS = re.compile(r"[^\w ,.:;()/%+-]")
Progress = Callable[[str, float], None]


def run(folder: Path, arguments: Mapping[str, Any], progress: Progress) -> None:
    """Plan the drives that tell most. Raises VibeorderError.

    arguments: vehicle (sections of a profile), speed (as typed), gear or None, low_range, complaint.
    """
    from vibeorder.diagnosis.drive_plan import plan_drive
    from vibeorder.diagnosis.drive_words import worth_of
    from vibeorder.speed.given import parse_speed_given
    from vibeorder.vehicle import parse_vehicle

    progress("weighing which drives tell most", 0.1)
    vehicle = parse_vehicle(arguments["vehicle"], "vehicle")
    said = parse_speed_given(str(arguments["speed"]))
    steps = plan_drive(
        vehicle, said.middle_mps, arguments.get("gear"), said.unit,
        str(arguments.get("complaint") or ""), low_range=bool(arguments.get("low_range")),
    )  # fmt: skip
    card = {
        "vehicle": vehicle.name,
        "speed": said.text,
        "steps": [
            {
                "instruction": step.instruction,
                "worth": worth_of(step.tells_apart),
                "reading": step.reading,
                "mark": mark_of(number, step.instruction),
            }
            for number, step in enumerate(steps, 1)
        ],
        "cautions": list(dict.fromkeys(step.caution for step in steps)),
    }
    (folder / CARD_FILE).write_text(json.dumps(card, ensure_ascii=False), "utf-8")
    progress("done", 1.0)


def mark_of(number: int, instruction: str) -> str:
    """The name that a step's mark carries in a recording, like "step 2: Hold 60 mph in gear 6 for 40 s."."""
    return _NOT_IN_MARKS.sub(" ", f"step {number}: {instruction}")[:MARK_LENGTH]
