"""What a speed log tells whose place beside the recording nobody knows: between which speeds it was driven."""

from dataclasses import replace

import numpy as np

from vibeorder.recording import Recording, Trace
from vibeorder.speed.clocks import road_speed
from vibeorder.speed.given import FROM_REST_MPS, SpeedGiven
from vibeorder.units import show_speeds
from vibeorder.vehicle import Vehicle

__all__ = ["with_range"]

ENDS = (1.0, 99.0)
"""Percentiles of a log that are taken for the ends: a single fix may lie anywhere."""


def with_range(
    recording: Recording, placed: Trace | None, log: Trace, vehicle: Vehicle
) -> tuple[Recording, Trace | SpeedGiven | None]:
    """The recording and the speed to judge it by: the log as it was placed, the recording's own, or the log's range.

    placed: of `recording_and_log`; None where the log's clock could not be settled.
    """
    if placed is not None or recording.speed is not None:
        return recording, placed
    low, high = (float(v) for v in np.percentile(road_speed(log, vehicle).values, ENDS))
    if high <= FROM_REST_MPS:
        return recording, None
    low = max(low, FROM_REST_MPS)
    text = show_speeds((low, high), log.unit)
    said = f"speed log {log.name}: of it only the range of speeds is used, {text}"
    given = SpeedGiven(low, high, log.unit, text, steady=False)
    return replace(recording, history=(*recording.history, said)), given
