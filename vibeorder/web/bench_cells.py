"""Cells round the clock, bare numbers and the sheet's unit: typed pieces to the text that the bench reads."""

import re
from collections.abc import Mapping

from vibeorder.bench import parse_readings
from vibeorder.errors import UnitError, VibeorderError
from vibeorder.units import read_number

__all__ = [
    "COUNTS",
    "NUMBER",
    "UNITS",
    "Typed",
    "as_number",
    "as_rpm",
    "cell_names",
    "count_of",
    "counting_of",
    "filled_cells",
    "typed_readings",
    "unit_of",
    "with_reading_unit",
    "with_unit",
    "with_vector_unit",
]

Typed = Mapping[str, str]

UNITS = ("thou", "mm", "in")
COUNTS = range(4, 25)
NUMBER = re.compile(r"[-+−]?(\d+([.,]\d*)?|[.,]\d+)")


def cell_names(typed: Typed) -> list[str]:
    """How the places are called, beginning at the mark: "45°", "1:30" or "bolt 2"."""
    count, counting = count_of(typed), counting_of(typed)
    if counting == "bolts":
        return [f"bolt {i + 1}" for i in range(count)]
    if counting == "clock":
        return [f"{(720 * i // count) // 60 or 12}:{720 * i // count % 60:02d}" for i in range(count)]
    return [f"{360.0 * i / count:.4g}°" for i in range(count)]


def filled_cells(typed: Typed, prefix: str = "") -> list[tuple[float, float]]:
    """(degrees, reading as typed) of every cell with a number in it."""
    count = count_of(typed)
    cells = [(360.0 * i / count, typed.get(f"{prefix}c{i}", "").strip()) for i in range(count)]
    return [(angle, as_number(text)) for angle, text in cells if NUMBER.fullmatch(text)]


def typed_readings(typed: Typed, prefix: str = "", line: str = "readings") -> str:
    """The readings as one line of text, from the line where it is filled, else from the cells; '' for neither."""
    unit = unit_of(typed)
    text = typed.get(line, "").strip()
    return with_reading_unit(text, unit) if text else _cells_text(typed, prefix, unit)


def _cells_text(typed: Typed, prefix: str, unit: str) -> str:
    count, counting = count_of(typed), counting_of(typed)
    cells = [typed.get(f"{prefix}c{i}", "").strip().replace("−", "-").rstrip(".,") for i in range(count)]
    if not any(cells):
        return ""
    if counting == "degrees" and all(cells):
        return f"{' '.join(cells)} {unit}"
    names = {
        "bolts": [f"b{i + 1}" for i in range(count)],
        "clock": [f"{720 * i // count // 60 or 12}:{720 * i // count % 60:02d}h" for i in range(count)],
    }.get(counting, [f"{360.0 * i / count:.7g}" for i in range(count)])
    return " ".join(f"{name}:{text}" for name, text in zip(names, cells, strict=True) if text) + f" {unit}"


def count_of(typed: Typed) -> int:
    """How many places, 8 where nothing sensible was chosen."""
    text = typed.get("count", "")
    return int(text) if text.isascii() and text.isdigit() and int(text) in COUNTS else 8


def counting_of(typed: Typed) -> str:
    """How places are named; hours only where they fall on whole minutes."""
    text = typed.get("counting", "")
    return text if text == "bolts" or (text == "clock" and 720 % count_of(typed) == 0) else "degrees"


def unit_of(typed: Typed) -> str:
    """The sheet's unit of readings."""
    return typed["unit"] if typed.get("unit") in UNITS else UNITS[0]


def as_number(text: str) -> float:
    """The number of a text that NUMBER matches."""
    return float(text.replace("−", "-").replace(",", "."))


def as_rpm(text: str) -> float:
    """The turns a minute of a text that NUMBER matches."""
    return read_number(text.replace("−", "-"), "rpm")


def with_unit(text: str, unit: str) -> str:
    """A bare number gets the unit; anything else stays as it is."""
    return f"{text} {unit}" if NUMBER.fullmatch(text) else text


def with_vector_unit(text: str, unit: str) -> str:
    """ "8@200" becomes "8 thou@200"."""
    amount, at, angle = text.partition("@")
    return f"{with_unit(amount.strip(), unit)}{at}{angle.strip()}"


def with_reading_unit(text: str, unit: str) -> str:
    """The line with the sheet's unit at its end where it has none of its own."""
    try:
        parse_readings(text)
    except UnitError as error:
        return f"{text} {unit}" if "no unit" in str(error) else text
    except VibeorderError:
        return text
    return text
