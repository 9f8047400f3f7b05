"""What every bench result looks like before a door renders it: a sentence, numbers, notes."""

import cmath
import dataclasses
import math
from collections.abc import Mapping
from dataclasses import dataclass

from vibeorder.units import show_length

__all__ = ["Sheet", "as_json", "plus_minus_length", "render"]


PLUS_MINUS = "± is one standard error; twice as much is 95%."


@dataclass(frozen=True, slots=True)
class Sheet:
    """sentence: what a technician would say. numbers: (name, value). notes: cautions, next steps."""

    sentence: str
    numbers: tuple[tuple[str, str], ...] = ()
    notes: tuple[str, ...] = ()


def render(sheet: Sheet) -> str:
    """Plain text: the sentence, a blank line, the numbers in two columns and what their ± is, the notes.

    >>> print(render(Sheet("Good.", (("TIR", "2 thou"),))))
    Good.
    <BLANKLINE>
      TIR  2 thou
    """
    width = max((len(name) for name, _ in sheet.numbers), default=0)
    lines = [sheet.sentence]
    if sheet.numbers:
        lines += ["", *(f"  {name:<{width}}  {value}" for name, value in sheet.numbers)]
    if any("±" in value for _, value in sheet.numbers):
        lines += ["", "  " + PLUS_MINUS]
    if sheet.notes:
        lines += ["", *(f"- {note}" for note in sheet.notes)]
    return "\n".join(lines)


def as_json(command: str, result: object, sheet: Sheet) -> dict[str, object]:
    """The result (SI units, as the field names say) and its sheet as plain JSON values."""
    return {
        "schema": 1,
        "command": command,
        "sentence": sheet.sentence,
        "numbers": dict(sheet.numbers),
        "notes": list(sheet.notes),
        "result": _plain(result),
    }


def plus_minus_length(value_m: float, se_m: float, unit: str) -> str:
    """'8.3 ± 0.4 thou' from metres: one standard error, in the user's unit."""
    number = show_length(value_m, unit).rsplit(" ", 1)[0]
    return f"{number} ± {show_length(se_m, unit)}"


def _plain(value: object) -> object:
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        plain = {f.name: _plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
        if hasattr(value, "angle_se_deg") and hasattr(value, "length_se"):
            plain |= {k: getattr(value, k) for k in ("length", "length_se", "angle_deg", "angle_se_deg")}
        return plain
    if isinstance(value, complex):
        angle = math.degrees(cmath.phase(value)) % 360.0
        return {"real": value.real, "imag": value.imag, "length": abs(value), "angle_deg": angle}
    if isinstance(value, Mapping):
        return {str(k): _plain(v) for k, v in value.items()}
    if isinstance(value, tuple | list):
        return [_plain(v) for v in value]
    return value
