"""From a suspect to the measuring sheet that settles it, filled in as far as the diagnosis knows.

Rules of the trade: a first order is checked for runout before anything, then by half a turn which of the mated
parts carries it; a driveshaft's second order comes from its joints' angles; nothing leads to balancing from
here, for that takes a first order *and* a runout that was measured. common practice, no source.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlencode

from vibeorder.bench import find_place, limit_for
from vibeorder.vehicle import Vehicle

__all__ = ["Step", "bench_link", "steps_for"]


@dataclass(frozen=True, slots=True)
class Step:
    """One measuring sheet. sheet: as in its address; place: as in `bench.PLACES`, or ''; words: on the button."""

    sheet: str
    words: str
    place: str = ""


_SHAFT_RUNOUT = Step("runout", "Measure the shaft's runout", "tube_rear")
_SHAFT_HALF_TURN = Step("half-turn", "Then: half-turn test, flange or shaft", "tube_rear")
_ANGLES = Step("angles", "Measure the joint angles")
_TIRE_RUNOUT = Step("runout", "Measure the tire's runout", "tire_radial")

STEPS: Mapping[str, Mapping[float, tuple[Step, ...]]] = {
    "driveshaft": {1.0: (_SHAFT_RUNOUT, _SHAFT_HALF_TURN), 2.0: (_ANGLES,)},
    "front_driveshaft": {1.0: (_SHAFT_RUNOUT, _SHAFT_HALF_TURN), 2.0: (_ANGLES,)},
    "tire_wheel": dict.fromkeys((1.0, 2.0, 3.0, 4.0), (_TIRE_RUNOUT,)),
    "half_shaft": {1.0: (Step("runout", "Measure the half-shaft's runout"),)},
    "engine": {1.0: (Step("runout", "Measure the damper's runout"),)},
    "accessory": {1.0: (Step("runout", "Measure the pulley's runout"),)},
}
"""part, order -> the sheets in the order in which they are used; what is not here is not found with one."""


def steps_for(part: str, order: float) -> tuple[Step, ...]:
    """The measuring sheets for a suspect, the first one first; none where no sheet settles it."""
    return STEPS.get(part.split(":")[0], {}).get(order, ())


def bench_link(step: Step, part: str, order: float, result: str, number: int, vehicle: Vehicle | None) -> str:
    """The address of a step's sheet with part, order, place, limit and where it comes from filled in."""
    fields: dict[str, Any] = {"part": part, "order": f"{order:g}", "from": result}
    if number > 1:
        fields["recording"] = number
    if step.place:
        fields["place"] = step.place
        limit = limit_for(None, vehicle, find_place(step.place))
        if limit is not None and step.sheet == "runout":
            fields["limit"] = limit.given
    return f"/bench/{step.sheet}?{urlencode(fields)}"
