"""How a text log is laid out: encoding, separator, decimal mark, header, first row of numbers."""

import csv
import re
from dataclasses import dataclass
from io import StringIO

from vibeorder.errors import RecordingError
from vibeorder.recording.spelleddates import in_figures

__all__ = ["BLANKS", "Layout", "find_layout", "is_stamp", "is_text", "unquote"]

BLANKS = r"\s+"
SEPARATORS = (";", "\t", ",", "|", BLANKS)
# More columns than any logger writes: such a file is something else.
MAX_COLUMNS = 2000

_NUMBER = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?$")
_COMMA_NUMBER = re.compile(r"[+-]?\d*,\d+([eE][+-]?\d+)?$")
_POINT_NUMBER = re.compile(r"[+-]?\d*\.\d+([eE][+-]?\d+)?$")
_MISSING = frozenset(("nan", "null", "none", "na", "n/a", "inf", "-inf", "-nan", "true", "false"))
_STAMP = re.compile(
    r"(\d{1,4}[-/.]\d{1,2}[-/.]\d{1,4})?[T ]?\d{1,2}:\d{2}(:\d{2})?([.,:]\d+)?"
    r"\s*(am|pm)?\s*(z|utc|gmt|[+-]\d{2}:?\d{2})?$"
    r"|\d{1,4}[-/]\d{1,2}[-/]\d{1,4}$",
    re.IGNORECASE,
)
_RATE = re.compile(r"(?:sampl|rate|freq|fs\b)[^\d\n]{0,24}?(\d+(?:[.,]\d+)?)\s*(k?hz)", re.IGNORECASE)
_UNIT_CELL = re.compile(
    r"[(\[]?\s*(s|ms|us|µs|ns|sec|seconds?|g|mg|m/s(\^?2|²)?|m/s/s|km/h|mph|rpm|deg(/s)?|°|°/s|rad/s|hz|v|-)?\s*[)\]]?$",
    re.IGNORECASE,
)


@dataclass(frozen=True, slots=True)
class Layout:
    """Where the numbers of a text log stand.

    separator: one character or BLANKS. names: header cells, padded with "" to `width`, all "" without header.
    first_row: number of lines before the first row of numbers. quoted_rows: each whole row is in quotes.
    rate_hz: a sample rate stated in the lines before the header.
    """

    encoding: str
    separator: str
    decimal: str
    names: tuple[str, ...]
    first_row: int
    quoted_rows: bool = False
    rate_hz: float | None = None

    @property
    def width(self) -> int:
        """Number of columns."""
        return len(self.names)


def is_text(head: bytes) -> bool:
    """Whether bytes look like text: no control characters, or UTF-16 with its mark. Never raises."""
    if head[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return True
    return not any(byte < 9 or 13 < byte < 27 or 27 < byte < 32 for byte in head)


def is_stamp(cell: str) -> bool:
    """Whether a cell is a date, a clock time or both."""
    return bool(_STAMP.match(cell.strip())) or bool(_STAMP.match(in_figures(cell) or "-"))


def find_layout(head: bytes, whole: bool, source: str) -> Layout:
    """Finds the layout from the head of a file; `whole` says that the head is all of it.

    Raises RecordingError when there are no rows of numbers.
    """
    encoding = _encoding(head)
    text = head.decode(encoding, errors="replace").lstrip("\ufeff")
    lines = text.splitlines()
    if not whole and len(lines) > 1:
        lines = lines[:-1]
    skipped, separator = _separator_line(lines)
    body = lines[skipped:]
    quoted = _rows_are_quoted(body)
    if quoted:
        body = [unquote(line) for line in body]
    if separator is None:
        separator = _best_separator(body)
    rows = [_cells(line, separator) for line in body]
    first = _first_data_row(rows)
    if first is None:
        raise RecordingError(
            f"{source} is text, but no rows of numbers were found in it; "
            "a log has one row per sample with its columns set apart by commas, semicolons, tabs or blanks"
        )
    data = rows[first:]
    width = max(len(row) for row in data)
    if width > MAX_COLUMNS:
        raise RecordingError(f"{source} has {width} columns in a row: this is not a log of a shake")
    names = _header(body[:first], rows[:first], separator, _usual_width(data), width)
    return Layout(
        encoding=encoding,
        separator=separator,
        decimal=_decimal(data, separator),
        names=names,
        first_row=skipped + first,
        quoted_rows=quoted,
        rate_hz=_stated_rate(body[:first]),
    )


def _encoding(head: bytes) -> str:
    if head[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return "utf-16"
    try:
        # The head may be cut in the middle of a character: up to three bytes are forgiven.
        head[: max(len(head) - 3, 1)].decode("utf-8")
    except UnicodeDecodeError as error:
        if error.start < len(head) - 6:
            return "latin-1"
    return "utf-8-sig"


def _separator_line(lines: list[str]) -> tuple[int, str | None]:
    """A first line such as "sep=," names the separator itself."""
    if lines and (match := re.match(r'"?sep=(.)"?', lines[0].strip(), re.IGNORECASE)):
        return 1, match.group(1)
    return 0, None


def _rows_are_quoted(lines: list[str]) -> bool:
    """Whether whole rows stand in quotes, as opposed to their cells."""
    tail = [line for line in lines[1:200] if line.strip()]
    if len(tail) < 2:
        return False
    whole = [
        line for line in tail if line[:1] == '"' and line.rstrip()[-1:] == '"' and _one_cell(line.rstrip())
    ]
    return len(whole) > 0.9 * len(tail)


def _one_cell(line: str) -> bool:
    inner = line[1:-1].replace('""', "")
    return '"' not in inner and any(mark in inner for mark in ",;\t|")


def unquote(line: str) -> str:
    stripped = line.rstrip()
    if stripped[:1] == '"' and stripped[-1:] == '"' and len(stripped) > 1 and _one_cell(stripped):
        return stripped[1:-1].replace('""', '"')
    return line


def _cells(line: str, separator: str) -> list[str]:
    if separator == BLANKS:
        return line.split()
    if '"' in line:
        try:
            cells = next(csv.reader(StringIO(line), delimiter=separator, skipinitialspace=True), [])
        except csv.Error:
            cells = line.split(separator)
    else:
        cells = line.split(separator)
    cells = [cell.strip() for cell in cells]
    while len(cells) > 1 and cells[-1] == "":
        cells.pop()
    return cells


def _is_value(cell: str) -> bool:
    return bool(_NUMBER.match(cell)) or is_stamp(cell) or cell.lower() in _MISSING


def _best_separator(lines: list[str]) -> str:
    """The separator under which most cells of most rows are numbers or stamps, and rows are alike long."""
    sample = [line for line in lines[-200:] if line.strip()]
    best, best_score = ",", (-1.0, 0)
    for separator in SEPARATORS:
        rows = [_cells(line, separator) for line in sample]
        if not rows:
            break
        usual = _usual_width(rows)
        if usual < 2:
            continue
        share = 0.0
        for row in rows:
            filled = [cell for cell in row if cell]
            share += sum(map(_is_value, filled)) / max(len(filled), 1)
        alike = sum(len(row) == usual for row in rows) / len(rows)
        score = (round(share / len(rows) + 0.3 * alike, 1), usual)
        if score > best_score:
            best, best_score = separator, score
    return best


def _usual_width(rows: list[list[str]]) -> int:
    widths = [len(row) for row in rows if row]
    return max(set(widths), key=widths.count) if widths else 0


def _first_data_row(rows: list[list[str]]) -> int | None:
    usual = _usual_width(rows[-200:])
    for number, row in enumerate(rows):
        if _is_data(row, usual) and (number + 1 >= len(rows) or _is_data(_next_filled(rows, number), usual)):
            return number
    return None


def _next_filled(rows: list[list[str]], number: int) -> list[str]:
    return next((row for row in rows[number + 1 :] if any(row)), rows[number])


def _is_data(row: list[str], usual: int) -> bool:
    filled = [cell for cell in row if cell]
    values = sum(map(_is_value, filled))
    numbers = sum(bool(_NUMBER.match(cell)) for cell in filled)
    wanted = 1 if usual <= 1 else min(2, usual)
    return numbers >= 1 and values >= wanted and 2 * values >= len(filled) and 2 * len(row) >= usual


def _decimal(rows: list[list[str]], separator: str) -> str:
    if separator == ",":
        quoted = sum(bool(_COMMA_NUMBER.match(cell)) for row in rows[:200] for cell in row)
        return "," if quoted else "."
    cells = [cell for row in rows[:200] for cell in row]
    commas = sum(bool(_COMMA_NUMBER.match(cell)) for cell in cells)
    points = sum(bool(_POINT_NUMBER.match(cell)) for cell in cells)
    return "," if commas > points else "."


def _header(
    lines: list[str], rows: list[list[str]], separator: str, usual: int, width: int
) -> tuple[str, ...]:
    """The cells of the last line before the numbers that names the columns, with units of a line below."""
    names: list[str] = []
    units: list[str] = []
    for line, row in zip(reversed(lines), reversed(rows), strict=True):
        if not line.strip():
            continue
        cells = _header_cells(line, row, separator)
        if len(cells) < max(min(usual, width) - 2, 1) or (usual > 1 and len(cells) < 2):
            break
        if not units and all(map(_UNIT_CELL.match, cells)):
            units = cells
            continue
        if sum(map(_is_value, cells)) * 2 < len(cells):
            names = cells
        break
    if not names and units:
        names, units = units, []
    if units:
        units += [""] * (len(names) - len(units))
        names = [
            f"{name} ({unit.strip('()[] ')})" if unit else name
            for name, unit in zip(names, units, strict=False)
        ]
    names = names[:width] if len(names) > width else names + [""] * (width - len(names))
    return tuple(names)


def _header_cells(line: str, row: list[str], separator: str) -> list[str]:
    stripped = line.strip().lstrip("#%/ ").strip()
    if stripped == line.strip():
        return row
    return _cells(stripped, separator)


def _stated_rate(lines: list[str]) -> float | None:
    for line in lines:
        if match := _RATE.search(line):
            rate = float(match.group(1).replace(",", ".")) * (
                1000.0 if match.group(2).lower() == "khz" else 1.0
            )
            return rate if rate > 0 else None
    return None
