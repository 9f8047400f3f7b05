"""Outcomes as tables: one row per recording, and one per suspect; CSV or Parquet by the file's name."""

import csv
from collections.abc import Iterable, Iterator, Mapping, Sequence
from importlib import import_module
from pathlib import Path
from typing import Any

from vibeorder.batch.model import Outcome
from vibeorder.errors import VibeorderError

__all__ = [
    "COLUMNS",
    "SUSPECT_COLUMNS",
    "check_kind",
    "is_own_table",
    "needs_pyarrow",
    "write_suspects",
    "write_table",
]

COLUMNS = {
    "source": "text", "vehicle": "text", "verdict": "text", "part": "text", "order": "number",
    "probability": "number", "frequency_hz": "number", "amplitude": "number", "unit": "text", "snr_db": "number",
    "nothing_probability": "number", "runout_warranted": "yes", "runout_where": "text", "twins": "text",
    "speed_source": "text", "speed_mps": "number", "gear": "number", "kind": "text", "duration_s": "number",
    "rate_hz": "number", "next_drive": "text", "seconds": "number", "error": "text",
}  # fmt: skip
"""One row per recording. part to snr_db: the first suspect, also where "nothing" has more. twins: what this
recording cannot tell from it, "part order" with ; between. seconds: of work. error: why there is no verdict."""

SUSPECT_COLUMNS = {
    "source": "text", "rank": "number", "part": "text", "order": "number", "label": "text", "probability": "number",
    "frequency_hz": "number", "frequency_se_hz": "number", "expected_hz": "number", "amplitude": "number",
    "amplitude_rms": "number", "unit": "text", "snr_db": "number", "folded": "yes", "healthy": "yes", "twins": "text",
    "first_check": "text",
}  # fmt: skip

ENDINGS = (".csv", ".parquet")
SUSPECT_HEAD = 3
OWN_HEADS = tuple(",".join([*names][:SUSPECT_HEAD]) for names in (COLUMNS, SUSPECT_COLUMNS))


def check_kind(path: Path, option: str) -> None:
    """Refuse a name that says no kind of table, and Parquet where its library is missing."""
    if path.suffix.lower() not in ENDINGS:
        raise VibeorderError(f"{option} {path}: a table ends in .csv or .parquet")
    if path.suffix.lower() == ".parquet":
        needs_pyarrow()


def needs_pyarrow() -> None:
    """Raise the sentence that says how to get what Parquet needs, where it is missing."""
    try:
        import_module("pyarrow.parquet")
    except ImportError as error:
        raise VibeorderError(
            "Parquet needs pyarrow, which is not installed; install it with: pip install 'vibeorder[batch]', "
            "or write a .csv"
        ) from error


def is_own_table(path: Path) -> bool:
    """Whether a file is a table of an earlier batch, by its first bytes."""
    if path.suffix.lower() != ".csv":
        return False
    try:
        with path.open("rb") as file:
            return file.read(100).startswith(tuple(head.encode() for head in OWN_HEADS))
    except OSError:
        return False


def write_table(path: Path, outcomes: Iterable[Outcome], kind: str) -> None:
    """One row per recording. kind: ".csv" or ".parquet"."""
    _write(path, [_row(one) for one in outcomes], COLUMNS, kind)


def write_suspects(path: Path, outcomes: Iterable[Outcome], kind: str) -> None:
    """One row per suspect of every recording that has a verdict, most probable first."""
    _write(path, [row for one in outcomes for row in _suspect_rows(one)], SUSPECT_COLUMNS, kind)


def _row(outcome: Outcome) -> dict[str, Any]:
    row: dict[str, Any] = {
        "source": _text(outcome.source),
        "vehicle": _text(outcome.vehicle),
        "seconds": outcome.seconds,
        "error": _text(outcome.error),
    }
    if outcome.result is None:
        return row
    found = outcome.result
    first: Mapping[str, Any] = found["suspects"][0] if found["suspects"] else {}
    copied = ("part", "order", "probability", "frequency_hz", "amplitude", "unit", "snr_db")
    return row | {name: first.get(name) for name in copied} | {
        "verdict": found["verdict"],
        "nothing_probability": found["nothing_found_probability"],
        "runout_warranted": found["runout_check"]["warranted"],
        "runout_where": found["runout_check"]["where"],
        "twins": _twins(first.get("indistinct_from", ())),
        "speed_source": found["speed"]["source"],
        "speed_mps": found["speed"]["median_mps"],
        "gear": found["speed"]["gear"],
        **found["recording"],
        "next_drive": found["next_drive"],
    }  # fmt: skip


def _suspect_rows(outcome: Outcome) -> Iterator[dict[str, Any]]:
    for rank, one in enumerate(outcome.result["suspects"] if outcome.result else (), 1):
        twins = _twins(one["indistinct_from"])
        yield {**one, "source": _text(outcome.source), "rank": rank, "twins": twins}


def _twins(pairs: Sequence[Sequence[Any]]) -> str:
    return "; ".join(f"{part} {order:g}" for part, order in pairs)


def _text(name: str) -> str:
    """A file name that is no text in its own system's encoding, written so that a table can hold it."""
    return name.encode("utf-8", "surrogateescape").decode("utf-8", "backslashreplace")


def _write(path: Path, rows: list[dict[str, Any]], columns: Mapping[str, str], kind: str) -> None:
    if kind == ".parquet":
        _write_parquet(path, rows, columns)
        return
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(columns)
        writer.writerows([_cell(row.get(name)) for name in columns] for row in rows)


def _cell(value: Any) -> Any:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return "" if value is None else value


def _write_parquet(path: Path, rows: list[dict[str, Any]], columns: Mapping[str, str]) -> None:
    """With the types of the columns said, so that a column without any value has one too."""
    arrow, parquet = import_module("pyarrow"), import_module("pyarrow.parquet")
    types = {"text": arrow.string(), "number": arrow.float64(), "yes": arrow.bool_()}
    schema = arrow.schema([(name, types[kind]) for name, kind in columns.items()])
    content = {name: [row.get(name) for row in rows] for name in columns}
    parquet.write_table(arrow.table(content, schema=schema), path)
