"""What is said of a drive beside its recording, as typed: at the command line for all, in the index for one."""

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields
from typing import TYPE_CHECKING, Any

from vibeorder.errors import VibeorderError

if TYPE_CHECKING:
    from vibeorder.recording import ReadOptions

__all__ = ["FIELDS", "Said", "check_said", "read_options", "said_of"]


@dataclass(frozen=True, slots=True)
class Said:
    """Each as typed, None where nothing is said. gear: number held. low_range: of the transfer case."""

    speed: str | None = None
    speed_log: str | None = None
    log_late: str | None = None
    gear: int | None = None
    low_range: bool | None = None
    time_column: str | None = None
    axes: str | None = None
    unit: str | None = None
    speed_column: str | None = None
    speed_unit: str | None = None
    rpm_column: str | None = None
    rate: str | None = None

    def stated(self) -> dict[str, Any]:
        """Only what is said."""
        return {name: value for name, value in asdict(self).items() if value is not None}

    def as_text(self) -> str:
        """The same text for the same words."""
        return json.dumps(self.stated(), sort_keys=True)


FIELDS = tuple(one.name for one in fields(Said))


def said_of(cells: Mapping[str, str]) -> Said:
    """The words of an index line. Raises VibeorderError where a gear or a yes is none."""
    given: dict[str, Any] = {
        name: text.strip() for name, text in cells.items() if name in FIELDS and text.strip()
    }
    if "gear" in given:
        if not given["gear"].isdecimal() or len(given["gear"]) > 2:
            raise VibeorderError(f"gear {given['gear']!r} is not the number of a gear; 1 is the lowest")
        given["gear"] = int(given["gear"])
    if "low_range" in given:
        word = given["low_range"].lower()
        if word not in _YES | _NO:
            raise VibeorderError(f"low_range {given['low_range']!r} is neither yes nor no")
        given["low_range"] = word in _YES
    return Said(**given)


_YES, _NO = {"yes", "true", "1", "x"}, {"no", "false", "0"}


def check_said(said: Said) -> None:
    """Raise the sentence of whatever cannot be understood, before any recording is read."""
    if said.speed is not None and said.speed_log is not None:
        raise VibeorderError("speed and speed log both say how fast it went; give one of them")
    if said.log_late is not None and said.speed_log is None:
        raise VibeorderError("how late a speed log runs is said without one; give the log too")
    if said.speed is not None:
        from vibeorder.speed.given import parse_speed_given

        parse_speed_given(said.speed)
    if said.log_late is not None:
        from vibeorder.units import parse_time

        parse_time(said.log_late)
    read_options(said)


def read_options(said: Said) -> "ReadOptions":
    """The options of reading; with a speed log, the speed column is one of the log's and not of the recording."""
    from vibeorder.recording import typed_options

    own = said.speed_log is None
    return typed_options(
        time_column=said.time_column,
        axes=said.axes,
        unit=said.unit,
        speed_column=said.speed_column if own else None,
        speed_unit=said.speed_unit if own else None,
        rpm_column=said.rpm_column,
        rate=said.rate,
    )
