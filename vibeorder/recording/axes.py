"""Which columns of a log are the acceleration: by option, by name, by unit, and by checking the numbers."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibeorder.errors import RecordingError
from vibeorder.recording.scale import acceleration_unit_in
from vibeorder.recording.stamps import words_of
from vibeorder.recording.table import Table
from vibeorder.units import STANDARD_GRAVITY, show_unit

__all__ = ["Axes", "axes_scale", "find_axes", "gravity_of"]

FloatArray = NDArray[np.float64]

_ACCELERATION_WORDS = frozenset(
    [
        "acc",
        "accel",
        "accl",
        "acceleration",
        "accelerometer",
        "accelero",
        "gforce",
        "gf",
        "force",
        "shake",
        "vibration",
        "beschleunigung",
    ]
)
_OTHER_WORDS = frozenset(
    [
        "gyro",
        "gyr",
        "gyroscope",
        "rotation",
        "rotationrate",
        "rate",
        "mag",
        "magnetometer",
        "magnetic",
        "euler",
        "orientation",
        "quaternion",
        "quat",
        "gravity",
        "attitude",
        "angle",
        "heading",
        "pos",
        "position",
        "vel",
        "velocity",
        "speed",
        "rad",
        "deg",
        "angular",
        "yaw",
        "pitch",
        "roll",
        "field",
        "µt",
        "ext",
        "dig",
        "an",
        "misal",
        "ins",
    ]
)
_NEVER_WORDS = frozenset(
    [
        "distance",
        "altitude",
        "temperature",
        "temp",
        "latitude",
        "longitude",
        "lat",
        "lon",
        "accuracy",
        "bearing",
        "course",
        "pressure",
        "humidity",
        "battery",
        "count",
        "index",
        "i",
        "row",
        "label",
        "kmh",
        "piece",
        "satellites",
        "fix",
        "rpm",
        "speed",
        "time",
        "id",
        "seconds",
        "elapsed",
        "east",
        "north",
    ]
)
_GRAVITY_FREE_WORDS = {"linear", "user", "lin", "nograv", "useracceleration"}
_DIRECTIONS = (
    ("forward", "longitudinal", "surge", "long", "lon"),
    ("right", "left", "lateral", "sway", "lat"),
    ("down", "up", "vertical", "heave", "vert"),
)
# A phone at rest reads 9.78 to 9.83 anywhere on earth; cheap sensors are off by up to 0.4, and a rough
# road tilts and shakes: 8% tells 1 g from everything else that a unit could be.
GRAVITY_TOLERANCE = 0.08


@dataclass(frozen=True, slots=True)
class Axes:
    """Positions and channel names of one to three acceleration columns, and how they were found."""

    columns: tuple[int, ...]
    names: tuple[str, ...]
    said: str


@dataclass(frozen=True, slots=True)
class _Group:
    columns: tuple[int, ...]
    score: float


def find_axes(table: Table, wanted: tuple[str, ...], taken: set[int]) -> Axes:
    """The acceleration columns of a log. wanted: names or numbers (--axes). taken: columns with another use.

    Raises RecordingError that lists the columns and names --axes where it cannot tell.
    """
    if wanted:
        if len(wanted) > 3:
            raise RecordingError(f"--axes names {len(wanted)} columns; a sensor has one to three axes")
        columns = tuple(table.find(name, "--axes") for name in wanted)
        if len(set(columns)) < len(columns):
            raise RecordingError(f"--axes names a column of {table.source} twice")
        for column in columns:
            if not table.is_number(column):
                raise RecordingError(f"{table.label(column)} of {table.source} holds text, not acceleration")
        return _axes(table, columns, "as said by --axes")
    numeric = [
        c for c in range(len(table.names)) if c not in taken and table.is_number(c) and _alive(table, c)
    ]
    groups = _named_triples(table, numeric) + _direction_groups(table, numeric) + _unit_groups(table, numeric)
    if not any(table.names):
        groups += _nameless_groups(table, numeric)
    groups = [group for group in groups if group.score > 0] or _single(table, numeric)
    if not groups:
        raise RecordingError(
            f"no acceleration column was found in {table.source}; its columns are {table.listing()}; "
            f"{_left_out(table, taken)}name one to three of them with --axes"
        )
    best = max(groups, key=lambda group: (round(group.score, 2), len(group.columns), -group.columns[0]))
    said = "found by name" if any(table.names) else "found by their numbers"
    others = [g for g in groups if g.columns != best.columns and not set(g.columns) & set(best.columns)]
    if others:
        left = "; ".join(", ".join(table.label(c) for c in g.columns) for g in others[:3])
        said += f" (left aside: {left}; --axes chooses otherwise)"
    return _axes(table, best.columns, said)


def _left_out(table: Table, taken: set[int]) -> str:
    """Why columns that say nothing were passed over: a sensor that was off or stuck is no shake."""
    free = [c for c in range(len(table.names)) if c not in taken and not _alive(table, c)]
    empty = [c for c in free if not np.isfinite(table.numbers(c)).any()]
    still = [c for c in free if c not in empty]
    said = ""
    for columns, what in ((still, "never change"), (empty, "hold no number")):
        if columns:
            listed = ", ".join(table.label(c) for c in columns[:3])
            said += f"{listed} {what} (was the sensor off?); "
    return said


def gravity_of(samples: FloatArray) -> float:
    """Length of the median vector of samples [shape (axes, n)], in their own unit."""
    with np.errstate(all="ignore"):
        return float(np.linalg.norm(np.nanmedian(samples, axis=1)))


def axes_scale(table: Table, axes: Axes, samples: FloatArray, asked: str | None) -> tuple[float, bool, str]:
    """Factor to m/s^2 of samples [shape (axes, n)], whether that unit is known, and one sentence.

    asked: --unit. Named units are held against gravity; nameless ones are taken from it.
    """
    from vibeorder.recording.scale import unit_factor

    if asked is not None:
        factor = unit_factor(asked)
        return (factor or 1.0), factor is not None, f"unit {show_unit(asked)} as said by --unit"
    gravity = gravity_of(samples)
    named = next((u for c in axes.columns if (u := acceleration_unit_in(table.names[c]))), None)
    if named is not None:
        factor = unit_factor(named) or 1.0
        if _near(gravity, STANDARD_GRAVITY) and named == "g":
            return 1.0, True, f"unit: the names say g, but rest reads {gravity:.2f}, so it is m/s²"
        said = f"unit {show_unit(named)} by name"
        if _near(gravity * factor, STANDARD_GRAVITY):
            said += f"; gravity reads {gravity:.4g} {show_unit(named)}"
        return factor, True, said
    for unit, one_g in (("m/s^2", STANDARD_GRAVITY), ("g", 1.0), ("mg", 1000.0)):
        if _near(gravity, one_g) and _steady(samples, gravity):
            return unit_factor(unit) or 1.0, True, f"unit {show_unit(unit)}, told by gravity ({gravity:.4g})"
    whole = bool(np.all(np.isnan(samples) | (samples == np.round(samples))))
    if whole and len(samples) == 3 and gravity > 50 and _steady(samples, gravity):
        factor = STANDARD_GRAVITY / gravity
        return factor, True, f"raw counts; gravity reads {gravity:.0f} of them, which sets the scale"
    return (
        1.0,
        False,
        (
            "the unit is not stated and gravity does not show it: amplitudes are relative "
            '(--unit "m/s^2" or --unit g settles it)'
        ),
    )


def _near(value: float, one_g: float) -> bool:
    return abs(value / one_g - 1.0) < GRAVITY_TOLERANCE


def _steady(samples: FloatArray, gravity: float) -> bool:
    """Whether the direction of the median vector holds through the four quarters of a log."""
    quarters = np.array_split(samples, 4, axis=1)
    if samples.shape[1] < 40:
        return True
    lengths = [gravity_of(quarter) for quarter in quarters]
    return bool(max(abs(length / gravity - 1.0) for length in lengths) < 0.25)


def _axes(table: Table, columns: tuple[int, ...], said: str) -> Axes:
    names = tuple(table.names[c].strip() or f"column {c + 1}" for c in columns)
    if len(set(names)) < len(names):
        names = tuple(f"{name} (column {c + 1})" for name, c in zip(names, columns, strict=True))
    listed = ", ".join(table.label(c) for c in columns)
    return Axes(columns, names, f"axes {listed}, {said}")


def _alive(table: Table, column: int) -> bool:
    """A shake moves: constant and nearly empty columns are something else."""
    values = table.numbers(column)
    finite = values[np.isfinite(values)]
    return bool(finite.size > max(1, 0.05 * values.size) and float(finite.min()) < float(finite.max()))


def _named_triples(table: Table, numeric: list[int]) -> list[_Group]:
    """Columns whose names differ in x, y, z only, the nearest of each where names repeat."""
    groups = []
    for column in numeric:
        name = table.names[column]
        for place, letter in enumerate(name):
            if letter not in "xX":
                continue
            letters = "yz" if letter == "x" else "YZ"
            mates = [
                _nearest(table, numeric, name[:place] + other + name[place + 1 :], column)
                for other in letters
            ]
            columns = (column, *(mate for mate in mates if mate is not None))
            if len(columns) >= 2 or words_of(name)[-1:] == ["x"]:
                groups.append(_Group(columns, _name_score(table, columns)))
    return groups


def _nearest(table: Table, numeric: list[int], name: str, column: int) -> int | None:
    """The nearest column of that name; of two equally near ones, that on the right."""
    found = [c for c in numeric if table.names[c] == name]
    if table.names.count(table.names[column]) > 1:
        # Where x, y, z come many times over, each x belongs to the y and z that follow it.
        found = [c for c in found if 0 < c - column <= 2]
    return min(found, key=lambda c: (abs(c - column), -c)) if found else None


def _name_score(table: Table, columns: tuple[int, ...]) -> float:
    """How much a group of columns is the acceleration, gravity in, of the sensor itself."""
    name = table.names[columns[0]]
    words = set(words_of(name)) | {word.rstrip("xyz") for word in words_of(name)}
    unit = acceleration_unit_in(name)
    bare = words <= {"x", "y", "z", "", "a", "ax", "raw", "axis"} | ({"g"} if unit else set()) or bool(unit)
    if bare and not unit:
        words |= set(_context(table, columns))
    score = {1: 0.0, 2: 0.2, 3: 1.0}[len(columns)]
    if words & _ACCELERATION_WORDS:
        score += 4.0
    elif words & _OTHER_WORDS:
        return -10.0
    elif words_of(name) in (["ax"], ["a", "x"]):
        score += 4.0
    elif bare:
        score += 1.5
    else:
        return -1.0
    if unit:
        score += 2.0
    if words & {"gravity", "grav"} and not words & _GRAVITY_FREE_WORDS:
        return -5.0
    score -= 1.0 if words & _GRAVITY_FREE_WORDS else 0.0
    score -= 0.3 if words & {"rot", "hor"} else 0.0
    gravity = gravity_of(np.stack([table.numbers(c) for c in columns]))
    if any(_near(gravity, one_g) for one_g in (1.0, STANDARD_GRAVITY, 1000.0)):
        score += 1.0
    return score


def _context(table: Table, columns: tuple[int, ...]) -> list[str]:
    """Words of the column before bare x, y, z: nested messages write "acc_body, x, y, z"."""
    before = min(columns) - 1
    if before < 0 or table.names.count(table.names[columns[0]]) < 2:
        return []
    return words_of(table.names[before])


def _direction_groups(table: Table, numeric: list[int]) -> list[_Group]:
    """Axes named by direction: forward, right, down."""
    columns = []
    for meanings in _DIRECTIONS:
        match = [c for c in numeric if set(words_of(table.names[c])) & set(meanings)
                 and not set(words_of(table.names[c])) & _OTHER_WORDS]  # fmt: skip
        if match:
            preferred = [c for c in match if acceleration_unit_in(table.names[c])
                         or set(words_of(table.names[c])) & _ACCELERATION_WORDS]  # fmt: skip
            columns += (preferred or match)[:1]
    named = [c for c in columns if acceleration_unit_in(table.names[c])
             or set(words_of(table.names[c])) & _ACCELERATION_WORDS]  # fmt: skip
    if len(columns) == 3 or named:
        chosen = tuple(columns if len(columns) == 3 else named)
        return [_Group(chosen, 3.0 + len(named))]
    return []


def _unit_groups(table: Table, numeric: list[int]) -> list[_Group]:
    """One to three columns that carry a unit of acceleration or its name, whatever else they are called."""
    carriers = [
        c for c in numeric if acceleration_unit_in(table.names[c]) or _says_acceleration(table.names[c])
    ]
    carriers = [
        c for c in carriers if not set(words_of(table.names[c])) & (_OTHER_WORDS | {"total", "norm", "abs"})
    ]
    if 1 <= len(carriers) <= 3:
        return [_Group(tuple(carriers), 2.5 + 0.1 * len(carriers))]
    return []


def _says_acceleration(name: str) -> bool:
    words = words_of(name)
    return any(word.rstrip("xyz0123456789") in _ACCELERATION_WORDS for word in words)


def _nameless_groups(table: Table, numeric: list[int]) -> list[_Group]:
    """Without a header: the columns, if three or fewer; else the three in a row that show gravity."""
    if 1 <= len(numeric) <= 3:
        return [_Group(tuple(numeric), 1.0)]
    triples = [(a, a + 1, a + 2) for a in numeric if {a + 1, a + 2} <= set(numeric)]
    shown = []
    for triple in triples:
        gravity = gravity_of(np.stack([table.numbers(c) for c in triple]))
        if any(_near(gravity, one_g) for one_g in (1.0, STANDARD_GRAVITY, 1000.0)):
            shown.append(_Group(triple, 1.0))
    return shown if len(shown) == 1 else []


def _single(table: Table, numeric: list[int]) -> list[_Group]:
    """A log with one number a row, or up to three of one name but for a digit, leaves no choice."""
    free = [c for c in numeric if not set(words_of(table.names[c])) & (_OTHER_WORDS | _NEVER_WORDS)]
    if not free or len(free) < len(numeric) or len(free) > 3:
        return []
    stems = {table.names[c].rstrip("0123456789 _").lower() for c in free}
    return [_Group(tuple(free), 0.5)] if len(stems) == 1 else []
