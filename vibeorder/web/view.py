"""What the result page shows of a diagnosis, as JSON and pictures: written by the child process, drawn by the server.

The words are those of the printed sheet and the terminal (`report/wording.py`); nothing is computed here.
"""

import csv
import io
import json
from collections.abc import Iterable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from vibeorder.diagnosis.result import Diagnosis, Suspect
from vibeorder.report.why_text import LEAD, why_blocks
from vibeorder.report.wording import (
    EXPLAINED,
    WORTH_EXPLAINING,
    SuspectGroup,
    beside_lines,
    capitalised,
    group_suspects,
    groups_worth_showing,
    healthy_text,
    nothing_text,
    percent,
    recording_text,
    speed_lines,
    suspect_facts,
    suspect_name,
    table_numbers,
    twin_lines,
)
from vibeorder.vehicle.trade import COSTS_NOTHING_FIRST
from vibeorder.web.draw.png import ink_png
from vibeorder.web.picture import map_pixels, picture_of

__all__ = ["MAP_DAY", "MAP_NIGHT", "SPECTRUM_CSV", "SUSPECTS_CSV", "VIEW_FILE", "view_of", "write_view"]

VIEW_FILE = "view.json"
SUSPECTS_CSV, SPECTRUM_CSV = "suspects.csv", "spectrum.csv"
MAP_DAY, MAP_NIGHT = "map-day.png", "map-night.png"
DAY_INK, NIGHT_INK = (29, 33, 38), (241, 238, 228)
"""The page's ink in its two schemes (static/sheet.css)."""


def write_view(diagnosis: Diagnosis, folder: Path) -> None:
    """Write view.json, the order map in two inks, and two CSV files into `folder`. Raises OSError."""
    view = json.dumps(view_of(diagnosis), ensure_ascii=False, allow_nan=False)
    pixels = map_pixels(diagnosis)
    (folder / MAP_DAY).write_bytes(ink_png(pixels, DAY_INK))
    (folder / MAP_NIGHT).write_bytes(ink_png(pixels, NIGHT_INK))
    (folder / SUSPECTS_CSV).write_text(_suspects_csv(diagnosis.suspects), "utf-8", newline="")
    (folder / SPECTRUM_CSV).write_text(_spectrum_csv(diagnosis), "utf-8", newline="")
    (folder / VIEW_FILE).write_text(view, "utf-8")  # last: where it lies, all lie


def view_of(diagnosis: Diagnosis) -> dict[str, Any]:
    """Verdict, ranked rows (groups of twins, and nothing among them), checks, sentences and the picture."""
    groups = groups_worth_showing(diagnosis)
    check, drive = diagnosis.runout_check, diagnosis.next_drive
    return {
        "verdict": diagnosis.verdict,
        "vehicle": diagnosis.vehicle_name,
        "recording": recording_text(diagnosis.recording),
        "source": str(diagnosis.recording.get("source", "recording")),
        "relative": _relative(diagnosis),
        "customer": _customer(diagnosis),
        "rows": _rows(groups, diagnosis),
        "besides": _besides(diagnosis, groups),
        "runout": {
            "warranted": bool(check.warranted),
            "where": capitalised(check.where),
            "why": capitalised(check.why),
        },
        "next_drive": drive and {"instruction": drive.instruction, "reason": capitalised(drive.reason)},
        "twins": list(twin_lines(groups, diagnosis.speed.source)),
        "speed": _sentences(speed_lines(diagnosis.speed)),
        "history": _sentences(diagnosis.history),
        "costs_nothing": COSTS_NOTHING_FIRST if COSTS_NOTHING_FIRST in diagnosis.notes else "",
        "notes": _sentences((*_other_notes(diagnosis), healthy_text(diagnosis))),
        "cautions": _sentences(diagnosis.cautions),
        "why": _why(diagnosis),
        "picture": picture_of(diagnosis),
    }


def _customer(diagnosis: Diagnosis) -> dict[str, Any] | None:
    """What the customer's words did: the sentence with both figures, and each leaning. None where none counted."""
    lines = beside_lines(replace(diagnosis, senses=None))
    return {"sentence": lines[0], "leanings": list(lines[1:])} if lines else None


def _rows(groups: Sequence[SuspectGroup], diagnosis: Diagnosis) -> list[dict[str, Any]]:
    """The ranked list; a row without members is none of the parts, and named."""
    relative = _relative(diagnosis)
    rows = [
        {
            "number": number,
            "probability": group.probability,
            "percent": percent(group.probability),
            "explained": number <= EXPLAINED and group.probability >= WORTH_EXPLAINING,
            "members": [_member(one, relative) for one in group.members],
        }
        for number, group in enumerate(groups, 1)
    ]
    nothing = diagnosis.nothing_found_probability
    rows.append(
        {
            "number": None,
            "probability": nothing,
            "name": capitalised(nothing_text(diagnosis)),
            "percent": percent(nothing),
            "explained": False,
            "members": [],
        }
    )
    return sorted(rows, key=lambda row: -float(str(row["probability"])))


def _member(one: Suspect, relative: bool) -> dict[str, Any]:
    measured, expected, *sizes, noise = table_numbers(one, relative)
    return {
        "part": one.part,
        "order": one.order,
        "name": suspect_name(one),
        "label": capitalised(one.label).removesuffix("."),
        "measured": measured,
        "expected": expected,
        "sizes": sizes,
        "noise": noise,
        "feel": capitalised(one.feel),
        "facts": [{"heading": heading, "text": text} for heading, text in suspect_facts(one)],
    }


def _besides(diagnosis: Diagnosis, groups: Sequence[SuspectGroup]) -> str:
    every = group_suspects(diagnosis.suspects)
    rest = every[len(groups) :]
    if not rest:
        return ""
    return f"{len(rest)} more were weighed, together {percent(sum(group.probability for group in rest))}."


def _relative(diagnosis: Diagnosis) -> bool:
    return all(one.unit != "m/s^2" for one in diagnosis.suspects)


def _why(diagnosis: Diagnosis) -> dict[str, Any]:
    """What speaks for and against, where it was asked for."""
    blocks = [
        {
            "title": capitalised(block.title).removesuffix("."),
            "sections": [
                {"heading": heading, "lines": [{"what": what, "said": said} for what, said in lines]}
                for heading, lines in block.sections
            ],
        }
        for block in why_blocks(diagnosis)
    ]
    return {"lead": LEAD, "blocks": blocks}


def _other_notes(diagnosis: Diagnosis) -> list[str]:
    return [note for note in diagnosis.notes if note != COSTS_NOTHING_FIRST]


def _sentences(lines: Iterable[str]) -> list[str]:
    return [capitalised(line) for line in lines if line]


def _suspects_csv(suspects: Sequence[Suspect]) -> str:
    """Every suspect, likeliest first; numbers with a point, columns with a comma (RFC 4180)."""
    names = (
        "part", "order", "label", "probability", "frequency_hz", "frequency_se_hz", "expected_hz", "amplitude",
        "amplitude_rms", "unit", "snr_db", "folded", "healthy", "indistinct_from", "first_check",
    )  # fmt: skip
    rows = [
        (
            one.part, one.order, one.label, f"{one.probability:.6g}", _cell(one.frequency_hz),
            _cell(one.frequency_se_hz), _cell(one.expected_hz), _cell(one.amplitude), _cell(one.amplitude_rms),
            one.unit, _cell(one.snr_db), one.folded, one.healthy,
            "; ".join(f"{part} {order:g}" for part, order in one.indistinct_from), one.first_check,
        )
        for one in sorted(suspects, key=lambda one: -one.probability)
    ]  # fmt: skip
    return _csv(names, rows)


def _spectrum_csv(diagnosis: Diagnosis) -> str:
    view = diagnosis.spectrum
    unit = view.unit.replace("/", "_per_").replace("^", "")
    names = ("frequency_hz", f"amplitude_{unit}", f"noise_floor_{unit}")
    columns = (view.frequency_hz.tolist(), view.amplitude.tolist(), view.floor.tolist())
    return _csv(names, ([_cell(value) for value in row] for row in zip(*columns, strict=True)))


def _cell(value: float | None) -> str:
    return "" if value is None else f"{value:.6g}"


def _csv(names: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    paper = io.StringIO()
    writer = csv.writer(paper)
    writer.writerow(names)
    writer.writerows([[_harmless(cell) for cell in row] for row in rows])
    return paper.getvalue()


def _harmless(cell: object) -> str:
    """Text that a spreadsheet would run as a formula, made text by an apostrophe; numbers stay numbers."""
    text = str(cell)
    if text[:1] in ("=", "+", "-", "@", "\t", "\r") and not _is_number(text):
        return f"'{text}"
    return text


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True
