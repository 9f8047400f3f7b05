"""What a log holds beside the shake: road speed, engine speed, a once-a-turn mark."""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from vibeorder.errors import RecordingError
from vibeorder.recording.model import Recording, Trace
from vibeorder.recording.scale import speed_factor, speed_unit_in
from vibeorder.recording.speedunit import ratio_by_motion, unit_log_weights
from vibeorder.recording.stamps import words_of
from vibeorder.recording.table import Table
from vibeorder.units import counted

__all__ = [
    "as_updated",
    "find_mark",
    "find_rpm",
    "find_speed",
    "mark_instants",
    "rpm_trace",
    "speed_trace",
    "with_unit",
]

FloatArray = NDArray[np.float64]

_SPEED_WORDS = {"speed", "velocity", "geschwindigkeit", "vitesse", "kmh", "kph", "mph", "gpsspeed", "vss"}
_NOT_ROAD_SPEED = frozenset(
    [
        "accuracy",
        "acc",
        "sound",
        "wind",
        "rotation",
        "rotational",
        "engine",
        "motor",
        "fan",
        "angular",
        "percent",
        "percentage",
        "limit",
        "rpm",
        "error",
        "bearing",
        "sd",
        "status",
        "test",
        "gyro",
    ]
)
_RPM_WORDS = {"rpm", "tacho", "tach", "enginespeed", "rev", "revs"}
_MARK_WORDS = {"mark", "ir", "tach", "tacho", "hall", "keyphasor", "once", "reflector"}
# No road vehicle under test goes faster; what lies above is a wrong unit or a lost fix.
TOP_SPEED_MPS = 90.0
CLEAR_SHARE = 0.95
"""Probability from which the acceleration has told the unit."""

OPEN_FROM = -4.0
"""Log weight, against the likeliest, of a unit that stays possible: one in fifty."""

ASSUMED = ", assumed: the log does not say it (--speed-unit settles it)"
TOP_RPM = 30_000.0


def find_speed(table: Table, wanted: str | None, taken: set[int]) -> int | None:
    """Position of the road speed column, by option or by name, or None."""
    if wanted is not None:
        return table.find(wanted, "--speed-column")
    found = []
    for column, name in enumerate(table.names):
        words = set(words_of(name))
        named = words & _SPEED_WORDS or any(word.endswith("speed") for word in words)
        if not named or words & _NOT_ROAD_SPEED or column in taken or not table.is_number(column):
            continue
        values = table.numbers(column)
        good = values[np.isfinite(values) & (values >= 0)]
        if good.size >= 1:
            found.append((bool(speed_unit_in(name)), "gps" in words or "location" in words, -column))
    return -max(found)[2] if found else None


def speed_trace(
    table: Table,
    column: int,
    times_s: FloatArray,
    unit: str | None,
    shake: tuple[FloatArray, FloatArray] | None = None,
    epoch_s: float | None = None,
) -> tuple[Trace | None, list[str]]:
    """The road speed in m/s at the instants it changed or was written anew, and what was found.

    Missing cells, -1 and negative values are left out. unit: as said by the user, else by name, else told by
    the acceleration (shake: its instants and samples in m/s^2), else the likeliest at such a top speed; that
    assumption is said, and the trace keeps which others it may be.
    """
    values = table.numbers(column)
    good = np.isfinite(values) & (values >= 0) & np.isfinite(times_s)
    label = table.label(column)
    if good.sum() < 1:
        return None, [f"speed column {label} holds no speed"]
    written, said = unit or speed_unit_in(table.names[column]), ""
    others: tuple[tuple[str, float], ...] = ()
    if written is None:
        written, said, others = _told_unit(values[good], times_s[good], shake)
    mps = values * speed_factor(written)
    good &= mps <= TOP_SPEED_MPS
    times, speeds = as_updated(times_s[good], mps[good])
    if times.size < 1:
        return None, [
            f"speed column {label} in {written} lies above {TOP_SPEED_MPS:.0f} m/s throughout: left aside"
        ]
    notes = [_speed_note(f"speed column {label}", written, said, speeds)]
    left = int(values.size - good.sum())
    if left > 0 and np.isfinite(values).sum() > good.sum():
        notes.append(
            f"{int(np.isfinite(values).sum() - good.sum())} speed cells were negative or impossible "
            "and count as missing"
        )
    name = table.names[column] or label
    return Trace(times, speeds, name, written, epoch_s, open_units=others), notes


def _told_unit(
    values: FloatArray, times_s: FloatArray, shake: tuple[FloatArray, FloatArray] | None
) -> tuple[str, str, tuple[tuple[str, float], ...]]:
    """The unit of a speed that does not state it, how it was come by, and which others it may be (log weights)."""
    motion = None
    if shake is not None:
        motion = ratio_by_motion(*as_updated(times_s, values), *shake)
    weights = unit_log_weights(values, motion)
    unit = max(weights, key=lambda name: weights[name])
    if motion is not None and 1.0 / sum(map(np.exp, weights.values())) > CLEAR_SHARE:
        told = (
            f", told by the acceleration ({motion.ratio:.2f} per m/s, correlation {motion.correlation:.2f})"
        )
        return unit, told, ()
    return unit, ASSUMED, tuple((name, weight) for name, weight in weights.items() if weight > OPEN_FROM)


def with_unit(recording: Recording, unit: str, how: str) -> Recording:
    """The recording with its speed in `unit` instead of the assumed one. how: what settled it, ", told by ..."."""
    trace = recording.speed
    if trace is None:
        return recording
    values = trace.values * (speed_factor(unit) / speed_factor(trace.unit))
    kept = values <= TOP_SPEED_MPS
    speed = replace(trace, times_s=trace.times_s[kept], values=values[kept], unit=unit, open_units=())
    history = tuple(_named_anew(sentence, speed, how) for sentence in recording.history)
    return replace(recording, speed=speed, history=history)


def _named_anew(sentence: str, trace: Trace, how: str) -> str:
    """A sentence of the history, the one on the assumed unit said anew."""
    before, assumed, _ = sentence.partition(ASSUMED)
    if not assumed:
        return sentence
    return _speed_note(before.rpartition(" in ")[0], trace.unit, how, trace.values)


def _speed_note(column: str, unit: str, how: str, speeds_mps: FloatArray) -> str:
    """What the log's speed is. how: the unit was come by."""
    top = f"{speeds_mps.max() / speed_factor(unit):.1f} {unit}"
    return f"{column} in {unit}{how}: {counted(speeds_mps.size, 'reading')}, up to {top}"


def find_rpm(table: Table, wanted: str | None, taken: set[int]) -> int | None:
    """Position of the engine speed column, by option or by name, or None."""
    if wanted is not None:
        return table.find(wanted, "--rpm-column")
    for column, name in enumerate(table.names):
        words = set(words_of(name))
        named = words & _RPM_WORDS or {"engine", "speed"} <= words or name.lower().endswith("rpm")
        if (
            named
            and column not in taken
            and table.is_number(column)
            and not _two_valued(table.numbers(column))
        ):
            return column
    return None


def rpm_trace(
    table: Table, column: int, times_s: FloatArray, epoch_s: float | None = None
) -> tuple[Trace | None, list[str]]:
    """The engine speed in turns per second, and what was found."""
    values = table.numbers(column)
    good = np.isfinite(values) & (values > 0) & (values < TOP_RPM) & np.isfinite(times_s)
    if not good.any():
        return None, [f"rpm column {table.label(column)} holds no engine speed"]
    times, rpm = as_updated(times_s[good], values[good])
    note = f"rpm column {table.label(column)}: {counted(times.size, 'reading')}, {rpm.min():.0f} to {rpm.max():.0f} rpm"
    name = table.names[column] or f"column {column + 1}"
    return Trace(times, rpm / 60.0, name, "rpm", epoch_s), [note]


def find_mark(table: Table, wanted: str | None, taken: set[int]) -> int | None:
    """Position of the column of a once-a-turn mark, by option or by name, or None."""
    if wanted is not None:
        return table.find(wanted, "--mark-column")
    for column, name in enumerate(table.names):
        if column in taken or not table.is_number(column) or not set(words_of(name)) & _MARK_WORDS:
            continue
        if _two_valued(table.numbers(column)):
            return column
    return None


def mark_instants(table: Table, column: int, times_s: FloatArray) -> tuple[FloatArray, list[str]]:
    """Instants of a once-a-turn mark, and what was found.

    The mark is the rarer of the two levels; its instant is where the log enters that level.
    """
    values = table.numbers(column)
    levels = np.unique(values[np.isfinite(values)])
    if levels.size != 2:
        raise RecordingError(
            f"{table.label(column)} of {table.source} has {levels.size} levels; "
            "a mark column has two, such as 0 and 1"
        )
    high = values == levels[1]
    low_is_mark = bool(high.mean() > 0.5)
    mark = ~high if low_is_mark else high
    enters = np.flatnonzero(mark[1:] & ~mark[:-1]) + 1
    # The edge lies between two samples: its middle is off by at most half a step.
    instants = 0.5 * (times_s[enters] + times_s[enters - 1])
    edge = "falling" if low_is_mark else "rising"
    note = (
        f"mark column {table.label(column)}: {counted(instants.size, 'turn')}, counted from the {edge} edge"
    )
    return instants[np.isfinite(instants)], [note]


def _two_valued(values: FloatArray) -> bool:
    finite = values[np.isfinite(values)]
    if finite.size < 4:
        return False
    low, high = float(finite.min()), float(finite.max())
    return low < high and bool(np.all((finite == low) | (finite == high)))


def as_updated(times_s: FloatArray, values: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Only the rows where the slow quantity changed, and at least one row a second where it held still."""
    if not times_s.size:
        return times_s, values
    order = np.argsort(times_s, kind="stable")
    times_s, values = times_s[order], values[order]
    keep = np.ones(values.size, dtype=bool)
    keep[1:] = values[1:] != values[:-1]
    if keep.mean() > 0.5:
        keep[:] = True
    else:
        seconds = np.floor(times_s)
        # A second in which nothing changed is still a reading: the car stood or cruised.
        first_of_second = np.ones(values.size, dtype=bool)
        first_of_second[1:] = seconds[1:] != seconds[:-1]
        changed_in = np.isin(seconds, seconds[keep])
        keep |= first_of_second & ~changed_in
        keep[-1] = True
    times_s, values = times_s[keep], values[keep]
    rising = np.ones(values.size, dtype=bool)
    rising[1:] = np.diff(times_s) > 0
    return times_s[rising], values[rising]
