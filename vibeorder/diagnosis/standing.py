"""A recording made standing still, the engine held at one speed: only the engine and its accessories turn.

The engine takes the wheel's place: its rate is the clock, its sources and the accessories keep step with it, and what
the wheels drive is not judged, which says nothing for or against it.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.advice import next_hold
from vibeorder.diagnosis.candidates import Candidate
from vibeorder.diagnosis.propose import RateDoubt
from vibeorder.diagnosis.result import Diagnosis
from vibeorder.errors import SpeedError
from vibeorder.recording.model import Recording, Trace
from vibeorder.vehicle import Vehicle

__all__ = [
    "STANDS_BELOW_MPS",
    "as_standing",
    "engine_as_clock",
    "engine_trace",
    "held_doubt",
    "stands",
    "with_unjudged",
]

FloatArray = NDArray[np.float64]

STANDS_BELOW_MPS = 0.8
"""A vehicle whose logged speed never exceeds this stands: a position fix wanders that much."""

HELD_RPM_SD = 0.02
"""How well an engine speed said or shown is the true one, relative: a dial is read, a foot is not a governor (common
practice, no source)."""


def stands(recording: Recording) -> bool:
    """Whether a logged speed says that the vehicle stood all through."""
    return recording.speed is not None and bool(recording.speed.values.max() < STANDS_BELOW_MPS)


def engine_trace(recording: Recording, vehicle: Vehicle, rpm: float | None) -> Trace:
    """The engine's rate as a speed of the nominal wheel, on the recording's clock.

    rpm: as it was said, else the recording's own engine speed. Raises SpeedError where neither is there.
    """
    circumference = vehicle.tire.circumference_m
    if rpm is None and recording.rpm is not None:
        return replace(recording.rpm, values=recording.rpm.values * circumference, lag_s=0.0)
    if rpm is None:
        raise SpeedError(
            f"{recording.source} was made standing still and no engine speed is in it; say it with --standing-rpm "
            '"1850 rpm"'
        )
    times = recording.start_s + np.linspace(0.0, recording.duration_s, 8)
    return Trace(times, np.full(8, rpm / 60.0 * circumference), "engine speed as said", "rpm", lag_s=0.0)


def engine_as_clock(candidates: Sequence[Candidate]) -> tuple[Candidate, ...]:
    """The candidates with the engine in the wheel's place; the wheels' own at no known rate."""
    return tuple(replace(c, basis="wheel" if c.basis == "engine" else "engine") for c in candidates)


def held_doubt(doubt: RateDoubt) -> RateDoubt:
    """The doubt in an engine speed instead of a road speed."""
    return replace(doubt, sd=HELD_RPM_SD)


def as_standing(found: Diagnosis, engine_hz: float) -> Diagnosis:
    """A diagnosis whose clock was the engine's, told so: no road speed, no wheel's scale, another hold for a drive."""
    speed = found.speed
    still = np.zeros(speed.times_s.size)
    said = f"standing still, the engine at {60.0 * engine_hz:.0f} rpm: what the wheels drive did not turn"
    return replace(
        found,
        speed=replace(
            speed, source="given", speed_mps=still, low_mps=still, high_mps=still, lag_s=None, gear=None,
            sentences=(said,),
        ),
        next_drive=next_hold(found.suspects, found.nothing_found_probability, engine_hz),
    )  # fmt: skip


def with_unjudged(log_odds: FloatArray, log_prior: FloatArray) -> FloatArray:
    """Log weights in which a source whose rate is unknown here has its prior: nothing was said of it."""
    prior = log_prior - log_prior[-1]
    return np.where(np.isfinite(log_odds), log_odds, prior + log_odds[-1])
