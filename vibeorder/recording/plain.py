"""A log that is nothing but plain numbers, read without the library that reads the others.

That library takes longer to import than ten minutes of log to read. What is given is what it would give to the last
bit: a number of so few digits is a whole number over a power of ten, both exact, so that any parser rounds it once.
"""

import warnings
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Columns", "plain_columns"]

FloatArray = NDArray[np.float64]

# Characters of a cell: at most 15 digits, which a float holds exactly.
LONGEST_CELL = 15
NUMBERS = b"0123456789.-"
SEPARATORS = (",", ";", "\t")


@dataclass(frozen=True, slots=True)
class Columns:
    """Columns of numbers by position, NaN where a cell is empty [shape (columns, rows)]."""

    values: FloatArray

    def __getitem__(self, column: int) -> FloatArray:
        return np.asarray(self.values[column])

    def __len__(self) -> int:
        return int(self.values.shape[1])


def plain_columns(data: bytes, first_row: int, width: int, separator: str, decimal: str) -> Columns | None:
    """The columns of a text whose every row, from first_row on, has `width` plain numbers or empty cells.

    None for any other text: another character, a long number, a row too long or too short, an empty line.
    """
    cells = _cells(data, first_row, separator, decimal)
    if width < 2 or cells is None or not _regular(cells, width):
        return None
    rows, flat = cells.count(b"\n"), cells.replace(b"\n", b",")
    # twice, since of three separators in a row the middle one ends one empty cell and begins the next
    for _ in range(2 if b",," in flat else 0):
        flat = flat.replace(b",,", b",nan,")
    if flat[:1] == b",":
        flat = b"nan" + flat
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", DeprecationWarning)  # of a cell such as 1-2: it ends there
            found = np.fromstring(flat, sep=",")
    except ValueError:
        return None
    if found.size != width * rows:
        return None
    return Columns(np.ascontiguousarray(found.reshape(-1, width).T))


def _cells(data: bytes, first_row: int, separator: str, decimal: str) -> bytes | None:
    """The rows, each with its line end, commas between the cells and points in the numbers; None if not plain."""
    if separator not in SEPARATORS or separator == decimal:
        return None
    data = data.replace(b"\r\n", b"\n")
    at = 0
    for _ in range(first_row):
        at = data.find(b"\n", at) + 1
        if not at:
            return None
    head, cells = data[:at], data[at:]
    if b"\r" in head or b'"' in head or not cells:
        return None  # a header's lines may be counted otherwise
    cells = cells if cells.endswith(b"\n") else cells + b"\n"
    signs = (separator + decimal).encode()
    if cells.translate(None, NUMBERS.replace(b".", decimal.encode()) + separator.encode() + b"\n"):
        return None
    return cells if signs == b",." else cells.translate(bytes.maketrans(signs, b",."))


def _regular(cells: bytes, width: int) -> bool:
    """Whether every row has `width` cells, none of them long, and none a whole zero with a sign."""
    if cells.startswith(b"\n") or b"\n\n" in cells or b"-0," in cells or b"-0\n" in cells:
        return False
    codes = np.frombuffer(cells, np.uint8)
    ends = np.flatnonzero((codes == ord(",")) | (codes == ord("\n")))
    if ends.size % width or int(np.diff(ends, prepend=-1).max()) > LONGEST_CELL + 1:
        return False
    rows = codes[ends].reshape(-1, width) == ord("\n")
    return bool(rows[:, -1].all()) and int(rows.sum()) == len(rows)
