"""Finds the time column of a log and turns it into seconds, whatever it counts and from whenever."""

import re
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from vibeorder.errors import RecordingError
from vibeorder.recording.bursts import find_bursts
from vibeorder.recording.clocktext import clock_text_seconds
from vibeorder.recording.table import Table

__all__ = ["Stamps", "find_stamps", "standing_stamps", "words_of"]

FloatArray = NDArray[np.float64]

UNIT_SECONDS = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9, "min": 60.0}
UNIT_WORDS = {
    "s": "seconds",
    "ms": "milliseconds",
    "us": "microseconds",
    "ns": "nanoseconds",
    "min": "minutes",
}
_UNIT_TOKENS = {
    "ns": {"ns", "nano", "nanos", "nsec", "nsecs", "nanosec", "nanoseconds", "nanosecond"},
    "us": {"us", "µs", "μs", "micro", "micros", "usec", "usecs", "microseconds", "microsecond"},
    "ms": {"ms", "milli", "millis", "msec", "msecs", "millisec", "milliseconds", "millisecond"},
    "min": {"min", "mins", "minute", "minutes"},
    "s": {"s", "sec", "secs", "second", "seconds"},
}  # fmt: skip
_TIME_WORDS = frozenset(
    [
        "time",
        "timestamp",
        "timestamps",
        "t",
        "elapsed",
        "uptime",
        "clock",
        "stamp",
        "epoch",
        "ts",
        "datetime",
        "zeit",
        "temps",
        "tiempo",
        "sampletimefine",
        "unixtime",
        "since1970",
        "rosbagtimestamp",
    ]
)
_DELTA_WORDS = {"dt", "delta", "diff", "interval", "deltat", "timediff", "step"}
# "m/s" is no second; "t/s" is.
_PER_TIME = re.compile(
    r"(?<![a-z])(?:k?m|cm|mm|ft|°|deg|degrees|rad|radians|rev|turns|meters|metres|g)\s*/\s*\w+", re.IGNORECASE
)
# Stamps of another sensor than the one that shakes.
_OTHER_SENSOR = frozenset(
    [
        "location",
        "gps",
        "gnss",
        "heading",
        "gyro",
        "gyroscope",
        "magnetometer",
        "motion",
        "ip",
        "battery",
        "orientation",
        "altimeter",
        "pedometer",
        "activity",
        "start",
        "end",
        "utc",
    ]
)
# Unix times between the years 2000 and 2100, in seconds.
EPOCH_RANGE_S = (9.46e8, 4.1e9)
# A shake is logged at 5 Hz to 5 kHz: the step between stamps then tells the unit, without overlap.
STEP_RANGE_S = (2e-4, 0.2)
SLOW_STEP_RANGE_S = (5e-3, 5.0)
SET_BACK_SHARE = 0.995
# A clock is seldom set back.
SELDOM = 0.01


@dataclass(frozen=True, slots=True)
class Stamps:
    """times_s: one per row, from the first stamp, NaN where unreadable. epoch_s: Unix time of zero, or None.

    said: how they were understood. column: position, -1 where there is none.
    kind: numbers that rise, texts, steps since the last row, or rows at a known rate. unit_s: seconds of one.
    first: the first stamp as it stands in the file. order, doubt_s: of a date (see `ClockText`).
    """

    times_s: FloatArray
    epoch_s: float | None
    said: str
    column: int
    kind: Literal["numbers", "text", "steps", "rows"] = "numbers"
    unit_s: float = 1.0
    first: float = 0.0
    order: str = ""
    doubt_s: float = 0.0


@dataclass(frozen=True, slots=True)
class _Candidate:
    column: int
    score: float
    stamps: Stamps


def find_stamps(table: Table, wanted: str | None = None, slow: bool = False) -> Stamps | None:
    """The stamps of a log, or None where no column looks like time.

    wanted: name or number of the column (--time-column). slow: the log may step in seconds (GPS, OBD).
    Raises RecordingError where the wanted column cannot be time.
    """
    if wanted is not None:
        column = table.find(wanted, "--time-column")
        stamps = _absolute(table, column, slow) or _since_last_row(table, column, asked=True)
        if stamps is None:
            raise RecordingError(
                f"{table.label(column)} of {table.source} does not rise like time; "
                f"--time-column takes another of {table.listing()}, or --rate gives the rate"
            )
        return stamps
    found = []
    for column in range(len(table.names)):
        stamps = _absolute(table, column, slow)
        if stamps is not None:
            found.append(_Candidate(column, _score(table, stamps), stamps))
    likely = [candidate for candidate in found if candidate.score > 0]
    if likely:
        best = max(likely, key=lambda candidate: (round(candidate.score, 2), -candidate.column))
        return _with_epoch(best.stamps, found)
    for column in range(len(table.names)):
        if (stamps := _since_last_row(table, column, asked=False)) is not None:
            return stamps
    return None


def standing_stamps(table: Table) -> Stamps | None:
    """Stamps of a column called time that stand still for most rows, as where a phone hands over several at once.

    For a log without a better column and without a stated rate: their run still tells how fast it was.
    """
    for column in range(len(table.names)):
        words = set(words_of(table.names[column]))
        if not words & _TIME_WORDS or words & _OTHER_SENSOR:
            continue
        stamps = _absolute(table, column, slow=False)
        if stamps is None:
            continue
        steps = np.diff(stamps.times_s[np.isfinite(stamps.times_s)])
        if float(np.mean(steps < 0)) < SELDOM:
            return stamps
    return None


def words_of(name: str) -> list[str]:
    """The words of a column name in lower case: "accelerometerTimestamp_sinceReboot(s)" -> five words."""
    spaced = re.sub(r"(?<=[a-zµμ])(?=[A-Z])|(?<=[A-Z])(?=[A-Z][a-z])", " ", name)
    return [word.lower() for word in re.split(r"[^A-Za-z0-9µμ²^°]+", spaced) if word]


def _with_epoch(stamps: Stamps, found: list[_Candidate]) -> Stamps:
    """Takes the date from a coarser absolute column beside it, where the best column has none."""
    if stamps.epoch_s is not None:
        return stamps
    for other in found:
        if other.stamps.epoch_s is None or other.column == stamps.column:
            continue
        both = np.isfinite(stamps.times_s) & np.isfinite(other.stamps.times_s)
        offsets = other.stamps.times_s[both] - stamps.times_s[both]
        if offsets.size and np.percentile(offsets, 99) - np.percentile(offsets, 1) < 3.0:
            # Stamps cut to the second run up to one second behind: their latest are nearest the truth.
            still = float(np.mean(np.diff(other.stamps.times_s[both]) == 0))
            epoch_s = other.stamps.epoch_s + float(np.percentile(offsets, 98 if still > 0.5 else 50))
            said = f"{stamps.said}, dated by {other.stamps.said}"
            return replace(stamps, epoch_s=epoch_s, said=said, doubt_s=other.stamps.doubt_s)
    return stamps


def _absolute(table: Table, column: int, slow: bool) -> Stamps | None:
    """Stamps that rise, counted from one origin; None where the column is something else."""
    if table.is_number(column):
        return _from_numbers(table, column, slow)
    return _from_text(table, column)


def _from_text(table: Table, column: int) -> Stamps | None:
    read = clock_text_seconds(table.frame[column])
    if read is None:
        return None
    seconds = read.seconds
    if not _rises(seconds, 0.9):
        return None
    first = float(seconds[np.isfinite(seconds)][0])
    said = f"time column {table.label(column)} as {read.kind}"
    epoch_s = first if read.absolute else None
    return Stamps(seconds - first, epoch_s, said, column, "text", 1.0, first, read.order, read.doubt_s)


def _from_numbers(table: Table, column: int, slow: bool) -> Stamps | None:
    values = table.numbers(column)
    filled = values[np.isfinite(values)]
    name = table.names[column]
    share = 0.7 if _TIME_WORDS & set(words_of(name)) else 0.9
    if filled.size < 2 or not _rises(values, share):
        return None
    named = _named_unit(name)
    epoch_unit = _epoch_unit(filled)
    unit = named or None
    if epoch_unit is not None and (named in (None, epoch_unit) or epoch_unit != "s"):
        unit = epoch_unit
    elif epoch_unit is not None and named != epoch_unit:
        epoch_unit = None
    if unit is None:
        unit = _unit_by_step(filled, bool(_TIME_WORDS & set(words_of(name))), slow)
    if unit is None:
        return None
    first = float(filled[0])
    times = _exact_from_first(table, column, values, first) * UNIT_SECONDS[unit]
    epoch = first * UNIT_SECONDS[unit] if epoch_unit is not None else None
    since = " since 1970" if epoch is not None else ""
    said = f"time column {table.label(column)} in {UNIT_WORDS[unit]}{since}"
    return Stamps(times, epoch, said, column, "numbers", UNIT_SECONDS[unit], first)


def _epoch_unit(filled: FloatArray) -> str | None:
    """The unit in which the numbers are Unix times of this age, stepping no slower than a minute."""
    middle, step = float(np.median(filled)), float(np.median(np.diff(filled)))
    for unit in ("s", "ms", "us", "ns"):
        if EPOCH_RANGE_S[0] <= middle * UNIT_SECONDS[unit] <= EPOCH_RANGE_S[1]:
            return unit if step * UNIT_SECONDS[unit] <= 60.0 else None
    return None


def _exact_from_first(table: Table, column: int, values: FloatArray, first: float) -> FloatArray:
    """Stamps from the first one; in whole numbers where 19 digits would not fit a float."""
    raw: Any = table.frame[column]
    if raw.dtype.kind in "iu":
        whole = raw.to_numpy()
        start = int(whole[0])
        if float(start) == first or abs(float(start) - first) < 1024:
            relative: FloatArray = (whole - whole[0]).astype(np.float64)
            return relative
    return values - first


def _named_unit(name: str) -> str | None:
    words = set(words_of(_PER_TIME.sub(" ", name)))
    for unit, tokens in _UNIT_TOKENS.items():
        if words & tokens:
            # "min" alone is as often a minimum, and "s" a coordinate: they count beside a time word only.
            if unit in ("min",) and not words & _TIME_WORDS:
                continue
            return unit
    return None


def _unit_by_step(filled: FloatArray, named_time: bool, slow: bool) -> str | None:
    steps = np.diff(filled)
    steps = steps[steps > 0]
    if not steps.size:
        return None
    # Within a burst of rows the step says nothing of the rate.
    bursts = find_bursts(filled, longest_wait_s=np.inf)
    step = float(np.median(steps)) if bursts is None else bursts.step_s
    if step == 1.0 and float(np.mean(steps == 1.0)) > 0.9 and not (slow and named_time):
        return None  # a row counter
    if slow and not named_time and step < 0.02:
        return None
    whole = bool(np.all(filled == np.round(filled)))
    if named_time and not whole and step < 2.0:
        return "s"
    # A speed is logged every 5 ms to 5 s, a shake every 0.2 to 200 ms.
    low, high = SLOW_STEP_RANGE_S if slow else STEP_RANGE_S
    for unit in ("s", "ms", "us", "ns"):
        if low <= step * UNIT_SECONDS[unit] <= high:
            return unit
    return "s" if step < low else None


def _rises(values: FloatArray, share: float) -> bool:
    filled = values[np.isfinite(values)]
    if filled.size < 2 or filled.size < 0.5 * values.size:
        return False
    steps = np.diff(filled)
    moved = steps[steps != 0]
    # Stamps cut to the second stand still between seconds, so only the moves are judged. A clock that was set
    # back may end before it began.
    rising = float(np.mean(moved > 0)) if moved.size else 0.0
    return rising >= share and bool(filled[-1] > filled[0] or rising > SET_BACK_SHARE)


def _score(table: Table, stamps: Stamps) -> float:
    """How much a rising column is like the time of the samples."""
    words = set(words_of(table.names[stamps.column]))
    filled = stamps.times_s[np.isfinite(stamps.times_s)]
    steps = np.diff(filled)
    distinct = float(np.mean(steps != 0)) if steps.size else 0.0
    # Stamps that stand still for many rows are of another, slower thing: this outweighs every name.
    score = 6.0 * distinct + 2.5 * _regularity(steps)
    if words & _TIME_WORDS or any("time" in word or "stamp" in word for word in words):
        score += 3.0
    elif _named_unit(table.names[stamps.column]):
        score += 2.5
    else:
        score -= 3.0
    if stamps.epoch_s is not None:
        score += 1.0
    if words & {"accelerometer", "acc", "accel", "acceleration"}:
        score += 2.0
    if words & _OTHER_SENSOR:
        score -= 1.5
    if not table.names[stamps.column]:
        score += 3.0 if _even(steps) or find_bursts(filled) is not None else -3.0
    elif not words & _TIME_WORDS and not _even(steps):
        return 0.0
    return score if score > 6.0 else 0.0


def _regularity(steps: FloatArray) -> float:
    """1 for an even clock, 0 for one whose steps spread as widely as they are long."""
    near = steps[np.abs(steps) < 8 * max(float(np.median(steps)), 1e-12)] if steps.size else steps
    if not near.size or near.mean() <= 0:
        return 0.0
    return float(max(0.0, 1.0 - near.std() / near.mean()))


def _even(steps: FloatArray) -> bool:
    """Whether most steps are about alike, as of a clock, not of a drifting reading."""
    moved = steps[steps > 0]
    if moved.size < 0.5 * steps.size or not moved.size:
        return False
    middle = float(np.median(moved))
    return float(np.mean((moved > 0.1 * middle) & (moved < 10 * middle))) > 0.8


def _since_last_row(table: Table, column: int, asked: bool) -> Stamps | None:
    """A column of time since the last row: never negative, and mostly about its own median."""
    if not table.is_number(column):
        return None
    values = table.numbers(column)
    filled = values[np.isfinite(values)]
    if filled.size < 3 or filled.min() < 0 or filled.max() == 0:
        return None
    steps = np.diff(filled)
    moves, rising = np.count_nonzero(steps), np.count_nonzero(steps > 0)
    if (moves > 0.2 * steps.size and rising > 0.65 * moves) or (moves > 20 and rising > 0.95 * moves):
        # It rises: a clock with faults, or one of rows handed over in bursts, not a list of steps.
        return None
    words = set(words_of(table.names[column]))
    named = bool(words & (_DELTA_WORDS | _TIME_WORDS) or _named_unit(table.names[column]))
    moved = filled[filled > 0]
    middle = float(np.median(moved))
    about = float(np.mean((moved > 0.2 * middle) & (moved < 5 * middle)))
    whole = bool(np.all(filled == np.round(filled)))
    starts = filled[0] == 0 or named
    nameless = not table.names[column]
    if not asked and not (
        about > 0.9 and moved.size > 0.5 * filled.size and (named or (nameless and whole and starts))
    ):
        return None
    unit = _named_unit(table.names[column]) or next(
        (u for u in ("s", "ms", "us", "ns") if STEP_RANGE_S[0] <= middle * UNIT_SECONDS[u] < STEP_RANGE_S[1]),
        None,
    )
    if unit is None:
        return None
    times = np.cumsum(np.where(np.isfinite(values), values, middle)) * UNIT_SECONDS[unit]
    said = f"time from {table.label(column)}, {UNIT_WORDS[unit]} since the last row"
    return Stamps(times - times[0], None, said, column, "steps", UNIT_SECONDS[unit])
