"""A text log as columns: numbers where they are numbers, texts where they are stamps."""

from dataclasses import dataclass, field
from io import BytesIO, StringIO
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from vibeorder.errors import RecordingError
from vibeorder.recording.layout import Layout, find_layout, unquote

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Table", "read_table"]

FloatArray = NDArray[np.float64]
HEAD_BYTES = 1 << 17
# Text of a three-hour log at 400 Hz with ten columns stays below this.
MAX_BYTES = 1 << 30


@dataclass(frozen=True, slots=True)
class Table:
    """Columns of a log by position. frame: one column per position; names: as in the file ("" if none)."""

    source: str
    names: tuple[str, ...]
    frame: "pd.DataFrame"
    notes: tuple[str, ...] = ()
    rate_hz: float | None = None
    _cache: dict[int, FloatArray] = field(default_factory=dict)

    @property
    def rows(self) -> int:
        """Number of rows."""
        return len(self.frame)

    def is_number(self, column: int) -> bool:
        """Whether most of the column's filled cells are numbers."""
        values = self.frame[column]
        if values.dtype.kind in "iufb":
            return True
        sample = values.dropna()
        if not len(sample):
            return False
        sample = sample.iloc[:: max(1, len(sample) // 500)]
        return bool(_to_numbers(sample).notna().mean() > 0.5)

    def numbers(self, column: int) -> FloatArray:
        """The column as floats, NaN where the cell is empty or no number."""
        if column not in self._cache:
            values = self.frame[column]
            if values.dtype.kind not in "iufb":
                values = _to_numbers(values)
            if values.dtype == np.float64:
                return np.asarray(values.to_numpy())  # a view: a long log is not held twice
            self._cache[column] = values.to_numpy(dtype=np.float64, na_value=np.nan)
        return self._cache[column]

    def forget(self) -> None:
        """Frees the columns turned into numbers; asked again, they are made again."""
        self._cache.clear()

    def label(self, column: int) -> str:
        """How messages call a column: its name, else its number from 1."""
        name = self.names[column]
        if not name:
            return f"column {column + 1}"
        return f'"{name}"' if self.names.count(name) == 1 else f'"{name}" (column {column + 1})'

    def find(self, wanted: str, option: str) -> int:
        """Position of the column that an option names, by name or by number from 1."""
        text = wanted.strip()
        lowered = [name.strip().lower() for name in self.names]
        if lowered.count(text.lower()) == 1:
            return lowered.index(text.lower())
        if lowered.count(text.lower()) > 1:
            places = ", ".join(str(i + 1) for i, name in enumerate(lowered) if name == text.lower())
            raise RecordingError(
                f"{self.source} has several columns named {text!r}: give {option} by number, one of {places}"
            )
        if text.isdigit() and 1 <= int(text) <= len(self.names):
            return int(text) - 1
        raise RecordingError(f"{option} {wanted!r} is not in {self.source}; its columns are {self.listing()}")

    def listing(self) -> str:
        """All columns, numbered, for a message."""
        shown = [f"{i + 1} {name!r}" if name else f"{i + 1}" for i, name in enumerate(self.names)]
        if len(shown) > 40:
            shown = [*shown[:40], f"and {len(shown) - 40} more"]
        return ", ".join(shown)


def read_table(path: Path, raw: bytes | None = None, source: str = "") -> Table:
    """Reads a text log from a file, or from `raw` bytes taken out of an archive.

    Raises RecordingError where there are no rows of numbers.
    """
    source = source or path.name
    size = len(raw) if raw is not None else path.stat().st_size
    if size > MAX_BYTES:
        raise RecordingError(f"{source} is {size / 1e9:.1f} GB of text; cut out the minutes that shake")
    if raw is None:
        with path.open("rb") as file:
            head = file.read(HEAD_BYTES)
    else:
        head = raw[:HEAD_BYTES]
    layout = find_layout(head, size <= len(head), source)
    frame, notes = _load(path, raw, layout, source)
    if layout.quoted_rows:
        notes.append("whole rows stand in quotes; the quotes were taken off")
    return Table(source, layout.names, frame, tuple(notes), layout.rate_hz)


def _load(path: Path, raw: bytes | None, layout: Layout, source: str) -> tuple["pd.DataFrame", list[str]]:
    import pandas as pd  # slow to import, needed for logs only

    try:
        frame = pd.read_csv(_stream(path, raw, layout), **_arguments(layout, source))
    except (pd.errors.ParserError, pd.errors.EmptyDataError, ValueError, OverflowError) as error:
        raise RecordingError(
            f"{source} cannot be read as a table ({str(error).splitlines()[0][:120]}); "
            "is it cut off or mixed?"
        ) from error
    frame.columns = pd.RangeIndex(layout.width)
    notes = []
    lines = _count_lines(path, raw) - layout.first_row
    missing = lines - len(frame)
    if missing > max(3, 0.0002 * lines) and layout.encoding != "utf-16":
        notes.append(f"{missing} lines did not have the log's columns and were left out")
    return frame, notes


def _arguments(layout: Layout, source: str) -> dict[str, Any]:
    return {
        "sep": layout.separator,
        "decimal": layout.decimal,
        "header": None,
        "names": list(range(layout.width)),
        "index_col": False,
        "skiprows": layout.first_row,
        "engine": "c",
        "encoding": layout.encoding if layout.encoding != "utf-8-sig" else "utf-8",
        "encoding_errors": "replace",
        "on_bad_lines": "skip",
        "skipinitialspace": True,
        "low_memory": False,
        "na_values": ["-", "--", "inf", "-inf", "Inf", "-Inf", "Infinity", "-Infinity", "undefined"],
    }


def _stream(path: Path, raw: bytes | None, layout: Layout) -> Any:
    if layout.quoted_rows:
        data = raw if raw is not None else path.read_bytes()
        text = data.decode(layout.encoding, errors="replace")
        return StringIO("\n".join(unquote(line) for line in text.splitlines()))
    return BytesIO(raw) if raw is not None else path


def _count_lines(path: Path, raw: bytes | None) -> int:
    """Lines that hold more than a line end."""
    if raw is not None:
        return raw.count(b"\n") - raw.count(b"\n\n") - raw.count(b"\n\r\n") + (not raw.endswith(b"\n"))
    count, last = 0, b"\n"
    with path.open("rb") as file:
        while block := file.read(1 << 22):
            count += block.count(b"\n") - block.count(b"\n\n") - block.count(b"\n\r\n")
            last = block[-1:]
    return count + (last != b"\n")


def _to_numbers(values: "pd.Series[Any]") -> "pd.Series[Any]":
    import pandas as pd

    numbers = pd.to_numeric(values, errors="coerce")
    if numbers.notna().any() or not values.notna().any():
        return numbers
    # A decimal comma in a file that otherwise uses points.
    return pd.to_numeric(values.astype(str).str.replace(",", ".", regex=False), errors="coerce")
