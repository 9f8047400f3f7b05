"""Road speed from a second device: GPX track, GPS or OBD logger's CSV, wheel-speed or turning-rate log."""

from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from vibeorder.errors import SpeedError
from vibeorder.recording import (
    TOP_SPEED_MPS,
    Stamps,
    Table,
    Trace,
    find_speed,
    find_stamps,
    is_json,
    read_table,
    speed_factor,
    speed_trace,
    table_from_json,
    words_of,
)
from vibeorder.recording.model import showable
from vibeorder.speed.gpx import is_gpx, read_gpx_points
from vibeorder.units import counted

__all__ = ["TURNING_UNITS", "read_speed_log", "speed_from_positions"]

FloatArray = NDArray[np.float64]

EARTH_RADIUS_M = 6_371_008.8  # mean radius, IUGG 1980 (Moritz 2000, J. Geodesy 74, 128)
# Positions are good to a few metres: differences over two seconds give speed to about 1 m/s.
POSITION_SPAN_S = 2.0
TURNING_UNITS = {"rpm": 1 / 60, "deg/s": 1 / 360, "rad/s": 0.5 / np.pi, "hz": 1.0, "turns/s": 1.0}


def read_speed_log(path: Path, speed_column: str | None = None, unit: str | None = None) -> Trace:
    """The speed that a log holds, on its own clock from its first reading, never NaN.

    path: GPX 1.0 or 1.1 (speed elements, else positions), or a text log with a speed column, else latitude
    and longitude, else metres east and north. speed_column: name or number. unit: "m/s", "km/h", "mph"; or
    "rpm", "deg/s", "rad/s", "Hz" for a log of a turning part, whose values come out in turns per second
    (the Trace keeps that unit). epoch_s is set where the stamps are absolute. Where the log does not say
    its unit, the Trace's name says that it was assumed.
    Raises SpeedError or RecordingError with the sentence that says what is missing.
    """
    path = Path(path)
    try:
        if not path.is_file():
            raise SpeedError(f"there is no speed log {path}; check the name")
        with path.open("rb") as file:
            head = file.read(4096)
        if not head:
            raise SpeedError(f"speed log {path.name} is empty (0 bytes)")
        if is_gpx(head):
            return _from_gpx(path, unit)
        if is_json(head):
            return _from_table(table_from_json(path.read_bytes(), path.name), speed_column, unit)
        if b"\0" in head and head[:2] not in (b"\xff\xfe", b"\xfe\xff"):
            raise SpeedError(f"speed log {path.name} is neither GPX nor a text log; export it as GPX or CSV")
        return _from_table(read_table(path), speed_column, unit)
    except OSError as error:
        raise SpeedError(f"speed log {path} cannot be opened: {error.strerror or error}") from error


def speed_from_positions(
    times_s: FloatArray, east_m: FloatArray, north_m: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Instants and speeds [m/s] from positions in metres, by differences over about two seconds.

    A logger that repeats a position until the next fix does not stand still: only new fixes count, as long
    as they come at least every three seconds.
    """
    if not times_s.size:
        return times_s, times_s
    moved = np.concatenate(([True], (np.diff(east_m) != 0) | (np.diff(north_m) != 0)))
    waited = np.concatenate(([True], np.diff(np.floor(times_s / 3.0)) > 0))
    keep = moved | waited
    times_s, east_m, north_m = times_s[keep], east_m[keep], north_m[keep]
    ahead = np.searchsorted(times_s, times_s + POSITION_SPAN_S / 2.0)
    behind = np.searchsorted(times_s, times_s - POSITION_SPAN_S / 2.0, side="right") - 1
    ahead, behind = np.clip(ahead, 0, times_s.size - 1), np.clip(behind, 0, times_s.size - 1)
    span = times_s[ahead] - times_s[behind]
    good = (span > 0) & (span < 5 * POSITION_SPAN_S)
    ahead, behind = ahead[good], behind[good]
    length = np.hypot(east_m[ahead] - east_m[behind], north_m[ahead] - north_m[behind])
    return 0.5 * (times_s[ahead] + times_s[behind]), length / span[good]


def _from_gpx(path: Path, unit: str | None) -> Trace:
    points = read_gpx_points(path)
    stamped = np.isfinite(points.times_s)
    if stamped.sum() < 2:
        raise SpeedError(
            f"GPX track {path.name} has {counted(int(stamped.sum()), 'point')} with a time; a speed log needs many"
        )
    epoch = float(points.times_s[stamped][0])
    times = points.times_s - epoch
    given = stamped & np.isfinite(points.speeds) & (points.speeds >= 0)
    if given.sum() >= max(2, 0.5 * stamped.sum()):
        written = unit or "m/s"  # GPX 1.0 schema, element speed: metres per second
        values = points.speeds[given] * speed_factor(written)
        return _checked(Trace(times[given], values, path.name, written, epoch))
    east, north = _metres(points.latitudes, points.longitudes)
    good = stamped & np.isfinite(east)
    instants, speeds = _positions_in_order(times[good], east[good], north[good])
    if float(speeds.max(initial=0.0)) <= 0:
        raise SpeedError(f"GPX track {path.name} has no speed elements and its positions never change")
    return _checked(Trace(instants, speeds, f"{path.name} (from positions)", "m/s", epoch))


def _from_table(table: Table, speed_column: str | None, unit: str | None) -> Trace:
    stamps = find_stamps(table, slow=True)
    if stamps is None:
        raise SpeedError(f"speed log {table.source} has no time column; its columns are {table.listing()}")
    column = find_speed(table, speed_column, {stamps.column})
    if column is None:
        column = _turning_column(table)
        if column is None:
            return _from_position_columns(table, stamps)
        unit = unit or "rpm"
    if unit is not None and unit.lower() in TURNING_UNITS:
        return _turning(table, column, stamps, unit.lower())
    trace, notes = speed_trace(table, column, stamps.times_s, unit)
    if trace is None:
        raise SpeedError(f"speed log {table.source}: {'; '.join(notes)}")
    if any("assumed" in note for note in notes):
        trace = replace(trace, name=f"{trace.name} ({trace.unit} assumed)")
    return _checked(replace(trace, epoch_s=stamps.epoch_s, date_doubt_s=stamps.doubt_s))


def _turning_column(table: Table) -> int | None:
    """A wheel's or shaft's turning rate in a log without road speed."""
    for column, name in enumerate(table.names):
        words = set(words_of(name))
        if words & {"rpm"} or name.lower().endswith("rpm"):
            return column if table.is_number(column) else None
    return None


def _turning(table: Table, column: int, stamps: Stamps, unit: str) -> Trace:
    values = np.abs(table.numbers(column)) * TURNING_UNITS[unit]
    good = np.isfinite(values) & np.isfinite(stamps.times_s) & (values < 1000.0)
    order = np.argsort(stamps.times_s[good], kind="stable")
    name = table.names[column] or f"column {column + 1}"
    trace = Trace(
        stamps.times_s[good][order],
        values[good][order],
        name,
        unit,
        stamps.epoch_s,
        date_doubt_s=stamps.doubt_s,
    )
    return _checked(trace, top=1000.0)


def _from_position_columns(table: Table, stamps: Stamps) -> Trace:
    pairs = (
        ({"latitude", "lat"}, {"longitude", "lon", "lng", "long"}),
        ({"north", "northing"}, {"east", "easting"}),
    )
    for degrees, (first, second) in zip((True, False), pairs, strict=True):
        ups = [c for c, name in enumerate(table.names) if set(words_of(name)) & first and table.is_number(c)]
        rights = [
            c for c, name in enumerate(table.names) if set(words_of(name)) & second and table.is_number(c)
        ]
        if not ups or not rights:
            continue
        north, east = table.numbers(ups[0]), table.numbers(rights[0])
        if degrees:
            east, north = _metres(north, east)
        good = np.isfinite(stamps.times_s) & np.isfinite(east) & np.isfinite(north)
        instants, speeds = _positions_in_order(stamps.times_s[good], east[good], north[good])
        if speeds.size > 1 and float(speeds.max()) > 0:
            name = f"{table.source} (from positions)"
            trace = Trace(instants, speeds, name, "m/s", stamps.epoch_s, date_doubt_s=stamps.doubt_s)
            return _checked(trace)
    raise SpeedError(
        f"no speed was found in {table.source}; its columns are {table.listing()}; "
        "name one with --speed-column"
    )


def _metres(latitudes: FloatArray, longitudes: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Metres east of the first fix and north of the equator, NaN where a fix is missing.

    Equirectangular: exact enough over a drive's few seconds. 0, 0 is how loggers write a missing fix.
    """
    missing = (latitudes == 0) & (longitudes == 0) | (np.abs(latitudes) > 90) | (np.abs(longitudes) > 180)
    fixed = np.isfinite(latitudes) & np.isfinite(longitudes) & ~missing
    up, right = np.radians(latitudes[fixed]), np.radians(longitudes[fixed])
    # Each difference is taken over seconds, so that the cosine hardly changes between its two ends; over a
    # whole drive it does, so east is summed from steps at the latitude of each, from fix to fix: measured from
    # Greenwich it would change on a road due north.
    steps = np.diff(right, prepend=right[:1])
    steps = (steps + np.pi) % (2.0 * np.pi) - np.pi  # over the date line too
    east, north = np.full(latitudes.shape, np.nan), np.full(latitudes.shape, np.nan)
    east[fixed] = np.cumsum(steps * np.cos(up)) * EARTH_RADIUS_M
    north[fixed] = up * EARTH_RADIUS_M
    return east, north


def _positions_in_order(
    times_s: FloatArray, east_m: FloatArray, north_m: FloatArray
) -> tuple[FloatArray, FloatArray]:
    order = np.argsort(times_s, kind="stable")
    return speed_from_positions(times_s[order], east_m[order], north_m[order])


def _checked(trace: Trace, top: float = TOP_SPEED_MPS) -> Trace:
    """Strictly rising instants from zero, possible values, two readings at least."""
    order = np.argsort(trace.times_s, kind="stable")
    times, values = trace.times_s[order], trace.values[order]
    possible = np.isfinite(values) & (values <= top)
    times, values = times[possible], values[possible]
    rising = np.concatenate(([True], np.diff(times) > 0)) if times.size else np.zeros(0, dtype=bool)
    times, values = times[rising], values[rising]
    if times.size < 2:
        raise SpeedError(f"speed log {trace.name} has {times.size} usable reading; a speed log needs many")
    zero = float(times[0])
    epoch = trace.epoch_s + zero if trace.epoch_s is not None else None
    return replace(trace, times_s=times - zero, values=values, name=showable(trace.name), epoch_s=epoch)
