"""Points of a GPX track, read without trust: no entities, no documents outside, limited size."""

from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from xml.parsers import expat

import numpy as np
from numpy.typing import NDArray

from vibeorder.errors import SpeedError

__all__ = ["GpxPoints", "is_gpx", "read_gpx_points"]

FloatArray = NDArray[np.float64]

# Ten hours at ten points a second, written at length.
MAX_BYTES = 1 << 27
MAX_DEPTH = 64
_POINTS = ("trkpt", "rtept", "wpt")
"""What was driven, before what was meant to be driven, before single places: the first kind that is there is read."""


@dataclass(frozen=True, slots=True)
class GpxPoints:
    """One entry per point [shape (n,)], NaN where the point lacks it; times in Unix seconds, m/s."""

    times_s: FloatArray
    latitudes: FloatArray
    longitudes: FloatArray
    speeds: FloatArray


def is_gpx(head: bytes) -> bool:
    """Whether the first bytes are XML with a gpx element; never raises."""
    text = head.replace(b"\0", b"").lstrip(b"\xef\xbb\xbf\xff\xfe \t\r\n")
    return text[:1] == b"<" and b"<gpx" in text


def read_gpx_points(path: Path) -> GpxPoints:
    """All track points in their order; where there is no track the points of a route, else way points.

    Raises SpeedError for broken XML, for XML with a document type (entities can fill the memory), and for
    files above 128 MB.
    """
    if path.stat().st_size > MAX_BYTES:
        raise SpeedError(f"GPX track {path.name} is larger than {MAX_BYTES >> 20} MB; cut out the drive")
    reading = _Reading(path.name)
    try:
        with path.open("rb") as file:
            reading.parser.ParseFile(file)
    except expat.ExpatError as error:
        raise SpeedError(
            f"GPX track {path.name} is broken at line {error.lineno}; is the copy complete?"
        ) from error
    except (LookupError, ValueError) as error:  # from the decoder that the declaration asks for
        raise SpeedError(
            f"GPX track {path.name} is in no encoding that can be read; save it as UTF-8"
        ) from error
    rows = next((reading.rows[kind] for kind in _POINTS if reading.rows[kind]), None)
    if rows is None:
        raise SpeedError(f"GPX track {path.name} has no points in it")
    table = np.array(rows)
    return GpxPoints(table[:, 0], table[:, 1], table[:, 2], table[:, 3])


class _Reading:
    """The parser's callbacks and what they gathered: time, latitude, longitude, speed of each point of each kind."""

    def __init__(self, source: str) -> None:
        self.rows: dict[str, list[list[float]]] = {kind: [] for kind in _POINTS}
        self._source = source
        self._depth = 0
        self._point: list[float] | None = None
        self._text: list[str] = []
        self.parser = expat.ParserCreate()
        self.parser.buffer_text = True
        self.parser.StartDoctypeDeclHandler = self._refuse
        self.parser.EntityDeclHandler = self._refuse
        self.parser.StartElementHandler = self._start
        self.parser.EndElementHandler = self._end
        self.parser.CharacterDataHandler = self._characters

    def _refuse(self, *_: object) -> None:
        raise SpeedError(
            f"GPX track {self._source} declares a document type or entities, which a track never needs"
        )

    def _start(self, name: str, attributes: dict[str, str]) -> None:
        self._depth += 1
        if self._depth > MAX_DEPTH:
            raise SpeedError(f"GPX track {self._source} is nested {MAX_DEPTH} deep: it is no track")
        self._text.clear()
        local = _local(name)
        if local in _POINTS:
            latitude, longitude = _number(attributes.get("lat", "")), _number(attributes.get("lon", ""))
            self._point = [np.nan, latitude, longitude, np.nan]
            self.rows[local].append(self._point)

    def _end(self, name: str) -> None:
        self._depth -= 1
        local = _local(name)
        if local in _POINTS:
            self._point = None
        elif self._point is not None and local == "time":
            self._point[0] = _stamp("".join(self._text))
        elif self._point is not None and local == "speed":
            self._point[3] = _number("".join(self._text))
        self._text.clear()

    def _characters(self, text: str) -> None:
        if self._point is not None:
            self._text.append(text)


def _local(name: str) -> str:
    return name.rsplit(":", 1)[-1].lower()


def _number(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        return float("nan")


def _stamp(text: str) -> float:
    """Unix seconds of an ISO stamp; without a zone it is UTC, as GPX demands."""
    try:
        moment = datetime.fromisoformat(text.strip().replace("z", "Z"))
    except ValueError:
        return float("nan")
    return (moment if moment.tzinfo else moment.replace(tzinfo=UTC)).timestamp()
