"""Which order of which part is compared: the one that was asked for, else the first suspect before the repair; and
what of that was asked could not be followed.
"""

import math

from vibeorder.diagnosis.result import Diagnosis, Suspect
from vibeorder.errors import VibeorderError
from vibeorder.recording.model import Recording

__all__ = ["logs_not_used", "order_asked", "suspect_of"]


def order_asked(order: float | None) -> float:
    """The order to compare: the first where none was said. VibeorderError where it is no order."""
    if order is None:
        return 1.0
    if not 0.0 < order < math.inf:
        raise VibeorderError(
            f"order {order:g} is none: an order says how often a part shakes in one turn; give a number "
            "above zero, like 1 or 2"
        )
    return order


def suspect_of(diagnosis: Diagnosis) -> tuple[str, float]:
    """(part, order) that the drive before the repair points at. VibeorderError where it points at none."""
    top = diagnosis.suspects[0] if diagnosis.suspects else None
    if top is None or top.probability < diagnosis.nothing_found_probability:
        raise VibeorderError(
            "the recording before the repair points at no part; say what was repaired, like "
            "--part driveshaft --order 1"
        )
    named = {(top.part, top.order), *top.indistinct_from}
    plainest = min((s for s in diagnosis.suspects if (s.part, s.order) in named), key=_off)
    return plainest.part, plainest.order


def logs_not_used(before: Recording, after: Recording) -> tuple[str, ...]:
    """Why a speed log that was given is not used, out of the recordings' histories (see `speed_beside`)."""
    return tuple(
        f"The {which} drive's {said}."
        for which, recording in (("first", before), ("second", after))
        for said in recording.history
        if said.startswith("speed log ") and "it was not used" in said
    )


def _off(suspect: Suspect) -> float:
    """How far a suspect's line lies from where the vehicle puts it: of twins, the plainest is compared."""
    if suspect.frequency_hz is None or not suspect.expected_hz:
        return math.inf
    return abs(suspect.frequency_hz / suspect.expected_hz - 1.0)
