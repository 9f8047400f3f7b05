"""A text log as columns: numbers where they are numbers, texts where they are stamps."""

import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from io import BytesIO, StringIO
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from vibeorder.errors import RecordingError
from vibeorder.recording.layout import Layout, find_layout, unquote
from vibeorder.recording.plain import Columns, plain_columns

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Table", "read_sections", "read_table"]

FloatArray = NDArray[np.float64]
HEAD_BYTES = 1 << 17
# Text of a three-hour log at 400 Hz with ten columns stays below this.
MAX_BYTES = 1 << 30
# A log shorter than this is read at once: half an hour of three axes and a speed at 400 Hz. Longer ones come in
# sections of so many numbers, and of rows within these bounds: a clock is judged by many.
WHOLE_BYTES = 24_000_000
SECTION_VALUES, SECTION_ROWS = 1_000_000, (60_000, 200_000)
# No sensor and no clock (Unix time in ns is 2e18) counts so far; squares of what lies beyond would overflow.
MAX_NUMBER = 1e30
LONGEST_NUMBER = 100


@dataclass(frozen=True, slots=True)
class Table:
    """Columns of a log by position. frame: one column per position; names: as in the file ("" if none)."""

    source: str
    names: tuple[str, ...]
    frame: "pd.DataFrame | Columns"
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
        if isinstance(values, np.ndarray) or values.dtype.kind in "iufb":
            return True
        sample = values.dropna()
        if not len(sample):
            return False
        sample = sample.iloc[:: max(1, len(sample) // 500)]
        return bool(_to_numbers(sample).notna().mean() > 0.5)

    def numbers(self, column: int) -> FloatArray:
        """The column as floats, at most 1e30 either way, NaN where the cell is empty or no number."""
        if column not in self._cache:
            values = self.frame[column]
            if isinstance(values, np.ndarray):
                return values
            if values.dtype.kind not in "iufb":
                values = _to_numbers(values)
            plain = values.dtype == np.float64
            numbers = np.asarray(values.to_numpy() if plain else values.to_numpy(np.float64, na_value=np.nan))
            if max(np.fmax.reduce(numbers, initial=0.0), -np.fmin.reduce(numbers, initial=0.0)) > MAX_NUMBER:
                numbers, plain = (
                    np.where(np.isinf(numbers), np.nan, np.clip(numbers, -MAX_NUMBER, MAX_NUMBER)),
                    False,
                )
            if plain:
                return numbers  # a view: a long log is not held twice
            self._cache[column] = numbers
        return self._cache[column]

    def forget(self) -> None:
        """Frees the columns turned into numbers; asked again, they are made again."""
        self._cache.clear()

    def followed_by(self, other: "Table") -> "Table":
        """Both one after another."""
        import pandas as pd

        both = (
            pd.DataFrame(dict(enumerate(f.values))) if isinstance(f, Columns) else f
            for f in (self.frame, other.frame)
        )
        frame = pd.concat(both, ignore_index=True)
        return replace(self, frame=frame, notes=(*self.notes, *other.notes), _cache={})

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
    return _whole(path, raw, source, _layout(path, raw, source))


def _whole(path: Path, raw: bytes | None, source: str, layout: Layout) -> Table:
    """The log read at once."""
    plain = _plain(path, raw, layout)
    if plain is not None:
        notes = _missing_note(path, raw, layout, len(plain))
        return Table(source, layout.names, plain, tuple(notes), layout.rate_hz)
    with _parsing(source) as wider:
        frame = _parser(path, raw, layout)
    notes = _wider_note(wider) + _missing_note(path, raw, layout, len(frame))
    if layout.quoted_rows:
        notes.append("whole rows stand in quotes; the quotes were taken off")
    return _table(source, layout, frame, notes)


def _plain(path: Path, raw: bytes | None, layout: Layout) -> Columns | None:
    """The columns, where the log is short and nothing but plain numbers."""
    size = path.stat().st_size if raw is None else len(raw)
    if layout.quoted_rows or layout.encoding == "utf-16" or size > WHOLE_BYTES:
        return None
    data = path.read_bytes() if raw is None else raw
    return plain_columns(data, layout.first_row, layout.width, layout.separator, layout.decimal)


def read_sections(path: Path) -> Iterator[Table]:
    """The log that `read_table` gives, a long one in sections one after another, never all at once.

    Notes come with the first section (what holds for the layout) and with the last. Raises as read_table does.
    """
    layout = _layout(path, None, path.name)
    if path.stat().st_size <= WHOLE_BYTES or layout.quoted_rows:
        yield _whole(path, None, path.name, layout)
        return
    size = int(np.clip(SECTION_VALUES // layout.width, *SECTION_ROWS))
    held: Table | None = None
    rows = 0
    wider: list[str] = []
    for frame, notes in _frames(path, layout, size):
        rows += len(frame)
        wider = wider or notes
        table = _table(path.name, layout, frame, [])
        if held is not None and len(frame) < size // 4:
            held = held.followed_by(table)  # the last few rows are too few to judge a clock by
        elif held is not None:
            yield held
            held = table
        else:
            held = table
    if held is None:
        raise RecordingError(f"{path.name} holds no rows of numbers")
    yield replace(held, notes=(*wider, *_missing_note(path, None, layout, rows)))


def _frames(path: Path, layout: Layout, size: int) -> "Iterator[tuple[pd.DataFrame, list[str]]]":
    """`size` rows at a time, with what the parser warned of."""
    with _parsing(path.name):
        reader = _parser(path, None, layout, chunksize=size)
    with reader:
        while True:
            with _parsing(path.name) as wider:
                frame = next(reader, None)
            if frame is None:
                return
            yield frame, _wider_note(wider)


def _layout(path: Path, raw: bytes | None, source: str) -> Layout:
    size = len(raw) if raw is not None else path.stat().st_size
    if size > MAX_BYTES:
        raise RecordingError(f"{source} is {size / 1e9:.1f} GB of text; cut out the minutes that shake")
    if raw is None:
        with path.open("rb") as file:
            head = file.read(HEAD_BYTES)
    else:
        head = raw[:HEAD_BYTES]
    return find_layout(head, size <= len(head), source)


def _table(source: str, layout: Layout, frame: "pd.DataFrame", notes: list[str]) -> Table:
    import pandas as pd

    frame.columns = pd.RangeIndex(layout.width)
    frame.index = pd.RangeIndex(len(frame))
    return Table(source, layout.names, frame, tuple(notes), layout.rate_hz)


@contextmanager
def _parsing(source: str) -> Iterator[list[warnings.WarningMessage]]:
    """Gathers the parser's warnings; what it cannot read is the user's mistake."""
    import pandas as pd  # slow to import, needed for logs only

    try:
        with warnings.catch_warnings(record=True) as wider:
            warnings.simplefilter("always", pd.errors.ParserWarning)
            yield wider
    except (pd.errors.ParserError, pd.errors.EmptyDataError, ValueError, OverflowError) as error:
        raise RecordingError(
            f"{source} cannot be read as a table ({str(error).splitlines()[0][:120]}); "
            "is it cut off or mixed?"
        ) from error


def _parser(path: Path, raw: bytes | None, layout: Layout, **further: Any) -> Any:
    import pandas as pd

    return pd.read_csv(_stream(path, raw, layout), **_arguments(layout), **further)


def _wider_note(wider: list[warnings.WarningMessage]) -> list[str]:
    return ["rows hold more cells than the header names; the cells beyond were left out"] if wider else []


def _missing_note(path: Path, raw: bytes | None, layout: Layout, rows: int) -> list[str]:
    lines = _count_lines(path, raw) - layout.first_row
    missing = lines - rows
    if missing <= max(3, 0.0002 * lines) or layout.encoding == "utf-16":
        return []
    return [f"{missing} lines did not have the log's columns and were left out"]


def _arguments(layout: Layout) -> dict[str, Any]:
    return {
        "sep": layout.separator,
        "decimal": layout.decimal,
        "header": None,
        "names": list(range(layout.width)),
        "index_col": False,
        "compression": None,  # told by content elsewhere, not by a name that ends in .zip
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

    try:
        numbers = pd.to_numeric(values, errors="coerce")
    except (
        OverflowError
    ):  # whole numbers of hundreds of digits, where JSON or a mixed column keeps them as such
        values = values.astype(str)
        numbers = pd.to_numeric(values.where(values.str.len() < LONGEST_NUMBER), errors="coerce")
    if numbers.notna().any() or not values.notna().any():
        return numbers
    # A decimal comma in a file that otherwise uses points.
    return pd.to_numeric(values.astype(str).str.replace(",", ".", regex=False), errors="coerce")
